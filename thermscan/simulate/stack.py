"""Cells, copper and the heat network of one unit: from a board and its stack-up to volumes and conductances."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy import ndimage, sparse

from thermscan.model.board import Board, Part
from thermscan.simulate.heat import HeatNet
from thermscan.simulate.material import (
    COPPER_K,
    COPPER_RHO_C,
    KINDS,
    LAMINATE_K_IN_PLANE,
    LAMINATE_K_THROUGH,
    LAMINATE_RHO_C,
)

LAYERS = (0.15, 0.35, 0.35, 0.15)  # shares of the thickness, top first; copper lies in each
CELLS_WANTED = 5500
CELL_RANGE_MM = (0.5, 1.5)
SUBCELLS = 5  # samples a cell and direction for how much of it a footprint covers


@dataclass(frozen=True)
class CellGrid:
    """Square cells over the board; row 0 is the lowest y, cell (0, 0) is centred at (x0_mm, y0_mm)."""

    x0_mm: float
    y0_mm: float
    cell_mm: float
    rows: int
    columns: int
    inside: np.ndarray

    @classmethod
    def over(cls, board: Board, cell_mm: float | None = None) -> CellGrid:
        """Lay cells over a board; the cell follows its area where none is given."""
        x0, y0, x1, y1 = board.box_mm
        area = (x1 - x0) * (y1 - y0)
        wanted = float(np.clip(np.sqrt(area / CELLS_WANTED), *CELL_RANGE_MM)) if cell_mm is None else cell_mm
        columns, rows = max(3, round((x1 - x0) / wanted)), max(3, round((y1 - y0) / wanted))
        # cells are square; a rest of less than half a cell is shared by both edges
        cell = np.sqrt((x1 - x0) * (y1 - y0) / (columns * rows))
        start_x = (x0 + x1 - cell * (columns - 1)) / 2
        start_y = (y0 + y1 - cell * (rows - 1)) / 2
        xx, yy = np.meshgrid(start_x + cell * np.arange(columns), start_y + cell * np.arange(rows))
        inside = board.inside(np.clip(xx, x0 + 1e-6, x1 - 1e-6), np.clip(yy, y0 + 1e-6, y1 - 1e-6))
        for hole in board.holes:
            inside &= np.hypot(xx - hole.x, yy - hole.y) > hole.d / 2
        return cls(float(start_x), float(start_y), float(cell), rows, columns, inside)

    @property
    def centres(self) -> tuple[np.ndarray, np.ndarray]:
        """Cell centres, two ndarrays (rows, columns), mm."""
        x = self.x0_mm + self.cell_mm * np.arange(self.columns)
        y = self.y0_mm + self.cell_mm * np.arange(self.rows)
        xx, yy = np.meshgrid(x, y)
        return xx, yy

    def share(self, part: Part, *, margin_mm: float = 0.0, ends_only: bool = False) -> np.ndarray:
        """Return how much of each cell a footprint covers, ndarray (rows, columns), 0 to 1."""
        out = np.zeros((self.rows, self.columns))
        rows, columns = self._window(part, margin_mm)
        if rows.start >= rows.stop or columns.start >= columns.stop:
            return out
        off = (np.arange(SUBCELLS) + 0.5) / SUBCELLS - 0.5
        x = (self.x0_mm + self.cell_mm * (np.arange(columns.start, columns.stop)[:, None] + off)).ravel()[None, :]
        y = (self.y0_mm + self.cell_mm * (np.arange(rows.start, rows.stop)[:, None] + off)).ravel()[:, None]
        hit = part.contains(x, y, margin_mm=margin_mm)
        if ends_only:
            turn = np.radians(part.rotation)
            along = np.cos(turn) * (x - part.x) + np.sin(turn) * (y - part.y)
            across = -np.sin(turn) * (x - part.x) + np.cos(turn) * (y - part.y)
            far = np.abs(along) / part.w if part.w >= part.h else np.abs(across) / part.h
            hit &= far > 0.25
        shape = (rows.stop - rows.start, SUBCELLS, columns.stop - columns.start, SUBCELLS)
        out[rows, columns] = hit.reshape(shape).mean(axis=(1, 3))
        return out * self.inside

    def _window(self, part: Part, margin_mm: float) -> tuple[slice, slice]:
        """Return the rows and columns of cells that a footprint can touch."""
        corners = part.corners_mm()
        origin = np.array([self.x0_mm, self.y0_mm])
        low = np.floor((corners.min(axis=0) - 1.5 * margin_mm - origin) / self.cell_mm - 0.5).astype(int)
        high = np.ceil((corners.max(axis=0) + 1.5 * margin_mm - origin) / self.cell_mm + 0.5).astype(int) + 1
        low, high = np.maximum(low, 0), np.minimum(high, [self.columns, self.rows])
        return slice(int(low[1]), int(high[1])), slice(int(low[0]), int(high[0]))

    def spot(self, x_mm: float, y_mm: float, radius_mm: float) -> np.ndarray:
        """Return weights of a round spot that add to one, ndarray (rows, columns)."""
        xx, yy = self.centres
        weight = np.exp(-0.5 * ((xx - x_mm) ** 2 + (yy - y_mm) ** 2) / max(radius_mm, 0.4 * self.cell_mm) ** 2)
        weight = np.where(self.inside, weight, 0.0)
        weight[weight < 1e-3 * weight.max()] = 0.0
        return weight / weight.sum()


@dataclass(frozen=True)
class StackUp:
    """Copper and laminate of a board type.

    Attributes
    ----------
    copper_um : ndarray of shape (layers, rows, columns)
        Copper thickness times the share of area that it covers.
    vias : ndarray of shape (rows, columns)
        Factor on the conductance through the board.
    """

    copper_um: np.ndarray
    vias: np.ndarray
    laminate_k: float = LAMINATE_K_IN_PLANE
    laminate_through_k: float = LAMINATE_K_THROUGH
    laminate_rho_c: float = LAMINATE_RHO_C


def even_stack(grid: CellGrid, *, copper_um: tuple[float, ...] = (35.0, 0.0, 0.0, 35.0)) -> StackUp:
    """Make a stack-up with the same copper everywhere, for checks against closed forms."""
    copper = np.ones((len(LAYERS), grid.rows, grid.columns)) * np.array(copper_um)[:, None, None]
    return StackUp(copper, np.ones((grid.rows, grid.columns)))


def draw_stack(grid: CellGrid, board: Board, random: np.random.Generator) -> StackUp:
    """Draw uneven copper: traces and pours outside, planes with splits inside on four-layer boards."""
    outer = random.choice([18.0, 35.0, 35.0, 70.0])
    copper = np.zeros((len(LAYERS), grid.rows, grid.columns))
    for layer in (0, len(LAYERS) - 1):
        cover = _blotches(grid, random, low=random.uniform(0.12, 0.3), high=random.uniform(0.7, 0.95))
        copper[layer] = outer * cover
    if random.random() < 0.6:
        inner = random.choice([18.0, 35.0])
        for layer in (1, 2):
            copper[layer] = inner * _plane(grid, random)
    vias = np.ones((grid.rows, grid.columns))
    for part in board.parts:
        if part.kind in ("chip", "regulator", "transistor") and random.random() < 0.5:
            vias += grid.share(part) * random.uniform(1.0, 8.0)
    return StackUp(
        copper,
        vias,
        LAMINATE_K_IN_PLANE * random.uniform(0.85, 1.2),
        LAMINATE_K_THROUGH * random.uniform(0.85, 1.2),
        LAMINATE_RHO_C * random.uniform(0.93, 1.07),
    )


def _blotches(grid: CellGrid, random: np.random.Generator, *, low: float, high: float) -> np.ndarray:
    """Copper share of an outer layer: a low share of traces with pours of full copper in zones."""
    scale = random.uniform(4.0, 12.0) / grid.cell_mm
    field_ = ndimage.gaussian_filter(random.normal(size=(grid.rows, grid.columns)), scale, mode="reflect")
    field_ = (field_ - field_.mean()) / (field_.std() + 1e-12)
    pours = 1.0 / (1.0 + np.exp(-(field_ - random.uniform(-0.6, 0.8)) / 0.15))
    fine = ndimage.gaussian_filter(random.normal(size=field_.shape), 1.0 / grid.cell_mm)
    fine = fine / (fine.std() + 1e-12)
    return np.clip(low + (high - low) * pours + 0.05 * fine, 0.03, 1.0)


def _plane(grid: CellGrid, random: np.random.Generator) -> np.ndarray:
    """Copper share of an inner plane, cut by up to three narrow gaps."""
    plane = np.full((grid.rows, grid.columns), random.uniform(0.8, 0.95))
    xx, yy = grid.centres
    for _ in range(int(random.integers(0, 4))):
        angle = random.choice([0.0, 0.0, np.pi / 2, np.pi / 2, 0.6])
        x, y = random.choice(xx.ravel()), random.choice(yy.ravel())
        off = np.cos(angle) * (xx - x) + np.sin(angle) * (yy - y)
        plane[np.abs(off) < 0.6 * grid.cell_mm] *= 0.25
    return plane


@dataclass(frozen=True)
class UnitSpread:
    """How one unit differs from its type; factors by refdes, 1 where absent."""

    coupling: dict[str, float] = field(default_factory=dict)
    lag: dict[str, float] = field(default_factory=dict)
    loss: float = 1.0
    laminate: float = 1.0
    missing: frozenset[str] = frozenset()


@dataclass(frozen=True)
class Unit:
    """One board ready to be heated.

    Attributes
    ----------
    net : HeatNet
    grid : CellGrid
    cell_node : ndarray of int, shape (layers, rows, columns)
        -1 outside the board.
    heat_node, top_node : dict of refdes to node
        Where a part makes its heat and what the camera sees of it.
    """

    net: HeatNet
    grid: CellGrid
    cell_node: np.ndarray
    heat_node: dict[str, int]
    top_node: dict[str, int]

    def cell_source(self, weight: np.ndarray, layer: int) -> np.ndarray:
        """Return ndarray (nodes,) that adds to one for heat made in the cells of a layer."""
        column = np.zeros(len(self.net.capacity))
        column[self.cell_node[layer][self.grid.inside]] = weight[self.grid.inside]
        return column / column.sum()


class _Links:
    """Collects conductances between nodes."""

    def __init__(self) -> None:
        self.a: list[np.ndarray] = []
        self.b: list[np.ndarray] = []
        self.g: list[np.ndarray] = []

    def join(self, a: np.ndarray, b: np.ndarray, g: np.ndarray) -> None:
        a, b, g = np.broadcast_arrays(a, b, g)
        self.a.append(a.ravel())
        self.b.append(b.ravel())
        self.g.append(g.ravel())

    def laplacian(self, nodes: int) -> sparse.csc_array:
        a, b, g = (np.concatenate(x) for x in (self.a, self.b, self.g))
        off = sparse.coo_array((-g, (a, b)), shape=(nodes, nodes)).tocsc()
        off = off + off.T
        return (off - sparse.diags_array(np.asarray(off.sum(axis=0)).ravel())).tocsc()


def build_unit(
    board: Board,
    grid: CellGrid,
    stack: StackUp,
    random: np.random.Generator,
    *,
    spread: UnitSpread | None = None,
    air: tuple[float, float] = (2.6, 1.5),
    convection_power: float = 0.25,
) -> Unit:
    """Build the heat network of one unit.

    Parameters
    ----------
    board : Board
        Parts as really placed.
    grid : CellGrid
    stack : StackUp
    random : numpy Generator
        Type-level couplings of the parts; pass the same seed for all units of a type.
    spread : UnitSpread, optional
    air : tuple of float, W m-2 K^-(1 + power)
        Convection coefficient per ``difference ** power`` of the upper and of the lower face.
    convection_power : float
        One quarter for natural convection (McAdams), 0 for constant coefficients.

    Returns
    -------
    Unit
    """
    spread = spread or UnitSpread()
    thickness = (board.thickness_mm or 1.6) * 1e-3
    dx = grid.cell_mm * 1e-3
    layers = len(LAYERS)
    count = int(grid.inside.sum())
    cell_node = np.full((layers, grid.rows, grid.columns), -1)
    for layer in range(layers):
        cell_node[layer][grid.inside] = layer * count + np.arange(count)
    links = _Links()
    capacity = [_link_cells(links, cell_node, grid, stack, thickness, spread.laminate)]
    fitted = [p for p in board.parts if p.fitted and p.ref not in spread.missing]
    nodes = layers * count
    body = _Bodies(grid, cell_node, links, random, spread, air, nodes)
    covered = np.zeros((2, grid.rows, grid.columns))
    for part in board.parts:
        coupling = body.draw(part)
        if part in fitted:
            body.add(part, coupling)
            covered[0 if part.side == "top" else 1] += grid.share(part)
    body.join_covers(fitted)
    capacity.append(np.array(body.capacity))
    total = nodes + len(body.capacity)
    area, convection, emissivity = np.zeros(total), np.zeros(total), np.full(total, 0.9)
    for face, (layer, coefficient) in enumerate(((0, air[0]), (layers - 1, air[1]))):
        index = cell_node[layer][grid.inside]
        area[index] = dx**2 * (1.0 - 0.95 * np.clip(covered[face], 0, 1)[grid.inside])
        convection[index] = coefficient * spread.loss
    area[nodes:], convection[nodes:], emissivity[nodes:] = body.area, body.convection, body.emissivity
    net = HeatNet(np.concatenate(capacity), links.laplacian(total), area, convection, emissivity, convection_power)
    return Unit(net, grid, cell_node, body.heat_node, body.top_node)


def _link_cells(
    links: _Links, cell_node: np.ndarray, grid: CellGrid, stack: StackUp, thickness: float, laminate: float
) -> np.ndarray:
    """Join the cells in the plane and through the thickness; return their capacities, J/K."""
    dx = grid.cell_mm * 1e-3
    depth = np.array(LAYERS) * thickness
    capacity = []
    for layer in range(len(LAYERS)):
        copper = stack.copper_um[layer] * 1e-6
        sheet = stack.laminate_k * laminate * depth[layer] + COPPER_K * copper
        for a, b in (
            ((slice(None), slice(1, None)), (slice(None), slice(None, -1))),
            ((slice(1, None), slice(None)), (slice(None, -1), slice(None))),
        ):
            ok = grid.inside[a] & grid.inside[b]
            g = 2.0 / (1.0 / sheet[a] + 1.0 / sheet[b])
            links.join(cell_node[layer][a][ok], cell_node[layer][b][ok], g[ok])
        heat = stack.laminate_rho_c * depth[layer] + COPPER_RHO_C * copper
        capacity.append((dx**2 * heat)[grid.inside])
        if layer:
            gap = (depth[layer] + depth[layer - 1]) / 2
            g = dx**2 * stack.laminate_through_k * laminate * stack.vias / gap
            links.join(cell_node[layer][grid.inside], cell_node[layer - 1][grid.inside], g[grid.inside])
    return np.concatenate(capacity)


class _Bodies:
    """Adds parts as volumes of their own."""

    def __init__(
        self,
        grid: CellGrid,
        cell_node: np.ndarray,
        links: _Links,
        random: np.random.Generator,
        spread: UnitSpread,
        air: tuple[float, float],
        first: int,
    ) -> None:
        self.grid, self.cell_node, self.links, self.random = grid, cell_node, links, random
        self.spread, self.air, self.first = spread, air, first
        self.capacity: list[float] = []
        self.area: list[float] = []
        self.convection: list[float] = []
        self.emissivity: list[float] = []
        self.heat_node: dict[str, int] = {}
        self.top_node: dict[str, int] = {}

    def draw(self, part: Part) -> tuple[float, float]:
        """Draw the type's couplings of a part (foot, lag), W m-2 K-1; always two numbers from the generator."""
        kind = KINDS[part.kind]
        foot, lag = self.random.random(2)
        low, high = np.log(kind.foot_w_m2k)
        bottom, top = np.log(kind.lag_w_m2k or (1e5, 1e5))
        return float(np.exp(low + foot * (high - low))), float(np.exp(bottom + lag * (top - bottom)))

    def _node(self, capacity: float, area: float, *, face: float, surface: str | None) -> int:
        self.capacity.append(capacity)
        self.area.append(area)
        self.convection.append(face * self.spread.loss)
        self.emissivity.append(0.2 if surface in ("bare_metal", "shiny_metal", "tinned") else 0.9)
        return self.first + len(self.capacity) - 1

    def add(self, part: Part, coupling: tuple[float, float]) -> None:
        """Add one body: capacity by volume, conductance to the cells under it, loss from top and sides."""
        kind, tall = KINDS[part.kind], part.height_mm or 1.0
        foot, lag = coupling
        area = part.w * part.h * 1e-6
        top_side = part.side == "top"
        layer = 0 if top_side else len(LAYERS) - 1
        face = 1.5 * self.air[0 if top_side else 1]  # small bodies lose more than wide faces
        volume = area * tall * 1e-3
        wall = 2 * (part.w + part.h) * tall * 1e-6
        shape = {"heatsink": 4.0, "shield": 1.0}.get(part.kind, 1.0)
        rho = 0.25 * kind.rho_c if part.kind in ("shield", "module", "heatsink") else kind.rho_c
        capacity = rho * volume
        surface = part.surface
        if kind.lag_w_m2k is None:
            heat = top = self._node(capacity, area + shape * wall, face=face, surface=surface)
        else:
            heat = self._node(0.5 * capacity, 0.3 * wall, face=face, surface=surface)
            top = self._node(0.5 * capacity, area + 0.7 * wall, face=face, surface=surface)
            self.links.join(np.array(heat), np.array(top), np.array(lag * self.spread.lag.get(part.ref, 1.0) * area))
        self.heat_node[part.ref], self.top_node[part.ref] = heat, top
        share = self.grid.share(part, margin_mm=0.3, ends_only=kind.foot == "ends")
        if share.sum() < 1e-6:  # smaller than the sampling, or overhanging: the nearest cell
            share = self.grid.spot(part.x, part.y, self.grid.cell_mm)
        hit = share > 0
        conductance = foot * self.spread.coupling.get(part.ref, 1.0) * area
        self.links.join(np.array(heat), self.cell_node[layer][hit], conductance * share[hit] / share[hit].sum())

    def join_covers(self, fitted: list[Part]) -> None:
        """Join heat sinks to the tops under them by a pad, shields through air."""
        there = {p.ref: p for p in fitted}
        for part in fitted:
            cover = there.get(part.covered_by or "")
            if cover is None:
                continue
            per_area = 1500.0 if cover.kind == "heatsink" else 12.0
            key = f"{part.ref}>{cover.ref}"
            g = per_area * part.w * part.h * 1e-6 * self.spread.coupling.get(key, 1.0)
            self.links.join(np.array(self.top_node[part.ref]), np.array(self.heat_node[cover.ref]), np.array(g))
            self.area[self.top_node[part.ref] - self.first] *= 0.05
