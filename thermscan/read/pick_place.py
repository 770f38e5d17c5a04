"""Pick-and-place tables: centres, rotations and sides of parts, in the spellings that layout programs write."""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from thermscan.model.board import Part, kind_from_refdes
from thermscan.model.errors import InputError, check_choice
from thermscan.read.package_size import KIND_SIZES, OTHER_SIZE, body_size_mm
from thermscan.read.text_file import read_text

MM_PER_UNIT = {"mm": 1.0, "mil": 0.0254, "inch": 25.4}  # exact: 1 inch is 25.4 mm (NIST SP 811)
UNIT_WORDS = {
    "mm": "mm",
    "millimeter": "mm",
    "millimeters": "mm",
    "millimetre": "mm",
    "millimetres": "mm",
    "metric": "mm",
    "mil": "mil",
    "mils": "mil",
    "thou": "mil",
    "in": "inch",
    "inch": "inch",
    "inches": "inch",
    '"': "inch",
}
BOTTOM_X = ("mirrored", "as-is")
BOTTOM_ROTATION = ("top", "bottom")
# fmt: off
# Headings as letters and digits only, without a unit behind them; first match wins. Common practice, no standard.
HEADINGS = {
    "ref": ("designator", "refdes", "refdesignator", "referencedesignator", "ref", "reference", "references", "part",
            "name"),
    "x": ("midx", "centerx", "centrex", "posx", "xpos", "positionx", "xposition", "locationx", "xlocation", "xcoord",
          "coordx", "xcenter", "xcentre", "x"),
    "y": ("midy", "centery", "centrey", "posy", "ypos", "positiony", "yposition", "locationy", "ylocation", "ycoord",
          "coordy", "ycenter", "ycentre", "y"),
    "rotation": ("rotation", "rot", "angle", "orientation", "rotate", "theta"),
    "side": ("layer", "side", "tb", "topbottom", "boardside", "mountside", "mountingside", "mount"),
    "package": ("package", "footprint", "pattern", "case", "pkg", "shape", "land"),
    "value": ("val", "value", "comment", "description"),
}
# fmt: on
TOP_WORDS = ("top", "t", "toplayer", "topside", "front", "fcu", "f", "component", "primary", "1")
BOTTOM_WORDS = ("bottom", "b", "bot", "bottomlayer", "bottomside", "back", "bcu", "solder", "secondary", "2")
# Longest distance between two parts, mm, that a board can have: a spread outside it rules a unit out.
SPREAD_MM = (10.0, 600.0)
_NUMBER = re.compile(r"([+-]?\d*[.,]?\d+(?:[eE][+-]?\d+)?|[+-]?\d+[.,])\s*([A-Za-z\"]*)")


@dataclass(frozen=True)
class PickPlaceOptions:
    """What the table itself may not say; None asks where it matters.

    Attributes
    ----------
    unit : {'mm', 'mil', 'inch'} or None
    bottom_x : {'mirrored', 'as-is'} or None
        Whether x of underside parts is negated (as seen from below) or runs as seen from the top.
    bottom_rotation : {'top', 'bottom'} or None
        From which side the rotation of underside parts is anticlockwise.
    origin_mm : (x, y), mm
        Added to every place, to move the table's origin to the outline's.
    """

    unit: str | None = None
    bottom_x: str | None = None
    bottom_rotation: str | None = None
    origin_mm: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True)
class PickPlace:
    """Parts of a table in board coordinates, and what was assumed on the way (``notes``, ``warnings``)."""

    parts: tuple[Part, ...]
    unit: str
    warnings: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Row:
    ref: str
    x: float
    y: float
    rotation: float
    side: str
    package: str
    row: int


def _bare(text: str) -> str:
    return re.sub(r"[^a-z0-9]", "", text.lower())


def _split_heading(text: str) -> tuple[str, str | None]:
    """Return (bare heading, unit behind it or None): ``Center-X(mm)``, ``PosX [mil]``, ``x_mm``."""
    found = re.fullmatch(r"(.*?)[\s_]*[(\[]?\b_?([A-Za-z]+)[)\]]?\s*", text.strip())
    if found and found[2].lower() in UNIT_WORDS and _bare(found[1]):
        return _bare(found[1]), UNIT_WORDS[found[2].lower()]
    tail = re.fullmatch(r"(.+)_(mm|mils?|inch|in)", text.strip(), re.IGNORECASE)
    if tail:
        return _bare(tail[1]), UNIT_WORDS[tail[2].lower()]
    return _bare(text), None


def _find_columns(cells: list[str]) -> tuple[dict[str, int], set[str]]:
    """Return the columns by meaning, and the units that the headings of x and y name."""
    split = [_split_heading(cell) for cell in cells]
    names = [name for name, _ in split]
    columns: dict[str, int] = {}
    for meaning, words in HEADINGS.items():
        place = next((names.index(word) for word in words if word in names), None)
        if place is not None:
            columns[meaning] = place
    units = {split[columns[k]][1] for k in ("x", "y") if k in columns}
    return columns, {u for u in units if u is not None}


