"""Made boards for the explaining stage: a small plate with lumps on it, solved by explicit steps.

Written apart from the package's own heat models: square cells, one lump a part, its own coupling and capacity drawn
per part. Good boards differ by a tenth in the power of each part. Board, parts and faults are invented.
"""

from dataclasses import dataclass, replace

import numpy as np
import pytest

from thermscan.model.board import Board, Part, Rail
from thermscan.model.evidence import Evidence
from thermscan.model.film import BoardGrid, Excess, Film
from thermscan.model.quantity import Measured
from thermscan.model.result import PartReading

STEP_MM = 2.0
POWER_W = {
    "chip": (0.2, 1.2),
    "memory": (0.1, 0.5),
    "regulator": (0.2, 0.8),
    "inductor": (0.03, 0.15),
    "other": (0, 0),
    "resistor": (0.0, 0.05),
    "capacitor": (0, 0),
    "connector": (0.005, 0.02),
    "fuse": (0.01, 0.04),
}


def draw_made_board(random):
    """Return an invented board of 70 x 50 mm with three rails."""
    rails = (
        Rail("+12V", 12.0),
        Rail("+5V", 5.0, 5.0, "U1", "+12V"),
        Rail("+3V3", 3.3, 5.0, "U2", "+5V"),
        Rail("+1V8", 1.8, 5.0, "U3", "+5V"),
    )
    plan = [
        ("J1", "connector", ("+12V_IN", "GND"), 8, 6),
        ("F1", "fuse", ("+12V_IN", "+12V"), 3, 1.6),
        ("U1", "regulator", ("+12V", "+5V", "GND"), 5, 4),
        ("U2", "regulator", ("+5V", "+3V3", "GND"), 4, 3),
        ("U3", "regulator", ("+5V", "+1V8", "GND"), 4, 3),
        ("L1", "inductor", ("SW1", "+5V"), 5, 5),
        ("U4", "chip", ("+3V3", "GND", "A1"), 10, 10),
        ("U5", "chip", ("+1V8", "+3V3", "GND"), 9, 9),
        ("U6", "memory", ("+1V8", "GND"), 8, 6),
        ("U7", "chip", ("+5V", "GND"), 5, 4),
        ("U8", "chip", ("+3V3", "GND"), 4, 4),
    ]
    plan += [
        (f"C{n}", "capacitor", (net, "GND"), 2.0, 1.2) for n, net in enumerate(["+12V", "+5V", "+3V3", "+1V8"] * 4)
    ]
    plan += [(f"R{n}", "resistor", (f"N{n}", "+3V3"), 1.6, 0.8) for n in range(6)]
    parts, taken = [], []
    for ref, kind, nets, w, h in plan:
        for _ in range(400):
            x, y = random.uniform(6, 64), random.uniform(5, 45)
            box = (x - w / 2 - 0.8, y - h / 2 - 0.8, x + w / 2 + 0.8, y + h / 2 + 0.8)
            if all(box[0] > t[2] or box[2] < t[0] or box[1] > t[3] or box[3] < t[1] for t in taken):
                break
        taken.append(box)
        parts.append(Part(ref, kind, x, y, w, h, nets=nets))
    outline = np.array([[0, 0], [70, 0], [70, 50], [0, 50]], float)
    return Board("test plate (invented)", outline, 1.6, parts=tuple(parts), rails=rails)


def _mask(part, points, *, margin):
    inside = part.contains(points[..., 0], points[..., 1], margin_mm=margin)
    if not inside.any():
        inside = np.zeros(inside.shape, bool)
        flat = np.argmin((points[..., 0] - part.x) ** 2 + (points[..., 1] - part.y) ** 2)
        inside.flat[flat] = True
    return inside


def run_plate(board, powers_w, *, places=(), seconds=6.0, frames=24, spreading=5.0, coupling=None):
    """Return board film (frames, rows, columns) and part tops (frames, parts), K above the start."""
    grid = BoardGrid.over(board, STEP_MM)
    points = grid.points_mm()
    spread_over = np.stack([_mask(p, points, margin=0.0).ravel() for p in board.parts], axis=1).astype(float)
    spread_over /= spread_over.sum(axis=0)
    heat = np.zeros(grid.shape)
    lumps = np.zeros(len(board.parts))
    cell_capacity = 1.9e-3 * 1.6 * STEP_MM**2  # J/K: 1.9 MJ/m3K
    conduct = spreading * 1.9e-3 * 1.6  # W/K between neighbouring cells: diffusivity times capacity per area
    areas = np.array([p.w * p.h for p in board.parts])
    capacity = 2.0e-3 * areas
    couple = areas * 6e-3 if coupling is None else coupling
    made = np.zeros(grid.shape)
    for x, y, watts in places:
        r, c = grid.to_cell(x, y)
        made[round(float(r)), round(float(c))] += watts
    step = 0.8 / (4 * conduct / cell_capacity + np.max(couple / capacity))
    steps = max(int(np.ceil(seconds / frames / step)), 1)
    step = seconds / frames / steps
    film, tops = [], []
    for _ in range(frames):
        for _ in range(steps):
            edge = np.pad(heat, 1, mode="edge")
            flow = conduct * (edge[2:, 1:-1] + edge[:-2, 1:-1] + edge[1:-1, 2:] + edge[1:-1, :-2] - 4 * heat)
            passed = couple * (lumps - heat.ravel() @ spread_over)
            flow += made - 20e-6 * STEP_MM**2 * heat + (spread_over @ passed).reshape(grid.shape)
            lumps = lumps + step * (powers_w - passed) / capacity
            heat = heat + step * flow / cell_capacity
        film.append(heat)
        tops.append(lumps)
    return grid, np.array(film), np.array(tops)


