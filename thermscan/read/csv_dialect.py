"""How a grid of numbers is spelled: separator, decimal mark, grouping and unit letters."""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass

import numpy as np

from thermscan.model.errors import InputError

MISSING = ("", "nan", "-nan", "na", "n/a", "#n/a", "null", "none", "-", "--", "---", "inf", "-inf", "+inf")
_MISSING_WORD = re.compile(r"(?<![\w.])(?:nan|#?n/?a|null|none|inf)(?![\w.])", re.IGNORECASE)
# A unit letter behind a number: 23.4C, 23.4 °C, 296.5 K. U+FFFD stands where a wrong encoding lost the degree sign.
_UNIT_BEHIND = re.compile(r"(?<=[\d.,])[ \u00a0]*(?:[°º\u02da\ufffd]|deg\.?)?[ \u00a0]*([CKF])(?![A-Za-z])")
_NUMERIC_LINE = re.compile(r"[\d\s.,;+\-eE\"\u00a0]*")
_UNIT_WORDS = (
    ("celsius", re.compile(r"celsius|[°º\u02da\ufffd]\s?C\b|\bdeg\.?\s?C\b|[\[(]C[\])]", re.IGNORECASE)),
    ("fahrenheit", re.compile(r"fahrenheit|[°º\u02da\ufffd]\s?F\b|\bdeg\.?\s?F\b|[\[(]F[\])]", re.IGNORECASE)),
    ("kelvin", re.compile(r"kelvin|[\[(]K[\])]", re.IGNORECASE)),
    ("count", re.compile(r"[\[(]counts?[\])]|\bunits?\W+(?:raw\s)?counts?\b", re.IGNORECASE)),
)
_UNIT_AFTER_WORD = re.compile(r"\bunits?\b\W{0,4}([CKF])\b", re.IGNORECASE)
UNIT_OF_LETTER = {"C": "celsius", "K": "kelvin", "F": "fahrenheit"}
_THREE_DIGITS = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}")
_GROUPED_DOT = re.compile(r"[+-]?\d{1,3}(?:\.\d{3})+,\d+")
_GROUPED_COMMA = re.compile(r"[+-]?\d{1,3}(?:,\d{3})+\.\d+")


# Signs that stand for others: the one-letter degree signs and the long minus.
_PLAIN = str.maketrans({"\u2103": "°C", "\u2109": "°F", "\u2212": "-"})


def plain_signs(line: str) -> str:
    """Return a line with one spelling for degrees and minus."""
    return line if line.isascii() else line.translate(_PLAIN)


@dataclass(frozen=True)
class Dialect:
    """Spelling of one file: ``separator`` (a blank stands for any white space), ``decimal`` mark, ``grouping`` mark.

    ``has_letters`` is True where unit letters stand behind the numbers, ``has_marks`` where any number has a decimal
    mark.
    """

    separator: str
    decimal: str = "."
    grouping: str = ""
    has_letters: bool = False
    has_marks: bool = False

    def cells(self, line: str) -> list[str]:
        """Return the cells of a line; one separator at its end is not a cell."""
        if self.has_letters:
            line = _UNIT_BEHIND.sub("", line)
        if '"' in line:
            if self.separator == ",":
                cells = next(csv.reader([line], skipinitialspace=True))
                return cells[:-1] if len(cells) > 1 and not cells[-1].strip() else cells
            line = line.replace('"', "")
        if self.separator == " ":
            return line.split()
        cells = line.split(self.separator)
        return cells[:-1] if len(cells) > 1 and not cells[-1].strip() else cells

    def to_number(self, cell: str) -> float:
        """Return the number in a cell, NaN where it says there is none; raises ValueError for text."""
        text = cell.strip()
        if text.lower() in MISSING:
            return float("nan")
        if self.grouping:
            text = text.replace(self.grouping, "")
        if self.decimal == ",":
            text = text.replace(",", ".")
        if "_" in text:
            raise ValueError(text)
        return float(text)

    def numbers(self, line: str) -> np.ndarray:
        """Return the numbers of a line, ndarray (columns,), float64; raises ValueError where one is text."""
        is_plain = not self.grouping and (self.decimal == "." or self.separator != ",")
        if is_plain and self.decimal == ",":
            line = line.replace(",", ".")
        cells = self.cells(line)
        if is_plain and "_" not in line:
            try:
                return np.array(cells, dtype=np.float64)  # the fast path; the same as to_number for each plain number
            except ValueError:
                pass
        return np.array([self.to_number(cell) for cell in cells], dtype=np.float64)


def unit_letters(line: str) -> set[str]:
    """Return the unit letters behind the numbers of a line."""
    return set(_UNIT_BEHIND.findall(line))


def unit_in_text(lines: list[str]) -> str | None:
    """Return the unit that leading text names, None where it names none or more than one."""
    text = "\n".join(lines)
    found = {name for name, pattern in _UNIT_WORDS if pattern.search(text)}
    found |= {UNIT_OF_LETTER[m.upper()] for m in _UNIT_AFTER_WORD.findall(text)}
    return found.pop() if len(found) == 1 else None


def is_numeric(line: str) -> bool:
    """Tell whether a line is nothing but numbers, marks, unit letters and words for 'no number'."""
    bare = _MISSING_WORD.sub("0", _UNIT_BEHIND.sub("", line))
    return any(c.isdigit() for c in bare) and _NUMERIC_LINE.fullmatch(bare) is not None


