"""A recording through its camera's profile: bad pixels, pixel offsets and the measured scale."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from thermscan.model.budget import Quantity
from thermscan.model.camera_events import CameraState
from thermscan.model.camera_profile import CameraProfile, PixelSection, ScaleSection
from thermscan.model.recording import FrameStore, LinearStore, Recording
from thermscan.physics.radiation import LONG_WAVE, Band
from thermscan.physics.sakuma_hattori import SakumaHattori


@dataclass(frozen=True)
class CurveStore:
    """Counts of another store turned into degrees Celsius by a Sakuma-Hattori curve."""

    store: FrameStore
    curve: SakumaHattori
    zero_count: float

    @property
    def shape(self) -> tuple[int, int, int]:
        """Frames, rows, columns."""
        return self.store.shape

    def read(self, start: int, stop: int) -> np.ndarray:
        """Return degrees Celsius, float32; NaN for counts below the curve's zero."""
        counts = self.store.read(start, stop).astype(np.float64) - self.zero_count
        return self.curve.temperature_c(counts).astype(np.float32)


@dataclass(frozen=True)
class PixelStore:
    """Frames of another store less the offset of each pixel, K; NaN where a pixel is known to be bad."""

    store: FrameStore
    offset_k: np.ndarray

    @property
    def shape(self) -> tuple[int, int, int]:
        """Frames, rows, columns."""
        return self.store.shape

    def read(self, start: int, stop: int) -> np.ndarray:
        """Return corrected frames, float32."""
        return self.store.read(start, stop) - self.offset_k.astype(np.float32)


def band_of(recording: Recording) -> Band:
    """Return the band of a recording's camera, 8 to 14 um where its profile does not say."""
    section = None if recording.profile is None else recording.profile.band
    return LONG_WAVE if section is None else Band(section.low_um, section.high_um, section.response)


def curve_of(scale: ScaleSection) -> SakumaHattori:
    """Return the curve of a scale of form ``'curve'``."""
    return SakumaHattori(float(scale.a_um or 0.0), float(scale.b_um_k or 0.0), float(scale.c or 0.0))


def _scaled(recording: Recording, scale: ScaleSection) -> Recording:
    """Return a recording in degrees Celsius by the profile's scale; as it was where the scale is for other numbers."""
    top = recording.saturated_at
    if scale.form == "curve" and recording.unit == "count":
        curve, zero = curve_of(scale), float(scale.zero_count or 0.0)
        end = None if top is None else float(curve.temperature_c(top - zero))
        return replace(recording, store=CurveStore(recording.store, curve, zero), unit="celsius", saturated_at=end)
    if scale.form == "shown" and recording.unit == "celsius":
        slope, offset = float(scale.scale_k_per_count or 1.0), float(scale.offset_k or 0.0)
        end = None if top is None else slope * top + offset
        return replace(recording, store=LinearStore(recording.store, slope, offset), saturated_at=end)
    return recording


def _with_pixels(recording: Recording, pixels: PixelSection, offsets: np.ndarray | None) -> Recording:
    """Return a recording with its pixels' offsets taken off and its bad pixels blank."""
    shape = (recording.rows, recording.columns)
    field = np.zeros(shape) if offsets is None else np.array(offsets, float)
    for row, column in pixels.bad:
        if 0 <= row < shape[0] and 0 <= column < shape[1]:
            field[int(row), int(column)] = np.nan
    return replace(recording, store=PixelStore(recording.store, field))


def with_profile(recording: Recording, profile: CameraProfile) -> Recording:
    """Return a recording with all of its camera's profile applied that concerns its numbers.

    Parameters
    ----------
    recording : Recording
        As opened; a straight scale of counts was applied when it was opened.
    profile : CameraProfile
        Of the same resolution.

    Returns
    -------
    Recording
        With ``profile`` set; band, blur and accuracy are taken from there by the stages that need them.
    """
    out = recording
    if profile.scale is not None:
        out = _scaled(out, profile.scale)
    if profile.pixels is not None:
        offsets = profile.pixel_offset_k if out.unit == "celsius" else None  # offsets are kelvin
        out = _with_pixels(out, profile.pixels, offsets)
    return replace(out, profile=profile)


def camera_quantities(profile: CameraProfile | None, defaults: tuple[Quantity, Quantity]) -> tuple[Quantity, Quantity]:
    """Return offset (K) and scale error of a camera: from its profile, else the defaults."""
    scale = None if profile is None else profile.scale
    if profile is None or scale is None:
        return defaults
    source = f"profile {profile.name}, {scale.date}: {scale.method}"
    slope = scale.slope_error if scale.slope_error is not None else scale.error_k / max(scale.to_c - scale.from_c, 10.0)
    pixels = profile.pixels.error_k if profile.pixels is not None else 0.0
    return (
        Quantity("camera offset", 0.0, math.hypot(scale.error_k, pixels), unit="K", source=source),
        Quantity("camera scale", 0.0, slope, source=source),
    )


def profile_noise(camera: CameraState, recording: Recording) -> CameraState:
    """Return a camera's state with the noise of its profile where the recording itself cannot tell.

    Parameters
    ----------
    camera : CameraState
    recording : Recording
        Degrees Celsius, with its profile; any other comes back as it was.

    Notes
    -----
    A single frame gives only an upper bound, from its fine texture. Then the profile's NETD counts, joined with the
    pattern of the pixels where no offsets of pixels are taken off; the bound stays where it is lower, as in pictures
    that were averaged before they were saved.
    """
    section = None if recording.profile is None else recording.profile.noise
    if section is None or recording.frames > 1 or recording.unit != "celsius":
        return camera
    fixed = 0.0 if recording.profile.pixel_offset_k is not None else section.fixed_mk
    known = math.hypot(section.netd_mk, fixed) / 1000
    return replace(
        camera,
        noise=np.minimum(camera.noise, known),
        row_noise=max(camera.row_noise, section.rows_mk / 1000),
        column_noise=max(camera.column_noise, section.columns_mk / 1000),
    )
