"""Made boards for judging powers: one fault, many sources far apart, or two sources close together."""

from __future__ import annotations

import itertools
import pickle
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from thermscan.find.excess import combine, excess_over, rise_of
from thermscan.measure.film import choose_edges, choose_grid, make_film, pixel_size_mm, set_clock
from thermscan.measure.noise import measure_camera
from thermscan.measure.placement_lean import lean_of_placement
from thermscan.model.board import Board, Part
from thermscan.model.film import Excess
from thermscan.model.pose import Placement, Pose, Track
from thermscan.model.quantity import Measured
from thermscan.model.settings import Settings
from thermscan.model.timing import PowerUp, Timing
from thermscan.simulate.case import draw_case, make_case
from thermscan.simulate.fault import DrawnFault, FaultSite, Spot
from thermscan.simulate.filming import draw_type
from thermscan.simulate.layout import draw_board
from thermscan.simulate.load import Defect, draw_loads
from thermscan.simulate.options import CaseOptions
from thermscan.simulate.stack import LAYERS
from thermscan.simulate.truth import Case, FaultTruth, Made

SETTINGS = Settings()
HEATING = ("short", "leak", "overload", "hidden_source", "bridge")
CAMERAS = ((80, 60), (120, 90), (160, 120), (256, 192), (320, 240), (640, 512))
CAMERA_SHARES = (0.15, 0.2, 0.3, 0.15, 0.15, 0.05)
LEAST_W, MOST_W = 0.02, 5.0
APART_MM = 11.0  # between sources of a board with many
MOST_ON_BOARD = 11
PAIR_MM = (1.5, 8.0)


@dataclass(frozen=True)
class TrueSource:
    """A source of heat that was put in; ``depth`` as seen from the filmed side, ``refs`` the names that are right."""

    refs: tuple[str, ...]
    x_mm: float
    y_mm: float
    watts: float
    depth: str


@dataclass(frozen=True)
class PowerCase:
    """What is judged: an excess and the sources behind it; ``other_w`` is the excess of all parts, W."""

    seed: int
    word: str
    board: Board
    side: str
    excess: Excess
    sources: tuple[TrueSource, ...]
    other_w: dict[str, float]
    runs_s: tuple[tuple[float, float], ...]
    resolution: tuple[int, int]


def options_for(seed: int, **fixed: object) -> CaseOptions:
    """Draw what varies: camera, seconds on, fault and its watts; bigger pictures come with fewer of them a second."""
    random = np.random.default_rng([seed, 77])
    camera = CAMERAS[int(random.choice(len(CAMERAS), p=CAMERA_SHARES))]
    drawn = CaseOptions(
        resolution=camera,
        hand_held=False,
        frame_rate_hz=float(random.uniform(3, 6)) * (0.6 if camera[0] > 256 else 1.0),
        before_s=2.0,
        on_s=float(np.exp(random.uniform(np.log(3), np.log(20)))),
        after_s=0.0,
        fault=str(random.choice(HEATING, p=[0.35, 0.2, 0.1, 0.25, 0.1])),
        fault_w=float(np.exp(random.uniform(np.log(LEAST_W), np.log(MOST_W)))),
        goods=int(random.choice([1, 2, 3], p=[0.7, 0.2, 0.1])),
        camera_events=False,
        warm_start=False,
        marks=False,
        hand_in_view=False,
    )
    return replace(drawn, **fixed)


def draw_one(seed: int) -> Case:
    """Make a case with one fault that makes heat."""
    return draw_case(seed, options=options_for(seed))


def draw_many(seed: int) -> Case:
    """Make a board with many sources of independent powers, none near another, on both faces."""
    options = options_for(seed, board_mm=((60.0, 110.0), (45.0, 80.0)), fault=None, fault_w=None)
    return _draw_loaded(seed, options, _many)


def draw_pair(seed: int) -> Case:
    """Make a board with two sources of independent powers in small parts close to one another."""
    options = options_for(seed, board_mm=((25.0, 80.0), (20.0, 60.0)), fault=None, fault_w=None)
    return _draw_loaded(seed, options, _pair)


def _draw_loaded(seed: int, options: CaseOptions, load) -> Case:
    """Draw boards until one can be loaded, then film it."""
    random = np.random.default_rng(seed)
    for _ in range(12):
        board = draw_board(random, options)
        kind = draw_type(board, draw_loads(board, random), options, random)
        loaded = load(FaultSite(board, kind.plan, "top", None, random))
        if loaded is not None:
            return make_case(kind, loaded, options, random, seed=seed)
    raise ValueError(f"no board of seed {seed} has room for the sources")


