"""Earlier cases of the same board type: what they found, and two of them side by side."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from thermscan.case.folder import HEAD_NAME, CaseFolder, open_case
from thermscan.case.state import latest_readings
from thermscan.model.case_record import CaseState
from thermscan.model.errors import InputError
from thermscan.model.reading import Reading
from thermscan.show.words import say_share


@dataclass(frozen=True)
class PastCases:
    """What earlier cases of a board type found: how often each part was the cause, from which cases.

    ``left_out`` holds a sentence for each case that says nothing, and why.
    """

    causes: dict[str, int]
    cases: tuple[tuple[str, str], ...]
    left_out: tuple[str, ...]


def _folders(folder: Path) -> list[Path]:
    """Return the case folders in a folder, or the folder itself where it is one."""
    if (folder / HEAD_NAME).is_file():
        return [folder]
    if not folder.is_dir():
        raise InputError(str(folder), "", "is no folder", "name the folder that holds the past cases")
    return sorted(p.parent for p in folder.glob(f"*/{HEAD_NAME}"))


def gather_past(folder: str | Path, here: CaseFolder) -> PastCases:
    """Gather the concluded causes of earlier cases of the same board type.

    Parameters
    ----------
    folder : str or Path
        Holds case folders.
    here : CaseFolder
        The case that asks; it is not counted itself.

    Returns
    -------
    PastCases

    Raises
    ------
    InputError
        Where the folder holds no case, or this case names no board.
    """
    if not here.head.board_name:
        raise InputError(str(here.path), "", "its board has no name", "past cases are told apart by the board's name")
    causes: dict[str, int] = {}
    used, left_out = [], []
    found = [p for p in _folders(Path(folder)) if p.resolve() != here.path.resolve()]
    if not found:
        raise InputError(str(folder), "", "holds no case but this one", "name the folder that holds the past cases")
    for path in found:
        try:
            past = open_case(path)
        except InputError as error:
            left_out.append(str(error))
            continue
        reason = _silent_because(past, here)
        if reason:
            left_out.append(f"{path.name}: {reason}")
            continue
        ref = next(e for e in reversed(past.entries) if e.kind == "conclusion").text("cause")
        causes[ref] = causes.get(ref, 0) + 1
        used.append((path.name, past.entries[-1].sha256))
    return PastCases(causes, tuple(used), tuple(left_out))


def _silent_because(past: CaseFolder, here: CaseFolder) -> str:
    """Say why a case tells nothing, empty where it does."""
    if past.head.board_name != here.head.board_name:
        return f"another board type ({past.head.board_name or 'no name'})"
    conclusion = next((e for e in reversed(past.entries) if e.kind == "conclusion"), None)
    if conclusion is None:
        return "not concluded"
    return "" if conclusion.text("cause") else "concluded without a cause"


def meter(value: float | None, unit: str) -> str:
    """Say a reading as a meter would, ``open`` for an open circuit."""
    if value is None:
        return "not known"
    if value == float("inf"):
        return "open"
    for factor, prefix in ((1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m")):
        if abs(value) >= factor:
            return f"{value / factor:.4g} {prefix}{unit}"
    return f"{value:.4g} {unit}"


def compare_cases(a: CaseState, b: CaseState) -> tuple[tuple[str, str, str], ...]:
    """Set two cases of one board type side by side: (what, first, second), only what either knows.

    Raises
    ------
    InputError
        Where the board types differ or are not named.
    """
    names = (a.head.board_name, b.head.board_name)
    if not all(names) or names[0] != names[1]:
        told = " and ".join(name or "no name" for name in names)
        raise InputError("case compare", "", f"not the same board type: {told}", "compare cases of one board type")
    rows = [
        ("device", a.head.device, b.head.device),
        ("symptoms", _symptoms(a), _symptoms(b)),
        ("suspects now", _leaders(a), _leaders(b)),
        ("worked on", _swaps(a), _swaps(b)),
        ("conclusion", _conclusion(a), _conclusion(b)),
    ]
    readings = [{_key(r): r for r in latest_readings(s.readings)} for s in (a, b)]
    for key in dict.fromkeys([*readings[0], *readings[1]]):
        pair = [meter(r.value, r.unit) if (r := side.get(key)) is not None else "not measured" for side in readings]
        rows.append((key, pair[0], pair[1]))
    return tuple(row for row in rows if row[1] or row[2])


def _key(reading: Reading) -> str:
    return f"{reading.quantity.replace('_', ' ')}, {reading.net or reading.where}"


def _symptoms(state: CaseState) -> str:
    return "; ".join(e.text("text") or e.text("word").replace("_", " ") for e in state.of_kind("symptom"))


def _leaders(state: CaseState) -> str:
    standing = state.standing
    if standing is None:
        return ""
    return ", ".join(f"{c.name} {say_share(c.probability)}" for c in standing.candidates[:3])


def _swaps(state: CaseState) -> str:
    words = {"none": "no change", "changed": "changed", "gone": "fault gone"}
    return "; ".join(f"{s.ref} {s.action}, {words.get(s.change, s.change)}" for s in state.swaps)


def _conclusion(state: CaseState) -> str:
    last = state.last("conclusion")
    if last is None:
        return ""
    cause = f", cause {last.text('cause')}" if last.text("cause") else ""
    return f"{last.text('decision')}{cause}: {last.text('reason')}"


def table_text(rows: Sequence[Sequence[str]]) -> str:
    """Return rows as text in columns."""
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    return "\n".join("  ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)).rstrip() for row in rows)
