"""Logs of a reference thermometer: time and reading a line, from a meter or logger."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from thermscan.model.errors import InputError
from thermscan.read.text_file import iterate_lines


@dataclass(frozen=True)
class ReferenceLog:
    """Readings of one thermometer: ``time_s`` ndarray (n,), s, or None; ``value`` ndarray (n,) in its own unit."""

    path: str
    time_s: np.ndarray | None
    value: np.ndarray


def _numbers(text: str) -> list[float] | None:
    """Return the numbers of a line, None where it holds other text; decimal commas where semicolons or tabs part."""
    for mark in (";", "\t"):
        if mark in text:
            text = text.replace(",", ".").replace(mark, " ")
            break
    pieces = text.replace(",", " ").split()
    try:
        return [float(piece) for piece in pieces]
    except ValueError:
        return None


def _could_be_decimal(text: str) -> bool:
    """Tell whether a line may be one number with a decimal comma as well as two whole numbers, or holds text only."""
    pieces = text.strip().split(",")
    return not any(c.isdigit() for c in text) or (len(pieces) == 2 and all(re.fullmatch(r"-?\d+", p) for p in pieces))


def open_reference_log(path: str) -> ReferenceLog:
    """Open a log: one number a line, or time in seconds and a number; leading text lines are skipped.

    Raises
    ------
    InputError
        Where a line after the first numbers is none, or the lines differ in length.
    """
    rows: list[list[float]] = []
    doubtful = True
    for number, text in iterate_lines(path):
        if not text.strip() or text.lstrip().startswith("#"):
            continue
        values = _numbers(text)
        doubtful = doubtful and _could_be_decimal(text)
        if values is None and not rows:
            doubtful = doubtful and "," not in text
            continue
        if values is None or not 1 <= len(values) <= 2 or (rows and len(values) != len(rows[0])):
            raise InputError(
                path, f"row {number}", f"{text.strip()!r} is no reading", "give TIME,VALUE or VALUE a line"
            )
        rows.append(values)
    if rows and doubtful:
        first = f"{rows[0][0]:g} and {rows[0][1]:g}"
        problem = f"a comma between whole numbers is ambiguous: time and value {first}, or one decimal number"
        raise InputError(path, "", problem, "use decimal points, or semicolons between the columns")
    if not rows:
        raise InputError(path, "", "holds no reading", "give TIME,VALUE or VALUE a line")
    table = np.array(rows)
    return ReferenceLog(path, table[:, 0] if table.shape[1] == 2 else None, table[:, -1])
