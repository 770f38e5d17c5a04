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
class FilmSettings:
    """Resampling to the board grid and to time bins."""

    cells_per_pixel: float = knob(0.75, (0.3, 2.0), "cell size over pixel size; below 1 keeps the peak of a small part")
    most_cells: int = knob(400, (20, 2000), "cells along the longer edge at the most: memory and time")
    most_bins: int = knob(40, (1, 400), "time bins from power-on to power-off at the most: memory and time")
    margin_cells: int = knob(6, (0, 50), "cells kept around the outline, to see the bench")
    guard_frames: float = knob(1.0, (0.0, 10.0), "frames before power-on that are not counted as cold")
    most_bad_share: float = knob(0.25, (0.0, 1.0), "weight of bad pixels above which a sample is left out")


@dataclass(frozen=True)
class ExcessSettings:
    """Rise, baseline and excess."""

    ring_gap_px: float = knob(2.5, (0.0, 20.0), "pixels between board and bench that the optics' blur mixes")
    fewest_ring_cells: int = knob(40, (5, 10000), "bench cells in view from which drift is taken off")
    unheated_share: float = knob(0.10, (0.01, 0.5), "coolest share of the board taken as not heated by anything")
    spread_floor_k: float = knob(0.03, (0.0, 5.0), "spread between good boards where nothing warms; common practice")
    spread_fraction: float = knob(
        0.12, (0.0, 1.0), "spread over own heat, two or more good boards; parts vary by 5 to 20 %, common practice"
    )
    spread_fraction_one: float = knob(0.20, (0.0, 1.0), "the same where one good board cannot show any spread: wider")
    spread_weight: float = knob(4.0, (0.0, 100.0), "good boards that the spread model weighs as much as")
    spread_reach_mm: float = knob(2.0, (0.0, 50.0), "distance over which a warm part's spread is felt")
    repeat_fraction: float = knob(0.03, (0.0, 1.0), "spread over own heat between two runs of the same board")


@dataclass(frozen=True)
class DetectionSettings:
    """Finding hot and cold places."""

    false_discovery_rate: float = knob(
        0.05, (1e-6, 0.5), "share of false places accepted among those listed (Benjamini and Hochberg 1995)"
    )


@dataclass(frozen=True)
class Settings:
    """All settings of a comparison."""

    film: FilmSettings = field(default_factory=FilmSettings)
    excess: ExcessSettings = field(default_factory=ExcessSettings)
    detection: DetectionSettings = field(default_factory=DetectionSettings)
