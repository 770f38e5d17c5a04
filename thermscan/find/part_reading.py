"""What the recording says about each part: rise, excess and their courses, or why it cannot be read."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from thermscan.model.board import Board, Part
from thermscan.model.film import BoardGrid, Excess, Rise, Window
from thermscan.model.quantity import Measured
from thermscan.model.result import PartReading
from thermscan.model.settings import DetectionSettings
from thermscan.model.shift import mean_over_cells
from thermscan.model.surface import Surface, find_surface

Z_95 = 1.96  # standard deviations either side that hold 95 % of a normal distribution
LEAST_SEEN = 0.3  # weight of a part's cells that must be known; its spot is the blur of a pixel anyway; judgement


@dataclass(frozen=True)
class Footprint:
    """The cells that stand for a part: weights that add to one, ndarray (rows, columns), and their area, mm2."""

    weights: np.ndarray
    area_mm2: float


def footprint(part: Part, grid: BoardGrid, *, pixel_mm: float) -> Footprint:
    """Return the weights of a part's cells: its body, or a pixel-wide spot where the body is smaller than a cell."""
    points = grid.points_mm()
    x, y = points[..., 0], points[..., 1]
    body = part.contains(x, y).astype(float)
    if body.sum() < 1:
        width = 0.35 * max(pixel_mm, grid.step_mm)  # a pixel's box has this deviation, within 20 %
        body = np.exp(-((x - part.x) ** 2 + (y - part.y) ** 2) / (2 * width**2))
        body[body < 0.05] = 0
    total = body.sum()
    area = max(part.w * part.h, float(total) * grid.step_mm**2)
    return Footprint(body / total if total > 0 else body, area)


def mean_over(field: np.ndarray, print_: Footprint) -> np.ndarray:
    """Return the weighted mean of (bins, rows, columns) over a footprint, ndarray (bins,), NaN where unseen."""
    return mean_over_cells(field, print_.weights, least_seen=LEAST_SEEN)


def read_parts(
    excess: Excess, rise: Rise, board: Board, *, side: str, surfaces: tuple[Surface, ...], settings: DetectionSettings
) -> tuple[PartReading, ...]:
    """Return a reading for every part of the board file, in its order.

    Parameters
    ----------
    excess : Excess
    rise : Rise
        Of the faulty board itself.
    board : Board
    side : {'top', 'bottom'}
        Side that the recording shows.
    surfaces : tuple of Surface
        Table of surfaces; says which of them a thermal camera cannot read.
    settings : DetectionSettings

    Notes
    -----
    Over a part of area A, camera noise with correlation c (Gaussian) averages by 4 pi c^2 / (A + 4 pi c^2). Misplacing
    moves the whole part: what its edges gain on one side they lose on the other (``Shift``). The spread between boards
    does not average. Parts on the other side, covered ones, and those of an
    unreadable surface get the state ``'unreadable'`` with the reason and never ``'cold'``.
    """
    grid = excess.film.grid
    window = excess.last_second()
    return tuple(
        _read_part(part, excess, rise, grid, window, side=side, surfaces=surfaces, settings=settings)
        for part in board.parts
    )


