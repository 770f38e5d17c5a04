"""Text and JSON from disk, with the encodings that meters, cameras and spreadsheets write."""

from __future__ import annotations

import codecs
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from thermscan.model.errors import InputError

HEAD_BYTES = 65536  # enough to tell the encoding; a format is recognised from the same bytes
BYTE_ORDER_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)


def reason_of(error: OSError) -> str:
    """Return the system's reason for a failed file access, lower case, without the path."""
    return (error.strerror or str(error) or type(error).__name__).lower()


def read_bytes(path: str | Path, *, limit: int = -1) -> bytes:
    """Return the bytes of a file (the first ``limit`` where it is not negative); raises InputError."""
    try:
        with open(path, "rb") as file:
            return file.read(limit)
    except OSError as error:
        raise InputError(str(path), "", f"cannot be read: {reason_of(error)}", "check the path") from None


def find_encoding(head: bytes) -> str | None:
    """Return the encoding of a text from its first bytes, None where they are not text.

    Byte order marks are obeyed. Without one, zero bytes in every second place mean UTF-16; what is not UTF-8 is
    taken as Windows-1252, in which spreadsheets of western Europe save the degree sign.
    """
    for mark, name in BYTE_ORDER_MARKS:
        if head.startswith(mark):
            return name
    if b"\0" in head:
        even, odd = head[0::2].count(0), head[1::2].count(0)
        half = len(head) / 2
        if odd > 0.4 * half and even == 0:
            return "utf-16-le"
        if even > 0.4 * half and odd == 0:
            return "utf-16-be"
        return None
    try:
        codecs.getincrementaldecoder("utf-8")().decode(head, final=len(head) < HEAD_BYTES)
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8"


def _encoding_of(path: str | Path, head: bytes) -> str:
    encoding = find_encoding(head)
    if encoding is None:
        raise InputError(str(path), "", "is not a text file", "save it as text in UTF-8")
    return encoding


def iterate_lines(path: str | Path) -> Iterator[tuple[int, str]]:
    """Yield (row, text without line end) of a text file, rows counted from 1; only one line is held at a time."""
    encoding = _encoding_of(path, read_bytes(path, limit=HEAD_BYTES))
    try:
        with open(path, encoding=encoding, errors="replace") as file:
            for row, line in enumerate(file, 1):
                yield row, line.rstrip("\r\n")
    except OSError as error:
        raise InputError(str(path), "", f"cannot be read: {reason_of(error)}", "check the path") from None


def read_text(path: str | Path) -> str:
    """Return a whole text file without byte order mark; raises InputError where it is empty or not text."""
    raw = read_bytes(path)
    if not raw.strip():
        raise InputError(str(path), "", "is empty", "check that it was saved")
    return raw.decode(_encoding_of(path, raw[:HEAD_BYTES]), errors="replace")


def read_json(path: str | Path) -> dict[str, Any]:
    """Return the object in a JSON file.

    Raises
    ------
    InputError
        Where the text is not JSON (with row and column), holds no object, or holds NaN or a key twice.
    """

    def refuse_constant(word: str) -> None:
        raise InputError(str(path), "", f"holds {word}, which is not JSON", "write null for what is not known")

    def make_object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        found = dict(pairs)
        if len(found) < len(pairs):
            keys = [key for key, _ in pairs]
            twice = next(key for key in keys if keys.count(key) > 1)
            raise InputError(str(path), "", f"key {twice!r} stands twice in one object", "keep one of them")
        return found

    def make_whole(digits: str) -> int | float:
        return int(digits) if len(digits) < 16 else float(digits)

    try:
        text = read_text(path)
        value = json.loads(text, parse_constant=refuse_constant, parse_int=make_whole, object_pairs_hook=make_object)
    except json.JSONDecodeError as error:
        place = f"row {error.lineno}, column {error.colno}"
        raise InputError(
            str(path), place, f"is not JSON: {error.msg.lower()}", "check commas, quotes and brackets"
        ) from None
    except RecursionError:
        raise InputError(str(path), "", "is nested too deeply to be read", "check the file") from None
    if not isinstance(value, dict):
        raise InputError(str(path), "", f"holds a {type(value).__name__}, not an object", "start it with {")
    return value


def check_list(value: object, *, path: str, place: str, of: str) -> list[Any]:
    """Return ``value`` if it is a list, else raise InputError that says what the list should hold."""
    if not isinstance(value, list):
        raise InputError(path, place, f"{value!r} is not a list", f"give a list of {of}")
    return value


def check_object(value: object, *, path: str, place: str, keys: str) -> dict[str, Any]:
    """Return ``value`` if it is a JSON object, else raise InputError that names the keys it should have."""
    if not isinstance(value, dict):
        raise InputError(path, place, f"{value!r} is not an object", f"give an object with {keys}")
    return value


def check_word(value: object, *, path: str, place: str) -> str:
    """Return ``value`` if it is a text that is not blank, else raise InputError."""
    if not isinstance(value, str) or not value.strip():
        raise InputError(path, place, f"{value!r} is not a text", "give a text in quotes")
    return value.strip()
