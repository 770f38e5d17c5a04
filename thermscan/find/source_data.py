"""The excess brought to a small grid and few time bins for fitting sources of heat."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from thermscan.model.board import Board
from thermscan.model.film import BoardGrid, Excess, Film
from thermscan.model.settings import SourceSettings
from thermscan.model.surface import Surface, is_blind


@dataclass(frozen=True)
class FitData:
    """Excess on a coarse grid, ready for linear fits.

    Attributes
    ----------
    grid : BoardGrid
    clock_s : ndarray of shape (times,)
        Uniform inner clock, zero is power-on.
    binning : ndarray of shape (bins, times)
        Turns step responses on the clock into means over the bins of the response to the board's runs.
    edges_s : ndarray of shape (bins + 1,)
    excess, own : ndarray of shape (bins, rows, columns), K
        Zero where nothing is known.
    variance : ndarray of shape (bins, rows, columns), K2
        Of the excess from camera noise as if cells were independent; infinite where nothing is known.
    spread : ndarray of shape (bins, rows, columns), K
    blur_mm : float
        Standard deviation of what optics, pixel and resampling smear together.
    position_error_mm : float
    runs_s : tuple of (on, off), s
        Stretches with power.
    gain, gain_error : float
        What the camera shows of a true rise (emissivity of a surface that was not corrected), and its standard error
        as a share.
    shown : ndarray of shape (rows, columns) or None
        Share of what each cell sees that is board; the rest is bench, which does not warm. None: all of it.
    """

    grid: BoardGrid
    clock_s: np.ndarray
    binning: np.ndarray
    edges_s: np.ndarray
    excess: np.ndarray
    own: np.ndarray
    variance: np.ndarray
    spread: np.ndarray
    blur_mm: float
    position_error_mm: float
    runs_s: tuple[tuple[float, float | None], ...] = ((0.0, None),)
    gain: float = 1.0
    gain_error: float = 0.0
    shown: np.ndarray | None = None

    @property
    def known(self) -> np.ndarray:
        """Cells and bins that count, ndarray of bool (bins, rows, columns)."""
        return np.isfinite(self.variance)

    def samples(self, field: np.ndarray) -> np.ndarray:
        """Return the known samples of fields (..., bins, rows, columns) as (..., samples)."""
        return field[..., self.known]

    def picture(self, samples: np.ndarray, *, fill: float = 0.0) -> np.ndarray:
        """Return samples (samples,) as a field (bins, rows, columns), ``fill`` where nothing is known."""
        out = np.full(self.variance.shape, fill)
        out[self.known] = samples
        return out


def prepare(
    excess: Excess,
    board: Board,
    *,
    side: str,
    runs_s: tuple[tuple[float, float | None], ...] | None = None,
    surfaces: tuple[Surface, ...] = (),
    settings: SourceSettings,
) -> FitData:
    """Bring an excess to the fitting grid.

    Cells are averaged in square blocks until at most ``most_cells`` remain inside the outline; time bins are
    joined so that early ones stay short (each at least a fixed share of the time since power-on). Cells outside the
    outline, unreadable, or on shields and heat sinks have infinite variance.

    Notes
    -----
    Noise that resampling has smeared with a Gaussian of standard deviation s adds up like independent samples of
    area ``4 pi s**2``; that sets the variance of a block.
    """
    film = excess.film
    use = film.inside & film.readable & ~_covered(film, board, side, surfaces)
    if film.saturated is not None:
        use &= ~film.saturated  # a lower bound says nothing of watts; what lies around it does
    groups = join_bins(film.edges_s, settings.most_bins)
    white, cold = _noise_shares(excess)
    y, noise, still, spread, own = (
        np.broadcast_to(np.asarray(a, float), excess.excess.shape)
        for a in (excess.excess, white, cold, excess.spread, excess.own_heat)
    )
    factor = max(1, int(np.ceil(np.sqrt(use.sum() / settings.most_cells))))
    grid = coarse_grid(film.grid, factor)
    independent = 4 * np.pi * film.correlation_mm**2 / film.grid.step_mm**2
    out = []
    for low, high in groups:
        known = np.isfinite(y[low:high]) & np.isfinite(noise[low:high]) & use[None]
        held = still[low:high].mean(axis=0) * np.sqrt(len(groups))
        out.append(
            _one_bin((y[low:high], spread[low:high], own[low:high]), noise[low:high], held, known, factor, independent)
        )
    values, variance, width, heat = (np.stack([o[i] for o in out]) for i in range(4))
    edges = np.array([film.edges_s[low] for low, _ in groups] + [film.edges_s[groups[-1][1]]])
    clock = np.linspace(0.0, float(edges[-1]), settings.times + 1)
    corrected = "surfaces_corrected" in film.flags
    runs = runs_s or ((0.0, film.on_for_s),)
    switching = switching_matrix(clock, runs)
    ran = own_under_runs(heat, clock, edges, switching) if len(runs) > 1 else heat
    return FitData(
        grid,
        clock,
        bin_means(clock, edges) @ switching,
        edges,
        values + heat - ran,
        ran,
        variance,
        width,
        smear_mm(excess, factor, settings),
        film.position_error_mm,
        runs,
        1.0 if corrected else settings.emissivity,
        0.02 if corrected else settings.emissivity_error / settings.emissivity,
        _board_share(excess, use, factor, settings),
    )


def smear_mm(excess: Excess, factor: int, settings: SourceSettings) -> float:
    """Return the standard deviation of what optics, pixel, resampling and blocks smear together, mm.

    Optics that are not known are taken as ``settings.optics_px`` pixels.
    """
    film = excess.film
    block = factor * film.grid.step_mm / np.sqrt(12) if factor > 1 else 0.0
    return float(np.hypot(film.smear_mm(settings.optics_px), block))


def _board_share(excess: Excess, use: np.ndarray, factor: int, settings: SourceSettings) -> np.ndarray:
    """Return how much of what the used cells of each block see is board, ndarray (rows, columns), 0 to 1.

    Optics and pixel mix the bench, which stays cold, into the rim of the board.
    """
    film = excess.film
    width = smear_mm(excess, 1, settings) / film.grid.step_mm
    seen = ndimage.gaussian_filter(film.inside.astype(float), width, mode="constant")
    count = block_sum(use.astype(float), factor)
    return np.where(count > 0, block_sum(np.where(use, seen, 0.0), factor) / np.maximum(count, 1), 1.0)


def _noise_shares(excess: Excess) -> tuple[np.ndarray, np.ndarray]:
    """Split the noise into what is new in every bin and what the cold frames give to all bins alike, K.

    Most of the position error is left out: it is fitted as a shift instead. What the cold frames give does not
    average out over bins.
    """
    film = excess.film
    noise = np.asarray(excess.noise, float)
    shift = np.maximum(np.asarray(excess.position, float) ** 2 - np.asarray(excess.spilled, float) ** 2, 0.0)
    camera = np.sqrt(np.maximum(noise**2 - 0.9 * shift, (0.3 * noise) ** 2))
    camera = np.broadcast_to(camera, excess.excess.shape)
    if not film.cold_frames:
        return camera, np.zeros_like(camera)
    each = 1 / np.maximum(film.frames, 1)
    share = (1 / film.cold_frames) / (each + 1 / film.cold_frames)
    return camera * np.sqrt(1 - share)[:, None, None], camera * np.sqrt(share)[:, None, None]


def parts_capacity(data: FitData, board: Board, settings: SourceSettings) -> np.ndarray:
    """Return the heat capacity that parts of both sides add to the board, ndarray (rows, columns), J/(mm2 K).

    A part follows the board with a lag; only the share that follows a steadily warming board within the recording
    counts.
    """
    points = data.grid.points_mm()
    out = np.zeros(data.grid.shape)
    end = float(data.edges_s[-1])
    for part in board.parts:
        if not part.fitted:
            continue
        cells = part.contains(points[..., 0], points[..., 1])
        if not cells.any():
            row, column = (
                np.clip(np.round(v), 0, n - 1)
                for v, n in zip(data.grid.to_cell(part.x, part.y), out.shape, strict=True)
            )
            cells[int(row), int(column)] = True
        area = max(part.w * part.h, 0.2)
        height = part.body_height_mm(settings.body_height_share)
        ratio = end / (settings.contact_k_mm2_per_w * height * settings.body_j_per_cm3_k * 1e-3)
        follows = 1 + np.expm1(-ratio) / ratio
        density = area * height * settings.body_j_per_cm3_k * 1e-3 * follows
        out[cells] += density / (cells.sum() * data.grid.step_mm**2)
    return out


def join_bins(edges_s: np.ndarray, most: int) -> list[tuple[int, int]]:
    """Join time bins from power-on into at most ``most`` groups (first, last + 1), early ones short.

    Bins before power-on are left out.
    """
    first = int(np.searchsorted(edges_s, -1e-9))
    count = len(edges_s) - 1 - first
    if count <= most:
        return [(first + i, first + i + 1) for i in range(count)]
    share = np.linspace(0, 1, most + 1) ** 1.6
    cuts = np.unique(np.maximum(np.arange(most + 1), np.round(share * count).astype(int)))
    return [(first + int(a), first + int(b)) for a, b in itertools.pairwise(cuts)]


def coarse_grid(grid: BoardGrid, factor: int) -> BoardGrid:
    """Return the grid of blocks of ``factor`` x ``factor`` cells (a last partial block is kept)."""
    shift = (factor - 1) / 2 * grid.step_mm
    return BoardGrid(
        grid.x0_mm + shift,
        grid.y0_mm + shift,
        grid.step_mm * factor,
        -(-grid.columns // factor),
        -(-grid.rows // factor),
    )


def block_sum(values: np.ndarray, factor: int) -> np.ndarray:
    """Add blocks of the last two axes; the edges are padded with zeros."""
    rows, columns = values.shape[-2:]
    pad = [(0, 0)] * (values.ndim - 2) + [(0, -rows % factor), (0, -columns % factor)]
    padded = np.pad(values, pad)
    shape = (*values.shape[:-2], padded.shape[-2] // factor, factor, padded.shape[-1] // factor, factor)
    return padded.reshape(shape).sum(axis=(-3, -1))


def switching_matrix(clock_s: np.ndarray, runs_s: tuple[tuple[float, float | None], ...]) -> np.ndarray:
    """Return the matrix (times, times) that turns a step response into that of power on during the runs."""
    out = np.zeros((len(clock_s), len(clock_s)))
    for on, off in runs_s:
        _add_step(out, clock_s, on, 1.0)
        if off is not None and off < clock_s[-1]:
            _add_step(out, clock_s, off, -1.0)
    return out


def _add_step(matrix: np.ndarray, clock_s: np.ndarray, at_s: float, sign: float) -> None:
    """Add the response to a step at ``at_s``, linear between clock times."""
    at = (clock_s - at_s) / clock_s[1]
    for k in np.flatnonzero(at >= 0):
        low = min(int(at[k]), len(clock_s) - 2)
        matrix[k, low] += sign * (1 - (at[k] - low))
        matrix[k, low + 1] += sign * (at[k] - low)


def own_under_runs(own: np.ndarray, clock_s: np.ndarray, edges_s: np.ndarray, switching: np.ndarray) -> np.ndarray:
    """Return what the good boards' heat (bins, rows, columns), a step response, would be under other runs."""
    centres = np.concatenate([[0.0], (edges_s[1:] + edges_s[:-1]) / 2])
    with_start = np.concatenate([np.zeros((1, *own.shape[1:])), own])
    low = np.clip(np.searchsorted(centres, clock_s, side="right") - 1, 0, len(centres) - 2)
    part = np.clip((clock_s - centres[low]) / (centres[low + 1] - centres[low]), 0, 1.5)
    on_clock = (1 - part)[:, None, None] * with_start[low] + part[:, None, None] * with_start[low + 1]
    return np.tensordot(bin_means(clock_s, edges_s) @ switching, on_clock, axes=(1, 0))


