"""What the meter said."""

from __future__ import annotations

from dataclasses import dataclass

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
