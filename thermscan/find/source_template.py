"""What one watt at a place would look like: templates of sources on the fitting grid."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from scipy.special import erf

from thermscan.find.source_data import FitData
from thermscan.model.board import Board, Part
from thermscan.model.settings import SourceSettings
from thermscan.model.surface import Surface, find_surface
from thermscan.physics.material import body_j_per_cm3_k
from thermscan.physics.plate import Plate, cut_into_layers
from thermscan.physics.plate_response import (
    Package,
    PlateResponse,
    Rectangle,
    blurred_cosines,
    body_coefficients,
    flow_from_packages,
    superpose,
)

DEPTHS = ("surface", "under_part", "far_side")
# Contact resistance times footprint, K mm2/W: leadless ceramic parts lie near the low end, leaded packages near the
# high end (order of magnitude from theta_JB values of data sheets, from memory), so all are tried for every part.
CONTACT_K_MM2_PER_W = (40.0, 130.0, 400.0, 1200.0)
TALL_CONTACT_K_MM2_PER_W = (130.0, 400.0, 1200.0, 3600.0)  # cans, windings and housings that stand on leads
CAPACITY_FACTORS = (0.6, 1.4)
# Lag of the top over that of heat through the mould above the die, ``(share h)^2 / (2 a)``, besides none for bare dies
# and ceramics; windings, foils and contacts lie as deep in tall bodies. The die lies below the middle; a = 0.37 mm2/s
# is 0.7 W/(m K) over 1.9 J/(cm3 K), handbook values of moulding compound.
TOP_LAGS = (0.4, 1.2)
ABOVE_DIE = 0.6
MOULD_MM2_PER_S = 0.37
TALL_MM = 2.0  # from here on a body of any kind shows at its top only later what happens in it
LEAST_COVER = 0.05  # share of a cell that a body must cover to count
NO_MOULD_KINDS = ("capacitor", "resistor", "inductor", "fuse", "crystal")


@dataclass(frozen=True)
class Place:
    """Where heat may be made: a part's body or a free spot.

    ``part`` is None for a free spot of standard deviation ``size_mm``.
    """

    x_mm: float
    y_mm: float
    part: Part | None = None
    size_mm: float = 0.7

    def points_mm(self, *, count: int = 5) -> tuple[np.ndarray, float]:
        """Return points (n, 2) that stand for the body, and the spread of each, mm."""
        if self.part is None:
            return np.array([[self.x_mm, self.y_mm]]), self.size_mm
        turn = np.radians(self.part.rotation)
        c, s = np.cos(turn), np.sin(turn)
        share = (np.arange(count) + 0.5) / count - 0.5
        u, v = np.meshgrid(share * self.part.w, share * self.part.h)
        x = self.x_mm + c * u.ravel() - s * v.ravel()
        y = self.y_mm + s * u.ravel() + c * v.ravel()
        return np.column_stack([x, y]), float(np.sqrt(self.part.w * self.part.h) / count / np.sqrt(12))


@dataclass(frozen=True)
class Option:
    """One way in which a source at a place may reach the camera.

    ``conductance`` is the plate's in-plane conductance, W/K; ``inner_share`` the copper in inner planes; ``through``
    the factor that vias put on the conduction through the board; ``package`` None where the heat enters the board
    directly.
    """

    conductance: float
    inner_share: float
    through: float = 1.0
    depth: str = "surface"
    package: Package | None = None
    log_prior: float = 0.0


def packages_of(part: Part, settings: SourceSettings, *, lags: tuple[float, ...] = TOP_LAGS) -> tuple[Package, ...]:
    """Return the packages to be tried for a part: contact resistances times heat capacities times lags of the top.

    A body of unknown height is as high as a share of its smaller side.
    """
    area = max(part.w * part.h, 0.2)
    height = part.body_height_mm(settings.body_height_share)
    density = body_j_per_cm3_k(part.kind, settings.body_j_per_cm3_k)
    heat = max(area * height, 0.05) * density * 1e-3
    through = (ABOVE_DIE * height) ** 2 / (2 * MOULD_MM2_PER_S)
    bodies = [(heat * f, 0.0) for f in CAPACITY_FACTORS]
    if (part.kind not in NO_MOULD_KINDS or height >= TALL_MM) and through >= settings.least_lag_s:
        bodies += [(heat, f * through) for f in lags]
    contacts = TALL_CONTACT_K_MM2_PER_W if height >= TALL_MM else CONTACT_K_MM2_PER_W
    return tuple(Package(r / area, c, top) for r in contacts for c, top in bodies)


def body_cover(place: Place, data: FitData) -> np.ndarray:
    """Return how much of what each cell sees is the place's body, ndarray (rows, columns), 0 to 1."""
    part = place.part
    if part is None:
        return np.zeros(data.grid.shape)
    points = data.grid.points_mm()
    turn = np.radians(part.rotation)
    dx, dy = points[..., 0] - place.x_mm, points[..., 1] - place.y_mm
    along, across = np.cos(turn) * dx + np.sin(turn) * dy, -np.sin(turn) * dx + np.cos(turn) * dy
    width = max(data.blur_mm, 0.05) * np.sqrt(2)

    def edge(at: np.ndarray, size: float) -> np.ndarray:
        return (erf((at + size / 2) / width) - erf((at - size / 2) / width)) / 2

    return edge(along, part.w) * edge(across, part.h)