def _open_parts(board: Board) -> list[Part]:
    hidden = ("shield", "heatsink")
    return [p for p in board.parts if p.fitted and p.kind not in hidden and p.covered_by is None]


def _log_uniform(random: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(random.uniform(np.log(low), np.log(max(low, high)))))


def _many(site: FaultSite) -> DrawnFault | None:
    """Load parts far apart, and one place in the board: bare, under a chip, or on the far face."""
    random, board = site.random, site.board
    parts = _open_parts(board)
    spot = _spot(site, parts)
    taken = [(spot.x_mm, spot.y_mm, 0.0)]
    add: dict[str, float] = {}
    for k in random.permutation(len(parts)):
        part = parts[int(k)]
        half = 0.5 * max(part.w, part.h)
        if any(np.hypot(part.x - x, part.y - y) < APART_MM + half + other for x, y, other in taken):
            continue
        taken.append((part.x, part.y, half))
        add[part.ref] = _log_uniform(random, LEAST_W, min(site.most_in(part), 2.0))
        if len(add) == MOST_ON_BOARD - 1:
            break
    if len(add) < 4:
        return None
    x0, y0, x1, y1 = board.box_mm
    share = min(1.0, (1.0 + (x1 - x0) * (y1 - y0) / 1500) / sum(add.values()))
    add = {ref: watts * share for ref, watts in add.items()}
    layer = "far" if spot.layer else "near"
    truth = FaultTruth("many", next(iter(add)), layer, spot.x_mm, spot.y_mm, "top", tuple(add))
    return DrawnFault(truth, Defect(add_w=add, place_w=_log_uniform(random, 0.05, 1.0)), spot=spot)


def _spot(site: FaultSite, parts: list[Part]) -> Spot:
    """Draw a place in the board."""
    random, far = site.random, len(LAYERS) - 1
    chips = [p for p in parts if p.side == "top" and min(p.w, p.h) >= 4.0 and p.kind in ("chip", "memory", "module")]
    if chips and random.random() < 0.5:
        chip = chips[int(random.integers(len(chips)))]
        off = random.uniform(-0.3, 0.3, 2) * [chip.w, chip.h]
        return Spot(float(chip.x + off[0]), float(chip.y + off[1]), 0, 0.6)
    x0, y0, x1, y1 = site.board.box_mm
    for _ in range(200):
        x, y = (float(v) for v in random.uniform((x0 + 3, y0 + 3), (x1 - 3, y1 - 3)))
        if bool(site.board.inside(x, y)) and not any(bool(p.contains(x, y)) for p in site.board.parts_on("top")):
            return Spot(x, y, 0 if random.random() < 0.5 else far, 0.5)
    return Spot((x0 + x1) / 2, (y0 + y1) / 2, far, 0.5)


def _pair(site: FaultSite) -> DrawnFault | None:
    """Load two small parts that stand close together."""
    small = [p for p in _open_parts(site.board) if p.side == "top" and max(p.w, p.h) <= 3.5]
    near = [
        (a, b)
        for a, b in itertools.combinations(small, 2)
        if PAIR_MM[0] <= np.hypot(a.x - b.x, a.y - b.y) <= PAIR_MM[1]
    ]
    if not near:
        return None
    pair = near[int(site.random.integers(len(near)))]
    first = _log_uniform(site.random, 0.05, min(site.most_in(p) for p in pair))
    other = first * float(np.exp(site.random.uniform(np.log(0.4), np.log(2.5))))
    add = dict(zip((p.ref for p in pair), (first, other), strict=True))
    truth = FaultTruth("pair", pair[0].ref, None, pair[0].x, pair[0].y, "top", tuple(add))
    return DrawnFault(truth, Defect(add_w=add))


def film_of(made: Made, grid, edges, board: Board):
    """Resample one recording with its true poses."""
    truth, recording = made.truth, made.recording
    poses = tuple(Pose(m, 0.05) for m in truth.matrices)
    placement, side = Placement(truth.matrices[0], 0.05, "marks"), recording.facts.side or "top"
    shape = recording.rows, recording.columns
    lean = lean_of_placement(placement, board, shape, side=side, settings=SETTINGS.placement)
    track = Track(poses, placement, side, truth.lens, lean=lean)
    camera = measure_camera(recording)
    clock = set_clock(recording, camera.usable, timing_of(truth), edges, settings=SETTINGS.film)
    return make_film(recording, camera, track, clock, grid=grid, board=board, settings=SETTINGS.film)


