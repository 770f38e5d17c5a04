"""Whole cases: a faulty board, known-good boards of its type, their recordings and the truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from thermscan.simulate.fault import DrawnFault, FaultSite, draw_fault
from thermscan.simulate.filming import BoardType, Filmed, Filming, draw_camera, draw_type
from thermscan.simulate.layout import draw_board
from thermscan.simulate.load import Defect, Schedule, draw_loads, make_schedule
from thermscan.simulate.options import CaseOptions
from thermscan.simulate.truth import Case, FaultTruth, RecordingTruth

DRAW_ALL = CaseOptions()
TRIES = 12  # boards drawn until one can have the fault that was asked for


def draw_case(seed: int, *, options: CaseOptions = DRAW_ALL) -> Case:
    """Make a case from a seed.

    Parameters
    ----------
    seed : int
        The same seed and options make the same case, to the last count.
    options : CaseOptions
        What to fix; everything else is drawn.

    Returns
    -------
    Case
        The heat is solved at once, frames are rendered when they are read.

    Raises
    ------
    ValueError
        Where no board of several can have the fault that was asked for.
    """
    random = np.random.default_rng(seed)
    side = options.side or ("bottom" if random.random() < 0.1 else "top")
    kind, fault = _draw_faulty(random, options, side)
    return make_case(kind, fault, options, random, seed=seed, side=side)


def _draw_faulty(random: np.random.Generator, options: CaseOptions, side: str) -> tuple[BoardType, DrawnFault]:
    """Draw boards until one can have the fault."""
    word = "short" if options.injection else options.fault
    for trial in range(TRIES):
        board = draw_board(random, options)
        kind = draw_type(board, draw_loads(board, random), options, random)
        site = FaultSite(board, kind.plan, side, options.fault_w, random, options.injection, options.covered_short)
        try:
            return kind, draw_fault(site, word)
        except ValueError:
            if trial == TRIES - 1:
                raise
    raise AssertionError("unreachable")


def make_case(
    kind: BoardType,
    fault: DrawnFault,
    options: CaseOptions,
    random: np.random.Generator,
    *,
    seed: int,
    side: str = "top",
) -> Case:
    """Film a faulty unit and the good ones of a board type.

    Parameters
    ----------
    kind : BoardType
    fault : DrawnFault
    options : CaseOptions
    random : numpy Generator
    seed : int
        For the record.
    side : {'top', 'bottom'}

    Returns
    -------
    Case
    """
    camera = draw_camera(options, random, side=side)
    count = options.goods if options.goods is not None else int(random.choice([1, 2, 2, 3, 4, 5]))
    on_s = options.on_s if options.on_s is not None else float(np.round(random.uniform(3.0, 12.0), 1))
    film = Filming(kind, camera, replace(options, on_s=on_s), random)
    healthy = Defect(unpowered=fault.defect.unpowered)
    faulty = film.record(fault.defect, fault, name="faulty")
    goods = [film.record(healthy, None, name=f"good_{i + 1}") for i in range(count)]
    schedules = [g.schedule for g in goods]
    schedules = schedules or [make_schedule(kind.board, kind.plan, healthy, faulty.line.power_s)]
    truth = replace(faulty.made.truth, excess_w=excess_watts(faulty, schedules))
    answer = _with_power(fault, truth, faulty)
    return Case(seed, kind.board, replace(faulty.made, truth=truth), tuple(g.made for g in goods), answer)


def excess_watts(faulty: Filmed, goods: list[Schedule]) -> np.ndarray:
    """Return the heat of the faulty unit minus the good units' mean, ndarray (frames, sources), W.

    Good units are taken as switched on and off together with the faulty one: equal seconds since power-on.
    """
    mean = np.zeros_like(faulty.made.truth.made_w)
    earlier = faulty.line.runs_s[faulty.line.runs_s[:, 1] <= faulty.line.on_s]
    runs = np.concatenate([earlier, faulty.line.power_s])
    for schedule in goods:
        together = replace(schedule, runs_s=runs)
        mean += np.array([together.at(t) for t in faulty.line.times_s]) / len(goods)
    return faulty.made.truth.made_w - mean


def _with_power(fault: DrawnFault, truth: RecordingTruth, faulty: Filmed) -> FaultTruth:
    """Fill in the mean excess watts at the fault's place while on."""
    answer = fault.truth
    key = "place" if fault.spot is not None else answer.ref
    if answer.word == "none" or key not in truth.sources or truth.excess_w is None:
        return answer
    times = faulty.line.times_s
    on = np.zeros(len(times), bool)
    for start, stop in faulty.line.power_s:
        on |= (times >= start) & (times < stop)
    column = truth.excess_w[on, truth.sources.index(key)]
    return replace(answer, power_w=float(column.mean()) if column.size else None)
