"""How likely each meter reading and each power-up symptom is under each fault, as the file of priors starts out."""

from __future__ import annotations

import math

from thermscan.model.errors import InputError, check_choice, check_keys, check_number
from thermscan.model.result import FAULTS

Table = dict[str, dict[str, float]]

VOLTAGE_CLASSES = ("in tolerance", "low", "dead", "high")
OHM_CLASSES = ("like the good board", "low", "very low", "high")
LIKE_CLASSES = ("like the good board", "low", "high")
STEP_CLASSES = ("like the good board", "missing", "more")
OUTCOMES = (*(word for word in FAULTS if word != "other"), "none", "other")
LEAST, MOST = 0.001, 0.999  # nothing read may rule a fault out, or in, for good


def _table(names: tuple[str, ...], rows: dict[str, tuple[float, ...]]) -> Table:
    return {row: dict(zip(names, values, strict=True)) for row, values in rows.items()}


def _row(*values: float) -> dict[str, float]:
    return dict(zip(OUTCOMES, values, strict=True))


# What a fault does to a net (rows) against what the meter shows (columns): probabilities, judgement, no source.
# Wide on purpose: a slip of the probe is always possible.
VOLTAGE = _table(
    VOLTAGE_CLASSES,
    {
        "shorted": (0.15, 0.35, 0.48, 0.02),
        "pulled": (0.12, 0.20, 0.66, 0.02),
        "leaky": (0.80, 0.16, 0.03, 0.01),
        "loaded": (0.74, 0.20, 0.05, 0.01),
        "dead": (0.05, 0.15, 0.78, 0.02),
        "limited": (0.15, 0.50, 0.33, 0.02),
        "bridged": (0.50, 0.20, 0.20, 0.10),
        "calm": (0.95, 0.02, 0.02, 0.01),
        "unknown": (0.70, 0.12, 0.12, 0.06),
    },
)
OHM = _table(
    OHM_CLASSES,
    {
        "shorted": (0.08, 0.14, 0.76, 0.02),
        "pulled": (0.88, 0.06, 0.03, 0.03),
        "leaky": (0.35, 0.45, 0.17, 0.03),
        "loaded": (0.68, 0.24, 0.06, 0.02),
        "dead": (0.78, 0.07, 0.06, 0.09),
        "limited": (0.85, 0.08, 0.05, 0.02),
        "bridged": (0.40, 0.20, 0.38, 0.02),
        "calm": (0.92, 0.04, 0.02, 0.02),
        "unknown": (0.70, 0.14, 0.10, 0.06),
    },
)
CURRENT = _table(
    LIKE_CLASSES,
    {
        "short": (0.25, 0.20, 0.55),
        "leak": (0.60, 0.05, 0.35),
        "overload": (0.40, 0.05, 0.55),
        "bridge": (0.50, 0.08, 0.42),
        "dead_supply": (0.25, 0.70, 0.05),
        "open_or_missing": (0.45, 0.50, 0.05),
        "joint": (0.75, 0.20, 0.05),
        "heat_path": (0.92, 0.04, 0.04),
        "hidden_source": (0.45, 0.10, 0.45),
        "supply_limit": (0.15, 0.50, 0.35),
        "none": (0.92, 0.04, 0.04),
        "other": (0.60, 0.20, 0.20),
    },
)
# The surge at switch-on, over what flows later: it charges the capacitors behind every net that comes up. A supply at
# its limit, or a net that never starts, cuts it; a short adds none of its own. Judgement, no source.
INRUSH = _table(
    LIKE_CLASSES,
    {
        "short": (0.40, 0.42, 0.18),
        "leak": (0.72, 0.13, 0.15),
        "overload": (0.65, 0.17, 0.18),
        "bridge": (0.55, 0.28, 0.17),
        "dead_supply": (0.50, 0.42, 0.08),
        "open_or_missing": (0.62, 0.30, 0.08),
        "joint": (0.60, 0.32, 0.08),
        "heat_path": (0.80, 0.10, 0.10),
        "hidden_source": (0.62, 0.21, 0.17),
        "supply_limit": (0.42, 0.45, 0.13),
        "none": (0.80, 0.10, 0.10),
        "other": (0.62, 0.20, 0.18),
    },
)
# Steps of the current after the surge: a supply or a load that starts later. A net that is down, or a chip that does
# not run, leaves its step out. Judgement, no source.
STEP = _table(
    STEP_CLASSES,
    {
        "short": (0.45, 0.42, 0.13),
        "leak": (0.74, 0.13, 0.13),
        "overload": (0.62, 0.18, 0.20),
        "bridge": (0.55, 0.32, 0.13),
        "dead_supply": (0.36, 0.56, 0.08),
        "open_or_missing": (0.42, 0.50, 0.08),
        "joint": (0.55, 0.30, 0.15),
        "heat_path": (0.80, 0.10, 0.10),
        "hidden_source": (0.62, 0.23, 0.15),
        "supply_limit": (0.36, 0.52, 0.12),
        "none": (0.80, 0.12, 0.08),
        "other": (0.58, 0.25, 0.17),
    },
)
# Probability that a board with this fault shows the symptom, in the order of OUTCOMES; judgement, no source.
# quick_tries and even_retries are among boards that restart more often than good ones: an electronic limit acts before
# anything can be hot and comes back like a clock; heat needs seconds; a loose joint keeps no time.
SYMPTOMS: Table = {
    "restarts": _row(0.35, 0.08, 0.18, 0.08, 0.06, 0.1, 0.08, 0.2, 0.15, 0.55, 0.01, 0.12),
    "at_limit": _row(0.5, 0.05, 0.2, 0.04, 0.03, 0.03, 0.02, 0.25, 0.15, 0.6, 0.01, 0.1),
    "quick_tries": _row(0.75, 0.5, 0.5, 0.6, 0.5, 0.45, 0.25, 0.7, 0.55, 0.75, 0.5, 0.5),
    "even_retries": _row(0.75, 0.65, 0.6, 0.65, 0.55, 0.3, 0.55, 0.68, 0.6, 0.78, 0.55, 0.5),
}
# Each table with the names of its rows and, per row, of its numbers; rows of the first kind add to one.
SUMMED = {
    "voltage": (tuple(VOLTAGE), VOLTAGE_CLASSES),
    "resistance": (tuple(OHM), OHM_CLASSES),
    "current": (OUTCOMES, LIKE_CLASSES),
    "inrush": (OUTCOMES, LIKE_CLASSES),
    "step": (OUTCOMES, STEP_CLASSES),
}


