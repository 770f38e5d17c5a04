"""Made cases for the benchmark of the diagnosis: what is drawn, the evidence of a case, what a meter would show.

Poses and power-on are the true ones: what is judged is the step from temperatures to suspects. A case is made once and
kept in a folder, a file a seed.
"""

from __future__ import annotations

import math
import pickle
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from thermscan.find.excess import combine, excess_over, rise_of
from thermscan.find.hotspot import find_hotspots
from thermscan.find.part_reading import read_parts
from thermscan.find.passing import without_passing
from thermscan.find.source import find_sources
from thermscan.measure.film import choose_edges, choose_grid, make_film, pixel_size_mm, set_clock
from thermscan.measure.noise import measure_camera
from thermscan.measure.placement_lean import lean_of_placement
from thermscan.model.board import Board
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
from thermscan.simulate.truth import FaultTruth

SETTINGS = replace(Settings(), film=FilmSettings(most_cells=90, most_bins=16))
SURFACES = open_surfaces()
CAMERAS = ((32, 24), (80, 60), (160, 120), (160, 120), (160, 120), (206, 156), (256, 192))
POSE_ERROR_PX = 0.05
COVERED, DRIVEN = "short, covered", "short, driven"
WORDS = (*FAULT_WORDS, COVERED, "none", DRIVEN, "none")  # in turn by seed: three of fifteen boards are good
GOODS_TOO = 3  # every so many seeds one of the good boards is judged by the others as well


@dataclass(frozen=True)
class Stored:
    """What is kept of a case: evidence, board, truth, and one good board judged by the others (None: not done)."""

    word: str
    evidence: Evidence
    board: Board
    truth: FaultTruth
    camera: tuple[int, int]
    good: Evidence | None


def options_for(seed: int, *, alone: bool = False, word: str | None = None) -> CaseOptions:
    """Draw what the benchmark varies: the fault in turn, camera, seconds on, good boards (``alone``: none).

    ``word`` is the fault of all seeds instead.
    """
    random = np.random.default_rng(10_000_000 + seed)
    word = word or WORDS[seed % len(WORDS)]
    return CaseOptions(
        resolution=CAMERAS[int(random.integers(len(CAMERAS)))],
        hand_held=False,
        frame_rate_hz=6.0,
        fault="short" if word in (COVERED, DRIVEN) else word,
        injection=word == DRIVEN,
        covered_short=word == COVERED,
        before_s=1.0,
        on_s=float(np.round(random.uniform(3, 9), 1)),
        after_s=0.0,
        cell_mm=2.5,
        goods=0 if alone else int(random.choice([1, 2, 2, 3])),
        board_mm=((45, 95), (35, 70)),
    )


def true_timing(made) -> Timing:
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
    placement = Placement(made.truth.matrices[0], POSE_ERROR_PX, "marks")
    shape = made.recording.rows, made.recording.columns
    lean = lean_of_placement(placement, board, shape, side=side, settings=SETTINGS.placement)
    track = Track(poses, placement, side, made.truth.lens, lean=lean)
    clock = set_clock(made.recording, camera.usable, true_timing(made), edges, settings=SETTINGS.film)
    film = make_film(made.recording, camera, track, clock, grid=grid, board=board, settings=SETTINGS.film)
    return rise_of(replace(film, position_error_mm=POSE_ERROR_PX * film.pixel_mm), settings=SETTINGS.excess)


def compare(rise, others, board, side, *, restarts=0):
    """Return difference and part readings of one board against others, or by itself where there are none."""
    base = combine(others, outline_hash="", side=side, sources=(), settings=SETTINGS.excess) if others else None
    error = math.sqrt(2) * rise.film.position_error_mm
    excess = excess_over(rise, base, position_error_mm=error, settings=SETTINGS.excess)
    if not restarts:
        excess = without_passing(excess, settings=SETTINGS.detection)
    parts = read_parts(excess, rise, board, side=side, surfaces=SURFACES, settings=SETTINGS.detection)
    return excess, tuple(p for p in parts if p.excess_course_k is not None)


def gather(made, rise, others, goods, board) -> Evidence:
    """Gather the evidence about one board (``made``, its ``rise``) against ``others`` (rises of the ``goods``)."""
    side, timing = made.recording.facts.side, true_timing(made)
    excess, parts = compare(rise, others, board, side, restarts=made.truth.restarts)
    left_out = tuple(
        compare(g, others[:i] + others[i + 1 :], board, side)[1] for i, g in enumerate(others) if len(others) > 1
    )
    start = made.truth.power_on_s
    fit = find_sources(
        excess,
        board,
        default_plate(board.thickness_mm, settings=SETTINGS.plate),
        side=side,
        runs_s=tuple((a - start, b - start) for a, b in made.truth.runs_s),
        surfaces=SURFACES,
        settings=SETTINGS.source,
    )
    slim = replace(excess.film, mean=np.zeros((1, 1, 1), np.float32), cold=None)
    return Evidence(
        parts=parts,
        times_s=excess.film.centres_s,
        excess=replace(excess, film=slim),
        hotspots=find_hotspots(excess, board, side=side, settings=SETTINGS.detection),
        sources=fit.sources,
        basis=excess.basis,
        good_boards=len(others),
        side=side,
        timing=timing,
        good_timings=tuple(true_timing(m) for m in goods),
        supply=made.recording.facts.supply,
        good_supplies=tuple(m.recording.facts.supply for m in goods if m.recording.facts.supply),
        drive=made.recording.facts.drive,
        left_out=left_out,
        ambient_c=made.recording.facts.ambient_c,
        good_ambients_c=tuple(m.recording.facts.ambient_c for m in goods if m.recording.facts.ambient_c is not None),
    )


