"""The file of priors: what is believed before a board is measured."""

from __future__ import annotations

import json
from pathlib import Path

from thermscan.model.errors import InputError
from thermscan.model.evidence import Priors, priors_from_dict
from thermscan.read.data_folder import data_folder, user_folder

NAME = "diagnosis.json"


def open_priors(path: str | Path | None = None) -> Priors:
    """Open priors: the file named, else the user's own ``diagnosis.json``, else the one that comes along.

    Raises
    ------
    InputError
        Where the file cannot be read, is not JSON, or holds unknown keys or impossible numbers.
    """
    if path is None:
        own = user_folder() / NAME
        path = own if own.is_file() else data_folder("calibration") / NAME
    try:
        values = json.loads(Path(path).read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise InputError(str(path), "", f"cannot be read: {error.strerror}", "check the path") from None
    except ValueError as error:
        raise InputError(str(path), "", f"is not JSON: {error}", "see calibration/diagnosis.json") from None
    if not isinstance(values, dict):
        raise InputError(str(path), "", "is not an object of keys and numbers", "see calibration/diagnosis.json")
    return priors_from_dict(values, path=str(path))
