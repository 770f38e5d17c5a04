"""Files and folders written whole or not at all."""

from __future__ import annotations

import contextlib
import os
import shutil
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path

from thermscan.model.errors import InputError

# Names that results leave in a folder; with --force those of an earlier run are taken away, nothing else is touched.
RESULT_NAMES = (
    "result.json",
    "overlay.png",
    "side_by_side.png",
    "curves.png",
    "contact_sheet.png",
    "heat_made.png",
    "excess.tiff",
    "heat_made.tiff",
    "detection_limit.tiff",
    "poses.npz",
    "hotspots.csv",
    "parts.csv",
    "suspects.csv",
    "courses.csv",
    "report.html",
    "report.pdf",
)
LAST = "result.json"  # moved in last and taken away first: while it stands there, everything beside it belongs to it


def _refuse(path: Path, problem: str, remedy: str) -> InputError:
    return InputError(str(path), "", problem, remedy)


def _system_reason(error: OSError) -> str:
    """Return the system's own words for an error, lower case."""
    return (error.strerror or str(error)).lower()


def _sync_folder(folder: Path) -> None:
    """Make renames in a folder last; systems that cannot sync a folder are left alone."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def write_whole(path: str | Path, content: bytes) -> Path:
    """Write a file under a temporary name in the same folder, sync it and rename it into place.

    Parameters
    ----------
    path : str or Path
        Replaced if it exists.
    content : bytes

    Returns
    -------
    Path

    Raises
    ------
    InputError
        Where the folder is missing or cannot be written; nothing is left behind.
    """
    target = Path(path)
    try:
        handle, name = tempfile.mkstemp(prefix=f".{target.name}.", suffix=".partial", dir=target.parent)
    except OSError as error:
        raise _refuse(
            target, f"cannot be written: {_system_reason(error)}", "choose a folder you may write to"
        ) from error
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(name, 0o666 & ~_umask())
        os.replace(name, target)
    except OSError as error:
        Path(name).unlink(missing_ok=True)
        raise _refuse(target, f"cannot be written: {_system_reason(error)}", "check space and rights") from error
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
    _sync_folder(target.parent)
    return target


def _umask() -> int:
    """Return the process's file mode mask."""
    mask = os.umask(0o022)
    os.umask(mask)
    return mask


def check_output_folder(
    path: str | Path, *, force: bool = False, names: Sequence[str] = RESULT_NAMES, what: str = "results"
) -> Path:
    """Refuse an output folder that holds results or cannot be written, before any work is done.

    ``names`` are those of the files that would be overwritten, ``what`` is what they are called.

    Raises
    ------
    InputError
        Where the path is a file, holds results and ``force`` is False, or may not be written.
    """
    folder = Path(path)
    if folder.exists() and not folder.is_dir():
        raise _refuse(folder, "is a file, not a folder", "name a new folder with --out")
    if folder.is_dir():
        found = sorted(name for name in names if (folder / name).exists())
        if found and not force:
            raise _refuse(folder, f"already holds {what} ({found[0]})", "name a new folder, or overwrite with --force")
    parent = folder if folder.is_dir() else _nearest_folder(folder)
    if not parent.is_dir() or not os.access(parent, os.W_OK | os.X_OK):
        raise _refuse(folder, "cannot be written", "choose a folder you may write to")
    return folder


def _nearest_folder(folder: Path) -> Path:
    """Return the first parent that exists."""
    for parent in folder.absolute().parents:
        if parent.exists():
            return parent
    return Path(folder.anchor or ".")


def _move_in(made: Path, folder: Path) -> None:
    """Move every made file into the folder, LAST at the end, and take away results that were not made anew."""
    names = sorted((entry.name for entry in made.iterdir()), key=lambda name: (name == LAST, name))
    (folder / LAST).unlink(missing_ok=True)
    for name in RESULT_NAMES:
        if name not in names:
            (folder / name).unlink(missing_ok=True)
    for name in names:
        target = folder / name
        if target.is_dir() and not target.is_symlink():
            shutil.rmtree(target)
        os.replace(made / name, target)
    _sync_folder(folder)


@contextlib.contextmanager
def whole_folder(path: str | Path, *, force: bool = False) -> Iterator[Path]:
    """Give a temporary folder to write into; move its files to ``path`` only if all went well.

    Parameters
    ----------
    path : str or Path
        Made with its parents where missing; refused where it holds results and ``force`` is False.
    force : bool
        Replace earlier results; other files of the folder stay.

    Yields
    ------
    Path
        A hidden folder on the same disk; gone afterwards, whatever happened.

    Raises
    ------
    InputError
        See :func:`check_output_folder`; also where writing fails on the way.
    """
    folder = check_output_folder(path, force=force)
    home = folder if folder.is_dir() else _nearest_folder(folder)
    try:
        made = Path(tempfile.mkdtemp(prefix=f".{folder.name}.", suffix=".partial", dir=home))
    except OSError as error:
        raise _refuse(folder, f"cannot be written: {_system_reason(error)}", "choose another folder") from error
    try:
        yield made
        _finish(made, folder)
    finally:
        shutil.rmtree(made, ignore_errors=True)


def _finish(made: Path, folder: Path) -> None:
    """Make the folder and move the made files into it."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        _move_in(made, folder)
    except OSError as error:
        raise _refuse(folder, f"cannot be written: {_system_reason(error)}", "check space and rights") from error


def make_folder(path: str | Path) -> Path:
    """Make a folder and its parents where they are missing; raises InputError where that cannot be done."""
    folder = Path(path)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise _refuse(folder, f"cannot be made: {_system_reason(error)}", "choose a folder you may write to") from error
    return folder
