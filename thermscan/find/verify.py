"""After a repair: is the fault gone, is anything new, did anything else change, and what was not tried."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from thermscan.find.verify_criteria import (
    Run,
    balance_criterion,
    cold_start_criterion,
    rail_criteria,
    restart_criterion,
)
from thermscan.find.verify_seen import WHOLE_BOARD, Seen, rises_of, see_parts
from thermscan.model.board import Board, Rail
from thermscan.model.case_record import Criterion, PlaceChange, Verification
from thermscan.model.case_settings import VerifySettings
from thermscan.model.reading import Reading
from thermscan.model.result import Hotspot, PartReading

SPREAD_WORDS = "beyond noise and the spread between good boards"


@dataclass(frozen=True)
class State:
    """What one recording shows against the good boards: its parts and its bare hot or cold places."""

    name: str
    parts: tuple[PartReading, ...]
    places: tuple[Hotspot, ...] = ()


@dataclass(frozen=True)
class RepairEvidence:
    """What was measured before and after a repair.

    Attributes
    ----------
    after : tuple of State
        One a recording after the repair.
    before : State or None
        The board before, against the same good boards.
    paired : tuple of tuple of PartReading
        For each of ``after`` its parts against the same board before; empty without ``before``.
    runs : tuple of Run
    rails : tuple of Rail
    readings : tuple of Reading
        Taken after the repair.
    run_for_s : float or None
        Stated time that stands for thermal balance; None: balance itself is wanted.
    """

    after: tuple[State, ...]
    before: State | None = None
    paired: tuple[tuple[PartReading, ...], ...] = ()
    runs: tuple[Run, ...] = ()
    rails: tuple[Rail, ...] = ()
    readings: tuple[Reading, ...] = ()
    run_for_s: float | None = None
    board: Board | None = None
    edge_mm: float = 0.0


def _triple(seen: Seen | None) -> tuple[float, float, float] | None:
    return None if seen is None else (seen.excess.value, seen.excess.low, seen.excess.high)


def _kelvin(seen: Seen) -> str:
    return f"{seen.excess.value:+.1f} K ({seen.excess.low:+.1f} to {seen.excess.high:+.1f})"


def judge_fault_place(
    before: Seen, after: Seen | None, paired: Seen | None = None, *, settings: VerifySettings
) -> tuple[str, str]:
    """Say whether a place that differed before is like the good boards now: (state, sentence).

    Gone needs that the place no longer stands out AND that what is left is small: either the whole interval of it lies
    under ``left_share`` of what it was, or the board compared with itself before, which knows no spread between boards,
    shows with its whole interval that at least the rest went away. Not being seen is not being gone. Where the whole
    interval of what is left lies above ``left_share``, the fault is still there, even if the place stands out less.
    """
    if after is None:
        return "unknown", f"was {_kelvin(before)}, cannot be seen now"
    was_now = f"was {_kelvin(before)}, is {_kelvin(after)}"
    if after.stands_out and after.sign == before.sign:
        return "still_there", f"{was_now}: still differs {SPREAD_WORDS}"
    if after.stands_out:
        return "new", f"{was_now}: differs the other way now"
    was, ends = abs(before.own.value), (before.sign * after.own.low, before.sign * after.own.high)
    if max(ends) <= settings.left_share * was:
        return "gone", f"{was_now}: like the good boards"
    if min(ends) > settings.left_share * was:
        return "still_there", f"{was_now}: too much of it is left"
    if _went_away(before, after, paired, settings=settings):
        return "gone", f"{was_now}: like the good boards, and changed by that much since before"
    return "unknown", f"{was_now}: no longer stands out, yet too uncertain to call it gone"


def _went_away(before: Seen, after: Seen, paired: Seen | None, *, settings: VerifySettings) -> bool:
    """Tell whether the board against itself before shows that the most of a difference went away."""
    if paired is None or not paired.stands_out:
        return False
    was = abs(before.own.value)
    went = min(-before.sign * paired.own.low, -before.sign * paired.own.high)
    return went >= (1 - settings.left_share) * was and before.sign * after.own.value <= settings.left_share * was


def judge_other_place(
    before: Seen | None, after: Seen, paired: Seen | None, *, has_before: bool, settings: VerifySettings
) -> tuple[str, str] | None:
    """Say whether a place that did not differ before does now; None where there is nothing to say."""
    if after.stands_out and not has_before:
        return "still_there", f"is {_kelvin(after)}: differs {SPREAD_WORDS}"
    if after.stands_out and (before is None or _has_moved(before, after, paired, settings=settings)):
        was = "could not be judged before" if before is None else f"was {_kelvin(before)}"
        return "new", f"{was}, is {_kelvin(after)}: differs {SPREAD_WORDS}"
    if after.stands_out:
        return "unknown", f"is {_kelvin(after)}: about as before the repair, when it did not quite stand out"
    if before is not None and paired is not None and paired.stands_out:
        farther = abs(after.own.value) > abs(before.own.value)
        words = "moved, yet like the good boards" if farther else "moved nearer to the good boards"
        return "changed" if farther else "nearer", f"was {_kelvin(before)}, is {_kelvin(after)}: {words}"
    return None


def _has_moved(before: Seen, after: Seen, paired: Seen | None, *, settings: VerifySettings) -> bool:
    """Tell whether a place moved since before: by the paired difference, or by the two intervals being far apart.

    The paired difference counts as measured too, for a place moves with its board. The two excesses share the good
    boards, so that their difference is surer than the sum of their variances says: the last test is on the safe side.
    """
    if paired is not None and paired.sign == after.sign and paired.stands_out:
        return True
    if paired is not None and paired.excess.value * after.sign >= max(
        settings.floor_k, settings.paired_sigma * paired.excess.standard_error
    ):
        return True
    apart = after.own.value - before.own.value
    error = math.hypot(after.own.standard_error, before.own.standard_error)
    return apart * after.sign >= max(settings.floor_k, settings.sigma * error)


def judge_parts(evidence: RepairEvidence, number: int, *, settings: VerifySettings) -> list[PlaceChange]:
    """Judge every part of one recording after the repair."""
    parts = evidence.after[number].parts
    rises = rises_of(parts)
    own = evidence.paired[number] if number < len(evidence.paired) else ()
    old = evidence.before.parts if evidence.before else ()
    before = see_parts(old, rises_of(old), sigma=settings.sigma, settings=settings)
    after = see_parts(parts, rises, sigma=settings.sigma, settings=settings)
    paired = see_parts(own, rises, sigma=settings.paired_sigma, settings=settings)
    changes = []
    for ref in (*(part.ref for part in parts), WHOLE_BOARD):
        was, now = before.get(ref), after.get(ref)
        if was is not None and was.stands_out:
            said: tuple[str, str] | None = judge_fault_place(was, now, paired.get(ref), settings=settings)
        elif now is not None:
            known = evidence.before is not None
            said = judge_other_place(was, now, paired.get(ref), has_before=known, settings=settings)
        else:
            said = None
        if said is not None:
            at = now.at_s if now is not None else None
            label = f"{ref}, a typical warm part," if ref == WHOLE_BOARD else ref
            changes.append(PlaceChange(ref, said[0], _triple(was), _triple(now), at, f"{label} {said[1]}"))
    return changes


def judge_bare_places(evidence: RepairEvidence, number: int, *, settings: VerifySettings) -> list[PlaceChange]:
    """Judge hot and cold places at no listed part, by whether the other recording has one within reach."""
    old = evidence.before.places if evidence.before is not None else ()
    new = evidence.after[number].places
    before, after = (_strong(places, evidence, settings=settings) for places in (old, new))
    changes = []
    for spot in before:
        match, weak = _match(spot, after), _match(spot, new)
        if match is None and weak is not None:
            changes.append(_bare_change(spot, "unknown", spot, weak, "stands out less clearly now"))
            continue
        state = "gone" if match is None else "still_there"
        words = "no longer stands out" if match is None else "still stands out"
        changes.append(_bare_change(spot, state, spot, match, words))
    for spot in after:
        weak = _match(spot, old)
        if weak is not None and _match(spot, before) is None:
            changes.append(_bare_change(spot, "unknown", weak, spot, "stood out before, though less clearly"))
        elif weak is None:
            state = "new" if evidence.before is not None else "still_there"
            changes.append(_bare_change(spot, state, None, spot, f"stands out {SPREAD_WORDS}"))
    return changes


def _match(spot: Hotspot, others: Sequence[Hotspot]) -> Hotspot | None:
    """Return the first of other places that may be the same one."""
    return next((other for other in others if _is_same(spot, other)), None)


def is_at_edge(board: Board, x_mm: float, y_mm: float, *, reach_mm: float) -> bool:
    """Tell whether a place lies within ``reach_mm`` of the outline or of a hole's edge."""
    place = np.array([x_mm, y_mm])
    if any(abs(math.hypot(h.x - x_mm, h.y - y_mm) - h.d / 2) <= reach_mm for h in board.holes):
        return True
    start = np.asarray(board.outline_mm, float)
    along = np.roll(start, -1, axis=0) - start
    share = ((place - start) * along).sum(axis=1) / np.maximum((along**2).sum(axis=1), 1e-12)
    foot = start + np.clip(share, 0.0, 1.0)[:, None] * along
    return bool(np.hypot(*(place - foot).T).min() <= reach_mm)