def find_dialect(lines: list[str], *, unit: str | None, path: str) -> Dialect:
    """Return the spelling of a file from a sample of its numeric lines.

    Parameters
    ----------
    lines : list of str
        Lines for which ``is_numeric`` holds.
    unit : str or None
        Unit of the numbers where it is known: tells 23,415 degrees from 23415 counts.
    path : str

    Raises
    ------
    InputError
        Where two readings are possible; both are shown.
    """
    has_letters = any(unit_letters(line) for line in lines)
    bare = [_UNIT_BEHIND.sub("", line).strip() for line in lines]
    most = len(bare) / 2
    for mark in (";", "\t"):
        if sum(mark in line for line in bare) > most:
            return _with_decimal(mark, bare, unit=unit, has_letters=has_letters, path=path)
    if sum("," in line for line in bare) <= most:
        separator = " " if any(re.search(r"\S\s+\S", line) for line in bare) else ","
        return Dialect(separator, has_letters=has_letters, has_marks=any("." in line for line in bare))
    if any('"' in line for line in bare):
        return _quoted(bare, has_letters=has_letters)
    if _is_blank_separated(bare):
        return _with_decimal(" ", bare, unit=unit, has_letters=has_letters, path=path)
    if any("." in line for line in bare):
        return Dialect(",", has_letters=has_letters, has_marks=True)
    _refuse_doubtful_commas(bare, unit=unit, path=path)
    return Dialect(",", has_letters=has_letters)


def _quoted(lines: list[str], *, has_letters: bool) -> Dialect:
    tokens = [t for line in lines for t in re.findall(r'"([^"]*)"', line)]
    has_comma = any("," in t for t in tokens)
    return Dialect(",", "," if has_comma else ".", "", has_letters, has_comma or any("." in line for line in lines))


def _is_blank_separated(lines: list[str]) -> bool:
    """Tell whether numbers with decimal commas are parted by white space: some gap is not beside a comma."""
    gaps = [gap for line in lines for gap in re.findall(r"[^\s]\s+[^\s]", line)]
    return any("," not in gap for gap in gaps) and not any("." in line for line in lines)


def _tokens(lines: list[str], separator: str) -> list[str]:
    cells = (line.split() if separator == " " else line.split(separator) for line in lines)
    return [t for row in cells for t in (cell.strip().strip('"') for cell in row) if t]


def _with_decimal(separator: str, lines: list[str], *, unit: str | None, has_letters: bool, path: str) -> Dialect:
    tokens = _tokens(lines, separator)
    commas, dots = [t for t in tokens if "," in t], [t for t in tokens if "." in t]
    if commas and dots:
        both = [t for t in tokens if "," in t and "." in t]
        if both and all(_GROUPED_DOT.fullmatch(t) for t in both):
            return Dialect(separator, ",", ".", has_letters, has_marks=True)
        if both and all(_GROUPED_COMMA.fullmatch(t) for t in both):
            return Dialect(separator, ".", ",", has_letters, has_marks=True)
        problem = f"{dots[0]!r} has a decimal point and {commas[0]!r} a comma"
        raise InputError(path, "", f"{problem}: the decimal mark is ambiguous", "use one decimal mark")
    if commas and all(_THREE_DIGITS.fullmatch(t) for t in commas) and len(commas) == len(tokens):
        return _three_digits(separator, commas[0], unit=unit, has_letters=has_letters, path=path)
    if commas:
        return Dialect(separator, ",", "", has_letters, has_marks=True)
    return Dialect(separator, ".", "", has_letters, has_marks=bool(dots))


def _three_digits(separator: str, token: str, *, unit: str | None, has_letters: bool, path: str) -> Dialect:
    if unit == "count":
        return Dialect(separator, ".", ",", has_letters)
    if unit is not None or has_letters:
        return Dialect(separator, ",", "", has_letters, has_marks=True)
    readings = f"{token.replace(',', '.')} or {token.replace(',', '')}"
    remedy = "give --unit celsius for the first reading or --unit count for the second"
    raise InputError(path, "", f"{token!r} is ambiguous: it reads as {readings}", remedy)


def _without_index(rows: list[list[str]]) -> list[list[str]]:
    """Return rows without a first cell that only counts 0, 1, 2 .. or 1, 2, 3 .. (also where frames start it anew)."""
    first = [int(row[0]) if row[0].isdecimal() else -1 for row in rows]
    steps = np.diff(first)
    counts = first[0] in (0, 1) and all(
        step == 1 or value in (0, 1) for step, value in zip(steps, first[1:], strict=True)
    )
    return [row[1:] for row in rows] if counts else rows


def _refuse_doubtful_commas(lines: list[str], *, unit: str | None, path: str) -> None:
    """Refuse whole numbers parted by commas where each pair could as well be one number with a decimal comma.

    Only an even number of cells in each row leaves that open; an index in the first column is not one of them. Cells
    of four digits or more in both places are whole numbers: nobody writes 7102.7118 degrees.
    """
    if unit == "count":
        return
    rows = [[t.strip() for t in line.rstrip(", ").split(",")] for line in lines]
    if len({len(row) % 2 for row in rows}) == 1 and len(rows[0]) % 2:
        rows = _without_index(rows)
    if any(len(row) % 2 or not row for row in rows):
        return
    heads = [t for row in rows for t in row[0::2] if t]
    tails = [t for row in rows for t in row[1::2] if t]
    if not tails or any(not t.isdigit() for t in tails):
        return
    long_heads = np.median([len(t.lstrip("+-")) for t in heads]) >= 4
    if long_heads and not any(t[0] == "0" and len(t) > 1 for t in tails):
        return
    shown = rows[0][:4]
    second = " ".join(f"{a}.{b}" for a, b in zip(shown[0::2], shown[1::2], strict=False))
    problem = f"{','.join(shown)!r} is ambiguous: it reads as {' '.join(shown)} or as {second}"
    raise InputError(path, "", problem, "part the numbers with semicolons, or give --unit count for whole numbers")