def make(seed: int, *, alone: bool = False, word: str | None = None) -> Stored:
    """Draw a case and gather its evidence."""
    case = draw_case(seed, options=options_for(seed, alone=alone, word=word))
    board, first, goods = case.board, case.faulty, case.goods
    side = first.recording.facts.side
    grid = choose_grid(board, pixel_size_mm(first.truth.matrices[0], board), settings=SETTINGS.film)
    edges = choose_edges(first.recording.times_s, true_timing(first), until_s=None, settings=SETTINGS.film)
    rises = [rise_from(m, grid, edges, board, side) for m in (first, *goods)]
    word = word or WORDS[seed % len(WORDS)]
    good = None
    if len(goods) > 1 and seed % GOODS_TOO == 0 and word != DRIVEN:
        good = gather(goods[-1], rises[-1], rises[1:-1], goods[:-1], board)
    evidence = gather(first, rises[0], rises[1:], goods, board)
    return Stored(word, evidence, board, case.fault, first.recording.store.shape[:0:-1], good)


def stored(seed: int, folder: Path, *, alone: bool = False, word: str | None = None) -> Stored | None:
    """Return a case from the folder, made now if it is not there; None where the fault cannot be drawn."""
    path = folder / f"{seed}.pkl"
    if not path.exists():
        try:
            made = make(seed, alone=alone, word=word)
        except ValueError as error:
            if "fault" not in str(error):
                raise
            made = None
        part = path.with_suffix(".part")
        part.write_bytes(pickle.dumps(made))
        part.replace(path)
    return pickle.loads(path.read_bytes())


def below(board: Board, net: str) -> set[str]:
    """Return a net and all nets made from it."""
    found = {net}
    for _ in board.rails:
        found |= {r.net for r in board.rails if r.from_net in found}
    return found


def meter(case: Stored, seed: int, quantity: str) -> tuple[Reading, ...]:
    """Take one reading of each rail of the faulty board, beside the good board's; of the current of its supply."""
    random = np.random.default_rng([seed, 6])
    board, truth = case.board, case.truth
    if quantity == "current":
        return _current(case, random)
    down = below(board, truth.net) if truth.word in ("short", "dead_supply") else set()
    readings = []
    for rail in board.rails:
        good = float(np.exp(random.uniform(np.log(30), np.log(2000))))
        ohm = good * float(np.exp(random.normal(0, 0.15)))
        is_it = rail.net == truth.net
        short = float(random.uniform(0.2, 4.0))
        leaky = good * float(random.uniform(0.1, 0.8))
        ohm = short if truth.word == "short" and is_it else leaky if truth.word == "leak" and is_it else ohm
        volts = (rail.volts or 5.0) * float(1 + random.normal(0, 0.012))
        sag = float(random.uniform(0.2, 1.0))
        volts = sag * 0.3 if rail.net in down else volts * sag if truth.word == "supply_limit" else volts
        if quantity == "voltage":
            readings.append(Reading("", "", rail.net, quantity, volts, "V", None, "on", ""))
        elif quantity == "resistance_to_ground":
            readings.append(Reading("", "", rail.net, quantity, ohm, "ohm", good, "off", ""))
        else:
            readings.append(_drop(rail.net, ohm, random))
    return tuple(readings)


def _drop(net: str, ohm: float, random: np.random.Generator) -> Reading:
    """Show what a meter with 1 mA into a junction of half a volt, beside the net's resistance, shows."""
    good = float(random.uniform(0.35, 0.65))
    value = min(good * float(np.exp(random.normal(0, 0.03))), 1e-3 * ohm if ohm < 30 else math.inf)
    return Reading("", "", net, "diode_drop", value, "V", good, "off", "")


def _current(case: Stored, random: np.random.Generator) -> tuple[Reading, ...]:
    """Read mean currents off the logs to 2 %; nothing where there is no log of both boards."""

    def mean(supply):
        amps = np.array([p.amps for p in supply])
        on = amps > 0.1 * amps.max()
        return float(amps[on][len(amps[on]) // 2 :].mean()) * float(1 + random.normal(0, 0.02))

    logs = case.evidence.good_supplies
    if not case.evidence.supply or not logs or max(p.amps for p in case.evidence.supply) <= 0:
        return ()
    good = float(np.median([mean(log) for log in logs]))
    return (Reading("", "", "", "current", mean(case.evidence.supply), "A", good, "on", ""),)
