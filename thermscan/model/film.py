"""A recording in board coordinates: temperature at each place in each interval of time."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from thermscan.model.board import Board
from thermscan.model.shift import Shift, mean_over_cells, slope_along


@dataclass(frozen=True)
class BoardGrid:
    """Square cells over the board; cell (row 0, column 0) is centred at (x0_mm, y0_mm), rows go UP in y.

    Row index grows with y (so pictures of it are shown with ``origin='lower'``).
    """

    x0_mm: float
    y0_mm: float
    step_mm: float
    columns: int
    rows: int

    @classmethod
    def over(cls, board: Board, step_mm: float, *, margin_mm: float = 0.0) -> BoardGrid:
        """Cover the outline's bounding box, grown by ``margin_mm``, with cells of ``step_mm``."""
        x0, y0, x1, y1 = board.box_mm
        columns = max(1, int(np.ceil((x1 - x0 + 2 * margin_mm) / step_mm)))
        rows = max(1, int(np.ceil((y1 - y0 + 2 * margin_mm) / step_mm)))
        left = (x0 + x1 - (columns - 1) * step_mm) / 2
        low = (y0 + y1 - (rows - 1) * step_mm) / 2
        return cls(left, low, step_mm, columns, rows)

    @property
    def shape(self) -> tuple[int, int]:
        """Rows, columns."""
        return self.rows, self.columns

    def points_mm(self) -> np.ndarray:
        """Return cell centres, ndarray (rows, columns, 2), mm."""
        x = self.x0_mm + self.step_mm * np.arange(self.columns)
        y = self.y0_mm + self.step_mm * np.arange(self.rows)
        return np.stack(np.meshgrid(x, y), axis=-1)

    def to_cell(self, x_mm: float | np.ndarray, y_mm: float | np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return fractional (row, column) of board points."""
        return (np.asarray(y_mm) - self.y0_mm) / self.step_mm, (np.asarray(x_mm) - self.x0_mm) / self.step_mm

    def slope_per_mm(self, field: np.ndarray) -> np.ndarray:
        """Return the size of the slope of (..., rows, columns), per mm, same shape.

        Beside cells that are not known (NaN: hidden behind a tall part, say) from the other side; 0 where neither
        side is known.
        """
        return np.hypot(*(slope_along(field, axis) for axis in (-2, -1))) / self.step_mm

    def extent_mm(self) -> tuple[float, float, float, float]:
        """Return left, right, bottom, top edges, mm (matplotlib's ``extent`` with ``origin='lower'``)."""
        half = self.step_mm / 2
        return (
            self.x0_mm - half,
            self.x0_mm + (self.columns - 1) * self.step_mm + half,
            self.y0_mm - half,
            self.y0_mm + (self.rows - 1) * self.step_mm + half,
        )


@dataclass(frozen=True)
class ColdTrend:
    """How a board's temperatures changed before power-on, from the earlier half of its cold frames to the later.

    Attributes
    ----------
    slope : ndarray of shape (rows, columns)
        Unit of the film per second; NaN where not seen.
    apart_s : float
        Seconds between the means of the two halves.
    frames : (int, int)
        Frames in each.
    at_s : float
        Mean time of all cold frames, seconds since power-on (negative).
    """

    slope: np.ndarray
    apart_s: float
    frames: tuple[int, int]
    at_s: float


@dataclass(frozen=True)
class ColdFrames:
    """The frames before power-on, in stretches.

    Attributes
    ----------
    mean : ndarray of shape (stretches, rows, columns)
        Unit of the film; NaN where not seen.
    times_s : ndarray of shape (stretches,)
        Mean time of each, seconds since power-on (negative).
    frames : ndarray of int, shape (stretches,)
    """

    mean: np.ndarray
    times_s: np.ndarray
    frames: np.ndarray

    def mean_over(self, part: slice) -> np.ndarray:
        """Return the mean of some stretches, weighted by their frames, ndarray (rows, columns), NaN where not seen."""
        known = np.isfinite(self.mean[part])
        weight = np.where(known, self.frames[part, None, None], 0.0)
        total = np.where(known, self.mean[part], 0.0) * weight
        with np.errstate(invalid="ignore", divide="ignore"):
            return (total.sum(axis=0) / weight.sum(axis=0)).astype(np.float32)

    def trend(self) -> ColdTrend | None:
        """Return how temperatures changed from the earlier half to the later; None with under two frames in a half."""
        half = len(self.times_s) // 2
        parts = [slice(0, half), slice(half, None)]
        early, late = (int(self.frames[part].sum()) for part in parts)
        if min(early, late) < 2:
            return None
        at = [float(np.average(self.times_s[part], weights=self.frames[part])) for part in parts]
        slope = (self.mean_over(parts[1]) - self.mean_over(parts[0])) / np.float32(at[1] - at[0])
        whole = float(np.average(self.times_s, weights=self.frames))
        return ColdTrend(slope, at[1] - at[0], (early, late), whole)


@dataclass(frozen=True)
class Film:
    """Mean temperature at each place in each time bin, of one recording.

    Attributes
    ----------
    grid : BoardGrid
    edges_s : ndarray of shape (bins + 1,), s
        Seconds since power-on, or on the recording's own clock where ``clock`` is ``'recording'``.
    clock : {'power_on', 'recording'}
    mean : ndarray of shape (bins, rows, columns)
        Temperature (degrees Celsius) or counts, NaN where a bin or place has no data.
    frames : ndarray of int, shape (bins,)
        Usable frames averaged in each bin.
    cold : ndarray of shape (rows, columns) or None
        Mean of the frames before power-on; None where there are none.
    cold_frames : int
    noise : ndarray of shape (rows, columns)
        Standard deviation of one frame at one cell, after resampling, unit of ``mean``.
    correlation_mm : float
        Distance over which the resampled noise is correlated (standard deviation of its kernel).
    position_error_mm : float
        Standard error of the placing, rms, relative to the other recordings it will be compared with.
    inside : ndarray of bool, shape (rows, columns)
        Cells inside the outline and seen by the camera.
    readable : ndarray of bool, shape (rows, columns)
        False where the surface cannot be read (bare metal, reflection, bad pixel).
    pixel_mm : float
        Size of a camera pixel on the board, mm (geometric mean).
    blur_mm : float
        Standard deviation of the optics' blur on the board, mm, where known or estimated, else 0.
    blur_basis : {'profile', 'edges', ''}
        Where that was taken from: the camera's profile, the sharpest edges of the recordings, or nowhere.
    unit : {'celsius', 'count'}
    ambient_c : float or None
    flags : frozenset of str
        ``no_cold_frames``, ``warm_start``, ``single_frame`` and the like.
    motion_error_mm : float
        Standard error of one frame's place relative to the other frames of the same recording, rms.
    on_for_s : float or None
        Seconds from power-on to power-off, None while still on at the end or where that is not known.
    saturated : ndarray of bool, shape (rows, columns), or None
        Cells of which most frames of some bin are at the top of the range: lower bounds there.
    before : ColdTrend or None
        How temperatures changed before power-on; None with fewer than four cold frames.
    cold_series : ColdFrames or None
        The cold frames in stretches; None where there are none, or times are not known.
    mirror_error : ndarray of shape (bins, rows, columns) or None
        Standard error left where a reflection was taken off, K; None where none was.
    """

    grid: BoardGrid
    edges_s: np.ndarray
    clock: str
    mean: np.ndarray
    frames: np.ndarray
    cold: np.ndarray | None
    cold_frames: int
    noise: np.ndarray
    correlation_mm: float
    position_error_mm: float
    inside: np.ndarray
    readable: np.ndarray
    pixel_mm: float
    blur_mm: float = 0.0
    unit: str = "celsius"
    ambient_c: float | None = None
    flags: frozenset[str] = field(default_factory=frozenset)
    motion_error_mm: float = 0.0
    on_for_s: float | None = None
    saturated: np.ndarray | None = None
    before: ColdTrend | None = None
    blur_basis: str = ""
    cold_series: ColdFrames | None = None
    mirror_error: np.ndarray | None = None

    @property
    def centres_s(self) -> np.ndarray:
        """Middle of each time bin, s."""
        return (self.edges_s[1:] + self.edges_s[:-1]) / 2

    def smear_mm(self, optics_px: float) -> float:
        """Return the standard deviation of what optics and pixel smear, mm; ``optics_px`` where no blur is known.

        A pixel counts as the box that it is, 1/12 px2.
        """
        return float(np.hypot(self.blur_mm or optics_px * self.pixel_mm, self.pixel_mm / np.sqrt(12)))


@dataclass(frozen=True)
class Rise:
    """Rise (or over_ambient) of one board at each place and second.

    ``rise`` is ndarray (bins, rows, columns), K (or counts); ``error`` its standard error from noise alone, same
    shape or broadcastable. ``reference`` is ``'cold_frames'`` (a true rise) or ``'unheated_regions'``
    (over_ambient). Where heat left from an earlier run was put back, ``left_doubt`` is what the rise would change by
    if that heat stayed longer by one standard deviation, and ``left_error`` what is uncertain of it beside that; both
    of the same shape, and alike over neighbouring places. ``left_error`` holds what is uncertain of a reflection that
    was taken off as well.
    """

    film: Film
    rise: np.ndarray
    error: np.ndarray
    reference: str
    left_doubt: np.ndarray | None = None
    left_error: np.ndarray | None = None


@dataclass(frozen=True)
class Baseline:
    """Known-good boards combined: mean and spread of the rise at each place and second.

    Attributes
    ----------
    grid, edges_s : as in Film
    mean, spread : ndarray of shape (bins, rows, columns), K
        ``spread`` is the standard deviation between boards expected at each place (shrunk towards a model that
        grows with the part's own heat when boards are few), NOT of the mean.
    error : ndarray of shape (bins, rows, columns) or broadcastable, K
        Standard error of ``mean`` from camera noise.
    count : int
        Number of boards.
    outline_hash : str
    side : str
    sources : tuple of (name, sha256)
    films : tuple of Rise
        The boards themselves where they are at hand (empty for one loaded from a file).
    odd : tuple of (name, reason)
        Boards that look unlike the others.
    """

    grid: BoardGrid
    edges_s: np.ndarray
    mean: np.ndarray
    spread: np.ndarray
    error: np.ndarray
    count: int
    outline_hash: str
    side: str
    reference: str
    sources: tuple[tuple[str, str], ...] = ()
    films: tuple[Rise, ...] = ()
    odd: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class Window:
    """Bins ``start`` to ``stop`` taken together, and the second in their middle."""

    start: int
    stop: int
    at_s: float


@dataclass(frozen=True)
class Excess:
    """Rise of the faulty board minus the baseline's, with everything needed to judge it.

    Attributes
    ----------
    excess : ndarray of shape (bins, rows, columns), K (or counts)
    noise : same shape or broadcastable
        Standard error from camera noise of both sides and from position error (gradient times position error).
    spread : same shape or broadcastable
        Standard deviation between good boards expected at this place (0 where the board is its own baseline).
    basis : {'good_boards', 'itself_before', 'itself_only'}
        Compared with good boards; with the same board's earlier recording; or with nothing but its own frames.
    count : int
        Number of good boards (0 for 'itself_only').
    own_heat : ndarray of shape (bins, rows, columns)
        The baseline's mean rise (zeros for 'itself_only').
    position : ndarray, same shape or broadcastable
        The share of ``noise`` that comes from position error; unlike camera noise it does not average out over
        neighbouring cells or seconds.
    spilled : ndarray, same shape or broadcastable
        The share of ``noise`` and of ``position`` that bodies which mirror spread over their surroundings.
    shifts : tuple of Shift
        What may lie elsewhere than thought, each by itself: what ``position`` is at a cell, for means over cells.
    """

    film: Film
    excess: np.ndarray
    noise: np.ndarray
    spread: np.ndarray
    basis: str
    count: int
    own_heat: np.ndarray
    reference: str
    warnings: tuple[str, ...] = ()
    position: np.ndarray | float = 0.0
    spilled: np.ndarray | float = 0.0
    shifts: tuple[Shift, ...] = ()

    def split_noise(self, weights: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return the variances of a mean over cells of ``weights``, (rows, columns): camera and place, (bins,) each.

        That of the camera is the cells' own, not yet averaged over them; that of the place is of the mean.
        """
        total, position, spilled = (
            mean_over_cells(np.broadcast_to(np.asarray(field, np.float32) ** 2, self.excess.shape), weights)
            for field in (self.noise, self.position, self.spilled)
        )
        camera = np.maximum(total - position, 0)
        if not self.shifts:
            return camera, position
        moved = sum(s.error_of(weights, self.film.grid.step_mm) ** 2 for s in self.shifts)
        return camera, np.where(np.isfinite(position), moved + spilled, np.nan)

    def last_second(self, *, seconds: float = 1.0) -> Window:
        """Return the last second of comparable bins with power on (the last such bin, where bins are longer)."""
        film = self.film
        end = film.on_for_s if film.on_for_s is not None else film.edges_s[-1]
        known = np.isfinite(self.excess).any(axis=(1, 2)) & (film.edges_s[:-1] < end - 1e-9)
        bins = np.flatnonzero(known)
        if bins.size == 0:
            return Window(0, 1, float(film.centres_s[0]))
        stop = int(bins[-1]) + 1
        width = float(np.diff(film.edges_s[:2])[0])
        start = max(int(bins[0]), stop - max(1, round(seconds / width)))
        return Window(start, stop, float((film.edges_s[start] + film.edges_s[stop]) / 2))
