"""How the entries of a case move the suspects, one after another, each by a stated amount."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from thermscan.case.symptom import symptom_named
from thermscan.model.board import Board
from thermscan.model.case_record import Candidate, Entry, Standing, Step
from thermscan.model.case_settings import CaseSettings
from thermscan.model.errors import InputError

NO_FAULT, OTHER = "no fault", "another fault"


@dataclass(frozen=True)
class Factor:
    """What one entry does: a factor for every outcome, and the sentence that states the amounts.

    Of several with one ``key`` (a part swapped twice) the last counts, for they say the same thing.
    """

    key: tuple[str, str]
    text: str
    of: Callable[[Candidate], float]
    no_fault: float = 1.0
    other: float = 1.0


def standing_of(document: Mapping[str, object], board: Board | None, *, path: str) -> Standing:
    """Return the outcomes of a result.json.

    Raises
    ------
    InputError
        Where keys are missing or the probabilities do not add to one.
    """
    kinds = {} if board is None else {part.ref: part.kind for part in board.parts}
    candidates: list[Candidate] = []
    try:
        for suspect in document["suspects"]:  # type: ignore[attr-defined]
            ref, net = suspect["ref"], suspect["net"]
            name = _free_name(_name_of(suspect), candidates)
            faults = {str(k): float(v) for k, v in suspect["faults"].items()}
            candidates.append(Candidate(name, float(suspect["probability"]), ref, net, faults, kinds.get(ref, "")))
        standing = Standing(
            tuple(candidates),
            float(document["no_fault_probability"]),
            float(document["other_probability"]),  # type: ignore[arg-type]
        )
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise InputError(path, "", "is not a result of thermscan", "add the folder that compare wrote") from error
    if abs(standing.total - 1.0) > 0.01:
        raise InputError(path, "", f"its probabilities add to {standing.total:.3f}, not 1", "make the comparison again")
    return standing


def _name_of(suspect: Mapping[str, object]) -> str:
    if suspect["ref"]:
        return str(suspect["ref"])
    if suspect.get("x_mm") is not None and suspect.get("y_mm") is not None:
        return f"bare place at {suspect['x_mm']:.0f}, {suspect['y_mm']:.0f} mm"
    return f"net {suspect['net']}" if suspect["net"] else "bare place"


def _free_name(name: str, taken: Sequence[Candidate]) -> str:
    """Return a name that no other candidate has."""
    names = {c.name for c in taken}
    number, free = 2, name
    while free in names:
        free, number = f"{name} ({number})", number + 1
    return free


def swap_factor(entry: Entry, kind: str, *, settings: CaseSettings) -> Factor | None:
    """Return what a swap or removal says: without change it lowers the part and its kind by stated amounts.

    None where something changed but the fault stayed: only a new recording can weigh that.
    """
    ref, change = entry.text("ref"), entry.text("change")
    what = f"{ref} {entry.text('action')}"
    if change == "none":
        left, like = settings.swap_left, settings.kind_left

        def lower(c: Candidate) -> float:
            return left if c.ref == ref else (like if kind and c.kind == kind else 1.0)

        more = f", other parts of kind {kind} times {like:g}" if kind else ""
        return Factor(("swap", ref), f"{what}, no change: {ref} times {left:g}{more}", lower)
    if change == "gone":
        rest = settings.gone_left
        text = f"{what}, fault gone: everything but {ref} times {rest:g}"
        return Factor(("swap", ref), text, lambda c: 1.0 if c.ref == ref else rest, no_fault=rest, other=rest)
    return None


def symptom_factor(entry: Entry) -> Factor | None:
    """Return what a symptom's word says under each fault; None for free text, which says nothing by itself."""
    if not entry.text("word"):
        return None
    symptom = symptom_named(entry.text("word"))
    chances = symptom.chances

    def weigh(c: Candidate) -> float:
        total = sum(c.faults.values())
        if total <= 0:
            return chances["other"]
        return sum(share * chances.get(fault, chances["other"]) for fault, share in c.faults.items()) / total

    return Factor(
        ("symptom", symptom.name), f"symptom: {symptom.about}", weigh, no_fault=chances["none"], other=chances["other"]
    )