@dataclass(frozen=True)
class MadeCase:
    """A board, what was seen, and the truth (``ref`` None for no fault or a bare place)."""

    board: Board
    evidence: Evidence
    word: str
    ref: str | None
    place: tuple[float, float] | None = None


def faulty_powers(board, healthy, random, word):
    """Return powers, extra places, coupling factor per part and the truth of a fault."""
    refs = [p.ref for p in board.parts]
    powers, places, factor = healthy.copy(), [], np.ones(len(refs))
    kinds = {
        "short": ("capacitor",),
        "leak": ("capacitor", "chip"),
        "overload": ("chip", "memory"),
        "joint": ("connector", "fuse"),
        "dead_supply": ("regulator",),
        "open_or_missing": ("chip", "memory"),
        "heat_path": ("chip",),
        "bridge": ("capacitor",),
    }
    if word == "none":
        return powers, places, factor, None, None
    ref = random.choice([p.ref for p in board.parts if p.kind in kinds[word]])
    i, part = refs.index(ref), board.part(ref)
    watts = float(np.exp(random.uniform(np.log(0.08), np.log(1.5))))
    if word == "dead_supply":
        dark = {"U1": "U1 U2 U3 U4 U5 U6 U7 U8 L1", "U2": "U2 U4 U8", "U3": "U3 U5 U6"}[ref].split()
        powers[[refs.index(r) for r in dark]] = 0.0
    elif word == "open_or_missing":
        powers[i] = 0.0
    elif word == "heat_path":
        factor[i] = 0.35
    elif word == "overload":
        powers[i] *= random.uniform(1.6, 3.0)
    elif word == "bridge":
        place = (part.x + part.w / 2 + 1.5, part.y)
        places.append((*place, watts))
        return powers, places, factor, None, place
    else:
        powers[i] += watts
        if word == "short" and random.random() < 0.5:
            maker = {"+12V": None, "+5V": "U1", "+3V3": "U2", "+1V8": "U3"}[part.nets[0]]
            if maker:
                powers[refs.index(maker)] += 0.5 * watts
    return powers, places, factor, ref, None


def make_case(seed, word, *, goods=3, noise_k=0.05, seconds=6.0):
    """Return a MadeCase: faulty board against ``goods`` good ones, perfectly placed."""
    random = np.random.default_rng(seed)
    board = draw_made_board(random)
    base = np.array([random.uniform(*POWER_W[p.kind]) for p in board.parts])
    spreading = float(np.exp(random.uniform(np.log(1.0), np.log(12.0))))
    areas = np.array([p.w * p.h for p in board.parts])
    couple = areas * 6e-3 * np.exp(random.normal(0, 0.3, len(areas)))

    def unit():
        return base * np.exp(random.normal(0, 0.1, len(base)))

    powers, places, factor, ref, place = faulty_powers(board, unit(), random, word)
    runs = [run_plate(board, powers, places=places, spreading=spreading, seconds=seconds, coupling=couple * factor)]
    runs += [run_plate(board, unit(), spreading=spreading, seconds=seconds, coupling=couple) for _ in range(goods)]
    evidence = evidence_of(board, runs, random, noise_k=noise_k, seconds=seconds)
    return MadeCase(board, evidence, word, ref, place)


def _spread(values, mean):
    count = len(values)
    model = 0.05 + 0.1 * np.abs(mean)
    if count < 2:
        return model
    return np.sqrt((4 * model**2 + np.sum((values - mean) ** 2, axis=0)) / (4 + count - 1))


