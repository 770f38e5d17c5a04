"""Rise rates of places and parts from the curves at full frame rate."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from thermscan.find.part_reading import footprint, mean_over
from thermscan.find.place_curve import PlaceCurve, excess_curve, rise_curve
from thermscan.find.rise_rate import steepest_slope
from thermscan.measure.film_curve import follow_places, points_on
from thermscan.model.board import Board, Part
from thermscan.model.film import Baseline, Excess
from thermscan.model.result import Hotspot, PartReading, RiseRate
from thermscan.model.settings import RateSettings
from thermscan.pipeline.film_set import Placed

NO_TIMES = "no frame times are known; give --frame-rate HZ or --times FILE"
TOO_FEW = "too few frames with power on for a rate"
NOT_SEEN = "power-on was not seen, so there is no common clock for a rate"
COUNTS = "counts without a scale"


def _reason(placed: Placed) -> str:
    """Say why there can be no rates at all, or nothing."""
    recording = placed.prepared.recording
    if recording.unit == "count":
        return COUNTS
    if recording.times_s is None:
        return NO_TIMES
    return "" if placed.prepared.timing.on_s is not None else NOT_SEEN


def _spot_part(place: Hotspot, pixel_mm: float) -> Part:
    """Return a body of one pixel at a place."""
    return Part("place", x=place.x_mm, y=place.y_mm, w=pixel_mm, h=pixel_mm)


def _curves(placed: Placed, bodies: Sequence[Part]) -> list[PlaceCurve] | None:
    """Return the rise curve of each body until its own power-off, None where this recording has no power-on."""
    one = placed.prepared
    if one.timing.on_s is None or one.recording.times_s is None:
        return None
    pattern = None if one.motion.is_tripod else one.motion.pattern
    places, heights = [points_on(b) for b in bodies], [b.height_mm or 0.0 for b in bodies]
    values = follow_places(one.recording, one.camera, placed.track, places, heights_mm=heights, pattern=pattern)
    off = one.timing.off_s
    if off is not None:  # a good board that was switched off earlier is nothing to compare with
        values = np.where(one.recording.times_s <= off.value, values, np.nan)
    return [rise_curve(one.recording.times_s, v, on_s=one.timing.on_s.value) for v in values]


def _baseline_curve(body: Part, baseline: Baseline, pixel_mm: float) -> PlaceCurve:
    """Return the curve of a baseline file at a body, from zero at power-on."""
    spot = footprint(body, baseline.grid, pixel_mm=pixel_mm)
    centres = (baseline.edges_s[1:] + baseline.edges_s[:-1]) / 2
    return PlaceCurve(np.r_[0.0, centres], np.r_[0.0, mean_over(baseline.mean, spot)])


def add_rates(
    hotspots: tuple[Hotspot, ...],
    parts: tuple[PartReading, ...],
    placed: Sequence[Placed],
    board: Board,
    excess: Excess,
    baseline: Baseline | None,
    *,
    settings: RateSettings,
) -> tuple[tuple[Hotspot, ...], tuple[PartReading, ...]]:
    """Return places and parts with their steepest slope of the excess, or the reason for none."""
    reason = _reason(placed[0])
    pixel_mm = excess.film.pixel_mm
    readable = [p for p in parts if p.excess_course_k is not None]
    bodies = [_spot_part(h, pixel_mm) for h in hotspots] + [board.part(p.ref) for p in readable]
    rates: list[RiseRate | None] = [None] * len(bodies)
    curves = None if reason else _curves(placed[0], bodies)
    if curves is not None:
        goods = [c for c in (_curves(p, bodies) for p in placed[1:]) if c is not None]
        until = excess.film.on_for_s
        for i, body in enumerate(bodies):
            known = [g[i] for g in goods]
            if not known and baseline is not None:
                known = [_baseline_curve(body, baseline, pixel_mm)]
            curve = excess_curve(curves[i], known, until_s=until)
            rates[i] = steepest_slope(curve.seconds, curve.rise_k, settings=settings)
    why = reason or TOO_FEW
    new_places = tuple(
        replace(h, rise_rate=r, why={**h.why, "rise_rate": why} if r is None else _without(h.why))
        for h, r in zip(hotspots, rates[: len(hotspots)], strict=True)
    )
    by_ref = dict(zip([p.ref for p in readable], rates[len(hotspots) :], strict=True))
    new_parts = []
    for p in parts:
        rate = by_ref.get(p.ref)
        new_parts.append(replace(p, rise_rate=rate, why=_without(p.why) if rate else {**p.why, "rise_rate": why}))
    return new_places, tuple(new_parts)


def _without(why: dict[str, str]) -> dict[str, str]:
    return {key: text for key, text in why.items() if key != "rise_rate"}