def follow_lag_s(part: Part, settings: SourceSettings) -> float:
    """Return how late the top of an idle body follows the board under it, s: through its contact and its own height.

    The contact is the middle of those that are tried for a source in it.
    """
    height = part.body_height_mm(settings.body_height_share)
    contacts = TALL_CONTACT_K_MM2_PER_W if height >= TALL_MM else CONTACT_K_MM2_PER_W
    density = body_j_per_cm3_k(part.kind, settings.body_j_per_cm3_k)
    inside = 0.0 if part.kind in NO_MOULD_KINDS else (ABOVE_DIE * height) ** 2 / (2 * MOULD_MM2_PER_S)
    return float(np.sqrt(contacts[0] * contacts[-1]) * height * density * 1e-3) + inside


def followers(
    data: FitData, board: Board, side: str, settings: SourceSettings
) -> tuple[tuple[float, np.ndarray, np.ndarray], ...]:
    """Return the idle bodies on the seen side that show the board's heat late, grouped by lag.

    Returns
    -------
    tuple of (lag, s; cells, ndarray of int; cover, ndarray of float, 0 to 1)
        Lags are rounded to powers of two.
    """
    groups: dict[float, np.ndarray] = {}
    for part in board.parts_on(side):
        lag = follow_lag_s(part, settings)
        if not part.fitted or lag < settings.least_lag_s:
            continue
        rounded = float(2.0 ** np.round(np.log2(lag)))
        cover = body_cover(Place(part.x, part.y, part), data)
        groups[rounded] = groups.get(rounded, 0.0) + cover
    out = []
    for lag, cover in sorted(groups.items()):
        cells = np.flatnonzero(cover > LEAST_COVER)
        if cells.size:
            out.append((lag, cells, np.minimum(cover.ravel()[cells], 1.0)))
    return tuple(out)


