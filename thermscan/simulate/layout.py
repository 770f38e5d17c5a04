"""Invented boards: outline, holes, parts of all kinds with nets, rails and who makes them."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from thermscan.model.board import Board, Hole, Part, Rail
from thermscan.simulate.options import CaseOptions

# Body sizes in mm (w, h, height), usual case sizes of general catalogues.
SIZES = {
    "capacitor": ((1.0, 0.5, 0.5), (1.6, 0.8, 0.8), (2.0, 1.25, 1.2), (3.2, 1.6, 1.6), (6.6, 6.6, 7.7)),
    "resistor": ((1.0, 0.5, 0.35), (1.6, 0.8, 0.45), (2.0, 1.25, 0.55), (3.2, 1.6, 0.6), (6.3, 3.2, 0.6)),
    "inductor": ((2.5, 2.0, 1.2), (4.0, 4.0, 2.0), (6.0, 6.0, 3.0), (10.0, 10.0, 4.5)),
    "diode": ((2.7, 1.6, 1.1), (4.3, 2.6, 2.2), (6.9, 5.9, 2.3)),
    "transistor": ((2.9, 1.3, 1.0), (5.0, 6.0, 1.0), (6.5, 6.1, 2.3)),
    "regulator": ((2.9, 1.6, 1.1), (3.0, 3.0, 0.9), (4.9, 3.9, 1.6), (6.5, 6.1, 2.3)),
    "chip": ((3.0, 3.0, 0.9), (4.9, 3.9, 1.6), (5.0, 5.0, 0.9), (7.0, 7.0, 1.2), (10.0, 10.0, 1.4), (15.0, 15.0, 1.5)),
    "memory": ((4.9, 3.9, 1.6), (8.0, 6.0, 1.0), (9.0, 13.0, 1.1)),
    "crystal": ((3.2, 2.5, 0.8), (11.4, 4.7, 4.0)),
    "fuse": ((3.2, 1.6, 0.7), (6.1, 2.7, 2.5)),
    "connector": ((5.0, 7.0, 6.0), (7.5, 10.0, 9.0), (12.0, 8.0, 10.0), (20.0, 8.0, 9.0)),
    "transformer": ((13.0, 14.0, 11.0), (20.0, 18.0, 14.0)),
    "module": ((16.0, 14.0, 2.6), (22.0, 16.0, 3.2)),
    "shield": ((14.0, 12.0, 2.5), (20.0, 16.0, 3.0)),
    "heatsink": ((14.0, 14.0, 9.0), (20.0, 20.0, 12.0)),
    "other": ((6.0, 4.0, 3.0), (10.0, 6.0, 5.0)),
}
SURFACES = {
    "capacitor": "ceramic",
    "resistor": "resistor_glaze",
    "inductor": "ferrite",
    "crystal": "bare_metal",
    "fuse": "ceramic",
    "connector": "plastic",
    "transformer": "ferrite",
    "module": "shiny_metal",
    "shield": "shiny_metal",
    "heatsink": "anodised",
    "other": "plastic",
}
LETTERS = {
    "capacitor": "C",
    "resistor": "R",
    "inductor": "L",
    "diode": "D",
    "transistor": "Q",
    "regulator": "U",
    "chip": "U",
    "memory": "U",
    "crystal": "Y",
    "fuse": "F",
    "connector": "J",
    "transformer": "T",
    "module": "M",
    "shield": "SH",
    "heatsink": "HS",
    "other": "X",
}
# Lower rails in the order in which a board grows them: net, volts.
LOWER_RAILS = (("+5V", 5.0), ("+3V3", 3.3), ("+1V8", 1.8), ("+1V1", 1.1), ("+2V5", 2.5))
GAP_MM = 0.5


@dataclass
class _Sheet:
    """Parts placed so far."""

    outline: Board
    random: np.random.Generator
    parts: list[Part] = field(default_factory=list)
    counts: dict[str, int] = field(default_factory=dict)

    def next_ref(self, kind: str) -> str:
        letters = LETTERS[kind]
        self.counts[letters] = self.counts.get(letters, 0) + 1
        return f"{letters}{self.counts[letters]}"

    def fits(self, part: Part, *, overhang: bool) -> bool:
        corners = part.corners_mm()
        if not overhang and not self.outline.inside(corners[:, 0], corners[:, 1]).all():
            return False
        if overhang and not bool(self.outline.inside(part.x, part.y)):
            return False
        low, high = corners.min(axis=0) - GAP_MM, corners.max(axis=0) + GAP_MM
        for hole in self.outline.holes:
            near = np.clip([hole.x, hole.y], low, high)
            if np.hypot(near[0] - hole.x, near[1] - hole.y) < hole.d / 2 + 1.0:
                return False
        for other in self.parts:
            if other.side != part.side:
                continue
            there = other.corners_mm()
            if (low < there.max(axis=0)).all() and (high > there.min(axis=0)).all():
                return False
        return True

    def place(self, part: Part, *, near: tuple[float, float] | None, spread_mm: float) -> Part | None:
        """Find a free place for a part, close to ``near`` where given; None if the sheet is full."""
        x0, y0, x1, y1 = self.outline.box_mm
        overhang = part.kind == "connector"
        for trial in range(60):
            if overhang:
                x, y = self._edge_place(part)
            elif near is not None and trial < 40:
                x, y = self.random.normal(near, spread_mm * (1 + trial / 20))
            else:
                x, y = self.random.uniform((x0, y0), (x1, y1))
            turn = float(self.random.choice([0.0, 90.0, 180.0, 270.0]))
            if self.random.random() < 0.03:
                turn = 45.0
            moved = replace(part, x=round(float(x), 2), y=round(float(y), 2), rotation=turn)
            if self.fits(moved, overhang=overhang):
                self.parts.append(moved)
                return moved
        return None

    def _edge_place(self, part: Part) -> tuple[float, float]:
        x0, y0, x1, y1 = self.outline.box_mm
        inset = part.h / 2 - self.random.uniform(0.0, 1.5)
        along = self.random.uniform(0.1, 0.9)
        edge = self.random.integers(4)
        if edge < 2:
            return x0 + along * (x1 - x0), (y0 + inset if edge == 0 else y1 - inset)
        return (x0 + inset if edge == 2 else x1 - inset), y0 + along * (y1 - y0)


def draw_outline(random: np.random.Generator, options: CaseOptions) -> Board:
    """Draw an empty board: rectangular, with a notch or with cut corners, and its holes."""
    small = min(random.random(), random.random())  # small boards are more common
    (w0, w1), (h0, h1) = options.board_mm or ((25.0, 160.0), (20.0, 110.0))
    width = float(np.round(w0 + small * (w1 - w0) + random.uniform(0, 0.1) * (w1 - w0), 1))
    width = min(width, w1)
    height = float(np.round(np.clip(width * random.uniform(0.55, 0.95), h0, h1), 1))
    corners = [(0.0, 0.0), (width, 0.0), (width, height), (0.0, height)]
    shape = random.random()
    if shape > 0.85:  # a notch in one edge
        a, b = sorted(random.uniform(0.25, 0.75, 2) * width)
        depth = random.uniform(0.1, 0.25) * height
        if b - a > 4.0:
            corners = [(0, 0), (a, 0), (a, depth), (b, depth), (b, 0), (width, 0), (width, height), (0, height)]
    elif shape > 0.75:  # one corner cut off
        cut = random.uniform(0.12, 0.25) * height
        corners = [(0, 0), (width - cut, 0), (width, cut), (width, height), (0, height)]
    holes: list[Hole] = []
    if min(width, height) > 30 and random.random() < 0.8:
        inset, d = 3.5, float(random.choice([2.7, 3.2, 4.3]))
        places = [(inset, inset), (width - inset, inset), (width - inset, height - inset), (inset, height - inset)]
        holes = [Hole(x, y, d) for x, y in places[: int(random.choice([2, 3, 4, 4]))]]
    thickness = float(random.choice([0.8, 1.0, 1.6, 1.6, 1.6, 2.0]))
    bare = Board("made board (invented)", np.round(np.array(corners, float), 2), thickness, tuple(holes))
    inside = [h for h in holes if bool(bare.inside(h.x, h.y)) and _clear_of_edge(bare, h)]
    return replace(bare, holes=tuple(inside))


def _clear_of_edge(board: Board, hole: Hole) -> bool:
    turn = np.linspace(0, 2 * np.pi, 16, endpoint=False)
    reach = hole.d / 2 + 0.5
    return bool(board.inside(hole.x + reach * np.cos(turn), hole.y + reach * np.sin(turn)).all())


def _new_part(sheet: _Sheet, kind: str, nets: tuple[str, ...], *, largest_mm: float, side: str = "top") -> Part:
    random = sheet.random
    sizes = [s for s in SIZES[kind] if max(s[0], s[1]) <= largest_mm] or [SIZES[kind][0]]
    w, h, tall = sizes[int(random.integers(len(sizes)))]
    limit = {"capacitor": 85.0, "chip": 95.0, "regulator": 125.0, "memory": 85.0, "transistor": 150.0}.get(kind)
    surface = SURFACES.get(kind, "mold")
    if kind in ("transistor", "diode", "chip") and random.random() < 0.07:
        surface = "bare_metal"
    if kind == "capacitor" and w > 5:
        surface = "bare_metal" if random.random() < 0.6 else "sleeve"
    return Part(
        sheet.next_ref(kind), kind, 0, 0, w, h, height_mm=tall, side=side, nets=nets, surface=surface, max_c=limit
    )


def draw_board(random: np.random.Generator, options: CaseOptions) -> Board:
    """Draw a whole board.

    Parameters
    ----------
    random : numpy Generator
    options : CaseOptions
        Uses ``board_mm`` and ``parts``.

    Returns
    -------
    Board
        8 to 80 parts by area, a power tree in ``rails``, most parts on top.
    """
    outline = draw_outline(random, options)
    x0, y0, x1, y1 = outline.box_mm
    area = (x1 - x0) * (y1 - y0)
    low, high = options.parts or (8, 80)
    wanted = int(np.clip(area / random.uniform(80, 160), low, high))
    sheet = _Sheet(outline, random)
    largest = 0.4 * min(x1 - x0, y1 - y0)
    rails = _draw_supply(sheet, wanted, largest)
    _draw_loads(sheet, rails, wanted, largest)
    _draw_covers(sheet, largest)
    return replace(outline, parts=tuple(sheet.parts), rails=tuple(rails))


def _draw_supply(sheet: _Sheet, wanted: int, largest: float) -> list[Rail]:
    """Place the inlet and the regulators with their coils and capacitors; return the rails."""
    random = sheet.random
    inlet, volts = (
        ("+5V", 5.0) if random.random() < 0.3 else (("+12V", 12.0) if random.random() < 0.7 else ("+24V", 24.0))
    )
    plug = sheet.place(_new_part(sheet, "connector", (inlet, "GND"), largest_mm=largest), near=None, spread_mm=0)
    rails = [Rail(inlet, volts, 5.0, plug.ref if plug else None, None)]
    if plug is not None and random.random() < 0.5:
        fuse = _new_part(sheet, "fuse", (inlet, inlet), largest_mm=largest)
        sheet.place(fuse, near=(plug.x, plug.y), spread_mm=6)
    lower = [r for r in LOWER_RAILS if r[1] < volts][: int(np.clip(wanted // 9, 1, 4))]
    for net, value in lower:
        source = rails[int(random.integers(len(rails)))] if random.random() < 0.5 else rails[0]
        maker = _new_part(sheet, "regulator", (source.net, net, "GND"), largest_mm=largest)
        near = None if plug is None else (plug.x, plug.y)
        maker = sheet.place(maker, near=near, spread_mm=0.3 * max(sheet.outline.box_mm[2:]))
        if maker is None:
            continue
        rails.append(Rail(net, value, 5.0, maker.ref, source.net))
        if source.volts and value / source.volts < 0.75 and random.random() < 0.8:
            coil = _new_part(sheet, "inductor", (f"SW_{maker.ref}", net), largest_mm=largest)
            sheet.place(coil, near=(maker.x, maker.y), spread_mm=6)
        for where in (source.net, net):
            cap = _new_part(sheet, "capacitor", (where, "GND"), largest_mm=largest)
            sheet.place(cap, near=(maker.x, maker.y), spread_mm=5)
    return rails


def _draw_loads(sheet: _Sheet, rails: list[Rail], wanted: int, largest: float) -> None:
    """Fill the board with chips, their capacitors and everything else."""
    random = sheet.random
    kinds = ["chip", "capacitor", "resistor", "diode", "transistor", "memory", "connector", "crystal", "inductor"]
    kinds += ["module", "transformer", "other", "fuse"]
    weights = np.array([10, 34, 24, 5, 5, 3, 4, 2, 2, 1.0, 0.7, 1, 1])
    failures = 0
    while len(sheet.parts) < wanted and failures < 25:
        kind = str(random.choice(kinds, p=weights / weights.sum()))
        rail = rails[int(random.integers(len(rails)))].net
        chips = [p for p in sheet.parts if p.kind in ("chip", "memory", "module")]
        side = "bottom" if kind in ("capacitor", "resistor", "diode") and random.random() < 0.15 else "top"
        near = None
        nets = (rail, "GND")
        if kind == "capacitor" and chips and random.random() < 0.8:
            host = chips[int(random.integers(len(chips)))]
            near, nets = (host.x, host.y), (host.nets[0], "GND")
        if kind == "resistor" and random.random() < 0.6:
            nets = (rail, f"N{int(random.integers(1, 200))}")
        if kind in ("chip", "memory", "module") and random.random() < 0.4:
            second = rails[int(random.integers(len(rails)))].net
            nets = tuple(dict.fromkeys((rail, second, "GND")))
        part = _new_part(sheet, kind, nets, largest_mm=largest, side=side)
        if sheet.place(part, near=near, spread_mm=7) is None:
            sheet.counts[LETTERS[kind]] -= 1
            failures += 1


def _draw_covers(sheet: _Sheet, largest: float) -> None:
    """Put a shield or a heat sink over a chip on some boards."""
    random = sheet.random
    if random.random() > 0.25:
        return
    hosts = [p for p in sheet.parts if p.kind in ("chip", "memory", "regulator") and p.side == "top"]
    if not hosts:
        return
    host = hosts[int(random.integers(len(hosts)))]
    kind = "shield" if random.random() < 0.5 else "heatsink"
    grow = 3.0 if kind == "shield" else 0.0
    w, h = max(host.w + grow, 6.0), max(host.h + grow, 6.0)
    if max(w, h) > largest:
        return
    tall = 2.5 if kind == "shield" else 8.0
    cover = Part(
        sheet.next_ref(kind),
        kind,
        host.x,
        host.y,
        w,
        h,
        host.rotation,
        tall + (host.height_mm or 1.0) * (kind != "shield"),
        "top",
        (),
        SURFACES[kind] if random.random() < 0.5 or kind == "shield" else "bare_metal",
    )
    covered = [
        replace(p, covered_by=cover.ref) if p.side == "top" and bool(cover.contains(p.x, p.y)) else p
        for p in sheet.parts
    ]
    sheet.parts[:] = [*covered, cover]


def shake_board(board: Board, random: np.random.Generator, *, tolerance_mm: float = 0.1) -> Board:
    """Return the board as it was really made: bodies shifted, turned and sized off by the tolerance (one sigma).

    The outline's corners move by half of it, holes stay.
    """

    def shake(part: Part) -> Part:
        dx, dy, dw, dh = random.normal(0, tolerance_mm, 4)
        return replace(
            part,
            x=part.x + dx,
            y=part.y + dy,
            w=max(0.5 * part.w, part.w + dw / 2),
            h=max(0.5 * part.h, part.h + dh / 2),
            rotation=part.rotation + random.normal(0, 0.7),
        )

    outline = board.outline_mm + random.normal(0, tolerance_mm / 2, board.outline_mm.shape)
    return replace(board, outline_mm=outline, parts=tuple(shake(p) for p in board.parts))
