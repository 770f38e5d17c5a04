"""Unit and scale of the numbers in a recording, and whether there is a picture in them at all."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from thermscan.model.errors import InputError, check_number
from thermscan.model.recording import FrameStore
from thermscan.read.open_options import OpenOptions
from thermscan.read.raw_frames import RawFrames
from thermscan.read.sidecar import OFFSET_LIMITS, SCALE_LIMITS, Sidecar
from thermscan.read.text_file import check_object, read_json

ZERO_CELSIUS_K = 273.15  # exact, definition of the Celsius scale (SI brochure)
# value x factor + offset in degrees Celsius (NIST SP 811, appendix B: t/C = (t/F - 32)/1.8)
TO_CELSIUS = {"celsius": (1.0, 0.0), "kelvin": (1.0, -ZERO_CELSIUS_K), "fahrenheit": (1 / 1.8, -32 / 1.8)}


def camera_scale(profile: Mapping[str, Any], *, path: str = "") -> tuple[float, float] | None:
    """Return (scale in K per count, offset in K) of a camera profile, None where its response is not a straight line.

    The profile may hold an object ``scale`` with ``scale_k_per_count`` and ``offset_k``.
    """
    scale = profile.get("scale")
    if not isinstance(scale, Mapping) or scale.get("scale_k_per_count") is None or scale.get("offset_k") is None:
        return None
    place = "scale, "
    return (
        check_number(scale["scale_k_per_count"], SCALE_LIMITS, path=path, place=place + "scale_k_per_count"),
        check_number(scale["offset_k"], OFFSET_LIMITS, path=path, place=place + "offset_k"),
    )


def _sample_of(store: FrameStore, count: int) -> np.ndarray:
    picks = np.unique(np.linspace(0, store.shape[0] - 1, count).round().astype(int))
    return np.concatenate([store.read(i, i + 1) for i in picks])


def _is_dull(frames: np.ndarray, highest: float | None) -> str:
    """Return what makes a run of frames unusable as a whole, or an empty string."""
    finite = frames[np.isfinite(frames)]
    if not finite.size:
        return "without a number (NaN)"
    if not finite.any():
        return "zero"
    if highest is not None and (finite >= highest).all():
        return f"saturated at {highest:.0f}"
    if finite.min() == finite.max():
        return f"the same number {finite[0]:g}"
    return ""


def check_content(
    store: FrameStore, raw: RawFrames, options: OpenOptions, *, path: str
) -> tuple[np.ndarray, list[str]]:
    """Return some frames and warnings about bad pixels in them; refuse a recording without any picture."""
    sample = _sample_of(store, int(options.limits.frames_looked_at))
    problem = _is_dull(sample, raw.highest)
    if problem:
        step = max(1, 4_000_000 // (store.shape[1] * store.shape[2]))
        runs = range(0, store.shape[0], step)
        others = {_is_dull(store.read(i, i + step), raw.highest) for i in runs}
        if others == {problem} or "" not in others:
            count = store.shape[0]
            which = "all pixels of the frame are" if count == 1 else f"all pixels of all {count} frames are"
            raise InputError(path, "", f"{which} {problem}", "the file holds no picture; export it again")
    warnings = []
    missing = int((~np.isfinite(sample)).any(axis=0).sum())
    if missing:
        what = "1 pixel holds" if missing == 1 else f"{missing} pixels hold"
        warnings.append(f"{what} no number (NaN) in some of the frames looked at")
    if raw.highest is not None:
        full = int((sample >= raw.highest).any(axis=0).sum())
        if full:
            what = "1 pixel is" if full == 1 else f"{full} pixels are"
            warnings.append(f"{what} saturated in some of the frames looked at; heat there is only a lower bound")
    return sample, warnings


def _background(sample: np.ndarray, share: float) -> float:
    """Return the background: the given quantile of the coolest of some frames."""
    levels = [float(np.quantile(f[np.isfinite(f)], share)) for f in sample if np.isfinite(f).any()]
    return min(levels)


def _guess_unit(raw: RawFrames, sample: np.ndarray, options: OpenOptions, *, path: str) -> tuple[str, list[str]]:
    """Return the unit of frames for which none is stated, and notes; ask where Celsius would be doubtful."""
    limits = options.limits
    if raw.is_integer and raw.highest is not None:
        return "count", ["whole numbers without a scale stay counts"]
    background = _background(sample, limits.background_share)
    is_wide = np.nanmin(sample) < limits.coldest_c or np.nanmax(sample) > limits.kelvin_high
    if raw.is_integer and (background > limits.doubtful_high_c or is_wide):
        return "count", ["whole numbers without a unit or scale stay counts"]
    if limits.doubtful_low_c <= background <= limits.doubtful_high_c:
        problem = f"the background would be {background:.1f} C and no unit is stated"
        raise InputError(path, "", problem, "give --unit celsius or --unit fahrenheit")
    if limits.kelvin_low <= background <= limits.kelvin_high:
        problem = f"the background would be {background:.1f} C and no unit is stated"
        raise InputError(path, "", problem, "give --unit kelvin or --unit celsius")
    return "celsius", ["no unit is stated; the numbers are taken as degrees Celsius"]


def _profile_path(name: str, options: OpenOptions) -> str | None:
    if Path(name).name != name:
        return None  # a sidecar names a profile, not a path
    stem = name if name.endswith(".json") else f"{name}.json"
    return next((str(Path(d) / stem) for d in options.profile_folders if (Path(d) / stem).is_file()), None)


def _profile_scale(sidecar: Sidecar, options: OpenOptions) -> tuple[tuple[float, float] | None, list[str]]:
    """Return the scale of the camera profile in use, and warnings."""
    name = sidecar.facts.camera
    path = options.camera or (None if name is None else _profile_path(name, options))
    if path is None:
        return None, [] if name is None else [f"the camera profile {name!r} named in the sidecar was not found"]
    profile = check_object(read_json(path), path=path, place="", keys="scale")
    return camera_scale(profile, path=path), []


def given_scale(sidecar: Sidecar, options: OpenOptions) -> tuple[float, float] | None:
    """Return (K per count, offset K) from the command line, else from the sidecar, None where neither has one."""
    scale, offset = options.scale_k_per_count, options.offset_k
    if scale is not None and offset is not None:
        check_number(scale, SCALE_LIMITS, path="--scale", place="", unit="K per count")
        check_number(offset, OFFSET_LIMITS, path="--offset", place="", unit="K")
        return scale, offset
    if (scale, offset) != (None, None):
        lone, other = ("--scale", "--offset") if offset is None else ("--offset", "--scale")
        raise InputError(lone, "", f"is given without {other}", "kelvin are offset + scale x count")
    if sidecar.scale_k_per_count is not None and sidecar.offset_k is not None:
        return sidecar.scale_k_per_count, sidecar.offset_k
    return None


def stated_unit(sidecar: Sidecar, options: OpenOptions) -> str | None:
    """Return the unit that the user or the sidecar states; a scale states counts, the user's beats the sidecar."""
    if options.unit is not None:
        return options.unit
    if options.scale_k_per_count is not None:
        return "count"
    return sidecar.unit or ("count" if sidecar.scale_k_per_count is not None else None)


