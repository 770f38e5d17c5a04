"""What stands beside a made recording: clicked marks, supply log, what was set."""

from __future__ import annotations

import numpy as np

from thermscan.model.board import Board
from thermscan.model.pose import Lens
from thermscan.model.recording import Drive, Facts, Mark, SupplyPoint
from thermscan.simulate.load import Schedule
from thermscan.simulate.options import CaseOptions
from thermscan.simulate.timeline import Timeline
from thermscan.simulate.viewpoint import picture_points

LOG_STEP_S = 0.5
PERIODIC_FROM = 4  # power-ups that count as a supply switched on and off on purpose
SHORT_OHM = 0.3  # a shorted rail with its leads, for the volts and amps of an injection


def make_facts(
    board: Board,
    first: tuple[np.ndarray, Lens | None],
    schedule: Schedule,
    line: Timeline,
    options: CaseOptions,
    random: np.random.Generator,
    *,
    ambient_c: float,
    side: str,
) -> Facts:
    """Write down what a technician would have.

    Parameters
    ----------
    board : Board
    first : (ndarray of shape (3, 3), Lens or None)
        Pose of the first frame.
    schedule : Schedule
    line : Timeline
    options : CaseOptions
    random : numpy Generator
    ambient_c : float
    side : {'top', 'bottom'}

    Returns
    -------
    Facts
    """
    has_marks = options.marks if options.marks is not None else bool(random.random() < 0.6)
    marks = click_marks(board, first, random, error_px=options.mark_error_px) if has_marks else ()
    has_log = options.supply_log if options.supply_log is not None else bool(random.random() < 0.25)
    log = supply_log(board, schedule, line, random) if has_log else ()
    set_to = options.emissivity_set
    known, error = random.random() < 0.6, float(random.normal(0, 0.3))
    return Facts(
        emissivity=set_to if set_to < 1 else None,
        reflected_c=round(ambient_c, 1) if set_to < 1 else None,
        ambient_c=round(ambient_c + error, 1) if known else None,
        side=side,
        supply=log,
        drive=_drive(board, schedule, line, options),
        marks=marks,
    )


def _drive(board: Board, schedule: Schedule, line: Timeline, options: CaseOptions) -> Drive | None:
    """Return what was set where it is not simply on."""
    if options.injection:
        return _injection(board, schedule)
    if options.power_ups < PERIODIC_FROM:
        return None
    period = float(np.mean(np.diff(line.power_s[:, 0])))
    on = float(np.mean(line.power_s[:-1, 1] - line.power_s[:-1, 0]))
    volts = board.rails[0].volts if board.rails else None
    return Drive("periodic", None, volts, None, round(1 / period, 4), round(on / period, 4))


def _injection(board: Board, schedule: Schedule) -> Drive:
    """Return volts and amps that make the heat of an injected short."""
    total = float(schedule.watts.sum())
    amps = round(float(np.sqrt(max(total, 1e-3) / SHORT_OHM)), 2)
    hot = schedule.sources[int(np.argmax(schedule.watts))]
    part = next((p for p in board.parts if p.ref == hot), None)
    net = next((n for n in part.nets if n != "GND"), None) if part else None
    return Drive("injection", net, round(total / max(amps, 1e-3), 3), amps)


def click_marks(
    board: Board, first: tuple[np.ndarray, Lens | None], random: np.random.Generator, *, error_px: float
) -> tuple[Mark, ...]:
    """Click the corners of the outline's bounding box in the first frame.

    Each is off by a normal error of ``error_px`` in x and in y, at most three times that.
    """
    x0, y0, x1, y1 = board.box_mm
    corners = np.array([[x0, y1], [x1, y1], [x1, y0], [x0, y0]])
    error = np.clip(random.normal(0, 1, (4, 2)), -3, 3) * error_px
    places = picture_points(*first, corners) + error
    return tuple(
        Mark(float(m[0]), float(m[1]), round(float(p[0]), 1), round(float(p[1]), 1))
        for m, p in zip(corners, places, strict=True)
    )


def supply_log(
    board: Board, schedule: Schedule, line: Timeline, random: np.random.Generator
) -> tuple[SupplyPoint, ...]:
    """Log volts and amps of the inlet twice a second, and just after each switching."""
    volts = (board.rails[0].volts if board.rails else None) or 5.0
    last = line.times_s[-1]
    times = np.concatenate([np.arange(0, last, LOG_STEP_S), schedule.switches() + 0.01])
    times = np.unique(np.round(times, 2))
    out = []
    for time in times[(times >= 0) & (times <= last)]:
        watts = float(schedule.at(float(time)).sum())
        on = any(a <= time < b for a, b in schedule.runs_s)
        amps = watts / volts * float(1 + random.normal(0, 0.01)) + (0.002 if on else 0.0)
        out.append(SupplyPoint(float(time), volts if on else 0.0, round(max(amps, 0.0), 4)))
    return tuple(out)
