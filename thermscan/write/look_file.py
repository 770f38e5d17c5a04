"""A first look as JSON."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import fields, is_dataclass
from typing import Any

import numpy as np

from thermscan.model.look_report import LookReport
from thermscan.model.quantity import Measured


def _plain(record: object) -> Any:  # noqa: ANN401 - any JSON value
    if is_dataclass(record) and not isinstance(record, type):
        out: dict[str, Any] = {}
        for f in fields(record):
            value = getattr(record, f.name)
            out[f.name] = value.value if isinstance(value, Measured) else _plain(value)
            if isinstance(value, Measured):
                out[f"{f.name}_95"] = [value.low, value.high]
        return out
    if isinstance(record, tuple | list):
        return [_plain(item) for item in record]
    return record.item() if isinstance(record, np.generic) else record


def look_document(report: LookReport) -> dict[str, Any]:
    """Return a look as plain values; an interval stands as ``<key>_95`` beside its key, unknown is None."""
    return _plain(report)


def look_json(documents: Sequence[dict[str, Any]]) -> str:
    """Return looks as a JSON list."""
    return json.dumps(documents, indent=2, allow_nan=False, ensure_ascii=False)
