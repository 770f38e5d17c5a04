"""Records of text with their temperatures in Fahrenheit: for what was put into words before anyone chose the unit."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import fields, is_dataclass, replace
from typing import Any

from thermscan.model.quantity import in_fahrenheit


def with_fahrenheit(record: Any, *, but: Collection[str] = ()) -> Any:  # noqa: ANN401 - any record of text
    """Return a record with every text in it in Fahrenheit.

    Parameters
    ----------
    record : str, tuple or dataclass
        Anything else is returned as it is.
    but : collection of str
        Names of fields that stay: names of boards and files, settings.
    """
    if isinstance(record, str):
        return in_fahrenheit(record)
    if isinstance(record, tuple):
        return tuple(with_fahrenheit(item, but=but) for item in record)
    if is_dataclass(record) and not isinstance(record, type):
        turned = {
            f.name: with_fahrenheit(getattr(record, f.name), but=but) for f in fields(record) if f.name not in but
        }
        return replace(record, **turned)
    return record
