"""A file of frame times: one a row, or a column of a table, or a list in JSON."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime

import numpy as np

from thermscan.model.errors import InputError
from thermscan.read.text_file import read_text

TIME_COLUMNS = ("time_s", "timestamp_s", "timestamps_s", "times_s", "seconds", "t_s", "time", "timestamp", "t", "s")
_SPLIT = re.compile(r"[;\t]")


def _split(line: str) -> list[str]:
    if _SPLIT.search(line):
        cells = _SPLIT.split(line)
    elif "," in line:
        cells = line.split(",")
    else:
        cells = line.split()
    cells = [cell.strip().strip('"').strip() for cell in cells]
    return cells[:-1] if len(cells) > 1 and not cells[-1] else cells


def _to_number(cell: str) -> float | None:
    text = cell.replace(",", ".") if "." not in cell else cell
    try:
        return float(re.sub(r"\s*s$", "", text))
    except ValueError:
        return _to_clock(cell)


def _to_clock(cell: str) -> float | None:
    """Return the seconds of a date and time of day in ISO 8601, None for anything else."""
    if ":" not in cell:
        return None
    try:
        moment = datetime.fromisoformat(cell)
    except ValueError:
        return None
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()


def _pick_column(header: list[str], *, path: str) -> int:
    names = [re.sub(r"[\s\[\](){}]+", "_", name.strip().lower()).strip("_") for name in header]
    for wanted in TIME_COLUMNS:
        if wanted in names:
            return names.index(wanted)
    for i, name in enumerate(names):
        if name.startswith(("time", "t_")):
            return i
    raise InputError(path, "row 1", f"no column of times among {', '.join(header)}", "name it time_s")


def _pick_without_header(rows: list[list[str]], *, path: str) -> int:
    width = len(rows[0])
    if width == 1:
        return 0
    first = [_to_number(row[0]) for row in rows]
    counts = all(v is not None and v - (first[0] or 0.0) == i for i, v in enumerate(first)) and first[0] in (0, 1)
    if width == 2 and counts:
        return 1
    raise InputError(path, "row 1", f"has {width} columns and no heading", "head the column of times time_s")


def open_times(path: str) -> np.ndarray:
    """Return the times of a file, float64 ndarray (frames,), s; order is not checked here.

    Raises
    ------
    InputError
        Where no column of times can be told, or a row holds no number (with the row).
    """
    text = read_text(path)
    if text.lstrip().startswith("["):
        try:
            return np.array(json.loads(text), dtype=float).reshape(-1)
        except (ValueError, TypeError):
            raise InputError(path, "", "is not a JSON list of numbers", "give [0.0, 0.1, ..]") from None
    lines = [(i, _split(line)) for i, line in enumerate(text.splitlines(), 1) if line.strip()]
    has_header = all(_to_number(cell) is None for cell in lines[0][1])
    body = lines[1:] if has_header else lines
    if not body:
        raise InputError(path, "", "holds no times", "give one time a row")
    rows = [cells for _, cells in body]
    column = _pick_column(lines[0][1], path=path) if has_header else _pick_without_header(rows, path=path)
    times = []
    for row, cells in body:
        value = _to_number(cells[column]) if column < len(cells) else None
        if value is None:
            shown = cells[column] if column < len(cells) else ""
            raise InputError(path, f"row {row}, column {column + 1}", f"{shown!r} is not a time", "give seconds")
        times.append(value)
    if _to_clock(body[0][1][column]) is not None:
        return np.array(times) - times[0]  # a date: the clock starts with the first frame
    return np.array(times) * (_second_of(lines[0][1][column]) if has_header else 1.0)


def _second_of(heading: str) -> float:
    """Return how many seconds the unit of a heading is: 0.001 for ``time_ms``."""
    found = re.search(r"[^a-zA-Z](ms|us|µs|min)\W*$", heading.strip())
    return {"ms": 1e-3, "us": 1e-6, "µs": 1e-6, "min": 60.0}[found[1]] if found else 1.0
