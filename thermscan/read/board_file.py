"""board.json: outline, holes, parts and rails in millimetres."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from thermscan.model.board import KINDS, SIDES, Board, Hole, Part, Rail, check_board, kind_from_refdes
from thermscan.model.errors import InputError, check_choice, check_keys, check_number, nearest
from thermscan.read.text_file import check_list, check_object, check_word, read_json

KEYS = ("name", "thickness_mm", "outline_mm", "holes_mm", "parts", "rails")
HOLE_KEYS = ("x", "y", "d")
PART_KEYS = (
    "ref",
    "kind",
    "x",
    "y",
    "w",
    "h",
    "rotation",
    "height_mm",
    "side",
    "nets",
    "surface",
    "max_c",
    "covered_by",
    "fitted",
)
RAIL_KEYS = ("net", "volts", "tolerance_percent", "made_by", "from")
PLACE_LIMITS = (-5000.0, 5000.0)  # mm; a board of five metres is a slip of the unit
SIZE_LIMITS = (0.01, 2000.0)  # mm


def _required(found: dict[str, Any], key: str, limits: tuple[float, float], *, path: str, place: str) -> float:
    if found.get(key) is None:
        raise InputError(path, place, f"has no {key}", f"give {key} in mm")
    return check_number(found[key], limits, path=path, place=f"{place}, {key}", unit="mm")


def _optional(
    found: dict[str, Any], key: str, limits: tuple[float, float], *, path: str, place: str, unit: str = ""
) -> float | None:
    if found.get(key) is None:
        return None
    return check_number(found[key], limits, path=path, place=f"{place}, {key}" if place else key, unit=unit)


def _word(found: dict[str, Any], key: str, *, path: str, place: str) -> str | None:
    return None if found.get(key) is None else check_word(found[key], path=path, place=f"{place}, {key}")


def _outline(value: object, *, path: str) -> np.ndarray:
    corners = []
    for i, corner in enumerate(check_list(value, path=path, place="outline_mm", of="[x, y] in mm")):
        place = f"outline_mm, corner {i}"
        pair = check_list(corner, path=path, place=place, of="two numbers, [x, y] in mm")
        if len(pair) != 2:
            raise InputError(path, place, f"has {len(pair)} numbers", "give [x, y] in mm")
        corners.append([check_number(v, PLACE_LIMITS, path=path, place=place, unit="mm") for v in pair])
    if len(corners) > 1 and corners[0] == corners[-1]:
        corners.pop()  # the first corner repeated at the end closes the outline and says nothing new
    return np.array(corners, dtype=float).reshape(-1, 2)


def _holes(value: object, *, path: str) -> tuple[Hole, ...]:
    holes = []
    for i, entry in enumerate(check_list(value, path=path, place="holes_mm", of="objects with x, y, d")):
        place = f"holes_mm, entry {i}"
        hole = check_object(entry, path=path, place=place, keys="x, y, d")
        check_keys(hole, HOLE_KEYS, path=path, place=place)
        x, y = (_required(hole, key, PLACE_LIMITS, path=path, place=place) for key in ("x", "y"))
        holes.append(Hole(x, y, _required(hole, "d", SIZE_LIMITS, path=path, place=place)))
    return tuple(holes)


def _kind(found: dict[str, Any], ref: str, *, path: str, place: str) -> tuple[str, str]:
    """Return the kind of a part, and a warning or an empty string."""
    word = _word(found, "kind", path=path, place=place)
    if word is None:
        return kind_from_refdes(ref), ""
    if word in KINDS:
        return word, ""
    hint = nearest(word, KINDS)
    return "other", f"part {ref}: unknown kind {word!r} is read as other" + (f"; {hint}" if hint else "")


def _part(entry: object, index: int, *, path: str) -> tuple[Part, str]:
    found = check_object(entry, path=path, place=f"parts, entry {index}", keys="ref, x, y, w, h")
    if found.get("ref") is None:
        raise InputError(path, f"parts, entry {index}", "has no ref", "give the refdes, such as C14")
    ref = check_word(found["ref"], path=path, place=f"parts, entry {index}, ref")
    place = f"part {ref}"
    check_keys(found, PART_KEYS, path=path, place=place)
    kind, warning = _kind(found, ref, path=path, place=place)
    nets = check_list(found.get("nets") or [], path=path, place=f"{place}, nets", of="net names")
    fitted = found.get("fitted", True)
    if fitted is not None and not isinstance(fitted, bool):
        raise InputError(path, f"{place}, fitted", f"{fitted!r} is neither true nor false", "give true or false")
    part = Part(
        ref=ref,
        kind=kind,
        x=_required(found, "x", PLACE_LIMITS, path=path, place=place),
        y=_required(found, "y", PLACE_LIMITS, path=path, place=place),
        w=_required(found, "w", SIZE_LIMITS, path=path, place=place),
        h=_required(found, "h", SIZE_LIMITS, path=path, place=place),
        rotation=_optional(found, "rotation", (-3600.0, 3600.0), path=path, place=place, unit="degrees") or 0.0,
        height_mm=_optional(found, "height_mm", (0.0, 500.0), path=path, place=place, unit="mm"),
        side=check_choice(found.get("side") or "top", SIDES, path=path, place=f"{place}, side"),
        nets=tuple(check_word(net, path=path, place=f"{place}, nets") for net in nets),
        surface=_word(found, "surface", path=path, place=place),
        max_c=_optional(found, "max_c", (-100.0, 1000.0), path=path, place=place, unit="C"),
        covered_by=_word(found, "covered_by", path=path, place=place),
        fitted=fitted is not False,
    )
    return part, warning


def _rail(entry: object, index: int, *, path: str) -> Rail:
    found = check_object(entry, path=path, place=f"rails, entry {index}", keys="net, volts")
    if found.get("net") is None:
        raise InputError(path, f"rails, entry {index}", "has no net", "give the name of the net")
    net = check_word(found["net"], path=path, place=f"rails, entry {index}, net")
    place = f"rail {net}"
    check_keys(found, RAIL_KEYS, path=path, place=place)
    tolerance = _optional(found, "tolerance_percent", (0.0, 100.0), path=path, place=place, unit="%")
    rail = Rail(
        net=net,
        volts=_optional(found, "volts", (-1000.0, 1000.0), path=path, place=place, unit="V"),
        made_by=_word(found, "made_by", path=path, place=place),
        from_net=_word(found, "from", path=path, place=place),
    )
    return rail if tolerance is None else replace(rail, tolerance_percent=tolerance)


def _check_links(board: Board, *, path: str) -> tuple[str, ...]:
    """Refuse a rail twice and a cover that is not on the board; return warnings for makers that are not."""
    refs = [part.ref for part in board.parts]
    for part in board.parts:
        if part.covered_by is not None and part.covered_by not in refs:
            problem = f"covered_by names {part.covered_by!r}, which is no part of this board"
            raise InputError(path, f"part {part.ref}", problem, nearest(part.covered_by, refs) or "add the part")
    nets = [rail.net for rail in board.rails]
    for net in nets:
        if nets.count(net) > 1:
            raise InputError(path, f"rail {net}", "this net stands twice", "give each rail once")
    return tuple(
        f"rail {rail.net}: made_by names {rail.made_by!r}, which is no part of this board"
        for rail in board.rails
        if rail.made_by is not None and rail.made_by not in refs
    )


def open_board(path: str | Path) -> Board:
    """Read and check a board file; null means the same as an absent key.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    Board
        Its ``warnings`` say what was read otherwise than written (unknown kinds, makers that are no part).

    Raises
    ------
    InputError
        For an unknown key, a missing size or place, an outline that crosses itself, a refdes twice, a body that does
        not touch the outline, a cover that does not exist.
    """
    path = str(path)
    found = read_json(path)
    check_keys(found, KEYS, path=path)
    if found.get("outline_mm") is None:
        raise InputError(path, "", "has no outline_mm", "give the corners as a list of [x, y] in mm")
    entries = check_list(found.get("parts") or [], path=path, place="parts", of="objects with ref, x, y, w, h")
    parts = [_part(entry, i, path=path) for i, entry in enumerate(entries)]
    rails = check_list(found.get("rails") or [], path=path, place="rails", of="objects with net and volts")
    board = Board(
        name=_word(found, "name", path=path, place="") or Path(path).stem,
        outline_mm=_outline(found["outline_mm"], path=path),
        thickness_mm=_optional(found, "thickness_mm", (0.05, 50.0), path=path, place="", unit="mm"),
        holes=_holes(found.get("holes_mm") or [], path=path),
        parts=tuple(part for part, _ in parts),
        rails=tuple(_rail(entry, i, path=path) for i, entry in enumerate(rails)),
    )
    check_board(board, path=path)
    warnings = (*(warning for _, warning in parts if warning), *_check_links(board, path=path))
    return replace(board, warnings=warnings)


def parse_size(text: str) -> Board:
    """Return a rectangular board from its size in mm, ``'90x60'``; raises InputError."""
    number = r"(\d+(?:[.,]\d+)?)"
    found = re.fullmatch(rf"\s*{number}\s*(?:mm)?\s*[xX×*]\s*{number}\s*(?:mm)?\s*", text)
    if found is None:
        raise InputError("--size", "", f"{text!r} is not a size", "give width x height in mm, such as 90x60")
    width, height = (
        check_number(float(piece.replace(",", ".")), (1.0, 2000.0), path="--size", place="", unit="mm")
        for piece in found.groups()
    )
    return Board.rectangle(width, height)