def rule_out_factor(entry: Entry, *, settings: CaseSettings) -> Factor:
    """Return what the user's own ruling out says."""
    ref, left = entry.text("ref"), settings.rule_out_left
    text = f"{ref} ruled out by hand: times {left:g}"
    return Factor(("rule_out", ref), text, lambda c: left if ref in (c.ref, c.name) else 1.0)


def reading_factor(entry: Entry) -> Factor | None:
    """Return what a reading was found to say when it was added; None where nothing could be weighed then."""
    stored = entry.data.get("weight")
    if not isinstance(stored, dict) or not stored.get("factors"):
        return None
    factors = {str(name): float(value) for name, value in stored["factors"].items()}
    key = ("reading", "|".join(entry.text(k) for k in ("where", "net", "quantity")))
    unlisted = float(stored["other"])
    return Factor(
        key,
        f"reading: {stored['text']}",
        lambda c: factors.get(c.name, unlisted),
        no_fault=float(stored["no_fault"]),
        other=unlisted,
    )


def past_factor(entry: Entry, parts: int, *, settings: CaseSettings) -> Factor | None:
    """Return what earlier cases of this board type say: causes seen before weigh more, others a little less.

    Notes
    -----
    Each of N parts starts with an equal share; n past cases are added to ``past_strength`` made-up ones, so that
    a part seen k times is multiplied by (strength / N + k) / ((strength + n) / N), the others with k = 0.
    """
    causes = entry.data.get("causes")
    if not isinstance(causes, dict) or not causes:
        return None
    seen = {str(ref): int(count) for ref, count in causes.items()}
    total, strength, parts = sum(seen.values()), settings.past_strength, max(parts, len(seen), 1)

    def weigh(c: Candidate) -> float:
        return (strength / parts + seen.get(c.ref or "", 0)) / ((strength + total) / parts)

    told = ", ".join(f"{ref} in {count}" for ref, count in sorted(seen.items(), key=lambda kv: (-kv[1], kv[0])))
    cases = f"{total} past case{'' if total == 1 else 's'}"
    return Factor(("past", ""), f"{cases} of this board type: {told}", weigh)


def reweighed(standing: Standing, factor: Factor) -> Standing:
    """Return the outcomes after one factor, adding to one again; unchanged where nothing would be left."""
    weights = [c.probability * factor.of(c) for c in standing.candidates]
    none, other = standing.no_fault * factor.no_fault, standing.other * factor.other
    total = math.fsum([none, other, *weights])
    if total <= 0:
        return standing
    moved = [replace(c, probability=w / total) for c, w in zip(standing.candidates, weights, strict=True)]
    moved.sort(key=lambda c: -c.probability)
    return Standing(tuple(moved), none / total, other / total)


def moved_words(before: Standing | None, after: Standing | None) -> str:
    """Say what moved most from one standing to the next."""
    if after is None:
        return "nothing to move yet: no comparison has been made"
    if before is None:
        first = after.candidates[0] if after.candidates else None
        return f"first comparison: {first.name} leads with {_percent(first.probability)}" if first else "no suspects"
    table_before, table_after = _table(before), _table(after)
    names = [*table_after, *(n for n in table_before if n not in table_after)]
    name = max(names, key=lambda n: abs(table_after.get(n, 0.0) - table_before.get(n, 0.0)))
    old, new = table_before.get(name, 0.0), table_after.get(name, 0.0)
    if abs(new - old) < 0.005:
        return "moves nothing by as much as half a percent"
    return f"moves {name} from {_percent(old)} to {_percent(new)}"


def _table(standing: Standing) -> dict[str, float]:
    return {c.name: c.probability for c in standing.candidates} | {
        NO_FAULT: standing.no_fault,
        OTHER: standing.other,
    }


def _percent(probability: float) -> str:
    """Say a probability in per cent, never as certainty."""
    if not 0.005 <= probability <= 0.995:
        return "under 1 %" if probability < 0.5 else "over 99 %"
    return f"{100 * probability:.0f} %"


def factor_of(entry: Entry, board: Board | None, *, settings: CaseSettings) -> Factor | None:
    """Return what an entry does to the suspects by itself, None for one that does nothing or needs a comparison."""
    if entry.kind == "swap":
        kinds = {} if board is None else {part.ref: part.kind for part in board.parts}
        return swap_factor(entry, kinds.get(entry.text("ref"), ""), settings=settings)
    if entry.kind == "symptom":
        return symptom_factor(entry)
    if entry.kind == "reading":
        return reading_factor(entry)
    if entry.kind == "rule_out":
        return rule_out_factor(entry, settings=settings)
    if entry.kind == "past":
        return past_factor(entry, 0 if board is None else len(board.parts), settings=settings)
    return None


