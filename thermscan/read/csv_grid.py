"""Temperature grids as text: one frame a file, or frames parted by blank lines, in all usual spellings."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from thermscan.model.errors import InputError
from thermscan.read.csv_dialect import (
    UNIT_OF_LETTER,
    Dialect,
    find_dialect,
    is_numeric,
    plain_signs,
    unit_in_text,
    unit_letters,
)
from thermscan.read.raw_frames import FrameSpool, RawFrames, ReadHints
from thermscan.read.text_file import find_encoding, iterate_lines

SAMPLE_LINES = 400  # looked at to learn the spelling
SAMPLE_ROWS = 48
_TIME_IN_TITLE = re.compile(r"(?:\bt\s*[=:]\s*|\btime\D{0,8})(\d+(?:[.,]\d+)?)\s*(ms|s)?\b", re.IGNORECASE)


def is_text_grid(head: bytes) -> bool:
    """Tell whether the first bytes are text with a digit or a word for 'no number' in it."""
    encoding = find_encoding(head)
    if encoding is None:
        return False
    text = head.decode(encoding, errors="replace")
    return any(c.isdigit() for c in text) or "nan" in text.lower()


@dataclass
class _Scan:
    """What is gathered while a file is parsed; ``columns`` is the width of its rows before an index is dropped."""

    path: str
    dialect: Dialect
    columns: int
    spool: FrameSpool
    is_integer: bool = True
    letters: set[str] = field(default_factory=set)
    header: list[str] = field(default_factory=list)
    titles: list[list[str]] = field(default_factory=list)
    notes: dict[str, None] = field(default_factory=dict)
    missing: int = 0
    is_file_start: bool = True


def _sample(path: str) -> tuple[list[str], list[str]]:
    """Return (numeric lines, text before the first of them) from the start of a file."""
    rows: list[str] = []
    text: list[str] = []
    for number, raw in iterate_lines(path):
        line = plain_signs(raw)
        if is_numeric(line):
            rows.append(line)
        elif not rows and line.strip():
            text.append(line)
        if number >= SAMPLE_LINES or len(rows) >= SAMPLE_ROWS:
            break
    if not rows:
        raise InputError(path, "", "holds no row of numbers", "give a temperature grid: rows of numbers, one a line")
    return rows, text


def _learn(path: str, *, hints: ReadHints) -> tuple[Dialect, int]:
    """Return the spelling of a file and the usual number of columns."""
    rows, text = _sample(path)
    dialect = find_dialect(rows, unit=hints.unit or unit_in_text(text), path=path)
    widths = [len(dialect.cells(row)) for row in rows]
    return dialect, max(set(widths), key=lambda w: (widths.count(w), w))


def _blocks(path: str) -> Iterator[list[tuple[int, str]]]:
    """Yield the runs of (row, line) that blank lines part; a line of nothing but separators is blank."""
    block: list[tuple[int, str]] = []
    for row, line in iterate_lines(path):
        if line.strip(' ,;\t"\u00a0'):
            block.append((row, plain_signs(line)))
        elif block:
            yield block
            block = []
    if block:
        yield block


def _title_form(line: str) -> str:
    return re.sub(r"[\d.,:+-]+", "#", line).strip().lower()


def _first_text_column(cells: list[str], dialect: Dialect) -> tuple[int, str]:
    for i, cell in enumerate(cells):
        try:
            dialect.to_number(cell)
        except ValueError:
            return i + 1, cell.strip()
    return 1, cells[0] if cells else ""


def _leading_text(block: list[tuple[int, str]], scan: _Scan) -> int:
    """Return how many lines at the start of a block are text (never all the numbers that follow them)."""
    count = 0
    for _, line in block:
        if _numbers_or_none(line, scan.dialect) is not None:
            break
        count += 1
    if not scan.is_file_start and count:
        known = {_title_form(line) for line in scan.header}
        for row, line in block[:count]:
            if _title_form(line) not in known:
                column, cell = _first_text_column(scan.dialect.cells(line), scan.dialect)
                raise _text_error(scan.path, row, column, cell)
    return count


def _numbers_or_none(line: str, dialect: Dialect) -> np.ndarray | None:
    try:
        return dialect.numbers(line)
    except ValueError:
        return None


def _text_error(path: str, row: int, column: int, cell: str) -> InputError:
    shown = cell if len(cell) <= 40 else cell[:37] + "..."
    return InputError(path, f"row {row}, column {column}", f"{shown!r} is not a number", "remove the text")


def _parse_block(block: list[tuple[int, str]], scan: _Scan) -> np.ndarray:
    """Return the numbers of one frame, ndarray (rows, columns), with an index row of its own length made to fit."""
    rows: list[np.ndarray] = []
    for row, line in block:
        values = _numbers_or_none(line, scan.dialect)
        if values is None:
            column, cell = _first_text_column(scan.dialect.cells(line), scan.dialect)
            raise _text_error(scan.path, row, column, cell)
        if scan.dialect.has_letters:
            scan.letters |= unit_letters(line)
        if len(values) == scan.columns - 1 and not rows and _is_count(values):
            values = np.concatenate([[np.nan], values])  # an index row without the corner cell
        if len(values) == scan.columns - 1 and line.rstrip(" ").endswith(scan.dialect.separator):
            values = np.concatenate([values, [np.nan]])  # the last cell is empty
        if len(values) != scan.columns:
            problem = f"has {len(values)} numbers, the other rows have {scan.columns}"
            raise InputError(scan.path, f"row {row}", problem, "each row of a frame needs the same number of columns")
        rows.append(values)
    return np.array(rows)


def _is_count(values: np.ndarray, *, starts: tuple[int, ...] = (0, 1)) -> bool:
    """Tell whether numbers only count 0, 1, 2 .. or 1, 2, 3 .. (three or more of them)."""
    if len(values) < 3 or not np.isfinite(values).all():
        return False
    return bool((np.diff(values) == 1).all() and (not starts or values[0] in starts))


def _drop_index(frame: np.ndarray, scan: _Scan) -> np.ndarray:
    """Return the frame without a first row and a first column that only count; what is dropped is noted."""
    if _is_count(frame[0]) or (len(frame) > 1 and _is_count(frame[0, 1:]) and _is_index_column(frame[1:, 0], scan)):
        frame = frame[1:]
        scan.notes["the first row only counts columns and was dropped"] = None
    if len(frame) and _is_index_column(frame[:, 0], scan):
        frame = frame[:, 1:]
        scan.notes["the first column only counts rows and was dropped"] = None
    return frame


def _is_index_column(values: np.ndarray, scan: _Scan) -> bool:
    """Tell whether a first column is an index; in later frames it may count on from the frame before."""
    return _is_count(values, starts=(0, 1) if not len(scan.spool) else ())


def _add_block(block: list[tuple[int, str]], scan: _Scan) -> None:
    leading = _leading_text(block, scan)
    text = [line for _, line in block[:leading]]
    if not len(scan.spool):
        scan.header += text
    if leading == len(block):
        return
    scan.is_file_start = False
    first_row = block[leading][0]
    frame = _drop_index(_parse_block(block[leading:], scan), scan)
    if min(frame.shape) < 2:
        problem = f"is a frame of {frame.shape[0]} x {frame.shape[1]} numbers"
        raise InputError(scan.path, f"row {first_row}", problem, "a frame needs two rows and two columns or more")
    if scan.spool.shape not in (None, frame.shape):
        rows, columns = scan.spool.shape
        problem = f"has {frame.shape[0]} x {frame.shape[1]} numbers, the first frame {rows} x {columns}"
        place = f"frame {len(scan.spool)} (from row {first_row})"
        raise InputError(scan.path, place, problem, "all frames must have one size")
    scan.is_integer &= not scan.dialect.has_marks and bool((np.isnan(frame) | (frame == np.rint(frame))).all())
    bad = ~np.isfinite(frame)
    scan.missing += int(bad.sum())
    scan.titles.append(text if len(scan.spool) else scan.header[-1:])
    scan.spool.add(np.where(bad, np.nan, frame))


def _title_times(scan: _Scan) -> np.ndarray | None:
    """Return the times that the frames' own titles state, s, where every frame has one and they increase."""
    if len(scan.titles) < 2:
        return None
    times = []
    for lines in scan.titles:
        found = _TIME_IN_TITLE.search("\n".join(lines))
        if found is None:
            return None
        times.append(float(found[1].replace(",", ".")) * (1e-3 if (found[2] or "s").lower() == "ms" else 1.0))
    return np.array(times) if (np.diff(times) > 0).all() else None