def _strong(places: Sequence[Hotspot], evidence: RepairEvidence, *, settings: VerifySettings) -> list[Hotspot]:
    """Return places at no part that stand out clearly; there are many places, so more is asked of each."""
    board = evidence.board
    return [
        spot
        for spot in places
        if not spot.parts
        and not (board and is_at_edge(board, spot.x_mm, spot.y_mm, reach_mm=evidence.edge_mm + spot.place_95_mm))
        and spot.excess_k is not None
        and abs(spot.significance) >= settings.bare_sigma
        and abs(spot.excess_k.value) >= settings.floor_k
    ]


def _is_same(a: Hotspot, b: Hotspot) -> bool:
    return a.kind == b.kind and math.hypot(a.x_mm - b.x_mm, a.y_mm - b.y_mm) <= a.place_95_mm + b.place_95_mm


def _bare_change(spot: Hotspot, state: str, was: Hotspot | None, now: Hotspot | None, words: str) -> PlaceChange:
    name = f"bare place at {spot.x_mm:.0f}, {spot.y_mm:.0f} mm"
    pair = [None if s is None or (e := s.excess_k) is None else (e.value, e.low, e.high) for s in (was, now)]
    return PlaceChange(name, state, pair[0], pair[1], spot.excess_at_s, f"{name} {words}")