def evidence_of(board, runs, random, *, noise_k, seconds):
    """Difference the first run against the others, per part and as a map."""
    grid = runs[0][0]
    films = [r[1] + random.normal(0, noise_k, r[1].shape) for r in runs]
    tops = [r[2] + random.normal(0, noise_k, r[2].shape) for r in runs]
    count = len(runs) - 1
    own_map, own_tops = np.mean(films[1:], axis=0), np.mean(tops[1:], axis=0)
    factor = np.sqrt(1 + 1 / count)
    frames = len(films[0])
    times = (np.arange(frames) + 1) * seconds / frames
    spread_tops = _spread(np.array(tops[1:]), own_tops) * factor
    spread_map = _spread(np.array(films[1:]), own_map) * factor
    parts = []
    for i, part in enumerate(board.parts):
        excess = tops[0][:, i] - own_tops[:, i]
        error = float(np.hypot(noise_k * factor, spread_tops[-1, i]))
        parts.append(
            PartReading(
                part.ref,
                part.kind,
                "top",
                "like_good",
                Measured.normal(tops[0][-1, i], noise_k),
                Measured.normal(excess[-1], error),
                seconds,
                None,
                None,
                excess[-1] / error,
                9.0,
                excess_course_k=excess,
                noise_course_k=np.full(frames, noise_k * factor),
                spread_course_k=spread_tops[:, i],
                rise_course_k=tops[0][:, i],
            )
        )
    ones = np.ones(grid.shape, bool)
    film = Film(
        grid,
        np.linspace(0, seconds, frames + 1),
        "power_on",
        films[0] + 23,
        np.ones(frames, int),
        None,
        0,
        np.full(grid.shape, noise_k),
        0.5,
        0.0,
        ones,
        ones,
        1.0,
    )
    excess = Excess(
        film,
        films[0] - own_map,
        np.full(films[0].shape, noise_k * factor),
        spread_map,
        "good_boards",
        count,
        own_map,
        "cold_frames",
    )
    return Evidence(tuple(parts), times, excess, good_boards=count)


@pytest.fixture(scope="session")
def made_case():
    """Return the function that makes a case."""
    return make_case


def make_unlisted(seed, *, short_w, maker_w, dark):
    """Return a case whose board file leaves out U2, which makes +3V3, and a capacitor of +3V3 that makes heat.

    U2 makes ``maker_w`` more than on the good boards; the parts ``dark`` make nothing.
    """
    random = np.random.default_rng(seed)
    board = draw_made_board(random)
    base = np.array([random.uniform(*POWER_W[p.kind]) for p in board.parts])
    refs = [p.ref for p in board.parts]
    capacitors = [p.ref for p in board.parts if p.kind == "capacitor" and p.nets[0] == "+3V3"]
    capacitor = capacitors[seed % len(capacitors)]

    def unit():
        return base * np.exp(random.normal(0, 0.1, len(base)))

    powers = unit()
    powers[refs.index(capacitor)] += short_w
    powers[refs.index("U2")] += maker_w
    powers[[refs.index(r) for r in dark]] = 0.0
    runs = [run_plate(board, powers)] + [run_plate(board, unit()) for _ in range(3)]
    evidence = evidence_of(board, runs, random, noise_k=0.05, seconds=6.0)
    listed = replace(board, parts=tuple(p for p in board.parts if p.ref != "U2"), rails=())
    evidence = replace(evidence, parts=tuple(p for p in evidence.parts if p.ref != "U2"))
    return MadeCase(listed, evidence, "short", capacitor)


@pytest.fixture(scope="session")
def made_unlisted():
    """Return the function that makes a case whose maker of +3V3 is not listed."""
    return make_unlisted


def make_switching(seed):
    """Return a case whose 5 V supply is down for a short before its coil: a diode from ground to the switch node."""
    random = np.random.default_rng(seed)
    board = draw_made_board(random)
    ref = next(p.ref for p in board.parts if p.kind == "capacitor" and p.nets[0] == "+5V")
    refs = [p.ref for p in board.parts]
    base = np.array([random.uniform(*POWER_W[p.kind]) for p in board.parts])
    diode = replace(board.part(ref), kind="diode", nets=("GND", "SW1"))
    board = replace(board, parts=tuple(diode if p.ref == ref else p for p in board.parts))
    runs = [base * np.exp(random.normal(0, 0.1, len(base))) for _ in range(4)]
    fed = ["U2", "U3", "U4", "U5", "U6", "U7", "U8", "L1", *(r for r in refs if r.startswith("R"))]
    runs[0][[refs.index(r) for r in fed]] = 0.0
    runs[0][refs.index(ref)] = 0.5
    evidence = evidence_of(board, [run_plate(board, p) for p in runs], random, noise_k=0.05, seconds=6.0)
    return MadeCase(board, evidence, "short", ref)


@pytest.fixture(scope="session")
def made_switching():
    """Return the function that makes a case with a short before the coil of a switching regulator."""
    return make_switching


@pytest.fixture(scope="session")
def bare_evidence():
    """Return a function that leaves the map out of a case's evidence."""
    return lambda evidence: replace(evidence, excess=None)
