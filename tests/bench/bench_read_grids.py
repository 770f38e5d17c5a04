"""How often a temperature grid in a random spelling is read right, refused, or read wrong without a word.

Run: ``python tests/bench/bench_read_grids.py [COUNT] [SEED]``. A grid read wrong is a defect; a refused one must be
one that a person could not tell either.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from thermscan.model.errors import InputError
from thermscan.read.formats import open_recording


@dataclass(frozen=True)
class Spelling:
    """How one grid is written."""

    separator: str
    decimal: str
    decimals: int
    strips_zeros: bool
    has_index_row: bool
    has_index_column: bool
    has_tail: bool
    letter: str
    header: str
    encoding: str
    start: int


def draw_spelling(rng: np.random.Generator, *, is_count: bool) -> Spelling:
    """Draw a spelling; counts have no decimals and no unit letter."""
    separator = str(rng.choice([",", ";", "\t", " ", ", "]))
    return Spelling(
        separator=separator,
        decimal=str(rng.choice([".", ","])) if separator not in (",", ", ") or rng.random() < 0.3 else ".",
        decimals=0 if is_count else int(rng.integers(0, 5)),
        strips_zeros=rng.random() < 0.2,
        has_index_row=rng.random() < 0.2,
        has_index_column=rng.random() < 0.2,
        has_tail=rng.random() < 0.2,
        letter="" if is_count else str(rng.choice(["", "", "", "C"])),
        header=str(rng.choice(["", "", "Recorded on bench 3\n", "Date 2026-01-03\nTemperature map\n"])),
        encoding=str(rng.choice(["utf-8", "utf-16", "utf-8-sig"])),
        start=int(rng.integers(0, 2)),
    )


def draw_frames(rng: np.random.Generator, *, is_count: bool) -> np.ndarray:
    """Draw one to three frames, ndarray (frames, rows, columns), of degrees Celsius or camera counts."""
    shape = (rng.integers(1, 4), rng.integers(3, 20), rng.integers(3, 24))
    if is_count:
        return np.clip(rng.uniform(500, 60000) + rng.normal(0, rng.uniform(5, 100), shape), 0, 65535)
    return rng.uniform(-20, 58) + rng.normal(0, rng.choice([0.05, 0.5, 5.0]), shape)


def spell_cell(value: float, how: Spelling) -> str:
    """Return one number as text."""
    text = f"{value:.{how.decimals}f}"
    if how.strips_zeros and how.decimals:
        text = text.rstrip("0").rstrip(".")
    return text.replace(".", how.decimal) + how.letter


def spell(frames: np.ndarray, how: Spelling) -> str:
    """Return frames as the text of a file."""
    lines = [how.header]
    tail = how.separator.strip() if how.has_tail else ""
    corner = ["0" if how.separator == " " else ""] if how.has_index_column else []
    for frame in frames:
        if how.has_index_row:
            lines.append(how.separator.join([*corner, *(str(i + how.start) for i in range(frame.shape[1]))]) + "\n")
        for i, row in enumerate(frame):
            cells = [str(i + how.start)] if how.has_index_column else []
            lines.append(how.separator.join([*cells, *(spell_cell(v, how) for v in row)]) + tail + "\n")
        lines.append("\n")
    return "".join(lines)


def judge(path: Path, frames: np.ndarray, *, is_count: bool) -> str:
    """Return what became of a file: ``right``, ``WRONG``, or why it was refused."""
    try:
        recording = open_recording(path)
    except InputError as error:
        words = {"ambiguous": "ambiguous", "no unit is stated": "unit asked for", "the same number": "no picture"}
        words["are zero"] = "no picture"
        return "refused: " + next((why for word, why in words.items() if word in str(error)), str(error))
    found = recording.store.read(0, recording.frames)
    is_right = found.shape == frames.shape and np.allclose(found, frames, atol=1e-3, rtol=1e-6)
    return "right" if is_right and (recording.unit == "count") == is_count else "WRONG"


def main() -> int:
    """Print the table; exit code 1 where any grid was read wrong."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    rng = np.random.default_rng(int(sys.argv[2]) if len(sys.argv) > 2 else 1)
    table: Counter[tuple[str, str]] = Counter()
    started = time.perf_counter()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "grid.csv"
        for _ in range(count):
            is_count = bool(rng.random() < 0.25)
            how = draw_spelling(rng, is_count=is_count)
            frames = np.round(draw_frames(rng, is_count=is_count), how.decimals)
            path.write_bytes(spell(frames, how).encode(how.encoding))
            outcome = judge(path, frames, is_count=is_count)
            mark = (
                f"separator {how.separator!r}, decimal {how.decimal!r}"
                if how.decimals
                else f"whole numbers, {how.separator!r}"
            )
            table[outcome, "" if outcome == "right" else mark] += 1
            if outcome == "WRONG":
                print(f"read wrong: {how}")
    for (outcome, mark), number in sorted(table.items()):
        print(f"{number:6d}  {outcome:24s}  {mark}")
    print(f"{count} grids in {time.perf_counter() - started:.1f} s")
    return 1 if any(outcome == "WRONG" for outcome, _ in table) else 0


if __name__ == "__main__":
    sys.exit(main())