def _read_part(
    part: Part,
    excess: Excess,
    rise: Rise,
    grid: BoardGrid,
    window: Window,
    *,
    side: str,
    surfaces: tuple[Surface, ...],
    settings: DetectionSettings,
) -> PartReading:
    reason = _hidden_because(part, side=side, surfaces=surfaces)
    if not part.fitted:
        return _empty(part, "unknown", "not fitted according to the board file", ())
    if part.side != side:
        return _empty(part, "unknown", reason, ("far_side",))
    spot = footprint(part, grid, pixel_mm=excess.film.pixel_mm)
    course = mean_over(excess.excess, spot)
    if not np.isfinite(course).any():
        return _empty(part, "unknown", "not in view, or never on together with the good boards", ())
    noise, spread = _errors(excess, spot)
    rises = mean_over(rise.rise, spot)
    rise_noise = mean_over(np.broadcast_to(rise.error, rise.rise.shape), spot)
    part_of = slice(window.start, window.stop)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # a window that the part was not seen in
        value, error = np.nanmean(course[part_of]), np.nanmean(np.hypot(noise, spread)[part_of])
        risen, risen_error = np.nanmean(rises[part_of]), np.nanmean(rise_noise[part_of])
    if not np.isfinite(value + error):
        return _empty(part, "unknown", "not seen in the last second with power on", ())
    significance = float(value / max(error, 1e-9))
    state = "like_good" if abs(significance) < settings.part_sigma else ("hot" if significance > 0 else "cold")
    flags = _flags(part, excess, spot)
    why = {"rise_rate": "not measured for this part", "temperature_c": "no absolute temperature was asked for"}
    if reason:
        state, why = "unreadable", {**why, "state": reason}
        flags = (*flags, "covered" if part.covered_by else "unreadable")
    counts = excess.film.unit == "count"
    if counts:
        why |= {"rise_k": "counts without a scale", "excess_k": "counts without a scale"}
    return PartReading(
        ref=part.ref,
        kind=part.kind,
        side=part.side,
        state=state,
        rise_k=None if counts else Measured.normal(float(risen), float(risen_error)),
        excess_k=None if counts else Measured.normal(float(value), float(error)),
        excess_at_s=window.at_s if excess.film.clock == "power_on" else None,
        rise_rate=None,
        temperature_c=None,
        significance=significance,
        pixels=float(part.w * part.h / excess.film.pixel_mm**2),
        flags=flags,
        why=why,
        excess_course_k=course,
        noise_course_k=noise,
        spread_course_k=spread,
        rise_course_k=rises,
    )


def with_unclear(parts: Sequence[PartReading]) -> tuple[PartReading, ...]:
    """Return the parts, those called like the good ones unclear whose 95 % interval leaves zero out.

    Judged after what size and surface of a part take from its heat is put back, on the interval that is reported; in
    counts, which have none, on the significance.
    """
    return tuple(replace(p, state="unclear") if p.state == "like_good" and _differs(p) else p for p in parts)


def _differs(part: PartReading) -> bool:
    if part.excess_k is None:
        return abs(part.significance) > Z_95
    return not part.excess_k.low <= 0.0 <= part.excess_k.high


def _errors(excess: Excess, spot: Footprint) -> tuple[np.ndarray, np.ndarray]:
    """Return the course of noise (camera and position) and of spread at a part, each ndarray (bins,)."""
    camera, position = excess.split_noise(spot.weights)
    kernel = 4 * np.pi * excess.film.correlation_mm**2
    spread = np.sqrt(mean_over(np.broadcast_to(excess.spread, excess.excess.shape) ** 2, spot))
    return np.sqrt(camera * kernel / (spot.area_mm2 + kernel) + position), spread


def _flags(part: Part, excess: Excess, spot: Footprint) -> tuple[str, ...]:
    flags = []
    if min(part.w, part.h) < 3 * excess.film.pixel_mm:
        flags.append("below_resolution")
    if excess.film.saturated is not None and excess.film.saturated[spot.weights > 0].any():
        flags.append("saturated")
    return tuple(flags)


def _hidden_because(part: Part, *, side: str, surfaces: tuple[Surface, ...]) -> str:
    if part.side != side:
        return f"it sits on the {part.side} side, the recording shows the {side}"
    if part.covered_by:
        return f"it is covered by {part.covered_by}"
    surface = find_surface(part.seen_surface, surfaces)
    if surface is not None and not surface.readable:
        return f"its surface ({part.seen_surface}) reflects its surroundings; matte tape makes it readable"
    return ""


def _empty(part: Part, state: str, reason: str, flags: tuple[str, ...]) -> PartReading:
    keys = ("rise_k", "excess_k", "excess_at_s", "rise_rate", "temperature_c", "significance")
    why = dict.fromkeys(keys, reason)
    return PartReading(
        part.ref, part.kind, part.side, state, None, None, None, None, None, None, 0.0, flags, {**why, "state": reason}
    )
