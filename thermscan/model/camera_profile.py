"""What is known of one camera: each section as measured on one day by one method, with its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np


def within(limits: tuple[float, float], *, needed: bool = True) -> Any:  # noqa: ANN401 - dataclass field
    """Declare a number of a profile with its closed range."""
    if needed:
        return field(metadata={"limits": limits})
    return field(default=None, metadata={"limits": limits})


@dataclass(frozen=True)
class BandSection:
    """Band of the camera, micrometres; ``response`` pairs (micrometres, relative response), may be empty."""

    date: str
    method: str
    low_um: float = within((0.7, 30.0))
    high_um: float = within((0.7, 30.0))
    response: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True)
class ScaleSection:
    """Counts or shown temperatures to true temperatures.

    ``form`` is ``'line'``: kelvin are ``offset_k + scale_k_per_count x count``; ``'curve'``: the Sakuma-Hattori
    equation ``count - zero_count = c / (exp(c2 / (a_um T + b_um_k)) - 1)``; ``'shown'``: true degrees Celsius are
    ``offset_k + scale_k_per_count x shown degrees Celsius``. ``error_k`` is the standard uncertainty of a
    temperature between ``from_c`` and ``to_c``, ``residual_k`` the largest distance of a reference from the fit.
    """

    date: str
    method: str
    form: str
    error_k: float = within((0.0, 100.0))
    from_c: float = within((-200.0, 2000.0))
    to_c: float = within((-200.0, 2000.0))
    scale_k_per_count: float | None = within((1e-6, 100.0), needed=False)
    offset_k: float | None = within((-1e4, 1e5), needed=False)
    slope_error: float | None = within((0.0, 1.0), needed=False)
    a_um: float | None = within((0.5, 50.0), needed=False)
    b_um_k: float | None = within((-1e4, 1e4), needed=False)
    c: float | None = within((1e-12, 1e15), needed=False)
    zero_count: float | None = within((-1e9, 1e9), needed=False)
    residual_k: float | None = within((0.0, 100.0), needed=False)
    references: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True)
class NoiseSection:
    """Noise of one frame in mK by its parts, and drift.

    ``netd_mk`` is the temporal noise of a pixel; ``rows_mk`` and ``columns_mk`` what whole rows and columns share in
    one frame; ``fixed_mk`` what stays with the pixels, ``fixed_rows_mk`` and ``fixed_columns_mk`` with rows and
    columns; ``frames_mk`` what whole frames share; ``drift_k_per_min`` over the recording.
    """

    date: str
    method: str
    netd_mk: float = within((0.0, 1e5))
    netd_error_mk: float = within((0.0, 1e5))
    rows_mk: float = within((0.0, 1e5))
    columns_mk: float = within((0.0, 1e5))
    frames_mk: float = within((0.0, 1e6))
    fixed_mk: float = within((0.0, 1e6))
    fixed_rows_mk: float = within((0.0, 1e6))
    fixed_columns_mk: float = within((0.0, 1e6))
    drift_k_per_min: float | None = within((-1e3, 1e3), needed=False)


@dataclass(frozen=True)
class OpticsSection:
    """Blur of the optics: standard deviation in px, and the width that a part needs to be read to 95 %, px."""

    date: str
    method: str
    blur_px: float = within((0.0, 50.0))
    blur_error_px: float = within((0.0, 50.0))
    smallest_px: float = within((0.0, 500.0))


@dataclass(frozen=True)
class LensSection:
    """Radial distortion: ``r (1 + k1 r2 + k2 r4)`` with r in units of ``focal_px`` from the centre."""

    date: str
    method: str
    k1: float = within((-5.0, 5.0))
    k2: float = within((-20.0, 20.0))
    focal_px: float = within((1.0, 1e5))
    centre_x_px: float = within((-1e4, 1e5))
    centre_y_px: float = within((-1e4, 1e5))
    error_px: float = within((0.0, 100.0))


@dataclass(frozen=True)
class PixelSection:
    """Pixels: ``bad`` as (row, column), ``offset_file`` names the NumPy file of offsets in K beside the profile."""

    date: str
    method: str
    error_k: float = within((0.0, 100.0))
    bad: tuple[tuple[float, float], ...] = ()
    offset_file: str = ""


@dataclass(frozen=True)
class ShutterSection:
    """What the shutter does: seconds between its corrections and the usual step, K."""

    date: str
    method: str
    interval_s: float = within((0.1, 1e5))
    step_k: float = within((0.0, 100.0))


@dataclass(frozen=True)
class PairingSection:
    """Thermal pixels to pixels of the visible picture: homography by rows, and its error, visible px.

    The error is None where four marks were met exactly and none was left to judge by.
    """

    date: str
    method: str
    matrix: tuple[tuple[float, float, float], ...]
    error_px: float | None = within((0.0, 1e4), needed=False)


@dataclass(frozen=True)
class CameraProfile:
    """All that is known of a camera; a section that was not measured is None.

    ``rows`` and ``columns`` are those of the recordings it was measured on; ``pixel_offset_k`` is ndarray
    (rows, columns) to SUBTRACT, read from ``pixels.offset_file``.
    """

    name: str
    about: str = ""
    rows: int | None = None
    columns: int | None = None
    band: BandSection | None = None
    scale: ScaleSection | None = None
    noise: NoiseSection | None = None
    optics: OpticsSection | None = None
    lens: LensSection | None = None
    pixels: PixelSection | None = None
    shutter: ShutterSection | None = None
    pairing: PairingSection | None = None
    pixel_offset_k: np.ndarray | None = None
    path: str = ""


SECTIONS: dict[str, type] = {
    "band": BandSection,
    "scale": ScaleSection,
    "noise": NoiseSection,
    "optics": OpticsSection,
    "lens": LensSection,
    "pixels": PixelSection,
    "shutter": ShutterSection,
    "pairing": PairingSection,
}
SCALE_FORMS = {
    "line": ("scale_k_per_count", "offset_k"),
    "shown": ("scale_k_per_count", "offset_k"),
    "curve": ("a_um", "b_um_k", "c", "zero_count"),
}
