"""From what is hot to what is at fault, over made cases: hit rates, accused good boards, calibration, readings.

Run ``python tests/bench/bench_diagnosis.py --seeds 1000:1330 --store FOLDER``: the evidence of a case is made once and
kept in FOLDER (a file a seed), so that an interrupted run goes on where it stopped; ``--seeds`` may be split over two
processes. Poses and power-on are the true ones: what is judged here is the step from temperatures to suspects. Seeds
under 1000 are for choosing settings, the others for reporting. Beside it stands the plain method: the part under (or
nearest to) the hottest pixel of the difference.
"""

from __future__ import annotations

import argparse
import math
import pickle
import sys
import time
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from thermscan.explain.posterior import brier_score
from thermscan.explain.suspect import explain
from thermscan.find.excess import combine, excess_over, rise_of
from thermscan.find.hotspot import find_hotspots
from thermscan.find.part_reading import read_parts
from thermscan.find.passing import without_passing
from thermscan.find.source import find_sources
from thermscan.measure.film import choose_edges, choose_grid, make_film, pixel_size_mm, set_clock
from thermscan.measure.noise import measure_camera
from thermscan.model.evidence import Evidence
from thermscan.model.pose import Placement, Pose, Track
from thermscan.model.quantity import Measured
from thermscan.model.reading import Reading
from thermscan.model.settings import FilmSettings, Settings
from thermscan.model.timing import PowerUp, Timing
from thermscan.physics.plate import default_plate
from thermscan.read.surface_table import open_surfaces
from thermscan.simulate.case import draw_case
from thermscan.simulate.options import FAULT_WORDS, CaseOptions

SETTINGS = replace(Settings(), film=FilmSettings(most_cells=90, most_bins=20))
SURFACES = open_surfaces()
CAMERAS = ((32, 24), (80, 60), (160, 120), (160, 120), (206, 156))
POSE_ERROR_PX = 0.05
NEAR_MM = 3.0  # a bare place this close to the true one is right


def options_for(seed: int) -> CaseOptions:
    """Draw what the benchmark varies: the fault in turn, camera, seconds on, number of good boards."""
    random = np.random.default_rng(10_000_000 + seed)
    return CaseOptions(
        resolution=CAMERAS[int(random.integers(len(CAMERAS)))],
        hand_held=False,
        frame_rate_hz=8.0,
        fault=FAULT_WORDS[seed % len(FAULT_WORDS)],
        before_s=1.0,
        on_s=float(np.round(random.uniform(3, 8), 1)),
        after_s=0.0,
        cell_mm=2.5,
        goods=int(random.choice([1, 2, 2, 3])),
        board_mm=((45, 95), (35, 70)),
    )


def true_timing(made):
    """Return the timing as it was, known to a quarter of a frame."""
    truth, times = made.truth, made.recording.times_s
    error = float(np.median(np.diff(times))) / 4

    def known(value):
        return None if value is None else Measured.normal(float(value), error)

    ups = tuple(PowerUp(known(a), known(b) if b < times[-1] else None) for a, b in truth.runs_s)
    return Timing(known(truth.power_on_s), known(truth.power_off_s), power_ups=ups, restarts=truth.restarts)


def rise_from(made, grid, edges, board, side):
    """Resample one recording with its true poses and return its rise."""
    camera = measure_camera(made.recording, settings=SETTINGS.camera)
    poses = tuple(Pose(m, POSE_ERROR_PX) for m in made.truth.matrices)
    track = Track(poses, Placement(made.truth.matrices[0], POSE_ERROR_PX, "marks"), side, made.truth.lens)
    clock = set_clock(made.recording, camera.usable, true_timing(made), edges, settings=SETTINGS.film)
    film = make_film(made.recording, camera, track, clock, grid=grid, board=board, settings=SETTINGS.film)
    return rise_of(replace(film, position_error_mm=POSE_ERROR_PX * film.pixel_mm), settings=SETTINGS.excess)


def compare(rise, others, board, side, *, restarts=0):
    """Return difference and part readings of one board against others."""
    base = combine(others, outline_hash="", side=side, sources=(), settings=SETTINGS.excess)
    error = math.sqrt(2) * rise.film.position_error_mm
    excess = excess_over(rise, base, position_error_mm=error, settings=SETTINGS.excess)
    if not restarts:
        excess = without_passing(excess, settings=SETTINGS.detection)
    parts = read_parts(excess, rise, board, side=side, surfaces=SURFACES, settings=SETTINGS.detection)
    return excess, tuple(p for p in parts if p.excess_course_k is not None)


