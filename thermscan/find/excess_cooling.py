"""Heat left from an earlier run, as the frames before power-on show it going: what a rise over them misses."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from thermscan.model.film import ColdTrend, Film, Rise
from thermscan.model.settings import ExcessSettings

# Of the residuals' deviation: 95 % efficient where they are normal (Huber 1964; the figure from memory).
HUBER = 1.345
ROUNDS = 8


@dataclass(frozen=True)
class Cooling:
    """What left heat took from a rise, to be put back; ndarrays (bins, rows, columns), K.

    ``doubt`` is what one standard deviation of the time constant makes of it, which boards share; ``error`` is that of
    the slope. ``is_left_heat`` is False where it does not look like heat of an earlier run: nothing is put back then
    where places warm as well as cool, and what changes there is in ``error``.
    """

    fall: np.ndarray
    doubt: np.ndarray
    error: np.ndarray
    is_left_heat: bool = True


def cooling_since_cold(film: Film, drift: np.ndarray, bench: np.ndarray, *, settings: ExcessSettings) -> Cooling | None:
    """Carry on the cooling seen before power-on; None where none stands out.

    Parameters
    ----------
    film : Film
        With cold frames, on the clock of its power-on.
    drift : ndarray of shape (bins,)
        Drift that is taken off the rise already; all zero where the bench is not seen.
    bench : ndarray of bool, shape (rows, columns)
        Cells that show the bench.
    settings : ExcessSettings

    Returns
    -------
    Cooling or None

    Notes
    -----
    The heat equation is linear: the rise of a board that starts warm is that of a cold one plus what is left of the
    earlier heat. A place that cooled by s kelvin a second around the middle of its cold frames has lost
    s tau (1 - exp(-T / tau)) after T seconds more, tau the time constant of what is left (heat that is left longest
    goes slowest), and no more than it stood above the coolest places. tau is known within a factor of two only: that
    is the error's standard deviation. The slope is smoothed over the picture, since heat that is left is smooth. A
    camera that settles is carried on in the same way, as far as it is smooth over the whole picture: what changes at
    one place alone may be a reflection, and is in the error. ``is_left_heat`` tells it from heat. Heat that is left
    only cools: where places warm before power-on as well, something that shines on the board moves, and nobody knows
    where it goes on to. Not valid where something else changed before.
    """
    trend = film.before
    if trend is None or film.clock != "power_on" or trend.apart_s < settings.cooling_apart_s:
        return None
    known = film.inside & np.isfinite(trend.slope)
    if not known.any():
        return None
    reach = settings.cooling_smooth_px * film.pixel_mm / film.grid.step_mm
    held = np.maximum(ndimage.gaussian_filter(known.astype(float), reach), 1e-3)
    slope = ndimage.gaussian_filter(np.where(known, trend.slope, 0.0), reach) / held
    slope = np.where(known, slope - _common(trend, slope[known], bench if np.any(drift) else None), 0.0)
    error = _slope_error(film, known, held, reach)
    if float(np.mean((slope < -settings.cooling_sigmas * error)[known])) < settings.cooling_share:
        return None
    warming = float(np.quantile(slope[known], 0.99))  # a room that warms shows in most places, and is not meant
    warming -= max(float(np.quantile(slope[known], 0.7)), 0.0)
    seconds = np.maximum(film.centres_s, 0.0) - trend.at_s
    gone = _gone(seconds, settings.cooling_s)
    doubt = (_gone(seconds, 2 * settings.cooling_s) - _gone(seconds, settings.cooling_s / 2)) / 2
    fall = -slope * gone[:, None, None]
    largest = float(np.quantile(fall[-1][known], 0.99))
    if film.unit == "celsius" and largest < settings.left_heat_k:
        return None
    if warming > settings.cooling_and_warming * float(np.quantile(-slope[known], 0.99)):
        none = np.zeros_like(fall, np.float32)
        return Cooling(none, none, np.where(known, np.abs(fall), 0.0).astype(np.float32), is_left_heat=False)
    of_board = _is_of_the_board(film, slope, known, settings)
    if of_board:
        fall = np.minimum(fall, _left(film, known, held, reach))
    else:
        settles = _smooth_over(slope, known)
        fall = np.where(known, -settles, 0.0) * gone[:, None, None]
        error = np.hypot(error, np.where(known, slope - settles, 0.0))
    error = np.hypot(error, settings.cooling_common_error * float(np.median(slope[known])))
    # heat that leaves one place passes through others: they share its doubt
    felt = np.maximum(
        np.abs(slope), ndimage.gaussian_filter(np.abs(slope), settings.cooling_felt_mm / film.grid.step_mm)
    )
    return Cooling(
        fall.astype(np.float32),
        np.where(known, felt * doubt[:, None, None], 0.0).astype(np.float32),
        np.where(known, error * gone[:, None, None], 0.0).astype(np.float32),
        of_board,
    )


def _is_of_the_board(film: Film, slope: np.ndarray, known: np.ndarray, settings: ExcessSettings) -> bool:
    """Tell whether places cool before power-on the more, the more they warm after it, or go on cooling all the same.

    Heat is left where the board makes it.
    """
    on = (film.centres_s > 0) & (film.frames > 0)
    if film.on_for_s is not None:
        on &= film.centres_s <= film.on_for_s
    seen = np.isfinite(film.mean[on]).all(axis=0) & known if on.any() else np.zeros_like(known)
    if not seen.any():
        return False
    warmed = film.mean[on][-1] - film.mean[on][0] if on.sum() > 1 else film.mean[on][-1] - film.cold
    if min(float(np.std(slope[seen])), float(np.std(warmed[seen]))) <= 0:
        return False
    alike = float(np.corrcoef(-slope[seen], warmed[seen])[0, 1])
    return alike > settings.cooling_alike or alike < -settings.cooling_goes_on


def unlike_cooling(faulty: Rise, goods: tuple[Rise, ...]) -> np.ndarray | float:
    """Return the standard error of a difference between rises from what was put back or taken off, K; 0 for nothing.

    The time constant of left heat is about the same on all boards, so that its doubt cancels between boards that
    started equally warm.
    """
    count = max(len(goods), 1)
    doubt: np.ndarray | float = 0.0
    variance: np.ndarray | float = 0.0
    for rise, share in ((faulty, 1.0), *((good, -1.0 / count) for good in goods)):
        if rise.left_doubt is not None and rise.left_error is not None:
            doubt = doubt + share * rise.left_doubt
            variance = variance + (share * rise.left_error) ** 2
    return np.sqrt(doubt**2 + variance)


def _common(trend: ColdTrend, board: np.ndarray, bench: np.ndarray | None) -> float:
    """Return the slope that camera and room have, K/s: the bench's, else that of the board's least cooling places."""
    seen = np.zeros(0) if bench is None else trend.slope[bench & np.isfinite(trend.slope)]
    return float(np.median(seen)) if seen.size else float(np.quantile(board, 0.7))


def _left(film: Film, known: np.ndarray, held: np.ndarray, reach: float) -> np.ndarray:
    """Return how far each place stood above the board's coolest ones before power-on, K, ndarray (rows, columns)."""
    assert film.cold is not None
    coolest = float(np.nanquantile(film.cold[known], 0.05))
    return ndimage.gaussian_filter(np.where(known, np.nan_to_num(film.cold - coolest), 0.0), reach) / held


