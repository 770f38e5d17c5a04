"""A camera's scale from recordings of references whose true temperatures are known."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from thermscan.calibrate.fitness import Steadiness, check_one_temperature, measure_steadiness, tiles_of
from thermscan.calibrate.region import Box, MeanPicture, central_box, mean_picture
from thermscan.measure.radiometry_camera import curve_of
from thermscan.model.camera_profile import CameraProfile, PixelSection, ScaleSection
from thermscan.model.errors import InputError
from thermscan.model.recording import Recording
from thermscan.model.settings import CalibrationSettings
from thermscan.physics.radiation import LONG_WAVE, Band
from thermscan.physics.sakuma_hattori import SakumaHattori, fit_sakuma_hattori, fit_with_zero
from thermscan.physics.straight_line import fit_line

PARAMETERS = {"line": 2, "shown": 2, "curve": 3}
ZERO_C_K = 273.15
WIDENED = 1.25  # times the stated uncertainty of a reference from which its widening is said; judgement


@dataclass(frozen=True)
class Reference:
    """One recording of a reference: its path, true temperature (C) with standard uncertainty (K), and its signal.

    ``steadiness`` says how even and steady it was, unit of the signal; None where that is not known.
    """

    path: str
    true_c: float
    error_k: float
    signal: float
    spread: float
    picture: np.ndarray
    steadiness: Steadiness | None = None


def band_of_profile(profile: CameraProfile) -> Band:
    """Return the band of a profile, 8 to 14 um where it does not say."""
    known = profile.band
    return LONG_WAVE if known is None else Band(known.low_um, known.high_um, known.response)


def measure_reference(
    recording: Recording,
    true_c: float,
    error_k: float,
    *,
    box: Box | None = None,
    settings: CalibrationSettings | None = None,
) -> Reference:
    """Return the signal of a reference: the median of its box in the mean picture (middle of the picture if None).

    Raises
    ------
    InputError
        Where the camera had corrected something, the recording is too short, or the box is empty or saturated.
    """
    if recording.facts.emissivity not in (None, 1.0) or recording.facts.transmission not in (None, 1.0):
        problem = "the camera had an emissivity or transmission other than 1 applied"
        raise InputError(recording.path, "", problem, "set both to 1 and record again, so that one thing is measured")
    picture: MeanPicture = mean_picture(recording)
    place = box or central_box(recording.rows, recording.columns)
    values = picture.mean[place.slices]
    known = values[np.isfinite(values)]
    if known.size == 0:
        raise InputError(recording.path, "", "the box of the reference holds no number", "choose another box")
    steadiness = measure_steadiness(recording, place, settings=settings or CalibrationSettings())
    signal, spread = float(np.median(known)), float(np.std(known))
    return Reference(recording.path, true_c, error_k, signal, spread, picture.mean, steadiness)


def with_steadiness(references: Sequence[Reference], *, settings: CalibrationSettings) -> tuple[Reference, ...]:
    """Add to the uncertainty of each reference what its unevenness and its drift leave open.

    Raises
    ------
    InputError
        Where a reference is as uneven, or drifts as far, as two references are apart.
    """
    slope = np.ptp([r.true_c for r in references]) / np.ptp([r.signal for r in references])
    out = []
    for r in references:
        own = 0.0
        if r.steadiness is not None:
            own = check_one_temperature(r.steadiness, float(slope), "the reference", path=r.path, settings=settings)
        out.append(replace(r, error_k=float(np.hypot(r.error_k, own))))
    return tuple(out)


def check_references(references: Sequence[Reference], form: str, *, settings: CalibrationSettings) -> None:
    """Refuse references that cannot carry a scale.

    Raises
    ------
    InputError
        Fewer references than parameters, references too close together, or a response that is not monotonic.
    """
    needed = PARAMETERS[form]
    if len(references) < needed:
        problem = f"{len(references)} reference{'' if len(references) == 1 else 's'} for {needed} parameters"
        raise InputError(
            references[0].path, "", problem, f"record {needed} or more, better one more to see its residual"
        )
    order = sorted(references, key=lambda r: r.true_c)
    span = order[-1].true_c - order[0].true_c
    gaps = [b.true_c - a.true_c for a, b in itertools.pairwise(order)]
    distinct = 1 + sum(gap >= settings.least_gap_k for gap in gaps)
    if span < settings.least_span_k or distinct < needed:
        problem = f"the references lie too close together: {span:.1f} K apart, {distinct} distinct"
        raise InputError(order[-1].path, "", problem, f"spread {needed} or more over {settings.least_span_k:g} K")
    for low, high in itertools.pairwise(order):
        if high.true_c - low.true_c >= settings.least_gap_k and high.signal <= low.signal:
            problem = (
                f"the response is not monotonic: {high.signal:.6g} at {high.true_c:g} C follows {low.signal:.6g} at "
                f"{low.true_c:g} C"
            )
            raise InputError(high.path, "", problem, "keep one range of the camera, and check which recording is which")


@dataclass(frozen=True)
class TemperatureCalibration:
    """The scale, the references with their residuals (fitted minus true, K), and the pixels where asked for.

    ``fitted_c`` and ``fitted_signal``, ndarrays (n,), are the fitted response between the outermost references;
    ``notes`` say which of them were less sure than stated.
    """

    scale: ScaleSection
    references: tuple[Reference, ...]
    residual_k: np.ndarray
    fitted_c: np.ndarray
    fitted_signal: np.ndarray
    pixels: PixelSection | None = None
    pixel_offset_k: np.ndarray | None = None
    notes: tuple[str, ...] = ()


def calibrate_temperature(
    references: Sequence[Reference],
    *,
    form: str,
    date: str,
    method: str,
    fills_picture: bool = False,
    zero_count: float | None = None,
    band: Band = LONG_WAVE,
    settings: CalibrationSettings,
) -> TemperatureCalibration:
    """Fit a camera's scale to references.

    Parameters
    ----------
    references : sequence of Reference
    form : {'line', 'shown', 'curve'}
        Counts to kelvin by a straight line; shown to true degrees Celsius by a straight line; counts by the
        Sakuma-Hattori equation.
    date, method : str
        Kept in the profile.
    fills_picture : bool
        The references are even over the whole picture: offsets of the pixels are measured too.
    zero_count : float, optional
        For the curve: counts at zero radiance where the maker or a covered sensor tells; else fitted.
    band : Band
        Start of the curve, and what holds its shape where the counts at zero radiance are fitted.
    settings : CalibrationSettings

    Returns
    -------
    TemperatureCalibration

    Raises
    ------
    InputError
        See `check_references` and `with_steadiness`.

    Notes
    -----
    The uncertainty joins that of the references (with how uneven and unsteady they were seen), that of the fit at its
    worst place inside their span, and half of the largest residual. Not valid outside the span, or with another lens,
    range or emissivity setting.
    """
    check_references(references, form, settings=settings)
    stated = [r.error_k for r in references]
    references = with_steadiness(references, settings=settings)
    notes = tuple(_widened(r, before) for r, before in zip(references, stated, strict=True))
    truth = np.array([r.true_c for r in references])
    signal = np.array([r.signal for r in references])
    error = np.maximum([r.error_k for r in references], 1e-3)
    if form == "curve":
        values, residual, fit_error, slope_error = _curve(truth, signal, error, band, zero_count)
    else:
        values, residual, fit_error, slope_error = _line(truth, signal, error, form)
    worst = float(np.abs(residual).max())
    scale = ScaleSection(
        date,
        method,
        form,
        error_k=float(np.sqrt(np.mean(error**2) + fit_error**2 + (worst / 2) ** 2)),
        from_c=float(truth.min()),
        to_c=float(truth.max()),
        slope_error=slope_error,
        residual_k=worst,
        references=tuple((float(t), float(s)) for t, s in sorted(zip(truth, signal, strict=True))),
        **values,
    )
    pixels, offsets = (None, None) if not fills_picture else _pixels(references, signal, truth, date, settings=settings)
    places = np.linspace(scale.from_c, scale.to_c, 60)
    response = response_of(scale, places)
    return TemperatureCalibration(
        scale, tuple(references), residual, places, response, pixels, offsets, tuple(n for n in notes if n)
    )


def _widened(reference: Reference, stated_k: float) -> str:
    """Say where a reference is so uneven or unsteady that its uncertainty is plainly wider than stated."""
    if reference.error_k < WIDENED * stated_k:
        return ""
    return (
        f"{reference.path}: not quite even or steady, so that its standard uncertainty is {reference.error_k:.2f} K"
        f" instead of {stated_k:.2f} K"
    )


def response_of(scale: ScaleSection, true_c: np.ndarray) -> np.ndarray:
    """Return the signal that a scale expects at true temperatures, ndarray of the same shape."""
    if scale.form == "curve":
        return curve_of(scale).signal(true_c) + float(scale.zero_count or 0.0)
    kelvin = true_c + (ZERO_C_K if scale.form == "line" else 0.0)
    return (kelvin - float(scale.offset_k or 0.0)) / float(scale.scale_k_per_count or 1.0)


def _line(
    truth: np.ndarray, signal: np.ndarray, error: np.ndarray, form: str
) -> tuple[dict[str, float], np.ndarray, float, float]:
    """Fit true temperature over signal by a straight line."""
    middle = float(signal.mean())
    line = fit_line(signal, truth, x0=middle, error=error)
    offset = line.intercept - line.slope * middle + (ZERO_C_K if form == "line" else 0.0)
    worst = float(line.error_at(np.array([signal.min(), signal.max()])).max())
    slope_error = float(np.sqrt(line.covariance[1, 1]) / abs(line.slope))
    return {"scale_k_per_count": line.slope, "offset_k": offset}, line.at(signal) - truth, worst, slope_error


def _curve(
    truth: np.ndarray, signal: np.ndarray, error: np.ndarray, band: Band, known_zero: float | None
) -> tuple[dict[str, float], np.ndarray, float, float]:
    """Fit the Sakuma-Hattori equation; its uncertainty from refits with each input moved by its own."""

    def fit(temperatures: np.ndarray, shift: tuple[float, float]) -> tuple[SakumaHattori, float, np.ndarray]:
        if known_zero is None:
            return fit_with_zero(temperatures, signal, band=band, error_c=error, shift=shift)
        found, apart = fit_sakuma_hattori(temperatures, signal - known_zero, band=band, error_c=error)
        return found, known_zero, apart

    curve, zero, residual = fit(truth, (0.0, 0.0))
    places = np.linspace(truth.min(), truth.max(), 25)
    counts = curve.signal(places) + zero
    tries = [(truth + step, (0.0, 0.0)) for step in np.diag(error)]
    tries += [(truth, (1.0, 0.0)), (truth, (0.0, 1.0))] if known_zero is None else []
    moved = []
    for temperatures, shift in tries:
        other, other_zero, _ = fit(temperatures, shift)
        moved.append(other.temperature_c(counts - other_zero) - places)
    spread = np.sqrt(np.sum(np.square(moved), axis=0))
    ends = np.array([m[-1] - m[0] for m in moved])
    slope_error = float(np.sqrt(np.sum(ends**2)) / max(np.ptp(truth), 1.0))
    values = {"a_um": float(curve.a_um), "b_um_k": float(curve.b_um_k), "c": float(curve.c), "zero_count": zero}
    return values, residual, float(spread.max()), slope_error


def _check_fills(references: Sequence[Reference], maps: np.ndarray, *, settings: CalibrationSettings) -> None:
    """Refuse references of which one is uneven by itself: what is the camera's own comes with all of them."""
    count = len(maps)
    apart = (maps - maps.mean(axis=0)) * count / max(count - 1, 1)
    ranges = [float(np.ptp(tiles_of(one))) for one in apart]
    worst = int(np.argmax(ranges))
    if ranges[worst] >= settings.least_gap_k:
        problem = f"does not fill the picture evenly: {ranges[worst]:.1f} K that the other references do not show"
        remedy = "film one even temperature over the whole picture, or leave --fills-picture out"
        raise InputError(references[worst].path, "", problem, remedy)


def _pixels(
    references: Sequence[Reference], signal: np.ndarray, truth: np.ndarray, date: str, *, settings: CalibrationSettings
) -> tuple[PixelSection, np.ndarray]:
    """Return the offset of each pixel from the even references, K, and the pixels that lie far off."""
    per_kelvin = float(np.polyfit(truth, signal, 1)[0])
    maps = np.stack([(r.picture - r.signal) / per_kelvin for r in references])
    offset = maps.mean(axis=0)
    _check_fills(references, maps, settings=settings)
    left = float(np.sqrt(np.mean(np.median((maps - offset) ** 2, axis=(1, 2))))) if len(maps) > 1 else 0.0
    middle, spread = np.nanmedian(offset), 1.4826 * np.nanmedian(np.abs(offset - np.nanmedian(offset)))
    bad = ~np.isfinite(offset) | (np.abs(offset - middle) > settings.bad_pixel_sigmas * max(spread, 1e-3))
    rows, columns = np.nonzero(bad)
    method = f"mean over {len(references)} even references"
    pairs = tuple((float(r), float(c)) for r, c in zip(rows, columns, strict=True))
    return PixelSection(date, method, left, pairs), np.where(bad, 0.0, offset)