def timing_of(truth) -> Timing:
    """Return the true power-on and power-off as the pipeline would hand them on."""
    on = Measured(truth.power_on_s, truth.power_on_s, truth.power_on_s)
    off = None if truth.power_off_s is None else Measured(truth.power_off_s, truth.power_off_s, truth.power_off_s)
    return Timing(on, off, "", "" if off else "still_on", (PowerUp(on, off),))


def excess_of(case: Case) -> Excess:
    """Make the excess of a case on true poses and times."""
    pixel = pixel_size_mm(case.faulty.truth.matrices[0], case.board)
    grid = choose_grid(case.board, pixel, settings=SETTINGS.film)
    timing = timing_of(case.faulty.truth)
    edges = choose_edges(case.faulty.recording.times_s, timing, until_s=None, settings=SETTINGS.film)
    faulty = rise_of(film_of(case.faulty, grid, edges, case.board), settings=SETTINGS.excess)
    goods = [rise_of(film_of(g, grid, edges, case.board), settings=SETTINGS.excess) for g in case.goods]
    side = case.faulty.recording.facts.side or "top"
    base = combine(goods, outline_hash="made", side=side, sources=[], settings=SETTINGS.excess)
    return excess_over(faulty, base, position_error_mm=0.07 * pixel, settings=SETTINGS.excess)


def true_sources(case: Case, side: str, watts: dict[str, float]) -> tuple[TrueSource, ...]:
    """List what was put in, with watts (mean while on) over the good boards'."""
    fault = case.fault
    if fault.word not in ("many", "pair"):
        own = watts.get("place", 0.0) or watts.get(fault.ref or "", 0.0)
        depth = "surface" if fault.side == side else "far_side"
        if fault.word == "hidden_source" and fault.side == side:
            depth = "under_part"
        return (TrueSource(fault.refs, float(fault.x_mm), float(fault.y_mm), own, depth),)
    out = []
    for ref in fault.refs:
        part = case.board.part(ref)
        out.append(TrueSource((ref,), part.x, part.y, watts[ref], "surface" if part.side == side else "far_side"))
    if fault.word == "many":
        out.append(_place_source(case, watts["place"]))
    return tuple(out)


def _place_source(case: Case, watts: float) -> TrueSource:
    """Return the source in the board itself; the fault's ``net`` says in which face."""
    x, y = float(case.fault.x_mm), float(case.fault.y_mm)
    above = tuple(p.ref for p in case.board.parts_on("top") if bool(p.contains(x, y)))
    depth = "far_side" if case.fault.net == "far" else "under_part" if above else "surface"
    return TrueSource(above, x, y, watts, depth)


def lighter(excess: Excess) -> Excess:
    """Drop what the inversion does not use, to keep the store small."""
    small = {name: np.asarray(getattr(excess, name), np.float32) for name in ("excess", "own_heat")}
    small |= {name: np.asarray(getattr(excess, name), np.float16) for name in ("noise", "spread", "position")}
    film = replace(excess.film, mean=np.zeros((1, 1, 1)), cold=None)
    return replace(excess, film=film, **small)


DRAW = {"one": draw_one, "many": draw_many, "pair": draw_pair}


def make_power_case(seed: int, kind: str) -> PowerCase:
    """Make a case of a kind: ``one`` fault, ``many`` sources or a close ``pair``."""
    case = DRAW[kind](seed)
    truth = case.faulty.truth
    times = case.faulty.recording.times_s
    on = np.zeros(len(times), bool)
    for start, stop in truth.runs_s:
        on |= (times >= start) & (times < stop)
    watts = dict(zip(truth.sources, map(float, truth.excess_w[on].mean(axis=0)), strict=True))
    side = case.faulty.recording.facts.side or "top"
    runs = tuple((float(a - truth.power_on_s), float(b - truth.power_on_s)) for a, b in truth.runs_s)
    resolution = case.faulty.recording.store.shape[1:][::-1]
    return PowerCase(
        seed,
        case.fault.word,
        case.board,
        side,
        excess_of(case),
        true_sources(case, side, watts),
        watts,
        runs,
        resolution,
    )


def stored_case(seed: int, kind: str, store: Path | None) -> PowerCase:
    """Make a case, or take it from a folder that keeps made ones."""
    if store is None:
        return make_power_case(seed, kind)
    path = store / f"{kind}_{seed}.pickle"
    if path.exists():
        return pickle.loads(path.read_bytes())
    case = make_power_case(seed, kind)
    case = replace(case, excess=lighter(case.excess))
    store.mkdir(parents=True, exist_ok=True)
    temporary = path.with_suffix(".part")
    temporary.write_bytes(pickle.dumps(case))
    temporary.rename(path)
    return case
