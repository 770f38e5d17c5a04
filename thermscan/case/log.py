"""The append-only log of a case: one JSON object a line, chained by hashes, safe against a kill at any moment."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import time as clock
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from thermscan.model.case_record import ENTRY_KINDS, Entry
from thermscan.model.case_settings import CaseSettings
from thermscan.model.errors import InputError

try:
    import fcntl
except ImportError:  # systems without it have the other one
    fcntl = None  # type: ignore[assignment]
    import msvcrt

LOG_NAME = "log.jsonl"
LOCK_NAME = "log.lock"
TORN_NAME = "log.torn"
FIRST = "0" * 64  # what the first entry names as its previous one
_FIELDS = ("number", "time", "kind", "data", "previous")


@dataclass(frozen=True)
class LogReading:
    """The whole entries of a log, how many bytes they take, and whether an unfinished one stands behind them."""

    entries: tuple[Entry, ...]
    whole_bytes: int
    is_torn: bool


def entry_digest(fields: Mapping[str, object]) -> str:
    """Return the SHA-256 of an entry's fields in one fixed spelling."""
    plain = {key: fields[key] for key in _FIELDS}
    text = json.dumps(plain, sort_keys=True, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def entry_line(entry: Entry) -> bytes:
    """Return the line of an entry, with its end."""
    fields = {key: getattr(entry, key) for key in (*_FIELDS, "sha256")}
    return (json.dumps(fields, ensure_ascii=False, allow_nan=False) + "\n").encode("utf-8")


def _parsed(line: bytes) -> dict[str, object] | None:
    """Return the object of a line, None where it is not a whole entry."""
    try:
        fields = json.loads(line.decode("utf-8"))
    except ValueError:
        return None
    known = isinstance(fields, dict) and {*_FIELDS, "sha256"} <= set(fields) and isinstance(fields["data"], dict)
    return fields if known else None


def parse_log(content: bytes, *, path: str) -> LogReading:
    """Read the entries of a log and check the chain.

    Parameters
    ----------
    content : bytes
    path : str
        For messages.

    Returns
    -------
    LogReading
        An unfinished last line (a write that was cut short) is left out and told by ``is_torn``.

    Raises
    ------
    InputError
        Where a line before the last is damaged, or any line was changed afterwards.
    """
    pieces = content.split(b"\n")
    lines, rest = pieces[:-1], pieces[-1]
    entries: list[Entry] = []
    previous, whole = FIRST, 0
    for row, line in enumerate(lines, 1):
        fields = _parsed(line)
        if fields is None and row == len(lines) and not rest:
            return LogReading(tuple(entries), whole, is_torn=True)
        if fields is None:
            raise InputError(path, f"line {row}", "is damaged", "restore the file; the entries before it are whole")
        entry = Entry(**{key: fields[key] for key in (*_FIELDS, "sha256")})  # type: ignore[arg-type]
        if (entry.number, entry.previous, entry.sha256) != (row, previous, entry_digest(fields)):
            problem = "was changed after it was written, or a line before it is missing"
            raise InputError(path, f"line {row}", problem, "restore the file; entries are only ever added")
        entries.append(entry)
        previous, whole = entry.sha256, whole + len(line) + 1
    return LogReading(tuple(entries), whole, is_torn=bool(rest))


def read_log(folder: str | Path) -> LogReading:
    """Read the log of a case folder; raises InputError where it is missing or damaged."""
    path = Path(folder) / LOG_NAME
    try:
        content = path.read_bytes()
    except OSError as error:
        problem = f"cannot be read: {(error.strerror or str(error)).lower()}"
        raise InputError(str(path), "", problem, "restore it; a case is nothing without its log") from error
    return parse_log(content, path=str(path))


def _try_lock(handle: int) -> bool:
    """Take the lock of an open file, without waiting."""
    try:
        if fcntl is not None:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        else:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined]
    except OSError:
        return False
    return True


@contextlib.contextmanager
def locked(folder: str | Path, *, settings: CaseSettings | None = None) -> Iterator[None]:
    """Hold a case's lock; the system lets go of it where a program ends in whatever way.

    Raises
    ------
    InputError
        Where another writer keeps it for longer than ``lock_wait_s``, or the folder cannot be written.
    """
    wait_s = (settings or CaseSettings()).lock_wait_s
    path = Path(folder) / LOCK_NAME
    try:
        handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
    except OSError as error:
        problem = f"cannot be written: {(error.strerror or str(error)).lower()}"
        raise InputError(str(path), "", problem, "check the folder and your rights") from error
    try:
        until = clock.monotonic() + wait_s
        while not _try_lock(handle):
            if clock.monotonic() > until:
                raise InputError(str(folder), "", "another program is writing to this case", "try again in a moment")
            clock.sleep(0.01)
        yield
    finally:
        os.close(handle)


def _append_synced(path: Path, content: bytes) -> None:
    """Add bytes to a file and wait until the disk has them."""
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND | getattr(os, "O_BINARY", 0), 0o666)
    try:
        left = memoryview(content)
        while left:
            left = left[os.write(handle, left) :]
        os.fsync(handle)
    finally:
        os.close(handle)


def _set_aside(path: Path, content: bytes, whole: int) -> None:
    """Move an unfinished last line out of the log, so that nothing is lost and the next entry starts a line."""
    _append_synced(path.with_name(TORN_NAME), content[whole:].rstrip(b"\n") + b"\n")
    with path.open("r+b") as file:
        file.truncate(whole)
        file.flush()
        os.fsync(file.fileno())


def append(
    folder: str | Path,
    kind: str,
    data: Mapping[str, object],
    *,
    time: str,
    check: Callable[[tuple[Entry, ...]], None] | None = None,
    settings: CaseSettings | None = None,
) -> Entry:
    """Add one entry to the log of a case.

    Parameters
    ----------
    folder : str or Path
    kind : str
        One of ENTRY_KINDS.
    data : mapping
        Plain JSON values, all finite.
    time : str
        When, ISO 8601 with its zone.
    check : callable, optional
        Called with the entries so far while the lock is held; raises InputError where the entry must not be added.
    settings : CaseSettings, optional

    Returns
    -------
    Entry

    Raises
    ------
    InputError
        Where the log is damaged, locked for too long, or cannot be written.

    Notes
    -----
    The line is written in one go and synced before the lock is released. A program killed on the way leaves at the
    most this one entry unfinished; the next writer sets it aside in ``log.torn``.
    """
    if kind not in ENTRY_KINDS:
        msg = f"unknown kind of entry {kind!r}"
        raise ValueError(msg)
    path = Path(folder) / LOG_NAME
    with locked(folder, settings=settings):
        content = path.read_bytes() if path.exists() else b""
        log = parse_log(content, path=str(path))
        if check is not None:
            check(log.entries)
        previous = log.entries[-1].sha256 if log.entries else FIRST
        fields = {
            "number": len(log.entries) + 1,
            "time": time,
            "kind": kind,
            "data": json.loads(json.dumps(dict(data), allow_nan=False)),
            "previous": previous,
        }
        entry = Entry(**fields, sha256=entry_digest(fields))  # type: ignore[arg-type]
        try:
            if log.is_torn:
                _set_aside(path, content, log.whole_bytes)
            _append_synced(path, entry_line(entry))
        except OSError as error:
            problem = f"cannot be written: {(error.strerror or str(error)).lower()}"
            raise InputError(str(path), "", problem, "check space and rights; earlier entries are whole") from error
    return entry