def _read_table(path: str) -> tuple[list[tuple[int, list[str]]], dict[str, int], set[str], list[str]]:
    """Return (rows with their number, columns by meaning, units named, text before the heading)."""
    lines = read_text(path).splitlines()
    for start, line in enumerate(lines):
        for mark in (";", "\t", ",", " "):
            split = line.lstrip("# ").split() if mark == " " else next(csv.reader([line], delimiter=mark), [])
            columns, units = _find_columns(split)
            if {"ref", "x", "y"} <= set(columns):
                rows = _rows_below(lines, start, mark)
                return rows, columns, units, lines[:start]
    remedy = "the heading needs columns such as Designator, Mid X, Mid Y, Rotation, Layer"
    raise InputError(path, "", "has no heading with a designator, x and y", remedy)


def _rows_below(lines: list[str], start: int, mark: str) -> list[tuple[int, list[str]]]:
    rows = []
    for number, line in enumerate(lines[start + 1 :], start + 2):
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        cells = line.split() if mark == " " else next(csv.reader([line], delimiter=mark, skipinitialspace=True), [])
        if any(cell.strip() for cell in cells):
            rows.append((number, [cell.strip() for cell in cells]))
    return rows


def _unit_above(lines: list[str]) -> set[str]:
    """Return the units named in text above the heading, such as ``Unit = mm`` or ``Units used: mil``."""
    text = "\n".join(lines)
    found = re.findall(r"\bunits?\b[^\n\w]*(?:used\W*)?([A-Za-z]+)", text, re.IGNORECASE)
    return {UNIT_WORDS[word.lower()] for word in found if word.lower() in UNIT_WORDS}


def _length(text: str, *, path: str, place: str) -> tuple[float, str | None]:
    """Return (number, unit written behind it or None)."""
    found = _NUMBER.fullmatch(text)
    if found is None or (found[2] and found[2].lower() not in UNIT_WORDS):
        raise InputError(path, place, f"{text!r} is not a length", "give a number, with mm, mil or inch behind it")
    return float(found[1].replace(",", ".")), UNIT_WORDS[found[2].lower()] if found[2] else None


def _angle(text: str, *, path: str, place: str) -> float:
    try:
        return float(text.rstrip("°").replace(",", ".") or 0.0)
    except ValueError:
        raise InputError(path, place, f"{text!r} is not an angle", "give degrees") from None


def _side(text: str, *, path: str, place: str) -> str:
    word = _bare(text)
    if not word or word in TOP_WORDS:
        return "top"
    if word in BOTTOM_WORDS:
        return "bottom"
    raise InputError(path, place, f"{text!r} is not a side", "give top or bottom")


def _parse_rows(
    rows: list[tuple[int, list[str]]], columns: dict[str, int], *, path: str
) -> tuple[list[_Row], set[str | None]]:
    """Return the rows and the units that stand behind their numbers."""
    parsed, units = [], set()
    for number, cells in rows:
        place = f"row {number}"
        if len(cells) <= max(columns[k] for k in ("ref", "x", "y")):
            raise InputError(path, place, f"has only {len(cells)} cells", "check separators and quotes")
        get = {key: cells[i] if i < len(cells) else "" for key, i in columns.items()}
        if not get["ref"]:
            raise InputError(path, place, "has no designator", "name the part or remove the row")
        x, x_unit = _length(get["x"], path=path, place=f"{place}, column {columns['x'] + 1}")
        y, y_unit = _length(get["y"], path=path, place=f"{place}, column {columns['y'] + 1}")
        units |= {x_unit, y_unit}
        angle = _angle(get.get("rotation", ""), path=path, place=f"{place}, rotation")
        side = _side(get.get("side", ""), path=path, place=f"{place}, side")
        parsed.append(_Row(get["ref"], x, y, angle, side, get.get("package", ""), number))
    if not parsed:
        raise InputError(path, "", "holds no parts", "check that the table was saved whole")
    return parsed, units


def _settle_unit(
    rows: list[_Row], stated: set[str], option: str | None, *, path: str
) -> tuple[str, list[str], list[str]]:
    """Return (unit, warnings, notes): as asked, as written in the table, else the only one that fits a board."""
    if len(stated) > 1:
        raise InputError(path, "", f"mixes the units {' and '.join(sorted(stated))}", "use one unit")
    if option is not None:
        if stated and option not in stated:
            raise InputError(path, "", f"says {next(iter(stated))} and --unit says {option}", "leave --unit out")
        return option, [], []
    if stated:
        unit = next(iter(stated))
        return unit, [], [f"places are in {unit}, as the table says"]
    spread = float(np.hypot(np.ptp([r.x for r in rows]), np.ptp([r.y for r in rows])))
    fits = [u for u, mm in MM_PER_UNIT.items() if SPREAD_MM[0] <= spread * mm <= SPREAD_MM[1]]
    if len(fits) != 1:
        readings = " or ".join(f"{spread * MM_PER_UNIT[u]:.4g} mm in {u}" for u in (fits or MM_PER_UNIT))
        raise InputError(path, "", f"names no unit: the parts would span {readings}", "give --unit mm, mil or inch")
    unit = fits[0]
    span = spread * MM_PER_UNIT[unit]
    return unit, [f"the table names no unit; {unit} is assumed, for only so the parts span a board: {span:.1f} mm"], []