# From the worst to the best: of several recordings after the repair the worst state of a place counts.
_WORST_FIRST = ("still_there", "new", "unknown", "changed", "nearer", "gone")


def judge_places(evidence: RepairEvidence, *, settings: VerifySettings) -> tuple[PlaceChange, ...]:
    """Judge every place over all recordings after the repair, the worst and strongest first."""
    worst: dict[str, PlaceChange] = {}
    for number in range(len(evidence.after)):
        judged = judge_parts(evidence, number, settings=settings)
        for change in judged + judge_bare_places(evidence, number, settings=settings):
            old = worst.get(change.name)
            if old is None or _WORST_FIRST.index(change.state) < _WORST_FIRST.index(old.state):
                worst[change.name] = change

    def weight(change: PlaceChange) -> tuple[int, float]:
        size = max(abs(t[0]) if t else 0.0 for t in (change.before_k, change.after_k))
        return _WORST_FIRST.index(change.state), -size

    return tuple(sorted(worst.values(), key=weight))


def main_places(places: Sequence[PlaceChange], *, settings: VerifySettings) -> list[PlaceChange]:
    """Return the places that make the fault: those that differed before by a good share of what the strongest did."""
    differed = [p for p in places if p.before_k is not None and p.state in ("still_there", "unknown", "gone")]
    largest = max((abs(p.before_k[0]) for p in differed if p.before_k and p.state != "unknown"), default=0.0)
    return [p for p in differed if p.before_k and abs(p.before_k[0]) >= max(settings.main_share * largest, 1e-9)]


