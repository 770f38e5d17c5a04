"""The folder of a case: its head, its copied files, and whether recordings are still what they were."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import re
import shutil
import tempfile
from dataclasses import asdict, dataclass
from pathlib import Path

from thermscan.case.log import append, read_log
from thermscan.model.case_record import CASE_VERSION, CaseHead, Entry
from thermscan.model.errors import InputError

HEAD_NAME = "case.json"
BOARD_NAME = "board.json"
FORMAT = "thermscan case"


@dataclass(frozen=True)
class CaseFolder:
    """An opened case: where it is, its head, its entries, and whether the last entry was left unfinished."""

    path: Path
    head: CaseHead
    entries: tuple[Entry, ...]
    is_torn: bool = False

    @property
    def board_path(self) -> Path | None:
        """Return where the board file is, None where the case has none."""
        path = self.path / BOARD_NAME
        return path if path.is_file() else None


def _reason(error: OSError) -> str:
    return (error.strerror or str(error)).lower()


def sync_folder(folder: Path) -> None:
    """Make new names in a folder last; systems that cannot sync a folder are left alone."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _umask() -> int:
    """Return the process's file mode mask."""
    mask = os.umask(0o022)
    os.umask(mask)
    return mask


def write_file(path: Path, content: bytes) -> Path:
    """Write a file whole or not at all; raises InputError."""
    name = ""
    try:
        handle, name = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".partial", dir=path.parent)
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(name, 0o666 & ~_umask())
        os.replace(name, path)
    except OSError as error:
        Path(name).unlink(missing_ok=True) if name else None
        raise InputError(str(path), "", f"cannot be written: {_reason(error)}", "check space and rights") from error
    sync_folder(path.parent)
    return path


def head_text(head: CaseHead) -> str:
    """Return the text of case.json."""
    return json.dumps({"format": FORMAT, "format_version": CASE_VERSION, **asdict(head)}, indent=2) + "\n"


def new_case(folder: str | Path, head: CaseHead, *, board: bytes | None, opened: dict[str, object]) -> CaseFolder:
    """Make a case folder, whole or not at all.

    Parameters
    ----------
    folder : str or Path
        Must not exist, or be empty.
    head : CaseHead
    board : bytes or None
        The board file, copied into the case.
    opened : dict
        Data of the first entry.

    Returns
    -------
    CaseFolder

    Raises
    ------
    InputError
        Where the folder holds anything, or cannot be made.
    """
    target = Path(folder)
    if target.exists() and (not target.is_dir() or any(target.iterdir())):
        raise InputError(str(folder), "", "exists already and is not empty", "name a new folder for the case")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        made = Path(tempfile.mkdtemp(prefix=f".{target.name}.", suffix=".partial", dir=target.parent))
    except OSError as error:
        raise InputError(str(folder), "", f"cannot be made: {_reason(error)}", "choose another folder") from error
    try:
        os.chmod(made, 0o777 & ~_umask())
        if board is not None:
            write_file(made / BOARD_NAME, board)
        append(made, "opened", opened, time=head.created)
        write_file(made / HEAD_NAME, head_text(head).encode("utf-8"))
        os.replace(made, target)
    except OSError as error:
        raise InputError(str(folder), "", f"cannot be made: {_reason(error)}", "choose another folder") from error
    finally:
        shutil.rmtree(made, ignore_errors=True)
    sync_folder(target.parent)
    return open_case(target)


def _head_of(folder: Path) -> dict[str, object]:
    """Return the values of case.json; raises InputError where this is no case of a known version."""
    path = folder / HEAD_NAME
    if not path.is_file():
        raise InputError(str(folder), "", "is no case: it holds no case.json", "make one with thermscan case new")
    try:
        values = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise InputError(
            str(path), "", "cannot be read", "restore it from a copy; the log beside it is whole"
        ) from error
    if not isinstance(values, dict) or values.get("format") != FORMAT:
        raise InputError(str(path), "", "is not the head of a case", "name the folder of a case")
    version = values.get("format_version")
    if not isinstance(version, int) or version < 1:
        raise InputError(str(path), "format_version", f"{version!r} is no version", "restore it from a copy")
    if version > CASE_VERSION:
        problem = f"was written by a newer thermscan (format {version}, this one knows {CASE_VERSION})"
        raise InputError(str(path), "", problem, "update thermscan; nothing was changed")
    return values