def _check_bottom(rows: list[_Row], options: PickPlaceOptions, *, path: str) -> list[str]:
    """Ask how underside parts are written where it matters; return what was assumed."""
    if options.bottom_x is not None:
        check_choice(options.bottom_x, BOTTOM_X, path="--bottom-x", place="")
    if options.bottom_rotation is not None:
        check_choice(options.bottom_rotation, BOTTOM_ROTATION, path="--bottom-rotation", place="")
    below = [r for r in rows if r.side == "bottom"]
    if not below:
        return []
    if options.bottom_x is None and any(r.x != 0 for r in below):
        problem = "it is on the underside and it is not known how x runs there"
        raise InputError(path, f"part {below[0].ref}", problem, "give --bottom-x mirrored or --bottom-x as-is")
    turned = [r for r in below if r.rotation % 90 != 0]
    if options.bottom_rotation is None and turned:
        problem = f"its rotation of {turned[0].rotation:g} degrees is on the underside"
        remedy = "give --bottom-rotation top or bottom: the side from which it is anticlockwise"
        raise InputError(path, f"part {turned[0].ref}", problem, remedy)
    notes = [f"{len(below)} underside parts: x {options.bottom_x or 'as-is'}"]
    if options.bottom_rotation is not None:
        notes.append(f"underside rotations are anticlockwise seen from the {options.bottom_rotation}")
    return notes


def _to_part(row: _Row, mm: float, options: PickPlaceOptions) -> tuple[Part, bool]:
    """Return the part in board coordinates, and whether its size is a stand-in."""
    x, rotation = row.x * mm, row.rotation
    if row.side == "bottom":
        x = -x if options.bottom_x == "mirrored" else x
        rotation = -rotation if options.bottom_rotation == "bottom" else rotation
    kind = kind_from_refdes(row.ref)
    size = body_size_mm(row.package)
    w, h = size or KIND_SIZES.get(kind, OTHER_SIZE)
    place = x + options.origin_mm[0], row.y * mm + options.origin_mm[1]
    part = Part(ref=row.ref, kind=kind, x=place[0], y=place[1], w=w, h=h, rotation=rotation % 360, side=row.side)
    return part, size is None


def open_pick_place(path: str | Path, *, options: PickPlaceOptions | None = None) -> PickPlace:
    """Read the parts of a pick-and-place table.

    Comma, semicolon, tab or blanks; byte order mark; mm, mil or inch in the heading, above it, behind the numbers or in
    the options. Kinds come from the refdes letters. The table holds no outline: that must come from elsewhere, in the
    same origin (``options.origin_mm`` moves it).

    Raises
    ------
    InputError
        Where unit or underside are not told and matter, and for cells that cannot be read, with the row.

    Notes
    -----
    ``bottom_x='mirrored'`` negates x about the table's origin. A rotation that is anticlockwise seen from below is
    clockwise seen from the top, so ``bottom_rotation='bottom'`` negates it.
    """
    path, options = str(path), options or PickPlaceOptions()
    if options.unit is not None:
        check_choice(options.unit, MM_PER_UNIT, path="--unit", place="")
    table, columns, heading_units, above = _read_table(path)
    rows, cell_units = _parse_rows(table, columns, path=path)
    seen: dict[str, int] = {}
    for row in rows:
        if row.ref in seen:
            problem = f"{row.ref} stands in row {seen[row.ref]} already"
            raise InputError(path, f"row {row.row}", problem, "give each part its own refdes")
        seen[row.ref] = row.row
    named = {u for u in cell_units if u is not None}
    if named and None in cell_units and any((r.x, r.y) != (0, 0) for r in rows):
        named |= heading_units
    unit, warnings, notes = _settle_unit(rows, named or heading_units or _unit_above(above), options.unit, path=path)
    notes += _check_bottom(rows, options, path=path)
    made = [_to_part(row, MM_PER_UNIT[unit], options) for row in rows]
    standing_in = [part.ref for part, is_stand_in in made if is_stand_in]
    if standing_in:
        shown = ", ".join(standing_in[:8]) + (" ..." if len(standing_in) > 8 else "")
        warnings.append(f"{len(standing_in)} of {len(made)} parts have no known size and got a usual one: {shown}")
    if "side" not in columns:
        warnings.append("the table has no column for the side; all parts are taken to be on the top")
    if "rotation" not in columns:
        warnings.append("the table has no column for the rotation; all parts are taken as not turned")
    return PickPlace(tuple(part for part, _ in made), unit, tuple(warnings), tuple(notes))