def limit_words(evidence: RepairEvidence, *, settings: VerifySettings) -> str:
    """Say from which difference a part would stand out, in the recording that shows it best; empty without parts."""
    least: dict[str, float] = {}
    for state in evidence.after:
        for ref, seen in see_parts(state.parts, rises_of(state.parts), sigma=settings.sigma, settings=settings).items():
            if ref != WHOLE_BOARD:
                least[ref] = min(seen.least_k, least.get(ref, math.inf))
    if not least:
        return ""
    worst = max(least, key=lambda ref: least[ref])
    typical = float(np.median(list(least.values())))
    return f"a typical part would show it from {typical:.1f} K, {worst} from {least[worst]:.1f} K"


def outcome_of(
    places: Sequence[PlaceChange], *, has_before: bool, limit: str, settings: VerifySettings
) -> tuple[str, str]:
    """Say what the places add up to: (outcome, sentence); ``limit`` is from ``limit_words``."""
    new = [p for p in places if p.state == "new"]
    if not has_before:
        return _outcome_alone(places, limit)
    main = main_places(places, settings=settings)
    there, gone = ([p for p in main if p.state == state] for state in ("still_there", "gone"))
    if there:
        more = f" Something new besides: {_names(new)}." if new else ""
        return "still_there", f"The fault is still there: {_names(there)}.{more}"
    if new:
        first = f"The fault is gone ({_names(gone)})" if gone else "Whether the fault is gone cannot be told"
        return "something_new", f"{first}, but there is something new: {_names(new)}."
    if not gone:
        return "cannot_tell", _why_untold([p for p in main if p.state == "unknown"], places)
    return "gone", f"The fault is gone ({_names(gone)}).{_rest_words(places, main, limit)}"


def _outcome_alone(places: Sequence[PlaceChange], limit: str) -> tuple[str, str]:
    """Say what the places add up to without a recording from before."""
    there = [p for p in places if p.state == "still_there"]
    if there:
        return "still_there", f"Not like the good boards: {_names(there)}."
    if not limit:
        return "cannot_tell", "This cannot be told: no part could be judged."
    said = f"The board behaves like the good ones; of a difference, {limit}."
    return "like_good", f"{said} Without a recording from before, that is all."


def _rest_words(places: Sequence[PlaceChange], main: Sequence[PlaceChange], limit: str) -> str:
    """Say what else changed or still differs, or the limit within which nothing did."""
    there = [p for p in places if p.state == "still_there" and p not in main]
    changed = [p for p in places if p.state == "changed"]
    unsure = [p for p in places if p.state == "unknown"]
    words = f" Still not like the good boards, though less than the fault was: {_names(there)}." if there else ""
    words += f" Changed, yet like the good boards: {_names(changed)}." if changed else ""
    words += f" Too uncertain to tell: {_names(unsure)}." if unsure else ""
    return words or f" No other change is seen; {limit}."


