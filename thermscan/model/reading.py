"""What the meter said."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from thermscan.model.board import Board
from thermscan.model.errors import nearest

# The last three tell of the power-up: the largest current at switch-on, how long each try runs, from try to try.
QUANTITIES = (
    "voltage",
    "resistance_to_ground",
    "diode_drop",
    "current",
    "inrush_current",
    "run_time",
    "retry_period",
)
POWER_STATES = ("off", "on", "standby")
OF_A_NET = ("voltage", "resistance_to_ground", "diode_drop")  # where no net is named, ``where`` may name it


@dataclass(frozen=True)
class Reading:
    """One line of readings.csv; ``value`` in V, ohm, A or s, ``math.inf`` for an open circuit (OL).

    ``good_value`` is the same reading on a known-good board, None where there is none. ``row`` is the row of the
    file for messages.
    """

    time: str
    where: str
    net: str
    quantity: str
    value: float
    unit: str
    good_value: float | None
    power: str
    note: str
    row: int = 0


def unknown_net_words(readings: Sequence[Reading], board: Board | None) -> tuple[str, ...]:
    """Say of each net that readings name and the board file does not know so, and which of its nets are near.

    Empty where the board file names no nets: then nothing can be missing in it.
    """
    known = () if board is None else board.nets()
    if board is None or not known:
        return ()
    parts = {p.ref for p in board.parts}
    rows: dict[str, list[int]] = {}
    for reading in readings:
        name = reading.net
        if not name and reading.quantity in OF_A_NET and reading.where not in parts:
            name = reading.where
        if name and name not in known:
            rows.setdefault(name, []).append(reading.row)
    return tuple(_unknown_net(name, found, known) for name, found in rows.items())


def _unknown_net(name: str, rows: Sequence[int], known: Sequence[str]) -> str:
    """Put one unknown net into words; row 0 stands for a reading that is not from a file."""
    told = " and ".join(str(row) for row in rows if row)
    where = f"readings, row {told}: " if told else ""
    hint = nearest(name, known) or f"its nets are {', '.join(known[:8])}{' and more' if len(known) > 8 else ''}"
    return (
        f"{where}no net {name!r} in the board file ({hint}): what was read there is tied to no part; name the net as"
        " the board file does"
    )