def _finish(scan: _Scan, *, path: str) -> RawFrames:
    if not len(scan.spool):
        raise InputError(path, "", "holds no row of numbers", "give a temperature grid: rows of numbers, one a line")
    if len(scan.letters) > 1:
        raise InputError(path, "", f"mixes the units {' and '.join(sorted(scan.letters))}", "use one unit")
    notes = list(scan.notes)
    if scan.header:
        count = len(scan.header)
        shown = scan.header[0].strip()[:60]
        notes.insert(
            0, f"{count} leading text {'line was' if count == 1 else 'lines were'} skipped, the first is {shown!r}"
        )
    warnings = [f"{scan.missing} cells hold no number and are left out"] if scan.missing else []
    unit = UNIT_OF_LETTER[next(iter(scan.letters))] if scan.letters else unit_in_text(scan.header)
    times = _title_times(scan)
    return RawFrames(
        store=scan.spool.finish(),
        is_integer=scan.is_integer and unit is None,
        unit=unit,
        times_s=times,
        times_from="" if times is None else "the frames' titles",
        warnings=tuple(warnings),
        notes=tuple(notes),
    )


def read_csv(paths: tuple[str, ...], *, hints: ReadHints) -> RawFrames:
    """Read grids of numbers from one text file, or from one file a frame in the order given.

    Each line is parsed once; frames beyond some size are spooled to a temporary file, so that memory does not grow
    with the length of the recording.

    Raises
    ------
    InputError
        For a ragged row or text in the middle (with row and column), frames of different size, mixed units, and a
        spelling with two readings.
    """
    dialect, columns = _learn(paths[0], hints=hints)
    scan = _Scan(paths[0], dialect, columns, FrameSpool())
    for path in paths:
        scan.path, scan.is_file_start = path, True
        before = len(scan.spool)
        for block in _blocks(path):
            _add_block(block, scan)
        if len(paths) > 1 and len(scan.spool) - before != 1:
            problem = f"holds {len(scan.spool) - before} frames, a series has one a file"
            raise InputError(path, "", problem, "open this file alone")
    return _finish(scan, path=paths[0])
