"""Power-on of several boards of one type brought into line: they share their start-up curve.

How late the first heat is seen depends on noise, on reflections that move, and on how long heat takes through the
board, and differs from recording to recording; the courses of the same places, one board's beside another's, tell far
more closely by how much one started before the other.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from thermscan.measure.power_missed import found_among
from thermscan.measure.power_shift import BoardCourses, Shift, shift_between
from thermscan.model.quantity import Measured
from thermscan.model.settings import TimingSettings
from thermscan.model.timing import Timing

_AFTER_S = 12.0  # in which it is looked for what warms most


def aligned(boards: Sequence[BoardCourses], *, settings: TimingSettings) -> tuple[Timing, ...]:
    """Return the timing of each board, its power-on moved where the others' courses contradict it.

    Parameters
    ----------
    boards : sequence of BoardCourses
        Of one type of board on the same places.
    settings : TimingSettings

    Returns
    -------
    tuple of Timing
        In order. A warning says what was moved, and by how much, or that it was found so.

    Notes
    -----
    Each board is compared with one of them (``shift_between``). A power-on that a supply log tells is believed before
    any, then one that several boards agree on. Else the earliest is: what keeps a power-on from being seen makes it
    late. One that leads by ``align_apart_s`` must be borne out by heat before the next. A board whose power-on is not
    seen by itself is looked through for what the others do at theirs (``found_among``).
    """
    timings = [b.timing for b in boards]
    known = [i for i, b in enumerate(boards) if _is_long(b.timing, settings)]
    if not known:
        return tuple(timings)
    hub, shifts = _best_hub(boards, known, settings)
    if len(shifts) > 1:
        origin = _origin(boards, hub, shifts, settings)
        for i, shift in shifts.items():
            timings[i] = _moved(boards[i].timing, origin, shift, settings)
    like = replace(boards[hub], timing=timings[hub])
    for i, one in enumerate(boards):
        if one.timing.on_s is None:
            timings[i] = found_among(like, one, settings=settings)
    return tuple(timings)


def _is_long(timing: Timing, settings: TimingSettings) -> bool:
    """Tell whether a board shows or starts with one long run: short tries of a supply make courses of their own."""
    if timing.on_s is None:
        return False
    return timing.off_s is None or timing.off_s.value - timing.on_s.value > 2 * settings.align_least_s


def _best_hub(
    boards: Sequence[BoardCourses], known: Sequence[int], settings: TimingSettings
) -> tuple[int, dict[int, Shift]]:
    """Return the board whose own power-on most others agree with, and the shift of each of these from its clock.

    Of several the one with the earliest power-on.
    """
    found: list[tuple[tuple[int, int, float], int, dict[int, Shift]]] = []
    for hub in known:
        shifts = {hub: Shift(0.0, 0.0)}
        for i in known:
            shift = None if i == hub else shift_between(boards[hub], boards[i], settings=settings)
            if shift is not None:
                shifts[i] = shift
        agreeing = sum(abs(s.seconds) <= _tolerance_s(s, settings) for s in shifts.values())
        lead = float(np.mean([s.seconds for s in shifts.values()]))
        found.append(((len(shifts), agreeing, -lead), hub, shifts))
    _, hub, shifts = max(found, key=lambda f: f[0])
    return hub, shifts


def _tolerance_s(shift: Shift, settings: TimingSettings) -> float:
    """Return by how much two power-ons may differ before their courses contradict them, s."""
    return settings.align_agree_s + 1.96 * shift.error_s


def _origin(boards: Sequence[BoardCourses], hub: int, shifts: dict[int, Shift], settings: TimingSettings) -> Measured:
    """Return the power-on that is believed, in seconds since the hub's own."""
    origins = {i: _carried(boards[i].timing, s) for i, s in shifts.items()}
    logged = [i for i in shifts if boards[i].timing.source != "temperature"]
    if logged:
        return min((origins[i] for i in logged), key=lambda m: m.high - m.low)
    if sum(abs(s.seconds) <= _tolerance_s(s, settings) for s in shifts.values()) > 1:
        return origins[hub]
    order = sorted(origins, key=lambda i: origins[i].value)
    gap = origins[order[1]].value - origins[order[0]].value
    is_borne_out = gap <= settings.align_apart_s or _warms_between(boards, shifts, origins, order, settings)
    return origins[order[0] if is_borne_out else order[1]]


def _carried(timing: Timing, shift: Shift) -> Measured:
    """Return where a board's own power-on lies on the hub's clock: its own is at 0, the hub's shifted by as much."""
    assert timing.on_s is not None
    wide = 1.96 * shift.error_s
    half_low, half_high = timing.on_s.value - timing.on_s.low, timing.on_s.high - timing.on_s.value
    at = -shift.seconds
    return Measured(at, at - float(np.hypot(half_low, wide)), at + float(np.hypot(half_high, wide)))


def _warms_between(
    boards: Sequence[BoardCourses],
    shifts: dict[int, Shift],
    origins: dict[int, Measured],
    order: Sequence[int],
    settings: TimingSettings,
) -> bool:
    """Tell whether half of the boards or more warm between the earliest power-on and the next one."""
    start, stop = origins[order[0]].value, origins[order[1]].value
    votes = []
    for i, shift in shifts.items():
        own = boards[i].timing.on_s
        assert own is not None
        since = boards[i].times_s - own.value - shift.seconds  # on the hub's clock
        warm = _warmest(boards[i], since, start, settings)
        before, during = warm[since < start], warm[(since >= start) & (since <= stop)]
        if len(before) < 4 or len(during) < 4:
            continue
        noise = float(np.std(np.diff(before))) / np.sqrt(2.0) + 1e-12
        few = max(2, len(during) // 3)
        gain = during[-few:].mean() - during[:few].mean()
        votes.append(gain > settings.source_sigmas * noise * np.sqrt(2.0 / few))
    return bool(votes) and float(np.mean(votes)) >= 0.5


def _warmest(board: BoardCourses, since: np.ndarray, start: float, settings: TimingSettings) -> np.ndarray:
    """Return the mean course of the places that warm most in the end, ndarray (samples,)."""
    seen = np.isfinite(board.noise)
    values = board.values[:, seen]
    after = np.flatnonzero((since > start) & (since < start + _AFTER_S))
    few = max(1, len(after) // 5)
    rise = values[after[-few:]].mean(axis=0) - values[after[:few]].mean(axis=0) if len(after) > 2 else values[-1]
    least = min(settings.source_share * float(rise.max()), float(rise.max()))
    return values[:, rise >= least].mean(axis=1)


def _moved(timing: Timing, origin: Measured, shift: Shift, settings: TimingSettings) -> Timing:
    """Return a timing with its power-on where the origin puts it, if that contradicts its own."""
    own = timing.on_s
    assert own is not None
    if timing.source != "temperature":
        return timing
    by = origin.value + shift.seconds
    wide = 1.96 * shift.error_s
    low = own.value + by - float(np.hypot(origin.value - origin.low, wide))
    high = own.value + by + float(np.hypot(origin.high - origin.value, wide))
    if abs(by) <= _tolerance_s(shift, settings):
        return timing
    at = Measured(own.value + by, low, high)
    if timing.off_s is not None and at.high >= timing.off_s.low:
        return timing
    word = "before" if by < 0 else "after"
    said = f"power-on was moved to {abs(by):.2g} s {word} what it shows by itself: it then warms as the others do"
    ups = timing.power_ups
    ups = (replace(ups[0], on_s=at), *ups[1:]) if ups else ups
    return replace(timing, on_s=at, power_ups=ups, warnings=(*timing.warnings, said))
