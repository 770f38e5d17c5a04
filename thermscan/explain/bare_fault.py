"""Faults at warm places off the bodies: bridges, joints and shorts at pads, and heat made beneath."""

from __future__ import annotations

import numpy as np

from thermscan.explain.likelihood import Look
from thermscan.explain.lineup import Hypothesis, Lineup, View, add, net_of, range_weights, with_pulled
from thermscan.explain.pattern import lag, source_patterns
from thermscan.model.board import Part

# What heats bare board, and what heats the pads of a part, as shares: judgement, no source.
AT_BARE = {"bridge": 0.45, "short": 0.3, "hidden_source": 0.15, "joint": 0.1}
AT_PADS = {"joint": 0.4, "bridge": 0.35, "short": 0.25}
AT_COLD = {"open_or_missing": 0.6, "dead_supply": 0.4}  # what leaves a place cold; judgement, no source
PULLS_FROM = 10.0  # times the smallest change of a fault, from which a bare place may take the supply down; judgement
FOLLOWED = 0.7  # how often what a dead supply feeds stays cold with it, where nobody knows what that is; judgement
GONE_AT_LEAST = 0.4  # share of the heat of a place that its part makes there, at the least
UNLISTED_MM = (0.7, 2.5)  # radius of a part that the board file leaves out, small and large
IDLE_JOINT = 0.2  # of a joint's share, at a part that carries no current to speak of; judgement
BLOCKERS = ("capacitor", "crystal")  # no direct current passes through them, however warm they are beside others
CARRIERS = ("connector", "fuse", "inductor", "transformer", "regulator", "transistor", "module")


def add_bare(lineup: Lineup, number: int) -> None:
    """List the faults that may heat a warm place off the bodies, and the parts that they belong to."""
    place = lineup.bare[number]
    if place.is_cold:
        _add_cold(lineup, number)
        return
    bare_deep = 1.0 - lineup.settings.beneath_share if place.beneath else 1.0
    patterns = source_patterns(lineup.scene, place.x_mm, place.y_mm, 0.7, diffusivities=lineup.diffusivities)
    weights = range_weights(lineup.strengths_k, lineup.least_change_k, lineup.top_k("bridge"))
    views = []
    for n, pattern in enumerate(patterns):
        lineup.looks["bare", number, n] = Look(pattern, lineup.strengths_k)
        views.append(View(("bare", number, n), 1 / len(patterns), weights))
    # what takes a whole supply down gets most of what that gives: it is seen to be warm
    seen_hot = range_weights(lineup.strengths_k, PULLS_FROM * lineup.least_change_k, lineup.top_k("bridge"))
    pulled = with_pulled(lineup, views, strengths=seen_hot)
    rest = 1.0 - lineup.settings.pads_share if place.owners else 1.0
    deep = _deep_views(lineup, number, weights)
    # A bridge between two parts is one fault: it is listed once, with the part that is nearer.
    is_between = len(place.owners) > 1
    for fault, share in AT_BARE.items():
        is_possible = not is_between if fault == "bridge" else True
        if fault == "hidden_source" or (is_possible and not place.under):
            seen, whole = (deep, bare_deep) if fault == "hidden_source" else (views, 1.0)
            seen = pulled if fault == "short" else seen
            add(lineup, Hypothesis(f"@{number}", fault, None, rest * share * whole, tuple(seen), at=number))
    parts = {p.ref: p for p in (lineup.board.parts if lineup.board else ())}
    for ref, part_of in place.beneath:
        prior = rest * AT_BARE["hidden_source"] * lineup.settings.beneath_share * part_of
        net = net_of(lineup.tree, parts[ref])
        add(lineup, Hypothesis(ref, "hidden_source", net, prior, tuple(deep), at=number))
    for rank, (ref, part_of) in enumerate(place.owners):
        for fault, share in at_pads(parts[ref], lineup).items():
            prior = lineup.settings.pads_share * part_of * share
            if fault == "bridge" and is_between:
                whole = lineup.settings.pads_share * share + rest * AT_BARE["bridge"]
                prior = whole if rank == 0 else 0.0
            seen = pulled if fault == "short" else views
            add(lineup, Hypothesis(ref, fault, net_of(lineup.tree, parts[ref]), prior, tuple(seen), at=number))


def _add_cold(lineup: Lineup, number: int) -> None:
    """List a part that is not in the board file, sits at a cold place and makes no heat."""
    place, scene = lineup.bare[number], lineup.scene
    apart = np.hypot(scene.x_mm - place.x_mm, scene.y_mm - place.y_mm)
    own = float(scene.own_k[int(np.argmin(np.where(scene.is_seen, apart, np.inf))), -1])
    if own < lineup.settings.warm_own_k * scene.floor_scale:
        return
    weights = range_weights(lineup.strengths_k, GONE_AT_LEAST * own, own)
    views = []
    for radius in UNLISTED_MM:
        patterns = source_patterns(scene, place.x_mm, place.y_mm, radius, diffusivities=lineup.diffusivities)
        for n, pattern in enumerate(patterns):
            key = ("bare", number, "cold", radius, n)
            lineup.looks[key] = Look(np.maximum(-pattern * own, -scene.own_k) / own, lineup.strengths_k)
            views.append(View(key, 1 / (len(patterns) * len(UNLISTED_MM)), weights))
    followed = with_pulled(lineup, views, share=FOLLOWED)
    for fault, share in AT_COLD.items():
        seen = followed if fault == "dead_supply" else views
        add(lineup, Hypothesis(f"@{number}", fault, None, share, tuple(seen), at=number))


def at_pads(part: Part, lineup: Lineup) -> dict[str, float]:
    """Return what heats the pads of a part, as shares.

    A bad joint heats with the square of the current through it: at a part that carries next to none, what a joint
    would have got is a bridge's.
    """
    if _carries_current(part, lineup):
        return AT_PADS
    joint = IDLE_JOINT * AT_PADS["joint"]
    return {**AT_PADS, "joint": joint, "bridge": AT_PADS["bridge"] + AT_PADS["joint"] - joint}


def _carries_current(part: Part, lineup: Lineup) -> bool:
    """Tell whether a part carries the current of a supply or of a load, or makes heat on good boards."""
    if part.kind in CARRIERS or lineup.tree.made_by(part.ref):
        return True
    if any(part.ref in supply.series for supply in lineup.tree.supplies.values()):
        return True
    row, scene = lineup.scene.index(part.ref), lineup.scene
    if row is None or part.kind in BLOCKERS:
        return False
    return bool(lineup.brings_k[row] > lineup.settings.warm_own_k * scene.floor_scale)


def _deep_views(lineup: Lineup, number: int, weights: np.ndarray) -> list[View]:
    """List looks of heat made under a bare place, on the other face: wider and later than at the surface."""
    place, settings = lineup.bare[number], lineup.settings
    radius = 0.7 + settings.hidden_wide_mm
    patterns = source_patterns(lineup.scene, place.x_mm, place.y_mm, radius, diffusivities=lineup.diffusivities)
    late = lag(lineup.scene.times_s, settings.hidden_lag_s)
    views = []
    for n, pattern in enumerate(patterns):
        lineup.looks["bare", number, "deep", n] = Look(pattern * late, lineup.strengths_k)
        views.append(View(("bare", number, "deep", n), 1 / len(patterns), weights))
    return views
