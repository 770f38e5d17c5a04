"""Result to result.json: every key present, unknown null with its reason, no NaN, the same bytes each time."""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from thermscan.model.quantity import Measured
from thermscan.model.result import Result, RiseRate
from thermscan.write.folder import write_whole
from thermscan.write.key import EVENT_KEYS, FRACTION_KEYS, MILLIMETRE_KEYS, Key, keys_of

FORMAT_VERSION = 1
DIGITS = 9  # significant digits kept: far below any interval, and the same text on every machine

NO_MILLIMETRES = "no millimetres are known: give a board file or --size; places are fractions of the picture"
HAS_MILLIMETRES = "the place is given in millimetres"
# Reasons for a null whose record names none, in the order: key of a record class, key of any.
PLAIN_WHY: dict[str, str] = {
    "ref": "no part of the board file stands at this place",
    "net": "no net is named for this place in the board file",
    "power_on_s": "power-on was not found in this recording",
    "power_off_s": "power-off was not found in this recording",
    "restarts": "power-ups could not be counted in this recording",
    "energy": "no heat balance could be made from this recording",
    "detection_limit_w": "no limit in watts could be stated for this recording",
    "detection_limit_text": "no limit in watts could be stated for this recording",
    "plate_text": "no watts were computed from this recording",
    "course_w": "several runs: the course of this source was not worked out",
    "resampling": "the noise of one frame could not be measured",
    "final_rise_k": "the course so far does not say where it ends",
    "final_c": "the final rise or the temperature is not known",
    "time_constant_s": "the course so far does not say where it ends",
    "fast_time_constant_s": "one time constant is enough for this course",
    "at_least_k": "no rise above the noise",
    "limit_c": "the board file gives no max_c for this part",
    "limit_s": "no limit is given, or the final rise is not known",
    "picture_px": HAS_MILLIMETRES,
    "excess_counts": "the excess is given in kelvin",
    "excess_k": "no excess in kelvin could be measured here",
    "excess_at_s": "the second since power-on is not known here",
    "rise_rate": "no slope could be measured here: frame times or enough frames after power-on are missing",
    "rise_k": "no rise could be measured here",
    "temperature_c": "no surface temperature could be measured here",
    "temperature_drawn_c": "no surface temperature could be measured here",
    "excess_drawn_k": "the excess is apparent: no surface is named for this part, or nothing could be measured here",
    "significance": "no excess could be judged here",
    "power_w": "no power could be estimated here",
    "supply_w": "no supply log covers the time while on",
    "error_mm": "the size of a pixel on the board is not known",
    "pixel_mm": "the size of a pixel on the board is not known",
    "is_tripod": "motion could not be judged",
    "lens": "no lens correction was applied",
    "frames": "the file is no recording",
    "rows": "the file is no recording",
    "columns": "the file is no recording",
    "frame": "the event belongs to no single frame",
    "time_s": "the event has no time of its own",
    "size": "the event has no size",
    "x_mm": "no place could be found",
    "y_mm": "no place could be found",
    "place_95_mm": "no place could be found",
}


def _number(value: float) -> int | float:
    """Return a plain number, floats cut to DIGITS significant digits; raises ValueError where it is not finite."""
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, int | np.integer):
        return int(value)
    if not math.isfinite(value):
        msg = f"a number of the result is not finite: {value!r}"
        raise ValueError(msg)
    return float(f"{float(value):.{DIGITS}g}")


def _plain(value: object) -> Any:  # noqa: ANN401 - any JSON value
    """Turn a field into JSON values: tuples to lists, mappings sorted by nothing but their own order."""
    if value is None or isinstance(value, str):
        return value
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, np.ndarray):
        return _plain(value.tolist())
    if isinstance(value, tuple | list):
        return [_plain(item) for item in value]
    if isinstance(value, set | frozenset):
        return sorted(_plain(item) for item in value)
    if dataclasses.is_dataclass(value):
        return {field.name: _plain(getattr(value, field.name)) for field in dataclasses.fields(value)}
    if isinstance(value, bool | int | float | np.generic):
        return _number(value)
    return str(value)


def _is_lost(value: object) -> bool:
    """Tell whether a field that may be null holds a number that is not finite."""
    return isinstance(value, float | np.floating) and not math.isfinite(value)