@dataclass
class TemplateMaker:
    """Makes templates, keeping the plate tables it has built.

    Attributes
    ----------
    data : FitData
    plate : Plate
    board : Board
    side : str
    settings : SourceSettings
    surfaces : tuple of Surface
        Bodies of a known surface show their heat by their own emissivity.
    """

    data: FitData
    plate: Plate
    board: Board
    side: str
    settings: SourceSettings
    surfaces: tuple[Surface, ...] = ()
    _tables: dict[tuple[float, float, float, int], PlateResponse] = field(default_factory=dict, init=False)
    _covers: dict[Place, np.ndarray] = field(default_factory=dict, init=False, repr=False)
    _lags: dict[float, np.ndarray] = field(default_factory=dict, init=False, repr=False)

    def __post_init__(self) -> None:
        finest = max(self.settings.finest_mm, 0.75 * self.data.grid.step_mm, 0.8 * self.data.blur_mm)
        self.rectangle = Rectangle.for_box(self.board.box_mm, finest)
        grid = self.data.grid
        x = grid.x0_mm + grid.step_mm * np.arange(grid.columns)
        y = grid.y0_mm + grid.step_mm * np.arange(grid.rows)
        self.eyes = blurred_cosines(self.rectangle, x, y, self.data.blur_mm)
        self.step_s = float(self.data.clock_s[1])
        self.binning = self.data.binning
        unit = np.eye(len(self.data.clock_s))
        self.followers = tuple(
            ((self._lagging(lag_s) - unit).astype(np.float32), cells, cover)
            for lag_s, cells, cover in followers(self.data, self.board, self.side, self.settings)
        )

    def response(self, option: Option) -> PlateResponse:
        """Return the plate's table for an option."""
        made = -1 if option.depth == "far_side" else 0
        key = (round(option.conductance, 9), option.inner_share, option.through, made)
        if key not in self._tables:
            plate = replace(self.plate, through_w_per_mm_k=self.plate.through_w_per_mm_k * option.through)
            layers = cut_into_layers(plate, conductance_w_per_k=option.conductance, inner_share=option.inner_share)
            self._tables[key] = PlateResponse.of(layers, self.rectangle, self.data.clock_s, made_in=made)
        return self._tables[key]

    def templates(self, place: Place, options: tuple[Option, ...], *, bare: bool = False) -> np.ndarray:
        """Return the rise per watt for several options of one plate and one heated face.

        Options of depth surface and under_part may be mixed; far_side stands alone. Bodies around show the board's
        heat late, unless ``bare``.

        Returns
        -------
        ndarray of shape (options, bins, rows, columns), K/W
        """
        table = self.response(options[0])
        points, spread = place.points_mm()
        body = body_coefficients(self.rectangle, points, spread)
        steps = table.over_cells(body, self.eyes)
        under = table.at_body(body)
        flows = self._flows(options, under)
        kernels = [np.eye(len(under)) if f is None else superpose(f) for f in flows]
        flat = steps.reshape(len(steps), -1)
        mixing = np.concatenate([self.binning @ k for k in kernels]).astype(flat.dtype)
        out = mixing @ flat
        if self.followers and not bare:
            self._follow(out, flat, mixing, place)
        out = out.reshape(len(options), len(self.binning), *steps.shape[1:])
        if place.part is not None and place.part.side == self.side and options[0].depth != "far_side":
            self._add_body(out, place, options, flows, kernels, under)
        if self.data.shown is not None and not bare:
            out *= self.data.shown
        return out

    def _follow(self, out: np.ndarray, flat: np.ndarray, mixing: np.ndarray, place: Place) -> None:
        """Let the bodies around, not the place's own, follow the board under them."""
        own = 1 - self._cover(place).ravel()
        for late, cells, cover in self.followers:
            out[:, cells] += mixing @ (late @ flat[:, cells] * (cover * own[cells]).astype(flat.dtype))

    def _flows(self, options: tuple[Option, ...], under: np.ndarray) -> list[np.ndarray | None]:
        """Return the flow into the board for each option; None for a plain step."""
        inside = [o.package for o in options if o.package is not None and o.depth != "under_part"]
        solved = iter(flow_from_packages(under, self.step_s, tuple(inside))) if inside else iter(())
        return [None if o.package is None or o.depth == "under_part" else next(solved) for o in options]

    def _add_body(
        self,
        out: np.ndarray,
        place: Place,
        options: tuple[Option, ...],
        flows: list[np.ndarray | None],
        kernels: list[np.ndarray],
        under: np.ndarray,
    ) -> None:
        """Show the body's own temperature where it hides the board."""
        cover = self._cover(place)
        surface = find_surface(place.part.seen_surface, self.surfaces)
        shown = 1.0 if surface is None else surface.emissivity / self.settings.emissivity
        small = min(place.part.w, place.part.h) < 6.0
        for i, option in enumerate(options):
            if option.package is None:
                continue
            if option.depth == "under_part":
                follow = superpose(-np.expm1(-self.data.clock_s / max(option.package.lag_s, 1e-3)))
                seen = self.binning @ (follow @ under)
                out[i] = (1 - cover) * out[i] + cover * shown * seen[:, None, None]
                continue
            lag = self._lagging(option.package.top_lag_s)
            own = self.binning @ (lag @ (option.package.resistance_k_per_w * flows[i]))
            base = (self.binning @ (lag @ (kernels[i] @ under)))[:, None, None] if small else out[i]
            out[i] = (1 - cover) * out[i] + cover * shown * (base + own[:, None, None])

    def _cover(self, place: Place) -> np.ndarray:
        """Return what each cell sees of the place's body, ndarray (rows, columns), kept for the next plate."""
        if place not in self._covers:
            self._covers[place] = body_cover(place, self.data)
        return self._covers[place]

    def _lagging(self, lag_s: float) -> np.ndarray:
        """Return the matrix (times, times) that lets a course follow with a lag, kept for the next plate."""
        if lag_s not in self._lags:
            clock = self.data.clock_s
            follow = np.eye(len(clock)) if lag_s <= 0 else superpose(-np.expm1(-clock / lag_s))
            self._lags[lag_s] = follow
        return self._lags[lag_s]
