"""CSV tables of hotspots, parts, suspects and courses: the same names and numbers as result.json."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from thermscan.model.result import Hotspot, PartReading, Result, Suspect
from thermscan.model.result_maps import ResultMaps
from thermscan.write.folder import write_whole
from thermscan.write.key import keys_of
from thermscan.write.result_file import result_document

# A spreadsheet may run a cell that starts like this. Nets such as +3V3 and -12V are left as they are.
_FORMULA = re.compile(r"[=@\t\r]|[+-].*[(|!]", re.DOTALL)


def _columns(record: type) -> list[str]:
    """Return the column names of a table: an interval takes two, ``<key>_95_low`` and ``<key>_95_high``."""
    names: list[str] = []
    for key in keys_of(record):
        names += [f"{key.name}_low", f"{key.name}_high"] if key.form == "interval" else [key.name]
    return [*names, "why"]


def _text(value: object) -> str:
    """Keep text from being run as a formula by a spreadsheet: such text gets a leading quote."""
    text = str(value)
    return f"'{text}" if _FORMULA.match(text) else text


def _cell(value: object) -> str:
    """Return one cell: numbers as in result.json, lists joined, nothing for unknown."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, Mapping):
        return _text("; ".join(f"{key}: {_inner(item)}" for key, item in value.items()))
    if isinstance(value, list):
        return _text("; ".join(_inner(item) for item in value))
    return _text(value)


def _inner(value: object) -> str:
    """Return one entry of a list or an object; of an uncertainty budget what each cause adds."""
    if isinstance(value, Mapping) and {"name", "contribution_k"} <= value.keys():
        return f"{value['name']} {abs(value['contribution_k']):.2g} K"
    return repr(value) if isinstance(value, int | float) else str(value)


def _row(item: Mapping[str, Any], columns: Sequence[str]) -> list[str]:
    """Return the cells of one object of result.json; its reasons for null are joined in the last column."""
    cells = []
    for name in columns:
        if name.endswith(("_95_low", "_95_high")):
            ends = item[name.rsplit("_", 1)[0]]
            cells.append(_cell(None if ends is None else ends[0 if name.endswith("low") else 1]))
        elif name == "why":
            reasons = {key: text for key, text in item["why"].items() if not key.endswith("_95")}
            cells.append(_cell(reasons))
        else:
            cells.append(_cell(item[name]))
    return cells


def table_text(rows: Iterable[Sequence[object]], header: Sequence[str]) -> str:
    """Return a table as CSV text: comma, decimal point, a line feed after each row, header first (RFC 4180)."""
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\r\n")
    writer.writerow(header)
    writer.writerows(rows)
    return buffer.getvalue()


def _courses(result: Result, maps: ResultMaps) -> Iterable[list[object]]:
    """Yield a row for each part and second, then for each heat source and second."""
    seconds = [repr(round(float(t), 6)) for t in maps.centres_s]
    for part in result.parts:
        columns = [part.rise_course_k, part.excess_course_k, part.noise_course_k, part.spread_course_k]
        if all(column is None for column in columns):
            continue
        for i, second in enumerate(seconds):
            yield ["part", _text(part.ref), second, *(_at(column, i) for column in columns), ""]
    for number, source in enumerate(result.sources, start=1):
        for i, second in enumerate(seconds):
            yield ["source", _text(source.ref or number), second, "", "", "", "", _at(source.course_w, i)]


def _at(course: np.ndarray | None, i: int) -> str:
    """Return one value of a course, nothing where it is unknown."""
    if course is None or i >= len(course) or not np.isfinite(course[i]):
        return ""
    return repr(float(f"{float(course[i]):.6g}"))


def tables(result: Result, maps: ResultMaps | None = None) -> dict[str, str]:
    """Return every table as CSV text by its file name.

    Parameters
    ----------
    result : Result
    maps : ResultMaps, optional
        With it also ``courses.csv``: rise, excess, noise and spread of every part, K, and the power of every heat
        source, W, at each second.

    Returns
    -------
    dict of file name to text
        ``hotspots.csv``, ``parts.csv``, ``suspects.csv``; columns are the keys of result.json, an interval is split
        into ``_low`` and ``_high``, unknown is empty and ``why`` says why.
    """
    document = result_document(result)
    out = {}
    for name, record in (("hotspots", Hotspot), ("parts", PartReading), ("suspects", Suspect)):
        columns = _columns(record)
        out[f"{name}.csv"] = table_text((_row(item, columns) for item in document[name]), columns)
    if maps is not None:
        header = ["what", "ref", "seconds", "rise_k", "excess_k", "noise_k", "spread_k", "power_w"]
        out["courses.csv"] = table_text(_courses(result, maps), header)
    return out


def write_tables(folder: str | Path, result: Result, maps: ResultMaps | None = None) -> tuple[Path, ...]:
    """Write every table into a folder, UTF-8 with a byte order mark (spreadsheets need it), and return the paths."""
    return tuple(
        write_whole(Path(folder) / name, text.encode("utf-8-sig")) for name, text in tables(result, maps).items()
    )