@dataclass(frozen=True)
class Scaled:
    """Straight line from numbers in the file to ``unit``."""

    unit: str
    factor: float = 1.0
    offset: float = 0.0
    warnings: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


def settle_unit(raw: RawFrames, sidecar: Sidecar, sample: np.ndarray, options: OpenOptions, *, path: str) -> Scaled:
    """Return how the numbers become degrees Celsius, or that they stay counts.

    A scale given by the user or the sidecar comes before that of a camera profile, unless the user names the profile.
    """
    scale = given_scale(sidecar, options)
    warnings: list[str] = []
    if scale is None or (options.camera is not None and options.scale_k_per_count is None):
        of_profile, warnings = _profile_scale(sidecar, options)
        scale = of_profile or scale
    stated = stated_unit(sidecar, options)
    if raw.unit is not None and stated not in (None, raw.unit):
        warnings.append(f"the file itself says {raw.unit}; {stated} is used as asked")
    unit = stated or raw.unit
    notes: list[str] = []
    if unit is None and scale is not None and raw.is_integer:
        unit = "count"
    if unit is None:
        unit, notes = _guess_unit(raw, sample, options, path=path)
    if unit == "count":
        factor, offset = (1.0, 0.0) if scale is None else (scale[0], scale[1] - ZERO_CELSIUS_K)
        return Scaled("count" if scale is None else "celsius", factor, offset, tuple(warnings), tuple(notes))
    if scale is not None:
        warnings.append(f"the scale of counts is not used, because the unit is {unit}")
    return Scaled("celsius", *TO_CELSIUS[unit], tuple(warnings), tuple(notes))


def check_plausible(sample: np.ndarray, scaled: Scaled, options: OpenOptions, *, path: str) -> None:
    """Raise InputError where the median of some frames would be no temperature of a bench."""
    if scaled.unit != "celsius":
        return
    middle = float(np.nanmedian(sample)) * scaled.factor + scaled.offset
    if not options.limits.coldest_c <= middle <= options.limits.hottest_c:
        problem = f"half the pixels would be {'below' if middle < 0 else 'above'} {middle:.0f} C"
        raise InputError(path, "", problem, "check unit, scale_k_per_count and offset_k")
