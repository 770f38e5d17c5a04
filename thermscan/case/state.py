"""What the entries of a case add up to."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence

from thermscan.case.folder import CaseFolder, case_file
from thermscan.case.safety import hot_parts, safety_questions
from thermscan.case.standing import history, read_standing
from thermscan.model.board import Board
from thermscan.model.case_record import CaseState, CaseSwap, Entry
from thermscan.model.case_settings import CaseSettings
from thermscan.model.errors import InputError
from thermscan.model.reading import Reading


def reading_data(reading: Reading, *, typed: str, good_typed: str = "") -> dict[str, object]:
    """Return a reading as plain values for the log; an open circuit becomes the word ``open``."""
    return {
        "where": reading.where,
        "net": reading.net,
        "quantity": reading.quantity,
        "value": _plain(reading.value),
        "unit": reading.unit,
        "good_value": _plain(reading.good_value),
        "power": reading.power,
        "note": reading.note,
        "typed": typed,
        "good_typed": good_typed,
    }


def _plain(value: float | None) -> float | str | None:
    return "open" if value is not None and math.isinf(value) else value


def _number(value: object) -> float | None:
    if value == "open":
        return math.inf
    return float(value) if isinstance(value, int | float) else None


def reading_of(entry: Entry) -> Reading:
    """Return the reading of an entry; ``row`` holds the entry's number.

    Raises
    ------
    InputError
        Where the entry holds no value.
    """
    value = _number(entry.data.get("value"))
    if value is None:
        raise InputError("log.jsonl", f"line {entry.number}", "holds a reading without a value", "add it again")
    words = {key: entry.text(key) for key in ("where", "net", "quantity", "unit", "power", "note")}
    good = _number(entry.data.get("good_value"))
    return Reading(time=entry.time, value=value, good_value=good, row=entry.number, **words)


def latest_readings(readings: Sequence[Reading]) -> tuple[Reading, ...]:
    """Return of several readings of one place and quantity the last."""
    return tuple({(r.where, r.net, r.quantity): r for r in readings}.values())


def documents_of(case: CaseFolder) -> dict[int, Mapping[str, object]]:
    """Return the result.json of each stored comparison by entry number; raises InputError where one is lost."""
    return {
        entry.number: json.loads(case_file(case, entry.text("path"), wanted=entry.text("sha256")))
        for entry in case.entries
        if entry.kind == "comparison"
    }


def repaired_at(entries: Sequence[Entry]) -> int | None:
    """Return the number of the entry with which the fault went, None while it has not, or where it came back.

    What is measured after it tells how the repair holds and nothing about the fault. A recording of the faulty board
    that is added later says that the fault is back.
    """
    gone = [e.number for e in entries if e.kind == "swap" and e.text("change") == "gone"]
    if not gone:
        return None
    back = [e.number for e in entries if e.kind == "recording" and e.text("role") == "faulty" and e.number > gone[0]]
    later = [number for number in gone if not back or number > back[-1]]
    return later[0] if later else None


def readings_of_fault(entries: Sequence[Entry]) -> tuple[Reading, ...]:
    """Return the readings that were taken while the fault was there."""
    end = repaired_at(entries)
    return tuple(reading_of(e) for e in entries if e.kind == "reading" and (end is None or e.number < end))


def unweighed(entries: Sequence[Entry]) -> tuple[int, ...]:
    """Return the numbers of readings and recordings of the faulty board that no comparison has weighed."""
    included = 0
    for entry in entries:
        if entry.kind == "comparison":
            weighed = entry.data.get("weighed_to")
            included = max(included, int(weighed) if isinstance(weighed, int | float) else 0)
    waiting = [
        e.number
        for e in entries
        if e.kind == "reading" or (e.kind == "recording" and e.text("role") in ("faulty", "good"))
    ]
    end = repaired_at(entries)
    return tuple(number for number in waiting if number > included and (end is None or number < end))


def state_of(case: CaseFolder, board: Board | None, *, settings: CaseSettings | None = None) -> CaseState:
    """Add up a case.

    Parameters
    ----------
    case : CaseFolder
    board : Board or None
        Of the case's board file.
    settings : CaseSettings, optional

    Returns
    -------
    CaseState

    Raises
    ------
    InputError
        Where a stored comparison is missing or changed.
    """
    documents = documents_of(case)
    bases = {
        number: read_standing(json.dumps(document).encode(), board, path=f"{case.path}: entry {number}")
        for number, document in documents.items()
    }
    swaps = tuple(
        CaseSwap(e.text("ref"), e.text("action"), e.text("change"), e.text("note"))
        for e in case.entries
        if e.kind == "swap"
    )
    answers = [e for e in case.entries if e.kind == "answer"]
    hot = hot_parts(tuple(documents.values()))
    return CaseState(
        head=case.head,
        entries=case.entries,
        readings=tuple(reading_of(e) for e in case.entries if e.kind == "reading"),
        swaps=swaps,
        ruled_out=tuple((e.text("ref"), e.text("reason")) for e in case.entries if e.kind == "rule_out"),
        questions=safety_questions(case.head, board, swaps, hot, answers),
        steps=history(case.entries, board, bases, settings=settings),
        unweighed=unweighed(case.entries),
    )


def state_document(state: CaseState) -> dict[str, object]:
    """Return where a case stands as plain JSON values."""
    standing = state.standing
    return {
        "device": state.head.device,
        "board_name": state.head.board_name,
        "entries": len(state.entries),
        "suspects": [
            {"name": c.name, "ref": c.ref, "net": c.net, "probability": c.probability}
            for c in (standing.candidates if standing else ())
        ],
        "no_fault_probability": None if standing is None else standing.no_fault,
        "other_probability": None if standing is None else standing.other,
        "why": {} if standing else {"no_fault_probability": "no comparison has been made"},
        "history": [
            {
                "number": step.number,
                "time": step.time,
                "what": step.what,
                "moved": step.moved,
                "leads": None
                if step.standing is None or not step.standing.candidates
                else step.standing.candidates[0].name,
            }
            for step in state.steps
        ],
        "unweighed": list(state.unweighed),
        "open_questions": [{"name": q.name, "text": q.text} for q in state.open_questions],
        "conclusion": None if (last := state.last("conclusion")) is None else dict(last.data),
    }
