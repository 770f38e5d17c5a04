"""The excess brought to a small grid and few time bins for fitting sources of heat."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from thermscan.model.board import Board
from thermscan.model.film import BoardGrid, Excess, Film
from thermscan.model.settings import SourceSettings
from thermscan.model.surface import Surface, find_surface

UNREADABLE_KINDS = ("shield", "heatsink")


@dataclass(frozen=True)
class FitData:
    """Excess on a coarse grid, ready for linear fits.

    Attributes
    ----------
    grid : BoardGrid
    clock_s : ndarray of shape (times,)
        Uniform inner clock, zero is power-on.
    binning : ndarray of shape (bins, times)
        Turns values on the clock into means over the bins.
    edges_s : ndarray of shape (bins + 1,)
    excess, own : ndarray of shape (bins, rows, columns), K
        Zero where nothing is known.
    variance : ndarray of shape (bins, rows, columns), K2
        Of the excess from camera noise as if cells were independent; infinite where nothing is known.
    spread : ndarray of shape (bins, rows, columns), K
    blur_mm : float
        Standard deviation of what optics, pixel and resampling smear together.
    position_error_mm : float
    gain, gain_error : float
        What the camera shows of a true rise (emissivity of a surface that was not corrected), and its standard error
        as a share.
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
    gain: float = 1.0
    gain_error: float = 0.0

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
    excess: Excess, board: Board, *, side: str, surfaces: tuple[Surface, ...], settings: SourceSettings
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
    groups = join_bins(film.edges_s, settings.most_bins)
    white = _white_noise(excess)
    y, noise, spread, own = (
        np.broadcast_to(np.asarray(a, float), excess.excess.shape)
        for a in (excess.excess, white, excess.spread, excess.own_heat)
    )
    factor = max(1, int(np.ceil(np.sqrt(use.sum() / settings.most_cells))))
    grid = coarse_grid(film.grid, factor)
    independent = 4 * np.pi * film.correlation_mm**2 / film.grid.step_mm**2
    out = []
    for low, high in groups:
        known = np.isfinite(y[low:high]) & np.isfinite(noise[low:high]) & use[None]
        out.append(_one_bin(y[low:high], noise[low:high], spread[low:high], own[low:high], known, factor, independent))
    values, variance, width, heat = (np.stack([o[i] for o in out]) for i in range(4))
    edges = np.array([film.edges_s[low] for low, _ in groups] + [film.edges_s[groups[-1][1]]])
    clock = np.linspace(0.0, float(edges[-1]), settings.times + 1)
    corrected = "surfaces_corrected" in film.flags
    return FitData(
        grid,
        clock,
        bin_means(clock, edges),
        edges,
        values,
        heat,
        variance,
        width,
        smear_mm(excess, factor, settings),
        film.position_error_mm,
        1.0 if corrected else settings.emissivity,
        0.02 if corrected else settings.emissivity_error / settings.emissivity,
    )


def smear_mm(excess: Excess, factor: int, settings: SourceSettings) -> float:
    """Return the standard deviation of what optics, pixel, resampling and blocks smear together, mm.

    Optics that are not known are taken as ``settings.optics_px`` pixels.
    """
    film = excess.film
    optics = film.blur_mm or settings.optics_px * film.pixel_mm
    block = factor * film.grid.step_mm / np.sqrt(12) if factor > 1 else 0.0
    return float(np.sqrt(optics**2 + film.pixel_mm**2 / 12 + block**2))


def _white_noise(excess: Excess) -> np.ndarray:
    """Return the noise without most of the position error, which is fitted as a shift instead."""
    noise = np.asarray(excess.noise, float)
    return np.sqrt(np.maximum(noise**2 - 0.9 * np.asarray(excess.position, float) ** 2, (0.3 * noise) ** 2))


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
        surface = find_surface(part.surface, surfaces)
        if part.kind in UNREADABLE_KINDS or (surface is not None and not surface.readable):
            out |= part.contains(points[..., 0], points[..., 1], margin_mm=0.5 * film.pixel_mm)
    return out


def _one_bin(
    y: np.ndarray,
    noise: np.ndarray,
    spread: np.ndarray,
    own: np.ndarray,
    known: np.ndarray,
    factor: int,
    independent: float,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Average one group of bins in blocks: value, variance, spread and own heat, each (rows, columns)."""
    inverse = np.where(known, 1 / np.maximum(noise, 1e-9) ** 2, 0.0)
    total = inverse.sum(axis=0)
    safe = np.maximum(total, 1e-300)

    def mean_over_time(a: np.ndarray) -> np.ndarray:
        return (np.where(known, a, 0.0) * inverse).sum(axis=0) / safe

    cells = (total > 0).astype(float)
    count = block_sum(cells, factor)
    some = np.maximum(count, 1)
    blocks = [block_sum(mean_over_time(a) * cells, factor) / some for a in (y, spread, own)]
    variance = block_sum(cells / np.maximum(total, 1e-30) * cells, factor) / some
    variance = variance * np.maximum(1.0, independent) / some if factor > 1 else variance * max(1.0, independent)
    return blocks[0], np.where(count > 0.3 * factor**2, variance, np.inf), blocks[1], blocks[2]
