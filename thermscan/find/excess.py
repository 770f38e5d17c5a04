"""Rise of one board, the good boards combined, and the difference: each with what it is uncertain by."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy import ndimage

from thermscan.find.excess_cooling import cooling_since_cold, unlike_cooling
from thermscan.find.excess_left import LeftHeat, left_heat
from thermscan.model.film import Baseline, BoardGrid, Excess, Film, Rise
from thermscan.model.settings import ExcessSettings
from thermscan.model.shift import Shift


def bench_ring(film: Film, *, settings: ExcessSettings) -> np.ndarray:
    """Return the cells that show the bench just outside the board, ndarray (rows, columns) of bool.

    Cells nearer to the board than ``ring_gap_px`` pixels are left out, since the optics' blur mixes the board in.
    """
    gap = int(np.ceil(settings.ring_gap_px * film.pixel_mm / film.grid.step_mm))
    near = ndimage.binary_dilation(film.inside, iterations=max(1, gap))
    return ~near & film.readable & np.isfinite(film.mean).any(axis=0)


SAID_FROM_K = 0.5  # cooling of left heat from which it is said; judgement


def bench_drift(film: Film, *, settings: ExcessSettings) -> np.ndarray:
    """Return the drift of camera and room seen on the bench since before power-on, K, ndarray (bins,).

    Zero where no cold frames or too little bench is in view.
    """
    ring = bench_ring(film, settings=settings)
    drift = np.zeros(len(film.mean))
    if film.cold is None or ring.sum() < settings.fewest_ring_cells:
        return drift
    for i, frame in enumerate(film.mean):
        change = (frame - film.cold)[ring]
        change = change[np.isfinite(change)]
        if change.size >= settings.fewest_ring_cells:
            drift[i] = np.median(change)
    return drift


def unheated_level(film: Film, *, settings: ExcessSettings) -> np.ndarray:
    """Return the level of the coolest board regions in each bin, unit of the film, ndarray (bins,).

    The regions are the coolest ``unheated_share`` of the readable board cells in the mean of all bins.
    """
    cells = film.inside & film.readable
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # bins without frames are all NaN, and stay so
        overall = np.nanmean(film.mean, axis=0)
        known = cells & np.isfinite(overall)
        if not known.any():
            return np.full(len(film.mean), np.nan)
        coolest = known & (overall <= np.nanquantile(overall[known], settings.unheated_share))
        return np.nanmean(film.mean[:, coolest], axis=1)


def rise_of(film: Film, *, over_ambient: bool = False, settings: ExcessSettings) -> Rise:
    """Return the rise over the board's own cold frames, or over its unheated regions where there are none.

    Parameters
    ----------
    film : Film
    over_ambient : bool
        Use the unheated regions even where cold frames exist (to compare with a board that has none).
    settings : ExcessSettings

    Returns
    -------
    Rise
        K (counts for films in counts), same shape as the film's mean.
    """
    cooling = None
    with np.errstate(divide="ignore"):
        per_bin = 1 / np.where(film.frames > 0, film.frames, np.nan)
    if film.cold is not None and not over_ambient:
        drift = bench_drift(film, settings=settings)
        rise = film.mean - film.cold - drift[:, None, None].astype(np.float32)
        share = per_bin + 1 / film.cold_frames
        reference = "cold_frames"
        ring = bench_ring(film, settings=settings)
        cooling = cooling_since_cold(film, drift, ring, settings=settings)
    else:
        rise = film.mean - unheated_level(film, settings=settings)[:, None, None].astype(np.float32)
        share = per_bin
        reference = "unheated_regions"
    error = np.sqrt(share)[:, None, None].astype(np.float32) * film.noise.astype(np.float32)
    if cooling is None:
        out = Rise(film, rise.astype(np.float32), error, reference)
    else:
        if cooling.is_left_heat:
            film = replace(film, flags=film.flags | {"warm_start"})
        out = Rise(film, (rise + cooling.fall).astype(np.float32), error, reference, cooling.doubt, cooling.error)
    return out if film.mirror_error is None else _with_mirror_error(out, film.mirror_error)


def _with_mirror_error(rise: Rise, error: np.ndarray) -> Rise:
    """Add what is uncertain of a reflection that was taken off: alike over a part, as what is put back of left heat."""
    if rise.left_doubt is None or rise.left_error is None:
        return replace(rise, left_doubt=np.zeros_like(error), left_error=error)
    return replace(rise, left_error=np.hypot(rise.left_error, error))


def only_while_alike(rise: Rise, faulty: Film) -> Rise:
    """Blank the bins in which this board was not in the same state (on or off) as the faulty one.

    A board that was switched off earlier says nothing about later seconds, and cooling curves can be compared only
    after runs of the same length.
    """
    width = float(np.diff(faulty.edges_s[:2])[0])
    run_faulty, run_good = faulty.on_for_s, rise.film.on_for_s
    alike = np.ones(len(rise.rise), bool)
    ends = rise.film.edges_s[1:]
    if run_good is not None:
        alike &= ends <= run_good + width / 2
    if run_faulty is not None:
        alike &= ends <= run_faulty + width / 2
        if run_good is not None and abs(run_good - run_faulty) <= width:
            alike[:] = True
    out = rise.rise.copy()
    out[~alike] = np.nan
    return replace(rise, rise=out)


def own_heat_scale(mean: np.ndarray, grid: BoardGrid, *, blur_mm: float) -> np.ndarray:
    """Return how warm the neighbourhood of each place gets on good boards, same shape as ``mean``, K.

    The larger of the place's own heat and its average over ``blur_mm``: at the rim of a warm part the spread between
    boards is that of the part.
    """
    heat = np.nan_to_num(np.abs(mean))
    return np.maximum(heat, ndimage.gaussian_filter(heat, (0, blur_mm / grid.step_mm, blur_mm / grid.step_mm)))


def expected_spread(mean: np.ndarray, fraction: float, grid: BoardGrid, *, settings: ExcessSettings) -> np.ndarray:
    """Return the standard deviation between good boards from the model floor (+) fraction x own heat, K."""
    heat = own_heat_scale(mean, grid, blur_mm=settings.spread_reach_mm)
    return np.hypot(settings.spread_floor_k, fraction * heat).astype(np.float32)


def combine(
    rises: Sequence[Rise],
    *,
    outline_hash: str,
    side: str,
    sources: Sequence[tuple[str, str]],
    fraction: float | None = None,
    settings: ExcessSettings,
) -> Baseline:
    """Combine good boards on one grid and clock: mean and the spread to expect from a further good board.

    Parameters
    ----------
    rises : sequence of Rise, one a board, all on the same grid and edges
    outline_hash, side, sources
        Kept for the baseline file.
    fraction : float, optional
        Spread over own heat to start from; default: ``settings.spread_fraction``, or the wider
        ``settings.spread_fraction_one`` for a single board.
    settings : ExcessSettings

    Notes
    -----
    With n boards the sample variance at a place has only n - 1 degrees of freedom. It is shrunk towards the model
    floor^2 + (fraction x own heat)^2 as a scaled inverse chi-square prior of ``spread_weight`` degrees of freedom
    would do it (any text on Bayesian statistics): s^2 = (w m^2 + (n - 1) v) / (w + n - 1).
    """
    stack = np.stack([r.rise for r in rises])
    n = len(rises)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # places that no board shows stay NaN
        mean = np.nanmean(stack, axis=0)
        counted = np.isfinite(stack).sum(axis=0)
        error = np.sqrt(np.nansum(np.stack([r.error**2 for r in rises]), axis=0)) / np.maximum(counted, 1)
        grid = rises[0].film.grid
        start = settings.spread_fraction_one if n == 1 else settings.spread_fraction
        spread = expected_spread(mean, start if fraction is None else fraction, grid, settings=settings)
        if n > 1:
            noise = np.nanmean(np.stack([r.error**2 for r in rises]), axis=0)
            variance = np.maximum(np.nanvar(stack, axis=0, ddof=1) - noise, 0)
            variance = np.where(counted > 1, variance, spread**2)
            weight = settings.spread_weight
            spread = np.sqrt((weight * spread**2 + (n - 1) * variance) / (weight + n - 1))
            if fraction is None:  # seconds that one board alone has lasted are known as from one board
                alone = expected_spread(mean, settings.spread_fraction_one, grid, settings=settings)
                spread = np.where(counted > 1, spread, np.maximum(spread, alone))
    return Baseline(
        grid=grid,
        edges_s=rises[0].film.edges_s,
        mean=mean.astype(np.float32),
        spread=spread.astype(np.float32),
        error=error.astype(np.float32),
        count=n,
        outline_hash=outline_hash,
        side=side,
        reference=rises[0].reference,
        sources=tuple(sources),
        films=tuple(rises),
    )


def onto(baseline: Baseline, grid: BoardGrid, edges_s: np.ndarray) -> Baseline:
    """Resample a baseline to another grid and clock, linearly; NaN outside its seconds and its board."""
    rows, columns = baseline.grid.to_cell(*np.moveaxis(grid.points_mm(), -1, 0)[:2])
    centres = (baseline.edges_s[1:] + baseline.edges_s[:-1]) / 2
    wanted = (edges_s[1:] + edges_s[:-1]) / 2
    bins = np.interp(wanted, centres, np.arange(len(centres)))
    outside = (wanted > baseline.edges_s[-1]) | (wanted < baseline.edges_s[0])

    def resample(field: np.ndarray) -> np.ndarray:
        full = np.broadcast_to(field, baseline.mean.shape)
        out = np.empty((len(wanted), *grid.shape), np.float32)
        for i, b in enumerate(bins):
            low = int(np.floor(b))
            high = min(low + 1, len(centres) - 1)
            blend = full[low] * (1 - (b - low)) + full[high] * (b - low)
            out[i] = ndimage.map_coordinates(blend, [rows, columns], order=1, cval=np.nan)
        out[outside] = np.nan
        return out

    return replace(
        baseline,
        grid=grid,
        edges_s=edges_s,
        mean=resample(baseline.mean),
        spread=resample(baseline.spread),
        error=resample(baseline.error),
        films=(),
    )


def shaken(rise: Rise, *, count: int = 1) -> Shift | None:
    """Return the board's own cold picture as what the motion of a hand displaces; None on a stand.

    The error of the motion is averaged over the frames of a bin and over the cold frames. ``count`` boards are
    averaged.
    """
    film = rise.film
    static = film.cold if film.cold is not None else film.mean[-1]
    if static is None or film.motion_error_mm <= 0 or rise.reference != "cold_frames":
        return None
    share = 1 / np.sqrt(np.maximum(film.frames, 1)) + 1 / np.sqrt(max(film.cold_frames, 1))
    return Shift(static, film.motion_error_mm * share / count)


def shake_noise(rise: Rise) -> np.ndarray:
    """Return what the motion of a hand turns into a false rise, K, ndarray (bins, rows, columns); zero on a stand.

    The gradient of the board's own cold picture times the error of the motion (see ``shaken``).
    """
    shift = shaken(rise)
    return np.zeros_like(rise.rise) if shift is None else _moved(shift, rise.film.grid)


def _moved(shift: Shift, grid: BoardGrid) -> np.ndarray:
    """Return what a shift may change at each cell, K, ndarray (bins, rows, columns)."""
    return grid.slope_per_mm(shift.field) * np.atleast_1d(shift.error_mm)[:, None, None]


def misplaced(faulty: Rise, baseline: Baseline, *, position_error_mm: float) -> tuple[Shift, ...]:
    """Return what may lie elsewhere than thought: the good boards' rise, and what hands shake on both sides."""
    goods = (shaken(good, count=baseline.count) for good in baseline.films)
    shifts = (Shift(baseline.mean, position_error_mm), shaken(faulty), *goods)
    return tuple(s for s in shifts if s is not None)


