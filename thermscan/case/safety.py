"""What must be asked before a case is concluded, and what to look at before any power."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from thermscan.model.board import Board
from thermscan.model.case_record import CaseHead, CaseSwap, Entry, SafetyQuestion
from thermscan.model.caution import (
    DEFER,
    HOT,
    INJECTION,
    LITHIUM,
    MAINS,
    RESISTANCE,
    TOUCH_LIMIT_C,
    Caution,
    has_lithium,
    has_mains,
)

# Before anything was measured; ``HOT`` says that something was.
MAY_BE_HOT = (
    f"Parts may be hotter than {TOUCH_LIMIT_C:.0f} °C before a finger feels it: never test with a finger, and let the "
    "board cool before work."
)


def is_mains(head: CaseHead, board: Board | None) -> bool:
    """Tell whether the user or the board file says that there is a dangerous side."""
    return head.mains or has_mains(board)


def is_lithium(head: CaseHead, board: Board | None) -> bool:
    """Tell whether the user or the board file says that there is a lithium cell."""
    return head.lithium or has_lithium(board)


def hot_parts(documents: Sequence[Mapping[str, object]]) -> tuple[tuple[str, float], ...]:
    """Return parts above the touch limit in any comparison, hottest first: (refdes, degrees Celsius)."""
    hottest: dict[str, float] = {}
    for document in documents:
        parts = document.get("parts")
        for part in parts if isinstance(parts, list) else ():
            value = part.get("temperature_c")
            if isinstance(value, int | float) and value > TOUCH_LIMIT_C:
                hottest[part["ref"]] = max(float(value), hottest.get(part["ref"], -300.0))
    return tuple(sorted(hottest.items(), key=lambda item: -item[1]))


def safety_questions(
    head: CaseHead,
    board: Board | None,
    swaps: Sequence[CaseSwap],
    hot: Sequence[tuple[str, float]],
    answers: Sequence[Entry],
) -> tuple[SafetyQuestion, ...]:
    """Return the questions that this case raises, with the answers given so far.

    Parameters
    ----------
    head : CaseHead
    board : Board or None
    swaps : sequence of CaseSwap
    hot : sequence of (refdes, degrees Celsius)
        See :func:`hot_parts`.
    answers : sequence of Entry
        Of kind ``answer``; the last to each question counts.

    Returns
    -------
    tuple of SafetyQuestion
    """
    asked = [("damage", "Burn marks, smoke, liquid or a bent board: looked for, and what was found?")]
    if is_mains(head, board):
        asked.append(
            (
                "mains",
                "Dangerous side: are insulation, earth connection and covers as the maker built them, and who checked "
                "them by which procedure?",
            )
        )
    if is_lithium(head, board):
        asked.append(("lithium", "Lithium cell: is it undamaged and not swollen, and where is it now?"))
    fuses = _fuses(board, swaps)
    if fuses:
        asked.append(("fuse", f"{', '.join(fuses)}: was the same type and rating fitted as the maker states?"))
    if hot:
        names = ", ".join(f"{ref} ({value:.0f} °C)" for ref, value in hot[:4])
        asked.append(
            ("hot", f"Above {TOUCH_LIMIT_C:.0f} °C were {names}: is that as on a good board, and covered in use?")
        )
    given = {entry.text("question"): entry.text("text") for entry in answers}
    return tuple(SafetyQuestion(name, text, given.get(name, "")) for name, text in asked)


def _fuses(board: Board | None, swaps: Sequence[CaseSwap]) -> list[str]:
    """Return the refdes of fuses that were worked on; by the letter F where there is no board file."""
    kinds = {} if board is None else {part.ref: part.kind for part in board.parts}
    touched = dict.fromkeys(swap.ref for swap in swaps)
    return [ref for ref in touched if kinds.get(ref, "fuse" if ref[:1] == "F" else "") == "fuse"]


def case_cautions(
    head: CaseHead, board: Board | None, *, hot: bool = False, injection: bool = False, resistance: bool = True
) -> tuple[Caution, ...]:
    """Return the cautions of a case, most dangerous first, deference to codes and practice last."""
    chosen = (
        (MAINS, is_mains(head, board)),
        (LITHIUM, is_lithium(head, board)),
        (HOT, hot),
        (INJECTION, injection),
        (RESISTANCE, resistance),
        (DEFER, True),
    )
    return tuple(caution for caution, applies in chosen if applies)


def first_minutes(head: CaseHead, board: Board | None) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Return what to do in the first five minutes, before any power: (heading, sentences); cautions where they apply.

    The order and the starting limits are common practice, no source.
    """
    before = [] if not is_mains(head, board) else [f"Caution: {MAINS.text}"]
    before += [f"Caution: {LITHIUM.text}"] if is_lithium(head, board) else []
    look = (
        *before,
        "Smell at it and look at both sides in slanting light: burns, bulges, cracks, liquid, corrosion, bent corners.",
        "Photograph both sides before anything is moved, and each finding close by.",
        "Look for earlier work: flux, other solder, parts that differ from the good board, lifted shields.",
        "Ask when and how it failed, and what was done since.",
    )
    return (
        ("Look, power off", look),
        ("Resistance of the rails, power off", _resistances(board)),
        ("Power with a limit", _first_power(head, board)),
        ("What to film", _filming(board)),
    )


def _resistances(board: Board | None) -> tuple[str, ...]:
    rails = [] if board is None else list(board.rails)
    names = ", ".join(f"{r.net}" + (f" ({r.volts:g} V)" if r.volts is not None else "") for r in rails)
    which = f"Rails: {names}." if names else "Every supply net you can name, at its largest capacitor."
    return (
        f"Caution: {RESISTANCE.text}",
        which,
        "Measure each to ground, both ways round, and the same on the good board; write both down "
        "(case add reading ... --good-value).",
        "A rail that reads a tenth of the good board's is the first to film; one that reads the same is not cleared.",
    )


def _first_power(head: CaseHead, board: Board | None) -> tuple[str, ...]:
    inputs = [] if board is None else [r for r in board.rails if r.from_net is None and r.volts is not None]
    fed = ", ".join(f"{r.net} at {r.volts:g} V" for r in inputs)
    sentences = [
        f"Caution: {INJECTION.text}",
        f"Caution: {MAY_BE_HOT}",
        f"Set the supply to {fed}." if fed else "Set the supply to the voltage the board is marked with.",
        "Current limit: start at a tenth of what the good board draws, or 50 mA where that is not known; raise it in "
        "steps of two while nothing gets hot.",
    ]
    if is_mains(head, board):
        sentences.insert(
            0, "Do not feed the dangerous side on the bench; feed the low side, or leave it to the qualified."
        )
    return (*sentences, DEFER.text)


def _filming(board: Board | None) -> tuple[str, ...]:
    sides = {part.side for part in board.parts} if board is not None else {"top"}
    second = " Film the underside in a second run." if "bottom" in sides else ""
    return (
        "Start the recording, wait two seconds, then switch on; keep filming ten seconds and through the switching "
        "off." + second,
        "The same with two or three good boards, cold, from the same place with the same limit.",
        "Do not move the camera or the board in between; shield both from draught and from your own reflection.",
    )