def bin_means(clock_s: np.ndarray, edges_s: np.ndarray) -> np.ndarray:
    """Return the matrix (bins, times) that averages a function, linear between clock times, over bins."""
    step = clock_s[1] - clock_s[0]
    fine = 24
    out = np.zeros((len(edges_s) - 1, len(clock_s)))
    for i, (low, high) in enumerate(itertools.pairwise(edges_s)):
        at = np.clip(low + (np.arange(fine) + 0.5) / fine * (high - low), 0, clock_s[-1]) / step
        k = np.minimum(at.astype(int), len(clock_s) - 2)
        np.add.at(out[i], k, (1 - (at - k)) / fine)
        np.add.at(out[i], k + 1, (at - k) / fine)
    return out


def _covered(film: Film, board: Board, side: str, surfaces: tuple[Surface, ...]) -> np.ndarray:
    """Mark cells on bodies that tell nothing of the heat under them: shields, heat sinks, unreadable surfaces."""
    points = film.grid.points_mm()
    out = np.zeros(film.grid.shape, dtype=bool)
    for part in board.parts_on(side):
        if is_blind(part, surfaces):
            out |= part.contains(points[..., 0], points[..., 1], margin_mm=0.5 * film.pixel_mm)
    return out


def _one_bin(
    fields: tuple[np.ndarray, ...],
    noise: np.ndarray,
    still: np.ndarray,
    known: np.ndarray,
    factor: int,
    independent: float,
) -> tuple[np.ndarray, ...]:
    """Average one group of bins in blocks: value, variance, spread and own heat, each (rows, columns).

    ``noise`` (bins, rows, columns) averages out over the bins, ``still`` (rows, columns) does not.
    """
    inverse = np.where(known, 1 / np.maximum(noise, 1e-9) ** 2, 0.0)
    total = inverse.sum(axis=0)
    safe = np.maximum(total, 1e-300)
    cells = (total > 0).astype(float)
    count = block_sum(cells, factor)
    some = np.maximum(count, 1)
    y, spread, own = (
        block_sum((np.where(known, a, 0.0) * inverse).sum(axis=0) / safe * cells, factor) / some for a in fields
    )
    each = np.where(cells > 0, 1 / np.maximum(total, 1e-30) + np.nan_to_num(still) ** 2, 0.0)
    variance = block_sum(each, factor) / some * max(1.0, independent) / (some if factor > 1 else 1.0)
    return y, np.where(count > 0.3 * factor**2, np.maximum(variance, 1e-12), np.inf), spread, own