def open_case(folder: str | Path) -> CaseFolder:
    """Open a case.

    Raises
    ------
    InputError
        For a folder that is no case, one from a newer version, a damaged head or log.
    """
    path = Path(folder)
    values = _head_of(path)
    words = {key: str(values.get(key, "")) for key in ("device", "board_name", "created")}
    head = CaseHead(**words, mains=values.get("mains") is True, lithium=values.get("lithium") is True)
    log = read_log(path)
    return CaseFolder(path, head, log.entries, log.is_torn)


def digest_of(path: str | Path) -> str:
    """Return the SHA-256 of a file, or of a folder's files (digest of their sorted digests).

    Raises
    ------
    InputError
        Where there is nothing to be read.
    """
    where = Path(path)
    files = sorted(p for p in where.rglob("*") if p.is_file()) if where.is_dir() else [where]
    digests = []
    for file in files:
        try:
            with file.open("rb") as content:
                digests.append(hashlib.file_digest(content, "sha256").hexdigest())
        except OSError as error:
            raise InputError(str(path), "", f"cannot be read: {_reason(error)}", "check the path") from error
    if not where.is_dir():
        return digests[0]
    return hashlib.sha256("".join(sorted(digests)).encode()).hexdigest()


def keep_file(case: CaseFolder, content: bytes, name: str, *, under: str) -> tuple[str, str]:
    """Copy a file into the case under a name that holds the start of its hash.

    Returns
    -------
    tuple of str
        Path inside the case, and the SHA-256.
    """
    digest = hashlib.sha256(content).hexdigest()
    stem = re.sub(r"[^A-Za-z0-9._-]+", "_", Path(name).name).strip("._") or "file"
    folder = case.path / under
    try:
        folder.mkdir(exist_ok=True)
    except OSError as error:
        raise InputError(str(folder), "", f"cannot be made: {_reason(error)}", "check space and rights") from error
    target = folder / f"{digest[:12]}_{stem[-80:]}"
    if not target.is_file():
        write_file(target, content)
    return f"{under}/{target.name}", digest


def recording_path(case: CaseFolder, entry: Entry) -> Path:
    """Return where a recording is: its path as given, relative ones counted from the case's folder."""
    return case.path / entry.text("path")


def check_files(case: CaseFolder) -> tuple[str, ...]:
    """Say which recordings and kept files moved or changed since they were added, one sentence each.

    Nothing is taken out of the case: an entry stays true of the file as it was.
    """
    said = []
    for entry in case.entries:
        for key in ("path", "sidecar", "picture", "overlay"):
            name, wanted = entry.text(key), entry.text("sha256" if key == "path" else f"{key}_sha256")
            if name and wanted:
                said += _trouble_with(case.path / name, name, wanted, entry.number)
    return tuple(said)


def _trouble_with(path: Path, name: str, wanted: str, number: int) -> list[str]:
    """Say what is wrong with one file, nothing where it is as it was."""
    if not path.exists():
        return [f"entry {number}: {name} is no longer there; put it back, or add it again where it is"]
    if digest_of(path) != wanted:
        about = "what was said of it holds for the file as it was"
        return [f"entry {number}: {name} changed since it was added (SHA-256 differs); {about}"]
    return []


def case_file(case: CaseFolder, name: str, *, wanted: str = "") -> bytes:
    """Read a file of the case; raises InputError where it is missing, outside, or its hash is not ``wanted``."""
    path = case.path / name
    if not path.resolve().is_relative_to(case.path.resolve()):
        raise InputError(str(case.path), "", f"its log names the file {name} outside of it", "get it from its maker")
    try:
        content = path.read_bytes()
    except OSError as error:
        raise InputError(str(path), "", f"cannot be read: {_reason(error)}", "put it back from a copy") from error
    if wanted and hashlib.sha256(content).hexdigest() != wanted:
        raise InputError(str(path), "", "changed since it was added (SHA-256 differs)", "put it back from a copy")
    return content


def relative_name(case: CaseFolder, path: str | Path) -> str:
    """Return a path as it is kept in the log: relative to the case where the two would move together, else whole."""
    full = Path(path).absolute()
    try:
        name = os.path.relpath(full, case.path.absolute()).replace(os.sep, "/")
    except ValueError:  # another drive
        return str(full)
    return str(full) if name.startswith("../../../") else name
