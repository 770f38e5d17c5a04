"""Where the data that comes with the package lies: in a checkout, an editable install or a wheel."""

from __future__ import annotations

import os
from pathlib import Path

import thermscan
from thermscan.model.errors import InputError


def data_folder(name: str) -> Path:
    """Return the folder ``calibration`` or ``sample_frames``; raises InputError where the install lacks it."""
    package = Path(thermscan.__file__).resolve().parent
    for folder in (package / "_data" / name, package.parent / name):
        if folder.is_dir():
            return folder
    raise InputError(name, "", "this data folder is not part of the installation", "install thermscan again")


def user_folder() -> Path:
    """Return the folder whose profiles go before those that come along: ``$XDG_CONFIG_HOME/thermscan`` or the like.

    ``XDG_CONFIG_HOME`` is that of the XDG Base Directory Specification; ``~/.config`` where it is not set.
    """
    base = os.environ.get("XDG_CONFIG_HOME") or str(Path.home() / ".config")
    return Path(base) / "thermscan"