def position_noise(shifts: Sequence[Shift], grid: BoardGrid) -> np.ndarray:
    """Return what misplacing turns into false excess at each cell, K, ndarray (bins, rows, columns)."""
    return np.sqrt(sum(_moved(s, grid) ** 2 for s in shifts)).astype(np.float32)


def excess_over(
    faulty: Rise,
    baseline: Baseline | None,
    *,
    position_error_mm: float,
    basis: str = "good_boards",
    settings: ExcessSettings,
) -> Excess:
    """Subtract the baseline from the faulty board's rise, carrying noise, position error and spread.

    Parameters
    ----------
    faulty : Rise
    baseline : Baseline or None
        On the same grid and edges; None compares the board with nothing but its own frames.
    position_error_mm : float
        Standard error of the faulty board's placing relative to the good ones, mm.
    basis : {'good_boards', 'itself_before'}
        What the baseline is; without one the basis is ``'itself_only'``.
    settings : ExcessSettings
    """
    if baseline is None:
        shake, shift = shake_noise(faulty).astype(np.float32), shaken(faulty)
        return Excess(
            film=faulty.film,
            excess=faulty.rise,
            noise=np.hypot(faulty.error, shake),
            spread=np.atleast_1d(unlike_cooling(faulty, ())).astype(np.float32),
            basis="itself_only",
            count=0,
            own_heat=np.zeros_like(faulty.rise),
            reference=faulty.reference,
            position=shake,
            shifts=() if shift is None else (shift,),
        )
    shifts = misplaced(faulty, baseline, position_error_mm=position_error_mm)
    position = position_noise(shifts, baseline.grid)
    noise = np.sqrt(faulty.error**2 + baseline.error**2 + position**2)
    if basis == "itself_before":
        spread = expected_spread(baseline.mean, settings.repeat_fraction, baseline.grid, settings=settings)
    else:
        spread = baseline.spread
    spread = spread * np.sqrt(1 + 1 / max(baseline.count, 1))
    spread = np.hypot(spread, unlike_cooling(faulty, baseline.films))  # alike over neighbours, as spread is
    excess, said = faulty.rise - baseline.mean, ()
    scale = np.sqrt(noise**2 + spread**2)
    left = left_heat(faulty, baseline.films, excess, scale, baseline.mean, settings=settings)
    if left is not None:
        excess, spread = excess + left.correction, np.hypot(spread, left.error)
        said = _left_sentences(left, faulty.film.unit)
    return Excess(
        film=faulty.film,
        excess=excess.astype(np.float32),
        noise=noise.astype(np.float32),
        spread=spread.astype(np.float32),
        basis=basis,
        count=baseline.count,
        own_heat=baseline.mean,
        reference=faulty.reference,
        warnings=said,
        position=position,
        shifts=shifts,
    )


def _left_sentences(left: LeftHeat, unit: str) -> tuple[str, ...]:
    """Say that heat left from an earlier run was taken off, where it is worth saying."""
    if unit == "celsius" and left.largest_k < SAID_FROM_K:
        return ()
    size = f"up to {left.largest_k:.1f} K" if unit == "celsius" else f"up to {left.largest_k:.0f} counts"
    return (
        f"the boards were not equally cold before power-on: {size} of cooling of left heat was taken off the"
        " difference; film both after the same long pause",
    )
