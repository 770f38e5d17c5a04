"""readings.csv: what the multimeter showed, spelled as a meter shows it."""

from __future__ import annotations

import csv
import math
import re
from pathlib import Path

from thermscan.model.errors import InputError, check_choice, nearest
from thermscan.model.reading import POWER_STATES, QUANTITIES, Reading
from thermscan.read.text_file import read_text

COLUMNS = ("time", "where", "net", "quantity", "value", "unit", "good_value", "power", "note")
REQUIRED = ("quantity", "value")
PREFIXES = {"": 1.0, "p": 1e-12, "n": 1e-9, "u": 1e-6, "m": 1e-3, "k": 1e3, "K": 1e3, "M": 1e6, "G": 1e9}
BASE_UNIT = {
    "voltage": "V",
    "diode_drop": "V",
    "resistance_to_ground": "ohm",
    "current": "A",
    "inrush_current": "A",
    "run_time": "s",
    "retry_period": "s",
}
UNIT_EXAMPLES = {"V": "V or mV", "ohm": "ohm, kohm or MOhm", "A": "A, mA or uA", "s": "s or ms"}
OPEN_WORDS = ("ol", "o.l", "o.l.", ".ol", "0l", "0.l", "0.l.", "open", "inf", "infinite")
# Largest value that a hand-held meter shows for each quantity; more is a slip of the unit. Common practice, no source.
LARGEST = {
    "voltage": 1500.0,
    "diode_drop": 10.0,
    "resistance_to_ground": 1e11,
    "current": 100.0,
    "inrush_current": 1000.0,
    "run_time": 1e5,
    "retry_period": 1e5,
}
DISCHARGE = "switch the board off, unplug it and let its capacitors discharge, then measure again"

_PLAIN = re.compile(r"([+-]?\d*[.,]?\d+|[+-]?\d+[.,])(?:e([+-]?\d+))?\s*(meg|[pnumkKMG]?)(V|ohm|A|s|)", re.IGNORECASE)
_LETTER_INSIDE = re.compile(r"([+-]?\d*)(R|V|A|[mkKMG])(\d+)(V|ohm|A|)")
_UNIT = re.compile(r"(meg|[pnumkKMG]?)(V|ohm|A|s|)", re.IGNORECASE)


def _plain_letters(text: str) -> str:
    """Return the text with one spelling for ohm and micro, and without blanks."""
    text = re.sub(r"[\s\u00a0\u202f']", "", text)
    text = re.sub(r"[\u03a9\u2126]|ohms?|(?<=\d)R$|(?<=[kKM\d])r$", "ohm", text, flags=re.IGNORECASE)
    return re.sub(r"[\u00b5\u03bc]", "u", text)


def _prefix(letter: str) -> float:
    if letter.lower() == "meg":
        return 1e6
    # Only k may be either case; m and M differ by a factor of a thousand million.
    return PREFIXES[letter if letter in PREFIXES else letter.lower()]


def _base(unit: str) -> str:
    return {"v": "V", "a": "A", "ohm": "ohm", "s": "s", "": ""}[unit.lower()]


def _split_unit(text: str) -> tuple[float | None, str]:
    """Return (factor, base unit) of a unit's text; factor None where it is not a unit."""
    if text in ("R", "r"):
        return 1.0, "ohm"
    found = _UNIT.fullmatch(_plain_letters(text))
    if found is None:
        return None, ""
    return _prefix(found[1]), _base(found[2])


def _mantissa(text: str) -> tuple[float, float | None, str] | None:
    """Return (number, prefix factor or None, base unit or '') of a value's text, None where it is no number."""
    found = _PLAIN.fullmatch(text)
    if found:
        number = float(found[1].replace(",", ".")) * 10.0 ** int(found[2] or 0)
        return number, (_prefix(found[3]) if found[3] else None), _base(found[4])
    found = _LETTER_INSIDE.fullmatch(text)
    if found is None:
        return None
    number = float(f"{found[1] or '0'}.{found[3]}")
    letter = found[2]
    if letter in "RVA":
        base = {"R": "ohm", "V": "V", "A": "A"}[letter]
        return (number, 1.0, base) if found[4] in ("", base) else None
    return number, _prefix(letter), _base(found[4])


def parse_value(text: str, unit: str, quantity: str, *, path: str = "", place: str = "") -> float:
    """Return what a meter showed in V, ohm or A, or a time in s; ``math.inf`` for an open circuit.

    Parameters
    ----------
    text : str
        ``OL``, ``open``, ``4k7``, ``0R3``, ``3V3``, ``4,7``, ``12mV``, ``4.7 kohm``.
    unit : str
        The unit column; may be empty where the value or the quantity says it.
    quantity : str
        One of QUANTITIES.

    Raises
    ------
    InputError
        For what is not a number, a unit that does not measure the quantity, two units that differ, a value out of
        range.
    """
    base = BASE_UNIT[quantity]
    factor, column_base = _split_unit(unit.strip())
    if factor is None or column_base not in ("", base):
        problem = f"{unit.strip()!r} is no unit of {quantity}"
        raise InputError(path, place, problem, f"give {UNIT_EXAMPLES[base]}")
    if text.strip().lower() in OPEN_WORDS:
        if base == "ohm" or quantity == "diode_drop":
            return math.inf
        raise InputError(path, place, f"{text.strip()!r} is over the range of a {quantity}", "choose a higher range")
    found = _mantissa(_plain_letters(text))
    if found is None:
        remedy = "give it as the meter shows it, such as 3.31, 4k7, 0R3 or OL"
        raise InputError(path, place, f"{text.strip()!r} is not a meter reading", remedy)
    number, own_factor, own_base = found
    if own_base not in ("", base):
        raise InputError(path, place, f"{text.strip()!r} is no {quantity}", f"give {UNIT_EXAMPLES[base]}")
    if own_factor is not None and factor not in (1.0, own_factor):
        raise InputError(path, place, f"{text.strip()!r} and unit {unit.strip()!r} differ", "give the unit once")
    if own_factor is None and own_base and factor != 1.0:
        raise InputError(path, place, f"{text.strip()!r} and unit {unit.strip()!r} differ", "give the unit once")
    return _check_range(number * (factor if own_factor is None else own_factor), quantity, path=path, place=place)


