"""The arrays behind the pictures of a result: heat at each place and second, in board coordinates."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from thermscan.model.film import BoardGrid


@dataclass(frozen=True)
class HeatMap:
    """One map in watts on a coarse grid of its own.

    Attributes
    ----------
    kind : {'made', 'limit'}
        Power made per area, mW/mm2, over that of the baseline; or the smallest power of a spot, mW, that would have
        been listed with 95 % chance.
    title : str
    grid : BoardGrid
    values : ndarray of shape (rows, columns), mW/mm2 or mW
        NaN off the board and where nothing is seen.
    about : str
        How it was worked out.
    """

    kind: str
    title: str
    grid: BoardGrid
    values: np.ndarray
    about: str

    @property
    def unit(self) -> str:
        """Unit of the values."""
        return "mW/mm2" if self.kind == "made" else "mW"


@dataclass(frozen=True)
class ResultMaps:
    """Maps of one comparison on one grid; rows go up in y, as in BoardGrid.

    Attributes
    ----------
    grid : BoardGrid
        In mm; in pixels of the faulty board's own picture where no millimetres are known.
    edges_s : ndarray of shape (bins + 1,), s
        Ends of the time bins on ``clock``.
    excess : ndarray of shape (bins, rows, columns), K (counts where the result's ``units`` is ``'count'``)
        Rise of the faulty board over the baseline; NaN where there is no data.
    faulty : same shape
        Rise of the faulty board.
    good : same shape, or None
        Mean rise of the baseline; None where there is none.
    noise, spread : same shape or broadcastable
        Standard error of the excess from the camera, and the spread expected between good boards.
    inside : ndarray of bool, shape (rows, columns)
        Cells on the board and seen.
    readable : ndarray of bool, shape (rows, columns)
        False where the surface cannot be read.
    photo : ndarray of shape (any, any) or None
        Grey picture from 0 (black) to 1 (white) over the grid's extent, first row lowest in y.
    shown_bin : int
        The bin that the still pictures show.
    clock : {'power_on', 'recording'}
        What second zero means.
    power_off_s : float or None
        On ``clock``.
    heat : tuple of HeatMap
        Empty where watts are not known.
    """

    grid: BoardGrid
    edges_s: np.ndarray
    excess: np.ndarray
    faulty: np.ndarray
    good: np.ndarray | None
    noise: np.ndarray
    spread: np.ndarray
    inside: np.ndarray
    readable: np.ndarray
    photo: np.ndarray | None = None
    shown_bin: int = -1
    clock: str = "power_on"
    power_off_s: float | None = None
    notes: tuple[str, ...] = field(default=())
    heat: tuple[HeatMap, ...] = ()

    @property
    def bins(self) -> int:
        """Number of time bins."""
        return self.excess.shape[0]

    @property
    def shown(self) -> int:
        """Index of the shown bin, counted from the start."""
        return self.shown_bin % self.bins

    @property
    def centres_s(self) -> np.ndarray:
        """Middle of each bin, ndarray (bins,), s."""
        edges = np.asarray(self.edges_s, float)
        return (edges[1:] + edges[:-1]) / 2

    @property
    def shown_s(self) -> float:
        """Middle of the shown bin, s."""
        return float(self.centres_s[self.shown])

    def half_width(self) -> np.ndarray:
        """Half of the excess's 95 % interval at each place and bin, ndarray (bins, rows, columns).

        1.96 times the root of the summed squares of noise and spread (independent, both taken as normal).
        """
        half = 1.959963985 * np.hypot(np.asarray(self.noise, float), np.asarray(self.spread, float))
        return np.broadcast_to(half, self.excess.shape)

    def course_at(self, x_mm: float, y_mm: float) -> tuple[np.ndarray, np.ndarray]:
        """Return excess and half interval, each ndarray (bins,), of the cell that holds a place on the board."""
        row, column = self.grid.to_cell(x_mm, y_mm)
        r = int(np.clip(np.rint(row), 0, self.grid.rows - 1))
        c = int(np.clip(np.rint(column), 0, self.grid.columns - 1))
        return np.asarray(self.excess[:, r, c], float), self.half_width()[:, r, c]