def chances_from_json(value: object, old: Table, *, name: str, path: str) -> Table:
    """Merge a table of chances over its defaults.

    Parameters
    ----------
    value : object
        Rows of names and numbers; rows and numbers left out keep their defaults.
    old : Table
    name : str
        Of the table: a key of ``SUMMED``, or ``symptoms``.
    path : str
        For messages.

    Raises
    ------
    InputError
        For an unknown row or name, a number outside 0.001 to 0.999, a row of exclusive answers that does not add to
        one.
    """
    if not isinstance(value, dict):
        raise InputError(path, name, "is not a table of rows", "see calibration/diagnosis.json")
    rows, columns = SUMMED.get(name, (tuple(old), OUTCOMES))
    merged = {row: dict(numbers) for row, numbers in old.items()}
    for row, numbers in value.items():
        place = f"{name}, {row}"
        check_choice(row, rows, path=path, place=name)
        if not isinstance(numbers, dict):
            raise InputError(path, place, "is not a table of names and numbers", "see calibration/diagnosis.json")
        check_keys(numbers, columns, path=path, place=place)
        for column, number in numbers.items():
            merged[row][column] = check_number(number, (LEAST, MOST), path=path, place=f"{place}, {column}")
        total = math.fsum(merged[row].values())
        if name in SUMMED and abs(total - 1.0) > 1e-6:
            raise InputError(path, place, f"adds to {total:.4g}, not to 1", f"give {', '.join(columns)}")
    return merged