def _why_untold(unsure: Sequence[PlaceChange], places: Sequence[PlaceChange]) -> str:
    if unsure:
        return f"This cannot be told: {_names(unsure)} too uncertain; film more good boards, or longer."
    nearer, farther = ([p for p in places if p.state == state] for state in ("nearer", "changed"))
    first = (
        "This cannot be told: the recording from before shows no difference from the good boards that is surely more"
    )
    if farther:
        moved = f"It did move away from them at {_names(farther)}: film more good boards, their spread may hide a fault"
    elif nearer:
        moved = f"It did move nearer to them at {_names(nearer)}: film more good boards, their spread hides the rest"
    else:
        moved = "Nor did it visibly change since then: check by the symptom itself"
    return f"{first} than their spread, so that its going cannot be shown. {moved}."


def _names(places: Sequence[PlaceChange]) -> str:
    more = f" and {len(places) - 4} more" if len(places) > 4 else ""
    return ", ".join(p.name for p in places[:4]) + more


def fault_criterion(outcome: str, places: Sequence[PlaceChange], *, settings: VerifySettings) -> Criterion:
    """Check that what differed before the repair is gone; what never showed, or was never filmed, is not done."""
    wanted = "seen before the repair, gone after it"
    main = main_places(places, settings=settings)
    there, gone = ([p for p in main if p.state == state] for state in ("still_there", "gone"))
    if outcome == "like_good":
        return Criterion("fault", wanted, "no recording from before", "not_done")
    if there:
        return Criterion("fault", wanted, f"still there: {_names(there)}", "not_met")
    if gone:
        return Criterion("fault", wanted, f"gone: {_names(gone)}", "met")
    return Criterion("fault", wanted, "cannot be told: check by the symptom", "not_done")


def rest_criterion(places: Sequence[PlaceChange]) -> Criterion:
    """Check that nothing differs from the good boards any more, the fault's place included."""
    wanted = "like the good boards"
    bad = [p for p in places if p.state in ("still_there", "new")]
    if bad:
        return Criterion("whole board", wanted, f"differs: {_names(bad)}", "not_met")
    unsure = [p for p in places if p.state == "unknown"]
    if unsure:
        return Criterion("whole board", wanted, f"cannot be told: {_names(unsure)}", "not_done")
    return Criterion("whole board", wanted, "no place differs", "met")


def verify_repair(
    evidence: RepairEvidence, *, settings: VerifySettings | None = None
) -> tuple[str, str, tuple[Criterion, ...], tuple[PlaceChange, ...]]:
    """Judge a repair.

    Parameters
    ----------
    evidence : RepairEvidence
    settings : VerifySettings, optional

    Returns
    -------
    tuple of (outcome, sentence, criteria, places)
        ``outcome`` is one of VERIFY_OUTCOMES.

    Notes
    -----
    A place differs where its excess over the good boards exceeds ``sigma`` standard deviations of noise and spread
    and a floor, once what all parts share is taken off (``verify_seen``); what they share is judged as a place of its
    own, the whole board. New needs that the board also differs from itself before. Not valid for faults that make no
    heat, or that show only under loads the recording did not have.
    """
    settings = settings or VerifySettings()
    places = judge_places(evidence, settings=settings)
    limit, known = limit_words(evidence, settings=settings), evidence.before is not None
    outcome, sentence = outcome_of(places, has_before=known, limit=limit, settings=settings)
    criteria = (
        fault_criterion(outcome if known else "like_good", places, settings=settings),
        rest_criterion(places),
        cold_start_criterion(evidence.runs, settings=settings),
        restart_criterion(evidence.runs),
        balance_criterion(evidence.runs, evidence.run_for_s, settings=settings),
        *rail_criteria(evidence.rails, evidence.readings),
    )
    return outcome, sentence, criteria, places


def to_verification(
    judged: tuple[str, str, tuple[Criterion, ...], tuple[PlaceChange, ...]],
    *,
    inputs: tuple[tuple[str, str, str], ...],
    board_name: str,
    side: str,
    warnings: tuple[str, ...] = (),
    version: str = "",
) -> Verification:
    """Put what was judged and what it was judged from into one record."""
    outcome, sentence, criteria, places = judged
    return Verification(outcome, sentence, criteria, places, inputs, board_name, side, warnings, version)
