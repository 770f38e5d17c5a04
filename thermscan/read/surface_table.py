"""The table of surfaces under calibration/, or the user's own."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from thermscan.model.errors import InputError, check_keys, check_number
from thermscan.model.surface import Surface
from thermscan.read.data_folder import data_folder, user_folder

NAME = "surfaces.json"
KEYS = ("emissivity", "range", "readable", "words", "source")


def _surface(name: str, entry: object, *, path: str) -> Surface:
    place = f"surface {name}"
    if not isinstance(entry, dict):
        raise InputError(path, place, "is not an object of keys and numbers", "see calibration/surfaces.json")
    check_keys(entry, KEYS, path=path, place=place)
    span = entry.get("range")
    if not isinstance(span, list) or len(span) != 2:
        raise InputError(path, f"{place}, range", "is not two numbers", "give [lowest, highest] emissivity")
    low, high = (check_number(v, (0.01, 1.0), path=path, place=f"{place}, range") for v in span)
    value = check_number(entry.get("emissivity"), (0.01, 1.0), path=path, place=f"{place}, emissivity")
    if not low <= value <= high:
        raise InputError(path, place, f"emissivity {value:g} is outside its own range", "correct one of them")
    if not isinstance(entry.get("readable"), bool):
        raise InputError(path, f"{place}, readable", "is neither true nor false", "say whether a camera can read it")
    words = tuple(str(w).lower() for w in entry.get("words", []))
    return Surface(name, value, low, high, entry["readable"], words, str(entry.get("source", "")))


def open_surfaces(path: str | Path | None = None) -> tuple[Surface, ...]:
    """Open the surface table: the file named, else the user's own ``surfaces.json``, else the one that comes along.

    Raises
    ------
    InputError
        Where the file cannot be read or an entry is impossible.
    """
    if path is None:
        own = user_folder() / NAME
        path = own if own.is_file() else data_folder("calibration") / NAME
    try:
        values: Any = json.loads(Path(path).read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise InputError(str(path), "", f"cannot be read: {error.strerror}", "check the path") from None
    except ValueError as error:
        raise InputError(str(path), "", f"is not JSON: {error}", "see calibration/surfaces.json") from None
    table = values.get("surfaces") if isinstance(values, dict) else None
    if not isinstance(table, dict):
        raise InputError(str(path), "surfaces", "is missing", "see calibration/surfaces.json")
    return tuple(_surface(name, entry, path=str(path)) for name, entry in table.items())
