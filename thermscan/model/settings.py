"""Every default, with its unit, range and reason: the one place for thresholds.

A stage takes its own record. Fields carry their unit in the name; ``knob`` adds range, sentence and source.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import Any


def knob(default: float, limits: tuple[float, float], about: str) -> Any:  # noqa: ANN401 - dataclass field
    """Declare a setting: its default, closed range, and one sentence with where the value comes from."""
    return field(default=default, metadata={"limits": limits, "about": about})


def changed(settings: object, *, prefix: str = "") -> dict[str, object]:
    """Return the fields of a settings record (nested ones flattened) that differ from their default."""
    out: dict[str, object] = {}
    for f in fields(settings):  # type: ignore[arg-type]
        value = getattr(settings, f.name)
        if hasattr(value, "__dataclass_fields__"):
            out |= changed(value, prefix=f"{prefix}{f.name}.")
        elif value != f.default:
            out[prefix + f.name] = value
    return out


@dataclass(frozen=True)
class DetectionSettings:
    """Finding hot and cold places."""

    false_discovery_rate: float = knob(
        0.05, (1e-6, 0.5), "share of false places accepted among those listed (Benjamini and Hochberg 1995)"
    )


@dataclass(frozen=True)
class Settings:
    """All settings of a comparison."""

    detection: DetectionSettings = field(default_factory=DetectionSettings)