def read_standing(content: bytes, board: Board | None, *, path: str) -> Standing:
    """Return the outcomes of the bytes of a result.json; raises InputError."""
    try:
        document = json.loads(content.decode("utf-8"))
    except ValueError as error:
        raise InputError(path, "", "is not JSON", "make the comparison again") from error
    return standing_of(document if isinstance(document, dict) else {}, board, path=path)


def _waiting_words(entry: Entry) -> str:
    if entry.kind == "swap" and entry.text("seen_by"):
        return "something changed, which does not say whether the fault is gone: compare with good boards again"
    if entry.kind == "swap":
        return "something changed but the fault stayed: film the board again to weigh it"
    if entry.kind == "symptom":
        return "free text: told in the sheets, moves nothing by itself (see case add symptom --word)"
    stored = entry.data.get("weight")
    if isinstance(stored, dict) and stored.get("text"):
        return f"moves nothing: {stored['text']}"
    return "waits for the next comparison"


def _words_of(entry: Entry) -> str:
    """Say in short what an entry holds."""
    if entry.kind == "reading":
        where = entry.text("net") or entry.text("where")
        return f"reading: {entry.text('quantity').replace('_', ' ')} of {where} {entry.text('typed')}"
    if entry.kind == "recording":
        return f"recording: {entry.text('role')}, {entry.text('path')}"
    if entry.kind == "swap":
        return f"{entry.text('ref')} {entry.text('action')}, {entry.text('change')}"
    return f"symptom: {entry.text('text')}"


def _without_weighed(
    factors: dict[tuple[str, str], Factor], comparison: Entry, entries: Sequence[Entry]
) -> dict[tuple[str, str], Factor]:
    """Leave out the readings that a comparison was given: it has weighed them itself."""
    to = comparison.data.get("weighed_to")
    limit = int(to) if isinstance(to, int | float) else 0
    inside = {f.key for e in entries if e.kind == "reading" and e.number <= limit and (f := reading_factor(e))}
    later = {f.key for e in entries if e.kind == "reading" and e.number > limit and (f := reading_factor(e))}
    return {key: factor for key, factor in factors.items() if key not in inside - later}


def history(
    entries: Sequence[Entry],
    board: Board | None,
    bases: Mapping[int, Standing],
    *,
    settings: CaseSettings | None = None,
) -> tuple[Step, ...]:
    """Replay a case: the outcomes after every entry that bears on them.

    Parameters
    ----------
    entries : sequence of Entry
        In order.
    board : Board or None
        For the kinds of parts.
    bases : mapping of entry number to Standing
        The outcomes of each stored comparison.
    settings : CaseSettings, optional

    Returns
    -------
    tuple of Step

    Notes
    -----
    A comparison starts from its own priors, so what earlier entries said by themselves (swaps, symptoms' words,
    ruling out, past cases) is applied again on top of it. A reading is weighed quickly when it is added and again,
    fully, inside the next comparison, which then takes its place, so nothing counts twice: of several entries that
    say the same thing the last counts. A comparison knows nothing of unlisted suspects: they stay in 'another
    fault'.
    """
    settings = settings or CaseSettings()
    steps: list[Step] = []
    factors: dict[tuple[str, str], Factor] = {}
    base: Standing | None = None
    now: Standing | None = None
    for entry in entries:
        factor = factor_of(entry, board, settings=settings)
        if factor is None and entry.number not in bases:
            if entry.kind in ("reading", "recording", "swap", "symptom"):
                steps.append(Step(entry.number, entry.time, _words_of(entry), now, _waiting_words(entry)))
            continue
        what = "comparison" if factor is None else factor.text
        if factor is None:
            base = bases[entry.number]
            factors = _without_weighed(factors, entry, entries)
            count = f"{len(factors)} earlier entr{'y' if len(factors) == 1 else 'ies'}"
            what += f", with {count} applied again" if factors else ""
        else:
            factors[factor.key] = factor
        before, now = now, base
        for each in factors.values() if now is not None else ():
            now = reweighed(now, each)
        steps.append(Step(entry.number, entry.time, what, now, moved_words(before, now)))
    return tuple(steps)
