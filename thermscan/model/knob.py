"""One setting: its default, range, and one sentence with where the value comes from."""

from __future__ import annotations

from dataclasses import field
from typing import Any


def knob(default: float, limits: tuple[float, float], about: str) -> Any:  # noqa: ANN401 - dataclass field
    """Declare a setting: its default, closed range, and one sentence with where the value comes from."""
    return field(default=default, metadata={"limits": limits, "about": about})
