"""The board in millimetres: outline, holes, parts, nets and rails, seen from the top side."""

from __future__ import annotations

import hashlib
import math
import re
from dataclasses import dataclass, field

import numpy as np

from thermscan.model.errors import InputError

KINDS = (
    "capacitor",
    "resistor",
    "inductor",
    "diode",
    "transistor",
    "regulator",
    "chip",
    "memory",
    "crystal",
    "fuse",
    "connector",
    "transformer",
    "module",
    "shield",
    "heatsink",
    "other",
)
SIDES = ("top", "bottom")
# Refdes letters to kind: common practice, no source.
KIND_OF_LETTERS = {
    "R": "resistor",
    "C": "capacitor",
    "L": "inductor",
    "D": "diode",
    "Q": "transistor",
    "U": "chip",
    "F": "fuse",
    "J": "connector",
    "Y": "crystal",
}


def kind_from_refdes(ref: str) -> str:
    """Guess the kind of a part from the letters of its refdes (common practice, no source)."""
    letters = re.match(r"[A-Za-z]*", ref)
    return KIND_OF_LETTERS.get(letters.group().upper() if letters else "", "other")


@dataclass(frozen=True)
class Hole:
    """A drilled hole: centre and diameter, mm."""

    x: float
    y: float
    d: float


# Shields are stamped from tinned or nickel-plated sheet, which mirrors what stands around: common practice, no source.
USUAL_SURFACE = {"shield": "metal can"}


@dataclass(frozen=True)
class Part:
    """One part: body centre and size in mm, ``w`` x ``h`` before it is turned by ``rotation`` degrees.

    Rotation is anticlockwise seen from the top, for both sides. ``surface`` names an entry of the surface
    table (or None), ``max_c`` its own limit temperature, ``covered_by`` the refdes of a shield or heat sink.
    """

    ref: str
    kind: str = "other"
    x: float = 0.0
    y: float = 0.0
    w: float = 1.0
    h: float = 1.0
    rotation: float = 0.0
    height_mm: float | None = None
    side: str = "top"
    nets: tuple[str, ...] = ()
    surface: str | None = None
    max_c: float | None = None
    covered_by: str | None = None
    fitted: bool = True

    @property
    def seen_surface(self) -> str | None:
        """Surface that a camera sees: the one named, else the usual one of the kind, where that cannot be read."""
        return self.surface or USUAL_SURFACE.get(self.kind)

    def corners_mm(self) -> np.ndarray:
        """Return the four body corners, ndarray (4, 2), mm, anticlockwise."""
        turn = math.radians(self.rotation)
        c, s = math.cos(turn), math.sin(turn)
        half = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * [self.w / 2, self.h / 2]
        return half @ np.array([[c, s], [-s, c]]) + [self.x, self.y]

    def body_height_mm(self, share: float) -> float:
        """Return the height of the body, mm; where it is not stated, that share of the smaller side."""
        return self.height_mm or share * min(self.w, self.h)

    def contains(self, x_mm: np.ndarray, y_mm: np.ndarray, *, margin_mm: float = 0.0) -> np.ndarray:
        """Tell which points lie on the body grown by ``margin_mm``; arrays broadcast, result is boolean."""
        turn = math.radians(self.rotation)
        c, s = math.cos(turn), math.sin(turn)
        dx, dy = np.asarray(x_mm) - self.x, np.asarray(y_mm) - self.y
        along, across = c * dx + s * dy, -s * dx + c * dy
        return (np.abs(along) <= self.w / 2 + margin_mm) & (np.abs(across) <= self.h / 2 + margin_mm)


@dataclass(frozen=True)
class Rail:
    """A supply net: nominal volts, tolerance, the part that makes it and the net it is made from."""

    net: str
    volts: float | None = None
    tolerance_percent: float = 5.0  # common practice, no source
    made_by: str | None = None
    from_net: str | None = None


