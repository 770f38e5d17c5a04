"""The usual cautions, said where the danger is; local codes and licensed practice go first."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from thermscan.model.board import Board

# Contact with hot surfaces: burn limits start near 48 °C for long contact and about 65 °C for one second on bare
# metal (ISO 13732-1, values from memory); 60 °C is taken as the point from which to warn.
TOUCH_LIMIT_C = 60.0
# Extra-low voltage ends at 60 V DC without ripple (IEC 61140, from memory).
LOW_VOLTAGE_LIMIT_V = 60.0


@dataclass(frozen=True)
class Caution:
    """One caution: a short name, and the sentence to print."""

    name: str
    text: str


DEFER = Caution(
    "practice",
    "Local electrical codes, the maker's instructions and licensed practice come before anything said here.",
)
RESISTANCE = Caution(
    "power_off",
    "Before resistance or diode readings: power off, unplugged, battery out, large capacitors discharged through a "
    "resistor and checked with the meter.",
)
INJECTION = Caution(
    "injection",
    "Before feeding a supply into a net: check polarity, never exceed the net's own rated voltage, start at a low "
    "current limit and raise it slowly; an unmarked net is left alone.",
)
MAINS = Caution(
    "mains",
    "This board has a side at mains or another dangerous voltage: keep it closed and unplugged unless you are "
    "qualified; its capacitors stay charged, and an earthed instrument can short it.",
)
LITHIUM = Caution(
    "lithium",
    "Lithium cells: take them out before any test, do not charge, short, heat or probe them; a swollen or hot cell "
    "goes outside and is left alone.",
)
HOT = Caution(
    "hot",
    f"Something here gets hotter than {TOUCH_LIMIT_C:.0f} °C: do not test with a finger, and let it cool before work.",
)


def _names(board: Board | None) -> str:
    """Join every name of a board in lower case, to look for words."""
    if board is None:
        return ""
    words = [board.name, *board.nets(), *(part.kind for part in board.parts), *(part.ref for part in board.parts)]
    return " ".join(words).lower()


def has_mains(board: Board | None) -> bool:
    """Tell whether rails above extra-low voltage or net names point to a dangerous side."""
    if board is None:
        return False
    high = any(rail.volts is not None and abs(rail.volts) > LOW_VOLTAGE_LIMIT_V for rail in board.rails)
    words = ("mains", "230v", "120v", "115v", "400v", "hv_", "line_l", "ac_l", "ac_n", "pfc")
    return high or any(word in _names(board) for word in words)


def has_lithium(board: Board | None) -> bool:
    """Tell whether names point to a lithium cell (battery nets or parts)."""
    return any(word in _names(board) for word in ("vbat", "batt", "li-ion", "lithium", "cell"))


def cautions_for(
    board: Board | None, *, hottest_c: float | None = None, steps: Iterable[str] = (), injected: bool = False
) -> tuple[Caution, ...]:
    """Choose the cautions that this board and these next steps call for.

    Parameters
    ----------
    board : Board or None
        Its rails and names are searched for mains and lithium.
    hottest_c : float or None
        Highest part temperature seen, degrees Celsius.
    steps : sentences
        What the user is told to do next; resistance readings and injection are recognised by their words.
    injected : bool
        True where a supply was fed into one net.

    Returns
    -------
    tuple of Caution
        Most dangerous first; the deference to codes and practice always stands last.

    Notes
    -----
    Words of names are a weak sign: no caution is no statement that a board is safe.
    """
    said = " ".join(steps).lower()
    chosen = [caution for caution, applies in ((MAINS, has_mains(board)), (LITHIUM, has_lithium(board))) if applies]
    if hottest_c is not None and hottest_c > TOUCH_LIMIT_C:
        chosen.append(HOT)
    if injected or "inject" in said:
        chosen.append(INJECTION)
    if any(word in said for word in ("resistance", "ohm", "diode", "probe", "measure")):
        chosen.append(RESISTANCE)
    return (*chosen, DEFER)
