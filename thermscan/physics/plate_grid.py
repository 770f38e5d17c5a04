"""The heat equation on a grid: uneven copper, layers, parts as lumps, losses that grow with temperature."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from scipy import sparse
from scipy.sparse import linalg

from thermscan.physics.plate import Layers


@dataclass(frozen=True)
class Lump:
    """A part: the cells under it (flat indices of one layer), its contact and its own heat capacity."""

    cells: np.ndarray
    layer: int
    conductance_w_per_k: float
    capacity_j_per_k: float


@dataclass(frozen=True)
class GridPlate:
    """A layered plate on square cells.

    Attributes
    ----------
    step_mm : float
    layers : Layers
        Mean values; ``copper`` scales the in-plane conductance place by place.
    copper : ndarray of shape (layers, rows, columns)
        Factor on the in-plane conductance of each cell.
    lumps : tuple of Lump
    loss : callable or None
        Loss per area of one face, W/mm2, from its rise, K (array to array); None takes the linear loss of ``layers``.
    """

    step_mm: float
    layers: Layers
    copper: np.ndarray
    lumps: tuple[Lump, ...] = field(default=())
    loss: Callable[[np.ndarray], np.ndarray] | None = None

    @classmethod
    def even(cls, layers: Layers, step_mm: float, shape: tuple[int, int]) -> GridPlate:
        """Make a plate whose copper is the same everywhere; ``shape`` is (rows, columns)."""
        return cls(step_mm, layers, np.ones((len(layers.capacity_j_per_mm2_k), *shape)))

    @property
    def nodes(self) -> int:
        """Number of unknowns: cells of all layers, then lumps."""
        return self.copper.size + len(self.lumps)

    def capacity_j_per_k(self) -> np.ndarray:
        """Return the heat capacity of each node, ndarray (nodes,)."""
        area = self.step_mm**2
        cells = np.repeat(self.layers.capacity_j_per_mm2_k * area, self.copper[0].size)
        return np.concatenate([cells, [lump.capacity_j_per_k for lump in self.lumps]])

    def linear_loss_w_per_k(self) -> np.ndarray:
        """Return the linear loss of each node, ndarray (nodes,), zero where ``loss`` is given."""
        area = self.step_mm**2
        per_cell = np.zeros(len(self.layers.loss_w_per_mm2_k)) if self.loss else self.layers.loss_w_per_mm2_k * area
        return np.concatenate([np.repeat(per_cell, self.copper[0].size), np.zeros(len(self.lumps))])

    def links(self) -> sparse.csc_array:
        """Return the conductance matrix (nodes, nodes), W/K: symmetric, rows add to zero.

        Between two cells in one layer the conductances add as resistances in series (harmonic mean).
        """
        index = np.arange(self.copper.size).reshape(self.copper.shape)
        sheet = self.copper * self.layers.conductance_w_per_k[:, None, None]
        pairs = [
            (index[:, :, :-1], index[:, :, 1:], _series(sheet[:, :, :-1], sheet[:, :, 1:])),
            (index[:, :-1], index[:, 1:], _series(sheet[:, :-1], sheet[:, 1:])),
            (
                index[:-1],
                index[1:],
                np.broadcast_to((self.layers.between_w_per_mm2_k * self.step_mm**2)[:, None, None], index[1:].shape),
            ),
        ]
        for i, lump in enumerate(self.lumps):
            cells = index[lump.layer].ravel()[lump.cells]
            share = np.full(len(cells), lump.conductance_w_per_k / len(cells))
            pairs.append((cells, np.full(len(cells), self.copper.size + i), share))
        a = np.concatenate([np.ravel(p[0]) for p in pairs])
        b = np.concatenate([np.ravel(p[1]) for p in pairs])
        g = np.concatenate([np.ravel(p[2]) for p in pairs])
        rows, columns = np.concatenate([a, b, a, b]), np.concatenate([b, a, a, b])
        return sparse.csc_array(
            sparse.coo_array((np.concatenate([-g, -g, g, g]), (rows, columns)), shape=(self.nodes, self.nodes))
        )


def _series(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Return the conductance of two half cells in series."""
    return 2 * a * b / np.maximum(a + b, 1e-30)


@dataclass(frozen=True)
class GridRun:
    """Result of a run: rise of the nodes at the asked times, and the energy books.

    ``rise_k`` is ndarray (times, nodes); ``energy_j`` ndarray (times, 3): made, stored, lost since the start.
    """

    rise_k: np.ndarray
    energy_j: np.ndarray


def run(plate: GridPlate, power_w: np.ndarray, times_s: np.ndarray, *, substeps: int = 4) -> GridRun:
    """Run the plate from rest with constant power in each node.

    Parameters
    ----------
    plate : GridPlate
    power_w : ndarray of shape (nodes,), W
    times_s : ndarray of shape (times,), s
        Increasing, above zero; each interval is divided into ``substeps``.
    substeps : int

    Notes
    -----
    Implicit midpoint after two backward Euler steps that calm the start (Rannacher start-up); a loss that bends is
    taken from the last step. Energy closes to rounding for the linear part.
    """
    capacity, links, linear = plate.capacity_j_per_k(), plate.links(), plate.linear_loss_w_per_k()
    rise = np.zeros(plate.nodes)
    made = lost = 0.0
    out, books = [], []
    solvers: dict[tuple[float, float], linalg.SuperLU] = {}
    before, steps = 0.0, 0
    for end in times_s:
        dt = (end - before) / substeps
        for _ in range(substeps):
            theta = 1.0 if steps < 2 else 0.5
            bent = _bent_loss(plate, rise)
            key = (round(dt, 9), theta)
            if key not in solvers:
                matrix = sparse.diags_array(capacity / dt + theta * linear) + theta * links
                solvers[key] = linalg.splu(sparse.csc_array(matrix))
            flow = power_w - bent - links @ rise - linear * rise
            change = solvers[key].solve(flow)
            lost += dt * float(bent.sum() + linear @ (rise + theta * change))
            made += dt * float(power_w.sum())
            rise = rise + change
            steps += 1
        out.append(rise)
        books.append((made, float(capacity @ rise), lost))
        before = end
    return GridRun(np.array(out), np.array(books))


def _bent_loss(plate: GridPlate, rise: np.ndarray) -> np.ndarray:
    """Return the non-linear loss of each node, W; zero where the plate is linear."""
    out = np.zeros(plate.nodes)
    if plate.loss is None:
        return out
    cells = rise[: plate.copper.size].reshape(plate.copper.shape)
    lost = np.zeros(plate.copper.shape)
    lost[0] += plate.loss(cells[0]) * plate.step_mm**2
    lost[-1] += plate.loss(cells[-1]) * plate.step_mm**2
    out[: plate.copper.size] = lost.ravel()
    return out


def steady(plate: GridPlate, power_w: np.ndarray) -> np.ndarray:
    """Return the rise in balance, ndarray (nodes,), K; the loss must be linear and not zero."""
    matrix = sparse.csc_array(plate.links() + sparse.diags_array(plate.linear_loss_w_per_k()))
    return linalg.spsolve(matrix, power_w)
