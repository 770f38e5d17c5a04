"""What the fit of heat sources says of each fault: where heat is made that the good boards do not make."""

from __future__ import annotations

import numpy as np

from thermscan.explain.lineup import HEAT_FAULTS, Hypothesis, Lineup
from thermscan.model.result import HeatSource

NEAR_MM = 2.0  # added to the place's own radius: a free source this close is the same place; judgement
LEAST_DEPTH = 0.3  # depth is hard to tell in seconds: never weighed below this; judgement


def weigh_sources(lineup: Lineup) -> np.ndarray:
    """Return the log weight of every hypothesis, then of no fault and other, ndarray (hypotheses + 2,).

    Notes
    -----
    The fit reads the same picture as the places do, finer in place and time, so that it counts with a power below one
    and never closes a place out: ``source_power * log(source_floor + (1 - source_floor) * match)``. The match of a
    fault that makes heat is the largest product of how needed a warmer source is and how likely it sits there; that of
    a part that stays cold the same over sources below zero, that of a lost heat path over both. Without sources all
    weights are 0: what the fit did not find it may have missed.
    """
    hot = [s for s in lineup.sources if s.power_w.low > 0]
    cold = [s for s in lineup.sources if s.power_w.high < 0]
    rows = len(lineup.hypotheses)
    match = np.full(rows + 2, 0.5)
    if not hot and not cold:
        return np.zeros(rows + 2)
    needed = max((s.needed_probability for s in hot), default=0.0)
    for i, h in enumerate(lineup.hypotheses):
        match[i] = _match(h, hot, cold, needed, lineup)
    match[-2] = 1.0 - max(s.needed_probability for s in (*hot, *cold))
    floor = lineup.settings.source_floor
    return lineup.settings.source_power * np.log(floor + (1.0 - floor) * np.clip(match, 0.0, 1.0))


def _match(h: Hypothesis, hot: list[HeatSource], cold: list[HeatSource], needed: float, lineup: Lineup) -> float:
    if h.fault == "supply_limit":
        return 0.5
    if h.fault in ("dead_supply", "open_or_missing"):
        refs = h.dark | {h.where}
        if not cold:
            return 1.0 - needed if hot else 0.5
        if h.at is not None:
            return max(s.needed_probability * _sits(h, s, lineup) for s in cold)
        return max(s.needed_probability * sum(s.rivals.get(r, 0.0) for r in refs) for s in cold)
    if h.fault == "heat_path":  # the watts stay: what the fit reads at the part may be more of them, or less
        return max(s.needed_probability * _sits(h, s, lineup) for s in (*hot, *cold))
    if not hot:
        return 0.3
    return max(s.needed_probability * _sits(h, s, lineup) for s in hot)


def _sits(h: Hypothesis, source: HeatSource, lineup: Lineup) -> float:
    """Return how likely a source is the heat of this fault, by place and depth."""
    if h.at is not None:
        place = lineup.bare[h.at]
        apart = np.hypot(source.x_mm - place.x_mm, source.y_mm - place.y_mm)
        near = apart <= source.place_95_mm + NEAR_MM
        return max(source.rivals.get("", 1.0 if source.ref is None else 0.0), 0.3) if near else 0.0
    share = source.rivals.get(h.where, 1.0 if source.ref == h.where else 0.0)
    if h.fault == "heat_path":
        return share
    surface = source.depth_probability.get("surface", 0.5)
    if str(h.views[0].look[2]).startswith("hidden"):
        return share * max(1.0 - surface, LEAST_DEPTH)
    return share * (max(surface, LEAST_DEPTH) if h.fault in HEAT_FAULTS else 0.5)
