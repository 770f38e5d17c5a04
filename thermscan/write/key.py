"""Which keys of result.json a record's field becomes: read from the records' own types."""

from __future__ import annotations

import dataclasses
import types
import typing
from dataclasses import dataclass
from functools import cache

import numpy as np

from thermscan.model.quantity import Measured
from thermscan.model.result import RiseRate

EVENT_KEYS: dict[str, type] = {
    "recording": str,
    "kind": str,
    "frame": int,
    "frames": int,
    "time_s": float,
    "text": str,
    "size": float,
}
# A camera event is a plain dictionary; these of its keys may be null.
EVENT_NULLABLE = ("frame", "time_s", "size")
FRACTION_KEYS = ("x_fraction", "y_fraction", "place_95_fraction")
MILLIMETRE_KEYS = ("x_mm", "y_mm", "place_95_mm", "area_mm2", "error_mm", "pixel_mm")


@dataclass(frozen=True)
class Key:
    """One key of result.json.

    Attributes
    ----------
    name : str
        As it stands in the file.
    field : str
        Field of the record that it is made from.
    form : str
        ``plain``, ``value``, ``interval``, ``rate_window``, ``rate_from``, ``record``, ``records``, ``events`` or
        ``fraction``.
    type_ : type
        Of the field, without None.
    nullable : bool
    """

    name: str
    field: str
    form: str
    type_: typing.Any
    nullable: bool


def _without_none(hint: object) -> tuple[typing.Any, bool]:
    """Split ``X | None`` into X and True; other hints come back with False."""
    if isinstance(hint, types.UnionType) or typing.get_origin(hint) is typing.Union:
        kept = [arg for arg in typing.get_args(hint) if arg is not type(None)]
        return kept[0], len(kept) < len(typing.get_args(hint))
    return hint, False


def _keys_of_field(name: str, hint: object) -> list[Key]:
    """Return the keys that one field becomes; none for an array (arrays leave in maps and tables)."""
    inner, nullable = _without_none(hint)
    if inner is np.ndarray or name == "why":
        return []
    if inner is Measured:
        return [Key(name, name, "value", float, nullable), Key(f"{name}_95", name, "interval", float, nullable)]
    if inner is RiseRate:
        return [
            Key(f"{name}_k_per_s", name, "value", float, nullable),
            Key(f"{name}_k_per_s_95", name, "interval", float, nullable),
            Key(f"{name}_window_s", name, "rate_window", float, nullable),
            Key(f"{name}_from_s", name, "rate_from", float, nullable),
        ]
    if typing.get_origin(inner) is tuple:
        item = typing.get_args(inner)[0]
        if dataclasses.is_dataclass(item):
            return [Key(name, name, "records", item, nullable)]
        if typing.get_origin(item) is dict:
            return [Key(name, name, "events", item, nullable)]
    if dataclasses.is_dataclass(inner):
        return [Key(name, name, "record", inner, nullable)]
    may_miss = nullable or name in MILLIMETRE_KEYS
    return [Key(name, name, "plain", inner, may_miss)]


@cache
def keys_of(record: type) -> tuple[Key, ...]:
    """Return every key that a record class becomes in result.json, in the order of its fields.

    A Measured field gives its value and ``<key>_95``; a rise rate its value, interval, window and start; a place in
    millimetres is followed by the same place as a fraction of the picture; arrays are left out; ``why`` stands last
    in each object and is added by the writer.
    """
    hints = typing.get_type_hints(record)
    keys: list[Key] = []
    for field in dataclasses.fields(record):
        keys += _keys_of_field(field.name, hints[field.name])
        if field.name == "place_95_mm":
            keys += [Key(name, "place_95_mm", "fraction", float, nullable=True) for name in FRACTION_KEYS]
    return tuple(keys)