class _Writer:
    """Walks the records of one result; holds what every object needs to know: the picture's size, if any."""

    def __init__(self, result: Result) -> None:
        self.picture_px = result.picture_px
        self.why = result.why

    def record(self, record: object) -> dict[str, Any]:
        """Return the object of one record with ``why`` last."""
        given = getattr(record, "why", {})
        out: dict[str, Any] = {}
        why: dict[str, str] = {}
        for key in keys_of(type(record)):
            value = self._value(record, key)
            out[key.name] = value
            if value is None:
                why[key.name] = self._reason(key, given)
        return out | {"why": why}

    def _value(self, record: object, key: Key) -> Any:  # noqa: ANN401 - any JSON value
        """Return the JSON value of one key."""
        value = getattr(record, key.field)
        if key.form == "fraction":
            return self._fraction(record, key.name)
        if value is None or (key.name in MILLIMETRE_KEYS and self.picture_px is not None):
            return None
        if isinstance(value, RiseRate):
            return self._rate(value, key.form)
        if isinstance(value, Measured):
            return self._measured(value, key.form)
        if key.form == "record":
            return self.record(value)
        if key.form == "records":
            return [self.record(item) for item in value]
        if key.form == "events":
            return [self._event(item) for item in value]
        return None if key.nullable and _is_lost(value) else _plain(value)

    def _measured(self, value: Measured, form: str) -> Any:  # noqa: ANN401 - number or pair
        return _number(value.value) if form == "value" else [_number(value.low), _number(value.high)]

    def _rate(self, rate: RiseRate, form: str) -> Any:  # noqa: ANN401 - number or pair
        if form == "rate_window":
            return _number(rate.window_s)
        if form == "rate_from":
            return _number(rate.from_s)
        return self._measured(rate.k_per_s, form)

    def _fraction(self, record: object, name: str) -> float | None:
        """Return a place as a fraction of the picture: x from the left, y from the upper edge, radius over width."""
        x, y, radius = (getattr(record, key) for key in ("x_mm", "y_mm", "place_95_mm"))
        if self.picture_px is None or x is None or y is None:
            return None
        columns, rows = self.picture_px
        values = (x / columns, 1.0 - y / rows, None if radius is None else radius / columns)
        value = dict(zip(FRACTION_KEYS, values, strict=True))[name]
        return None if value is None else _number(value)

    def _event(self, event: Mapping[str, object]) -> dict[str, Any]:
        """Return a camera event with all its keys, further ones behind them."""
        empty = {"recording": "", "kind": "", "frames": 1, "text": ""}
        out = {key: _plain(event.get(key, empty.get(key))) for key in EVENT_KEYS}
        out |= {key: _plain(value) for key, value in event.items() if key not in EVENT_KEYS and key != "why"}
        return out | {"why": {key: PLAIN_WHY.get(key, "not known") for key, value in out.items() if value is None}}

    def _reason(self, key: Key, given: Mapping[str, str]) -> str:
        """Return the sentence that says why a key is null: the record's own, the result's, or the plain one."""
        if key.form == "fraction" and self.picture_px is None:
            return HAS_MILLIMETRES
        if key.name in MILLIMETRE_KEYS and self.picture_px is not None:
            return NO_MILLIMETRES
        for source in (given, self.why, PLAIN_WHY):
            for name in (key.name, key.name.removesuffix("_95"), key.field):
                if source.get(name):
                    return source[name]
        return "not known from this recording"


def result_document(result: Result) -> dict[str, Any]:
    """Turn a result into the plain values of result.json.

    Parameters
    ----------
    result : Result

    Returns
    -------
    dict
        Every key of the schema; an interval stands as ``<key>_95`` beside its key; unknown is None and ``why`` of
        the same object holds a sentence for it.

    Raises
    ------
    ValueError
        Where a number that cannot be null (a probability) is not finite: a fault of the program, never written.
    """
    body = _Writer(result).record(result)
    out: dict[str, Any] = {"format_version": FORMAT_VERSION, "version": body["version"]}
    for key, value in body.items():
        out[key] = value
        if key == "other_probability":
            out["none_probability"] = _number(result.none_probability)
    return out


def result_text(result: Result) -> str:
    """Return the text of result.json: two spaces of indentation, keys in the order of the records, UTF-8."""
    return json.dumps(result_document(result), indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def write_result(result: Result, path: str | Path) -> Path:
    """Write result.json whole or not at all and return its path."""
    return write_whole(path, result_text(result).encode("utf-8"))