def _check_range(value: float, quantity: str, *, path: str, place: str) -> float:
    base = BASE_UNIT[quantity]
    if base == "s" and value <= 0:
        raise InputError(path, place, f"a {quantity} of {value:g} s is no time", "give it above 0")
    if base == "ohm" and value < 0:
        raise InputError(path, place, f"a resistance of {value:g} ohm means that charge is left on the net", DISCHARGE)
    if abs(value) > LARGEST[quantity]:
        problem = f"a {quantity} of {value:g} {base} is more than a meter shows"
        raise InputError(path, place, problem, f"check the unit: {UNIT_EXAMPLES[base]}")
    return value


def _is_remark(line: str) -> bool:
    """Tell whether a line is blank, starts with # or is a spreadsheet's ``sep=;``."""
    return not line.strip(" ,;\t") or line.lstrip().startswith("#") or re.fullmatch(r"sep=.", line.strip()) is not None


def _separator(head: str) -> str:
    return max((";", "\t", ","), key=head.count)


def _header(cells: list[str], *, row: int, path: str) -> list[str]:
    names = [cell.strip().lower() for cell in cells]
    while names and not names[-1]:
        names.pop()
    for name in names:
        if name not in COLUMNS:
            hint = nearest(name, COLUMNS) or f"columns are {','.join(COLUMNS)}"
            raise InputError(path, f"row {row}", f"unknown column {name!r}", hint)
        if names.count(name) > 1:
            raise InputError(path, f"row {row}", f"column {name!r} stands twice", "keep one of them")
    for name in REQUIRED:
        if name not in names:
            raise InputError(path, f"row {row}", f"no column {name!r}", f"columns are {','.join(COLUMNS)}")
    return names


def _power(word: str, quantity: str, *, path: str, place: str) -> str:
    needs_off = quantity in ("resistance_to_ground", "diode_drop")
    state = check_choice(
        word.lower() or ("off" if needs_off else "on"), POWER_STATES, path=path, place=f"{place}, power"
    )
    if needs_off and state != "off":
        raise InputError(
            path, place, f"a {quantity} with power {state} means nothing and can harm the meter", DISCHARGE
        )
    return state


def _reading(cells: dict[str, str], row: int, *, path: str) -> Reading:
    place = f"row {row}"
    quantity = check_choice(cells["quantity"].lower(), QUANTITIES, path=path, place=f"{place}, quantity")
    where, net = cells.get("where", ""), cells.get("net", "")
    if not where and not net:
        raise InputError(path, place, "has neither where nor net", "name the part or the net that was measured")
    unit, good = cells.get("unit", ""), cells.get("good_value", "")
    return Reading(
        time=cells.get("time", ""),
        where=where,
        net=net,
        quantity=quantity,
        value=parse_value(cells["value"], unit, quantity, path=path, place=f"{place}, value"),
        unit=BASE_UNIT[quantity],
        good_value=parse_value(good, unit, quantity, path=path, place=f"{place}, good_value") if good else None,
        power=_power(cells.get("power", ""), quantity, path=path, place=place),
        note=cells.get("note", ""),
        row=row,
    )


def open_readings(path: str | Path) -> tuple[Reading, ...]:
    """Read meter readings; rows without a value are skipped, for a missing reading is not evidence.

    Comma, semicolon or tab; UTF-8 or UTF-16. ``power`` left empty means off for resistance and diode drop, on for
    all others.

    Raises
    ------
    InputError
        With the row: unknown column, quantity, unit or power, a value that no meter shows, a resistance or diode drop
        taken with power on.
    """
    path = str(path)
    text = read_text(path)
    lines = [(row, line) for row, line in enumerate(text.splitlines(), 1) if not _is_remark(line)]
    if not lines:
        raise InputError(path, "", "holds no readings", f"columns are {','.join(COLUMNS)}")
    mark = _separator(lines[0][1])
    names = _header(next(csv.reader([lines[0][1]], delimiter=mark)), row=lines[0][0], path=path)
    readings = []
    for row, line in lines[1:]:
        raw_cells = next(csv.reader([line], delimiter=mark))
        cells = [cell.strip() for cell in raw_cells]
        if not any(cells):
            continue
        if len(cells) > len(names) and any(cells[len(names) :]):
            remedy = "put a value with a decimal comma in quotes, or part the columns with semicolons"
            raise InputError(path, f"row {row}", f"has {len(cells)} cells for {len(names)} columns", remedy)
        found = dict(zip(names, cells + [""] * (len(names) - len(cells)), strict=False))
        if found["value"]:
            readings.append(_reading(found, row, path=path))
    return tuple(readings)
