"""The JSON Schema of result.json, derived from the records that it is written from."""

from __future__ import annotations

import dataclasses
import json
import types
import typing
from typing import Any

from thermscan.model.board import SIDES
from thermscan.model.meaning import meaning_of
from thermscan.model.result import FAULTS, VERDICTS, HeatSource, Hotspot, PartReading, Result, Suspect
from thermscan.write.key import EVENT_KEYS, EVENT_NULLABLE, Key, keys_of
from thermscan.write.result_file import FORMAT_VERSION

DIALECT = "https://json-schema.org/draft/2020-12/schema"
_NAMES = {str: "string", int: "integer", float: "number", bool: "boolean"}
_CHOICES: dict[tuple[type, str], tuple[str, ...]] = {
    (Result, "verdict"): VERDICTS,
    (Result, "side"): SIDES,
    (Result, "basis"): ("good_boards", "itself_before", "itself_only"),
    (Result, "units"): ("celsius", "count"),
    (Hotspot, "kind"): ("hot", "cold"),
    (PartReading, "state"): ("like_good", "unclear", "hot", "cold", "unreadable", "unknown"),
    (PartReading, "side"): SIDES,
    (HeatSource, "depth"): ("surface", "under_part", "far_side", "unknown"),
    (Suspect, "fault"): FAULTS,
    (Suspect, "side"): SIDES,
}
_SHARES = ("no_fault_probability", "other_probability", "none_probability", "probability", "needed_probability",
           "p_value", "q_value")  # fmt: skip
_INTERVAL = {
    "type": "array",
    "prefixItems": [{"type": "number"}, {"type": "number"}],
    "items": False,
    "minItems": 2,
    "description": "low and high end of the 95 % interval",
}
_REASONS = {
    "type": "object",
    "additionalProperties": {"type": "string", "minLength": 1},
    "description": "for each key of this object that is null, the reason in a sentence",
}


def _or_null(schema: dict[str, Any]) -> dict[str, Any]:
    """Allow null beside a schema."""
    if isinstance(schema.get("type"), str) and "enum" not in schema:
        return schema | {"type": [schema["type"], "null"]}
    return {"anyOf": [schema, {"type": "null"}]}


def _of_plain(type_: typing.Any) -> dict[str, Any]:  # noqa: ANN401 - a type hint
    """Return the schema of a plain field from its type."""
    if type_ in _NAMES:
        return {"type": _NAMES[type_]}
    origin, args = typing.get_origin(type_), typing.get_args(type_)
    if isinstance(type_, types.UnionType):
        return {"anyOf": [_of_plain(arg) if arg is not type(None) else {"type": "null"} for arg in args]}
    if origin is dict:
        return {"type": "object", "additionalProperties": _of_plain(args[1])}
    if origin is tuple and args[-1] is not Ellipsis:
        fixed = [_of_plain(arg) for arg in args]
        return {"type": "array", "prefixItems": fixed, "items": False, "minItems": len(fixed)}
    if origin in (tuple, list):
        return {"type": "array", "items": _of_plain(args[0])}
    return {}


def _of_event() -> dict[str, Any]:
    """Return the schema of a camera event; further keys are allowed."""
    properties = {}
    for name, type_ in EVENT_KEYS.items():
        schema: dict[str, Any] = {"type": _NAMES[type_]}
        schema = _or_null(schema) if name in EVENT_NULLABLE else schema
        properties[name] = schema | {"description": meaning_of(name).about}
    return {
        "type": "object",
        "properties": properties | {"why": _REASONS},
        "required": [*EVENT_KEYS, "why"],
    }


def _of_key(record: type, key: Key) -> dict[str, Any]:
    """Return the schema of one key of a record."""
    if key.form == "interval":
        schema: dict[str, Any] = dict(_INTERVAL)
    elif key.form in ("value", "rate_window", "rate_from", "fraction"):
        schema = {"type": "number"}
    elif key.form == "record":
        schema = {"$ref": f"#/$defs/{key.type_.__name__}"}
    elif key.form == "records":
        schema = {"type": "array", "items": {"$ref": f"#/$defs/{key.type_.__name__}"}}
    elif key.form == "events":
        schema = {"type": "array", "items": {"$ref": "#/$defs/CameraEvent"}}
    else:
        schema = _of_plain(key.type_)
    if (record, key.name) in _CHOICES:
        schema = {"enum": list(_CHOICES[record, key.name])}
    if key.name in _SHARES and key.form == "plain":
        schema |= {"minimum": 0, "maximum": 1}
    if key.nullable:
        schema = _or_null(schema)
    if key.form != "interval":
        schema = schema | _words(key.name)
    return schema


def _words(name: str) -> dict[str, str]:
    """Return title and description of a key from the table of meanings."""
    meaning = meaning_of(name)
    about = meaning.about + (f"; not valid when {meaning.not_valid_when}" if meaning.not_valid_when else "")
    return {"title": meaning.label, "description": about}


def _of_record(record: type) -> dict[str, Any]:
    """Return the schema of one record's object: every key required, no other allowed."""
    properties = {key.name: _of_key(record, key) for key in keys_of(record)} | {"why": _REASONS}
    return {
        "type": "object",
        "properties": properties,
        "required": list(properties),
        "additionalProperties": False,
    }


def _inner_records(record: type) -> list[type]:
    """Return the record classes that a record holds, each once, in order."""
    found: list[type] = []
    for key in keys_of(record):
        if key.form in ("record", "records") and dataclasses.is_dataclass(key.type_) and key.type_ not in found:
            found.append(key.type_)
            found += [inner for inner in _inner_records(key.type_) if inner not in found]
    return found


def result_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of result.json.

    Returns
    -------
    dict
        Derived from the records in ``model/result.py``; descriptions come from ``model/meaning.py``.
    """
    body = _of_record(Result)
    share = {"type": "number", "minimum": 0, "maximum": 1}
    properties: dict[str, Any] = {"format_version": {"const": FORMAT_VERSION} | _words("format_version")}
    for name, schema in body["properties"].items():
        properties[name] = schema
        if name == "other_probability":
            properties["none_probability"] = share | _words("none_probability")
    definitions = {inner.__name__: _of_record(inner) for inner in _inner_records(Result)}
    return {
        "$schema": DIALECT,
        "title": "thermscan result",
        "description": "What a comparison found. Every key is always present; unknown is null and why says why.",
        **body,
        "properties": properties,
        "required": list(properties),
        "$defs": definitions | {"CameraEvent": _of_event()},
    }


def schema_text() -> str:
    """Return the schema as indented JSON text."""
    return json.dumps(result_schema(), indent=2, ensure_ascii=False) + "\n"
