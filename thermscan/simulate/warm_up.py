"""Temperatures of a given board with given heat, without camera, faults or spread."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from thermscan.model.board import Board
from thermscan.simulate.fault import Spot
from thermscan.simulate.filming import visible_nodes
from thermscan.simulate.heat import run_heat
from thermscan.simulate.stack import CellGrid, build_unit, draw_stack, even_stack


@dataclass(frozen=True)
class WarmUpOptions:
    """How the board is warmed.

    Attributes
    ----------
    on_s, off_s : float
        Heat is made between these; ``off_s`` None for always on.
    ambient_c : float
    side : {'top', 'bottom'}
        Face whose cells are returned.
    cell_mm : float, optional
    even_um : tuple of float, optional
        Copper of the four layers, the same everywhere, micrometres; None for uneven copper drawn from ``seed``.
    air : tuple of float
        Convection coefficient of upper and lower face, W m-2 K^-(1 + power).
    convection_power : float
        One quarter for natural convection, 0 for constant coefficients.
    seed : int
        For couplings of the parts and uneven copper.
    """

    on_s: float = 0.0
    off_s: float | None = None
    ambient_c: float = 22.0
    side: str = "top"
    cell_mm: float | None = None
    even_um: tuple[float, ...] | None = None
    air: tuple[float, float] = (2.6, 1.5)
    convection_power: float = 0.25
    seed: int = 0


@dataclass(frozen=True)
class WarmUp:
    """A board warming up.

    Attributes
    ----------
    grid : CellGrid
    cells_c : ndarray of shape (times, rows, columns), degrees Celsius
        Ambient outside the board; row 0 is the lowest y.
    part_c : ndarray of shape (times, parts), degrees Celsius
        Tops of the bodies, in the order of the board's parts.
    made_j, stored_j, lost_j : float
        Energy at the last time.
    """

    grid: CellGrid
    cells_c: np.ndarray
    part_c: np.ndarray
    made_j: float
    stored_j: float
    lost_j: float


DEFAULT = WarmUpOptions()


def warm_board(
    board: Board,
    watts: dict[str, float],
    times_s: np.ndarray,
    *,
    spots: tuple[tuple[Spot, float], ...] = (),
    options: WarmUpOptions = DEFAULT,
) -> WarmUp:
    """Warm a board and return its temperatures.

    Parameters
    ----------
    board : Board
    watts : dict of refdes to W
        Heat made in parts while on.
    times_s : ndarray of shape (times,), s
        When temperatures are wanted, from 0 up.
    spots : tuple of (Spot, W)
        Heat made in the board itself.
    options : WarmUpOptions

    Returns
    -------
    WarmUp

    Raises
    ------
    KeyError
        For a refdes that the board does not have.
    """
    grid = CellGrid.over(board, options.cell_mm)
    random = np.random.default_rng(options.seed)
    stack = draw_stack(grid, board, random) if options.even_um is None else even_stack(grid, copper_um=options.even_um)
    unit = build_unit(board, grid, stack, random, air=options.air, convection_power=options.convection_power)
    source = np.zeros(len(unit.net.capacity))
    for ref, power in watts.items():
        source[unit.heat_node[ref]] += power
    for spot, power in spots:
        source += power * unit.cell_source(grid.spot(spot.x_mm, spot.y_mm, spot.radius_mm), spot.layer)
    off = np.inf if options.off_s is None else options.off_s
    times = np.asarray(times_s, float)
    film = run_heat(
        unit.net,
        np.full(len(source), options.ambient_c),
        lambda t: source * (options.on_s <= t < off),
        duration_s=max(float(times.max()), 0.1),
        switches_s=np.array([options.on_s, min(off, 1e9)]),
        ambient_c=lambda _: options.ambient_c,
        keep=visible_nodes(unit, board, side=options.side),
    )
    kept = np.array([film.at(t) for t in times])
    count, parts = int(grid.inside.sum()), len(board.parts)
    cells = np.full((len(times), grid.rows, grid.columns), options.ambient_c)
    cells[:, grid.inside] = kept[:, :count]
    made, stored, lost = (float(e) for e in film.energy_j[-1])
    return WarmUp(grid, cells, kept[:, count : count + parts], made, stored, lost)
