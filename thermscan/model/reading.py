"""What the meter said."""

from __future__ import annotations

from dataclasses import dataclass

QUANTITIES = ("voltage", "resistance_to_ground", "diode_drop", "current")
POWER_STATES = ("off", "on", "standby")


@dataclass(frozen=True)
class Reading:
    """One line of readings.csv; ``value`` in V, ohm or A, ``math.inf`` for an open circuit (OL).

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