def sources_of(case, excess):
    """Fit the places where heat is made."""
    truth, board = case.faulty.truth, case.board
    return find_sources(
        excess,
        board,
        default_plate(board.thickness_mm, settings=SETTINGS.plate),
        side=case.faulty.recording.facts.side,
        runs_s=tuple((a - truth.power_on_s, b - truth.power_on_s) for a, b in truth.runs_s),
        surfaces=SURFACES,
        settings=SETTINGS.source,
    ).sources


def make_evidence(case, *, with_sources: bool = False) -> Evidence:
    """Gather the evidence of a case with its true placing and timing; the fit of sources takes most of the time."""
    side, board, first = case.faulty.recording.facts.side, case.board, case.faulty
    grid = choose_grid(board, pixel_size_mm(first.truth.matrices[0], board), settings=SETTINGS.film)
    timing = true_timing(first)
    edges = choose_edges(first.recording.times_s, timing, until_s=None, settings=SETTINGS.film)
    rises = [rise_from(m, grid, edges, board, side) for m in (first, *case.goods)]
    excess, parts = compare(rises[0], rises[1:], board, side, restarts=first.truth.restarts)
    goods = rises[1:]
    left_out = tuple(
        compare(g, goods[:i] + goods[i + 1 :], board, side)[1] for i, g in enumerate(goods) if len(goods) > 1
    )
    slim = replace(excess.film, mean=np.zeros((1, 1, 1), np.float32), cold=None)
    return Evidence(
        parts=parts,
        times_s=excess.film.centres_s,
        excess=replace(excess, film=slim, board_scatter=None),
        hotspots=find_hotspots(excess, board, side=side, settings=SETTINGS.detection),
        sources=sources_of(case, excess) if with_sources else (),
        good_boards=len(goods),
        side=side,
        timing=timing,
        good_timings=tuple(true_timing(m) for m in case.goods),
        supply=first.recording.facts.supply,
        good_supplies=tuple(m.recording.facts.supply for m in case.goods if m.recording.facts.supply),
        left_out=left_out,
    )


def stored(seed: int, folder: Path, *, with_sources: bool = False):
    """Return (evidence, board, truth) of a seed, made now if it is not in the folder; None where it cannot be drawn."""
    path = folder / f"{seed}.pkl"
    if not path.exists():
        try:
            case = draw_case(seed, options=options_for(seed))
        except ValueError:
            return None
        part = path.with_suffix(".part")
        part.write_bytes(pickle.dumps((make_evidence(case, with_sources=with_sources), case.board, case.fault)))
        part.replace(path)
    return pickle.loads(path.read_bytes())


def meter(board, truth, seed: int, quantity: str):
    """Take one reading of each rail of the faulty board, beside the good board's."""
    random = np.random.default_rng([seed, 6])
    down = below(board, truth.net) if truth.word in ("short", "dead_supply") else set()
    readings = []
    for rail in board.rails:
        good = float(np.exp(random.uniform(np.log(30), np.log(2000))))
        ohm = good * float(np.exp(random.normal(0, 0.15)))
        if truth.word == "short" and rail.net == truth.net:
            ohm = float(random.uniform(0.2, 4.0))
        elif truth.word == "leak" and rail.net == truth.net:
            ohm = good * float(random.uniform(0.1, 0.8))
        volts = (rail.volts or 5.0) * float(1 + random.normal(0, 0.012))
        if rail.net in down:
            volts = float(random.uniform(0, 0.3))
        elif truth.word == "supply_limit":
            volts *= float(random.uniform(0.2, 1.0))
        if quantity == "resistance_to_ground":
            readings.append(Reading("", "", rail.net, quantity, ohm, "ohm", good, "off", ""))
        else:
            readings.append(Reading("", "", rail.net, quantity, volts, "V", None, "on", ""))
    return tuple(readings)


def below(board, net):
    """Return a net and all nets made from it."""
    found = {net}
    for _ in board.rails:
        found |= {r.net for r in board.rails if r.from_net in found}
    return found