@dataclass(frozen=True)
class Board:
    """A board type.

    Attributes
    ----------
    name : str
    outline_mm : ndarray of shape (corners, 2), mm
        Simple polygon, not repeated at the end, x right, y up, seen from the top.
    thickness_mm : float or None
    holes, parts, rails : tuples of Hole, Part, Rail
    outline_is_size_only : bool
        True where only ``--size`` was given.
    """

    name: str
    outline_mm: np.ndarray
    thickness_mm: float | None = None
    holes: tuple[Hole, ...] = ()
    parts: tuple[Part, ...] = ()
    rails: tuple[Rail, ...] = ()
    outline_is_size_only: bool = False
    warnings: tuple[str, ...] = field(default=())

    def __post_init__(self) -> None:
        outline = np.array(self.outline_mm, dtype=float)
        outline.setflags(write=False)
        object.__setattr__(self, "outline_mm", outline)

    @classmethod
    def rectangle(cls, width_mm: float, height_mm: float, *, name: str = "board given by its size") -> Board:
        """Make a board that is only a rectangle with its lower left corner at (0, 0)."""
        corners = np.array([[0, 0], [width_mm, 0], [width_mm, height_mm], [0, height_mm]], dtype=float)
        return cls(name=name, outline_mm=corners, outline_is_size_only=True)

    @property
    def box_mm(self) -> tuple[float, float, float, float]:
        """Bounding box of the outline: x_min, y_min, x_max, y_max, mm."""
        low, high = self.outline_mm.min(axis=0), self.outline_mm.max(axis=0)
        return float(low[0]), float(low[1]), float(high[0]), float(high[1])

    def parts_on(self, side: str) -> tuple[Part, ...]:
        """Return the fitted parts of one side."""
        return tuple(p for p in self.parts if p.side == side and p.fitted)

    def part(self, ref: str) -> Part:
        """Return the part with this refdes; raises KeyError where there is none."""
        for part in self.parts:
            if part.ref == ref:
                return part
        raise KeyError(ref)

    def nets(self) -> tuple[str, ...]:
        """Return all net names in order of first use by a part, then by a rail."""
        names = [n for p in self.parts for n in p.nets] + [r.net for r in self.rails]
        return tuple(dict.fromkeys(names))

    def inside(self, x_mm: np.ndarray, y_mm: np.ndarray) -> np.ndarray:
        """Tell which points lie inside the outline (even-odd rule); arrays broadcast, result is boolean."""
        x, y = np.broadcast_arrays(np.asarray(x_mm, float), np.asarray(y_mm, float))
        inside = np.zeros(x.shape, dtype=bool)
        ends = np.roll(self.outline_mm, -1, axis=0)
        for (x1, y1), (x2, y2) in zip(self.outline_mm, ends, strict=True):
            if y1 == y2:
                continue
            crosses = (y1 > y) != (y2 > y)
            inside ^= crosses & (x < (x2 - x1) * (y - y1) / (y2 - y1) + x1)
        return inside


def outline_hash(board: Board) -> str:
    """Return the SHA-256 of the outline rounded to a micrometre, whichever corner and way round it is listed."""
    corners = [(int(x), int(y)) for x, y in np.rint(board.outline_mm * 1000.0)]
    start = corners.index(min(corners))
    onward = corners[start:] + corners[:start]
    back = onward[:1] + onward[:0:-1]
    return hashlib.sha256(str(min(onward, back)).encode()).hexdigest()


def is_self_crossing(outline_mm: np.ndarray) -> bool:
    """Tell whether two edges of a closed polygon, ndarray (corners, 2), cross or touch away from a shared corner."""
    points = np.asarray(outline_mm, float)
    n = len(points)
    for i in range(n):
        for j in range(i + 2, n):
            if (j + 1) % n != i and _meet(points[i], points[(i + 1) % n], points[j], points[(j + 1) % n]):
                return True
    return False


def _meet(a: np.ndarray, b: np.ndarray, c: np.ndarray, d: np.ndarray) -> bool:
    """Tell whether the closed segments a-b and c-d share a point; on one line they do only where they overlap."""

    def turn(p: np.ndarray, q: np.ndarray, r: np.ndarray) -> float:
        return float((q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0]))

    boxes_meet = bool((np.minimum(a, b) <= np.maximum(c, d)).all() and (np.minimum(c, d) <= np.maximum(a, b)).all())
    return boxes_meet and turn(a, b, c) * turn(a, b, d) <= 0 and turn(c, d, a) * turn(c, d, b) <= 0


def check_board(board: Board, *, path: str) -> Board:
    """Return the board if its outline and names make sense, else raise InputError.

    Refused: fewer than three corners, an outline that crosses itself or has no area, the same refdes twice
    and a body that does not touch the outline's bounding box. A body that overhangs the outline is normal.
    """
    outline = board.outline_mm
    if outline.ndim != 2 or outline.shape[1] != 2 or len(outline) < 3:
        raise InputError(path, "outline_mm", "needs three corners or more", "give a list of [x, y] in mm")
    if not np.isfinite(outline).all():
        raise InputError(path, "outline_mm", "a corner is not a finite number", "give plain numbers in mm")
    x, y = outline.T
    area = 0.5 * abs(float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))))
    if is_self_crossing(outline):
        raise InputError(path, "outline_mm", "the outline crosses itself", "list the corners in order, each once")
    if area < 1.0:
        raise InputError(path, "outline_mm", f"encloses only {area:.3g} mm2", "corners are in mm; check the unit")
    seen: set[str] = set()
    x0, y0, x1, y1 = board.box_mm
    for part in board.parts:
        if part.ref in seen:
            raise InputError(path, f"part {part.ref}", "this refdes stands twice", "give each part its own refdes")
        seen.add(part.ref)
        low, high = part.corners_mm().min(axis=0), part.corners_mm().max(axis=0)
        if high[0] < x0 or low[0] > x1 or high[1] < y0 or low[1] > y1:
            raise InputError(
                path,
                f"part {part.ref}",
                "its body does not touch the board outline",
                "check x and y: millimetres, same origin as the outline, seen from the top",
            )
    return board
