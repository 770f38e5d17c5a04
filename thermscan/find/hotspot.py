"""Places whose excess is significant, hot or cold, with false discoveries controlled."""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage
from scipy.stats import false_discovery_control, norm
from skimage.morphology import local_maxima, reconstruction

from thermscan.model.board import Board, Part
from thermscan.model.film import Excess, Window
from thermscan.model.quantity import Measured
from thermscan.model.result import Hotspot, PartReading
from thermscan.model.settings import DetectionSettings

RAYLEIGH_95 = 2.4477  # radius that holds 95 % of a round two-dimensional normal distribution of unit deviation


@dataclass(frozen=True)
class Significance:
    """Smoothed excess of one window at one scale, its standard error and their ratio, each (rows, columns)."""

    window: Window
    scale_mm: float
    value: np.ndarray
    error: np.ndarray

    @property
    def z(self) -> np.ndarray:
        """Value over its standard error, 0 where unknown."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.nan_to_num(self.value / self.error, nan=0.0, posinf=0.0, neginf=0.0)


def detection_windows(excess: Excess) -> tuple[Window, ...]:
    """Return the windows searched: an early, a middle and the last one, fewer where bins are few."""
    last = excess.last_second()
    edges = excess.film.edges_s
    spans = [(last.start, last.stop)]
    if last.stop >= 6:
        spans += [(0, max(1, last.stop // 5)), (last.stop // 4, last.stop // 2)]
    elif last.stop >= 3:
        spans += [(0, 1)]
    return tuple(Window(a, b, float((edges[a] + edges[b]) / 2)) for a, b in dict.fromkeys(spans))


def smooth_known(field: np.ndarray, known: np.ndarray, sigma: float) -> np.ndarray:
    """Gaussian mean over the known cells only, (rows, columns); NaN where nothing known is near."""
    if sigma <= 0:
        return np.where(known, field, np.nan)
    weight = ndimage.gaussian_filter(known.astype(float), sigma, truncate=3)
    total = ndimage.gaussian_filter(np.where(known, field, 0.0), sigma, truncate=3)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(known & (weight > 0.05), total / weight, np.nan)


def smoothing_gain(correlation: float, sigma: float) -> float:
    """Return the noise variance after Gaussian smoothing over that before, both lengths in cells.

    The noise of cells a distance d apart is taken as correlated by exp(-d^2 / (4 correlation^2)), as a Gaussian
    kernel of that deviation makes it from white noise; the sampled kernel is summed exactly, axis by axis.
    """
    if sigma <= 0:
        return 1.0
    reach = int(3 * sigma + 0.5)
    at = np.arange(-reach, reach + 1)
    weights = np.exp(-(at**2) / (2 * sigma**2))
    weights /= weights.sum()
    apart = (at[:, None] - at[None, :]) ** 2
    shared = np.where(apart == 0, 1.0, np.exp(-apart / (4 * max(correlation, 1e-3) ** 2)))
    return float(weights @ shared @ weights) ** 2


def significance_maps(excess: Excess, *, settings: DetectionSettings) -> Iterator[Significance]:
    """Yield the significance at each window and scale.

    Camera noise falls with smoothing (see ``smoothing_gain``) and with the number of bins; position error and the
    spread between boards do not.
    """
    film = excess.film
    known = film.inside & film.readable
    shape = excess.excess.shape
    noise, spread = np.broadcast_to(excess.noise, shape), np.broadcast_to(excess.spread, shape)
    position = np.broadcast_to(np.asarray(excess.position, np.float32), shape)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # cells outside the board are NaN throughout
        for window in detection_windows(excess):
            part = slice(window.start, window.stop)
            mean = np.nanmean(excess.excess[part], axis=0)
            camera = np.nanmean(noise[part] ** 2 - position[part] ** 2, axis=0) / (window.stop - window.start)
            fixed = np.nanmean(position[part] ** 2 + spread[part] ** 2, axis=0)
            seen = known & np.isfinite(mean)
            for pixels in settings.scales_px:
                cells = pixels * film.pixel_mm / film.grid.step_mm
                value = smooth_known(mean, seen, cells)
                gain = smoothing_gain(film.correlation_mm / film.grid.step_mm, cells)
                error = np.sqrt(np.maximum(camera, 0) * gain + fixed)
                yield Significance(window, pixels * film.pixel_mm, value, np.where(seen, error, np.nan))


def null_width(z: np.ndarray, known: np.ndarray) -> float:
    """Return how much wider than a unit normal the bulk of z is, at least 1 (an empirical null).

    Robust: 1.4826 times the median absolute deviation from the median over the board.
    """
    values = z[known & (z != 0)]
    if values.size < 20:
        return 1.0
    return max(1.0, float(1.482602218505602 * np.median(np.abs(values - np.median(values)))))


def prominent_peaks(value: np.ndarray, height: np.ndarray, known: np.ndarray) -> np.ndarray:
    """Return peaks that stand out of their surroundings by ``height``, ndarray (peaks, 2) of row and column.

    Morphological reconstruction of ``value - height`` under ``value`` keeps a maximum only where every way to a
    higher one goes down by more than its height (L. Vincent, IEEE Trans. Image Processing 2(2), 1993).
    """
    low = float(np.nanmin(value)) if np.isfinite(value).any() else 0.0
    mask = np.where(known & np.isfinite(value), value, low)
    seed = np.minimum(np.where(known, mask - np.nan_to_num(height, nan=1.0), low), mask)
    rebuilt = reconstruction(seed, mask, method="dilation")
    top = local_maxima(rebuilt) & known & (mask - rebuilt > 0.5 * np.nan_to_num(height))
    labels, count = ndimage.label(top, np.ones((3, 3)))
    if not count:
        return np.empty((0, 2), int)
    return np.array(ndimage.maximum_position(mask, labels, np.arange(1, count + 1)))


def refine_peak(value: np.ndarray, row: int, column: int) -> tuple[float, float]:
    """Return the sub-cell place of a peak from parabolas through its neighbours along each axis."""

    def vertex(a: float, b: float, c: float) -> float:
        bend = a - 2 * b + c
        return float(np.clip(0.5 * (a - c) / bend, -0.5, 0.5)) if np.isfinite(bend) and bend < 0 else 0.0

    rows, columns = value.shape
    dr = vertex(*value[row - 1 : row + 2, column]) if 0 < row < rows - 1 else 0.0
    dc = vertex(*value[row, column - 1 : column + 2]) if 0 < column < columns - 1 else 0.0
    return row + dr, column + dc


def parts_near(board: Board, side: str, x_mm: float, y_mm: float, *, reach_mm: float) -> tuple[Part, ...]:
    """Return the fitted parts of a side whose body lies within ``reach_mm`` of a point, nearest centre first."""
    near = [p for p in board.parts_on(side) if bool(p.contains(np.array(x_mm), np.array(y_mm), margin_mm=reach_mm))]
    return tuple(sorted(near, key=lambda p: (p.x - x_mm) ** 2 + (p.y - y_mm) ** 2))


@dataclass(frozen=True)
class _Search:
    """Everything about the places of one sign.

    ``final`` is the map the places are found on, ``fine`` the least smoothed one, which their height is read from;
    then the best z of all maps, p, q and the cells kept.
    """

    excess: Excess
    board: Board
    side: str
    kind: str
    final: Significance
    fine: Significance
    best: np.ndarray
    p: np.ndarray
    q: np.ndarray
    kept: np.ndarray

    @property
    def sign(self) -> float:
        """1 for hot, -1 for cold."""
        return 1.0 if self.kind == "hot" else -1.0


def find_hotspots(excess: Excess, board: Board, *, side: str, settings: DetectionSettings) -> tuple[Hotspot, ...]:
    """Find hot and cold places, most significant first.

    Parameters
    ----------
    excess : Excess
    board : Board
    side : {'top', 'bottom'}
    settings : DetectionSettings

    Returns
    -------
    tuple of Hotspot
        At most ``settings.most_places``; without rise rates, which need the curves at full frame rate.

    Notes
    -----
    Every cell of the best window and scale carries a two-sided p-value, multiplied by the number of windows and
    scales tried; cells are kept by Benjamini and Hochberg's procedure (J. Royal Statistical Society B 57(1), 1995)
    at ``false_discovery_rate``. z is first divided by the width of its own bulk where that is over 1. Places are the
    prominent peaks of the kept cells. Not valid when the poses are wrong.
    """
    maps = list(significance_maps(excess, settings=settings))
    places: list[Hotspot] = []
    for kind in ("hot", "cold"):
        search = _search(maps, excess, board, side, kind=kind, settings=settings)
        places += [_describe(search, cell) for cell in _peaks(search, settings=settings)]
    places.sort(key=lambda h: -abs(h.significance))
    return tuple(replace(h, rank=i) for i, h in enumerate(places[: settings.most_places], 1))


def _search(
    maps: list[Significance], excess: Excess, board: Board, side: str, *, kind: str, settings: DetectionSettings
) -> _Search:
    """Judge all cells for one sign."""
    known = excess.film.inside & excess.film.readable
    sign = 1.0 if kind == "hot" else -1.0
    best = np.zeros(known.shape)
    for m in maps:
        best = np.maximum(best, np.where(known, sign * m.z / null_width(m.z, known), 0))
    p = np.minimum(1.0, 2 * norm.sf(best) * len(maps))
    q = np.ones(known.shape)
    if known.any():
        q[known] = false_discovery_control(p[known])
    kept = known & (q <= settings.false_discovery_rate)
    last = [m for m in maps if m.window == maps[0].window]
    final = last[min(settings.place_scale, len(last) - 1)]
    return _Search(excess, board, side, kind, final, last[0], best, p, q, kept)


def _peaks(search: _Search, *, settings: DetectionSettings) -> list[tuple[int, int]]:
    """Return row and column of the prominent peaks next to a kept cell."""
    if not search.kept.any():
        return []
    final, sign = search.final, search.sign
    known = search.excess.film.inside & search.excess.film.readable
    height = settings.prominence_sigma * final.error + settings.prominence_share * np.maximum(sign * final.value, 0)
    near = ndimage.binary_dilation(search.kept, np.ones((3, 3)))
    return [(int(r), int(c)) for r, c in prominent_peaks(sign * final.value, height, known) if near[r, c]]


def _describe(search: _Search, cell: tuple[int, int]) -> Hotspot:
    """Measure one place."""
    excess, final, sign = search.excess, search.final, search.sign
    film, (row, column) = excess.film, cell
    grid = film.grid
    r, c = refine_peak(sign * np.nan_to_num(final.value), row, column)
    x, y = grid.x0_mm + c * grid.step_mm, grid.y0_mm + r * grid.step_mm
    peak, error = float(final.value[cell]), float(final.error[cell])
    warm = sign * np.nan_to_num(final.value) >= 0.5 * sign * peak
    labels, _ = ndimage.label(warm)
    area = float(max(1, (labels == labels[cell]).sum())) * grid.step_mm**2
    width = np.sqrt(area / (2 * np.pi * np.log(2)))  # deviation of a round normal with this area at half height
    place = np.hypot(width / max(abs(peak) / max(error, 1e-9), 1.0), film.position_error_mm + 0.15 * film.pixel_mm)
    near = parts_near(search.board, search.side, x, y, reach_mm=RAYLEIGH_95 * float(place))
    counts = film.unit == "count"
    why = {"excess_k": "counts without a scale"} if counts else {"excess_counts": "the frames are in kelvin"}
    return Hotspot(
        rank=0,
        kind=search.kind,
        x_mm=float(x),
        y_mm=float(y),
        place_95_mm=float(RAYLEIGH_95 * place),
        excess_k=None if counts else Measured.normal(float(search.fine.value[cell]), float(search.fine.error[cell])),
        excess_counts=float(search.fine.value[cell]) if counts else None,
        excess_at_s=final.window.at_s if film.clock == "power_on" else None,
        p_value=float(search.p[cell]),
        q_value=float(search.q[cell]),
        significance=float(sign * search.best[cell]),
        area_mm2=area,
        parts=tuple(part.ref for part in near),
        flags=_flags(excess, cell, near),
        why=why,
    )


def readable_first(hotspots: Sequence[Hotspot], parts: Sequence[PartReading]) -> tuple[Hotspot, ...]:
    """Return hotspots numbered again, those on surfaces that a camera cannot read flagged and last.

    A bright can or a connector's shell mirrors the room and whoever holds the camera, and both differ between
    recordings by more than most faults warm.
    """
    blind = {p.ref for p in parts if p.state == "unreadable" and "unreadable" in p.flags}
    mirrors = [h for h in hotspots if h.parts and h.parts[0] in blind]
    flagged = [replace(h, flags=(*h.flags, "unreadable")) for h in mirrors]
    ordered = [*(h for h in hotspots if h not in mirrors), *flagged]
    return tuple(replace(h, rank=rank) for rank, h in enumerate(ordered, start=1))


def _flags(excess: Excess, cell: tuple[int, int], near: tuple[Part, ...]) -> tuple[str, ...]:
    """Return the quality flags of a place."""
    film, (row, column) = excess.film, cell
    reach = max(1, round(film.pixel_mm / film.grid.step_mm))
    around = np.s_[max(0, row - reach) : row + reach + 1, max(0, column - reach) : column + reach + 1]
    flags = []
    if not film.inside[around].all():
        flags.append("at_edge")
    if film.saturated is not None and film.saturated[around].any():
        flags.append("saturated")
    if near and min(near[0].w, near[0].h) < 3 * film.pixel_mm:
        flags.append("below_resolution")
    return tuple(flags)