def is_right(suspect, truth) -> bool:
    """Tell whether a suspect names the fault: a right part, or a bare place within reach of the true one."""
    if truth.word == "none":
        return False
    if suspect.ref is not None:
        return suspect.ref in truth.refs
    return truth.x_mm is not None and math.hypot(suspect.x_mm - truth.x_mm, suspect.y_mm - truth.y_mm) <= NEAR_MM


def plain_is_right(evidence, board, truth) -> bool:
    """Name the part under or nearest to the hottest pixel of the last second's difference."""
    excess = evidence.excess
    window = excess.excess[-max(1, len(excess.excess) // 6) :]
    known = np.isfinite(window)
    mean = np.where(known, window, 0).sum(axis=0) / np.maximum(known.sum(axis=0), 1)
    mean = np.where(excess.film.inside & known.any(axis=0), mean, -np.inf)
    x, y = excess.film.grid.points_mm()[np.unravel_index(np.argmax(mean), mean.shape)]
    parts = board.parts_on(evidence.side)
    if truth.ref is None:
        return truth.x_mm is not None and math.hypot(x - truth.x_mm, y - truth.y_mm) <= NEAR_MM
    on = [p for p in parts if bool(p.contains(x, y))] or sorted(parts, key=lambda p: math.hypot(p.x - x, p.y - y))[:1]
    return bool(on) and on[0].ref in truth.refs


@dataclass(frozen=True)
class Row:
    """One case judged."""

    seed: int
    word: str
    first: bool
    three: bool
    plain: bool
    verdict: str
    lead: float
    none: float
    right_p: float
    seconds: float
    with_ohm: tuple[bool, float]
    with_volt: tuple[bool, float]
    strong: bool
    goods: int
    read: bool


def judge(seed: int, folder: Path, *, with_readings: bool, with_sources: bool) -> Row | None:
    """Explain one case, without and (where asked for) with readings."""
    found = stored(seed, folder, with_sources=with_sources)
    if found is None:
        return None
    evidence, board, truth = found
    start = time.process_time()
    ranking = explain(evidence, board)
    seconds = time.process_time() - start
    right = [is_right(s, truth) for s in ranking.suspects]
    alone = (right[:1] == [True], chance(ranking, truth))
    extra = dict.fromkeys(("resistance_to_ground", "voltage"), alone)
    for quantity in extra if with_readings else ():
        again = explain(replace(evidence, readings=meter(board, truth, seed, quantity)), board)
        extra[quantity] = (bool(again.suspects) and is_right(again.suspects[0], truth), chance(again, truth))
    return Row(
        seed, truth.word, right[:1] == [True], any(right[:3]),
        truth.word != "none" and plain_is_right(evidence, board, truth),
        ranking.verdict, ranking.suspects[0].probability if ranking.suspects else 0.0, ranking.no_fault_probability,
        chance(ranking, truth), seconds, extra["resistance_to_ground"], extra["voltage"], is_strong(evidence, truth),
        evidence.good_boards, with_readings,
    )  # fmt: skip


def is_strong(evidence, truth) -> bool:
    """Tell whether the excess at the true part is over twice the healthy spread and over 5 sigma of noise."""
    for part in evidence.parts:
        if part.ref in truth.refs and part.state not in ("unreadable", "unknown"):
            last = np.flatnonzero(np.isfinite(part.excess_course_k))
            if len(last):
                i = last[-1]
                size = abs(part.excess_course_k[i])
                return bool(size > 2 * part.spread_course_k[i] and size > 5 * part.noise_course_k[i])
    return False


def chance(ranking, truth) -> float:
    """Return the probability given to what is true."""
    if truth.word == "none":
        return ranking.no_fault_probability
    return sum(s.probability for s in ranking.suspects if is_right(s, truth))


def print_table(rows: list[Row]) -> None:
    """Print hit rates by fault, calibration and the gain from readings, with counts."""
    print(f"{'fault':16s} {'n':>4s} {'first':>6s} {'three':>6s} {'plain':>6s} | suspect (right) like_good cannot_tell")
    for word in FAULT_WORDS:
        some = [r for r in rows if r.word == word]
        if some:
            print(_line(word, some))
    faulty, good = [r for r in rows if r.word != "none"], [r for r in rows if r.word == "none"]
    print(_line("all faults", faulty))
    for name, some in (("strong at part", [r for r in faulty if r.strong]),):
        if some:
            print(_line(name, some))
    for count in sorted({r.goods for r in faulty}):
        print(_line(f"{count} good boards", [r for r in faulty if r.goods == count]))
    accused = sum(r.verdict == "suspect" for r in good)
    print(f"good boards accused: {accused} of {len(good)}")
    said = [r for r in rows if r.verdict == "suspect"]
    print(f"verdicts suspect: {len(said)}, right {np.mean([r.first for r in said]):.3f}")
    open_ = [r for r in faulty if r.verdict == "cannot_tell"]
    wrong = sum(not r.first for r in open_)
    print(f"cannot_tell: {len(open_)} of {len(faulty)} faulty boards; {wrong} of them would have been named wrongly")
    print(f"like_good said of faulty boards: {sum(r.verdict == 'like_good' for r in faulty)}")
    _print_calibration(rows)
    _print_readings([r for r in rows if r.read])
    print(f"{np.mean([r.seconds for r in rows]):.2f} s CPU a case")


def _print_readings(rows: list[Row]) -> None:
    """Print what each kind of reading adds, over the cases it was tried on."""
    faulty = [r for r in rows if r.word != "none"]
    for name, key in (("resistance of each rail", "with_ohm"), ("voltage of each rail", "with_volt")):
        if not faulty:
            return
        hit, alone = (sum(v) for v in zip(*((getattr(r, key)[0], r.first) for r in faulty), strict=True))
        gain = np.mean([math.log(max(getattr(r, key)[1], 1e-4)) - math.log(max(r.right_p, 1e-4)) for r in rows])
        print(f"with {name}: first {hit} of {len(faulty)} (without {alone}), log score {gain:+.3f}")


def _line(name: str, some: list[Row]) -> str:
    said = [r for r in some if r.verdict == "suspect"]
    return (
        f"{name:16s} {len(some):4d} {np.mean([r.first for r in some]):6.2f} {np.mean([r.three for r in some]):6.2f}"
        f" {np.mean([r.plain for r in some]):6.2f} | {len(said)} ({sum(r.first for r in said)})"
        f" {sum(r.verdict == 'like_good' for r in some)} {sum(r.verdict == 'cannot_tell' for r in some)}"
    )


def _print_calibration(rows: list[Row]) -> None:
    lead, right = np.array([r.lead for r in rows]), np.array([r.first for r in rows], float)
    base = brier_score(np.full(len(right), right.mean()), right)
    print(f"Brier score of the first suspect {brier_score(lead, right):.4f} (base rate {base:.4f})")
    print("log score of what is true", f"{np.mean([math.log(max(r.right_p, 1e-4)) for r in rows]):.3f}")
    for low, high in ((0, 0.2), (0.2, 0.5), (0.5, 0.7), (0.7, 0.9), (0.9, 0.97), (0.97, 0.99), (0.99, 1.01)):
        some = (lead >= low) & (lead < high)
        if some.any():
            means = f"mean {lead[some].mean():.3f} right {right[some].mean():.3f}"
            print(f"  said {low:.2f}-{min(high, 1):.2f}: n {some.sum():4d} {means}")


def main() -> None:
    """Judge the seeds given and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", default="1000:1330", metavar="FIRST:END")
    parser.add_argument("--store", required=True, type=Path)
    parser.add_argument("--stored-only", action="store_true", help="judge what is in the folder, make nothing new")
    parser.add_argument("--readings-every", type=int, default=0, metavar="N", help="measure the gain from readings too,"
                        " on every N-th seed (three times the work there)")  # fmt: skip
    parser.add_argument("--with-sources", action="store_true", help="fit sources too, for new cases: ten times as long")
    choice = parser.parse_args()
    choice.store.mkdir(parents=True, exist_ok=True)
    first, end = (int(v) for v in choice.seeds.split(":"))
    rows = []
    for seed in range(first, end):
        if choice.stored_only and not (choice.store / f"{seed}.pkl").exists():
            continue
        with_readings = choice.readings_every > 0 and seed % choice.readings_every == 0
        row = judge(seed, choice.store, with_readings=with_readings, with_sources=choice.with_sources)
        if row is not None:
            rows.append(row)
            print(
                f"{seed} {row.word} {row.verdict} lead {row.lead:.2f} {'right' if row.first else 'wrong'}",
                file=sys.stderr,
            )
    print_table(rows)


if __name__ == "__main__":
    main()