def _smooth_over(slope: np.ndarray, known: np.ndarray) -> np.ndarray:
    """Return the surface of second degree through most of the slopes, ndarray (rows, columns), K/s.

    Huber's weights, a few rounds: what stands out at one place does not pull it.
    """
    rows, columns = np.meshgrid(*(np.linspace(-1.0, 1.0, n) for n in slope.shape), indexing="ij")
    terms = np.stack([np.ones_like(rows), rows, columns, rows * columns, rows**2, columns**2], axis=-1)
    system, values = terms[known], slope[known]
    weights = np.ones(len(values))
    for _ in range(ROUNDS):
        found = np.linalg.lstsq(system * weights[:, None], values * weights, rcond=None)[0]
        away = np.abs(values - system @ found)
        scale = HUBER * max(float(np.median(away)) / 0.6745, 1e-9)
        weights = np.sqrt(np.minimum(1.0, scale / np.maximum(away, 1e-12)))
    return terms @ found


def _gone(seconds: np.ndarray, constant: float) -> np.ndarray:
    """Return the seconds' worth of the first slope that has gone after so many seconds."""
    return constant * (1 - np.exp(-seconds / constant))


def _slope_error(film: Film, known: np.ndarray, held: np.ndarray, reach: float) -> np.ndarray:
    """Return the standard error of the smoothed slope, K/s, ndarray (rows, columns): noise, and frames out of place."""
    assert film.before is not None
    assert film.cold is not None
    early, late = film.before.frames
    single = np.sqrt(1 / early + 1 / late) / film.before.apart_s
    kernel = film.correlation_mm / film.grid.step_mm
    calmed = kernel / np.hypot(
        kernel, reach
    )  # white noise through a Gaussian: its amplitude goes as one over its width
    level = float(np.nanmedian(film.cold[known]))
    cold = ndimage.gaussian_filter(np.where(known, np.nan_to_num(film.cold) - level, 0.0), reach) / held
    steep = np.hypot(*np.gradient(cold, film.grid.step_mm))
    return np.hypot(film.noise * single * calmed, steep * film.motion_error_mm * single)
