"""The user's own plate materials, which go before the values that are built in."""

from __future__ import annotations

from typing import Any

from thermscan.model.errors import InputError
from thermscan.read.data_folder import user_folder
from thermscan.read.text_file import check_object, read_json

NAME = "materials.json"


def open_own_materials() -> tuple[dict[str, dict[str, Any]], str]:
    """Open the user's own ``materials.json``: its entries by name, and its path; no entries where there is none.

    The file that comes along holds the values of the settings and need not be read.

    Raises
    ------
    InputError
        Where the file is no JSON or holds no table of materials.
    """
    path = user_folder() / NAME
    if not path.is_file():
        return {}, str(path)
    values = read_json(str(path)).get("materials")
    table = check_object(values, path=str(path), place="materials", keys="names of materials")
    for name, entry in table.items():
        if not isinstance(entry, dict):
            raise InputError(str(path), f"material {name}", "is no object", "see calibration/materials.json")
    return dict(table), str(path)
