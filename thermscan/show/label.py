"""Where labels go so that none covers another: pure geometry, no drawing."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

Box = tuple[float, float, float, float]  # x_min, y_min, x_max, y_max

_DIRECTIONS = ((1, 0), (-1, 0), (0, 1), (0, -1), (1, 1), (-1, 1), (1, -1), (-1, -1))
_RINGS = 14  # rings of places further out, each one label height wider, tried for labels that must stand
_SPOKES = 16


@dataclass(frozen=True)
class Label:
    """A label to be placed: all lengths in one unit.

    Attributes
    ----------
    x, y : float
        What it names.
    reach : (half width, half height)
        Of what it names; the label stands beside that, or inside where it fits.
    size : (width, height)
        Of the label itself.
    must : bool
        True for labels that may not be left out; they may move away, tied by a leader line.
    inside : bool
        True where the label may stand on what it names.
    over : bool
        True where it may as well cover what is only better not covered.
    """

    x: float
    y: float
    reach: tuple[float, float]
    size: tuple[float, float]
    must: bool = False
    inside: bool = True
    over: bool = False


@dataclass(frozen=True)
class Spot:
    """Centre of a placed label; ``leader`` is True where a line should tie it to what it names."""

    x: float
    y: float
    leader: bool = False


def box_of(spot: Spot, size: tuple[float, float]) -> Box:
    """Return the box that a label of this size covers at this spot."""
    return spot.x - size[0] / 2, spot.y - size[1] / 2, spot.x + size[0] / 2, spot.y + size[1] / 2


def overlap(a: Box, b: Box) -> float:
    """Return the area that two boxes share."""
    return max(0.0, min(a[2], b[2]) - max(a[0], b[0])) * max(0.0, min(a[3], b[3]) - max(a[1], b[1]))


def _near(label: Label, gap: float) -> list[Spot]:
    """Return the places on and right beside what the label names, best first."""
    w, h = label.size
    fits = label.inside and w <= 2 * label.reach[0] and h <= 2 * label.reach[1]
    spots = [Spot(label.x, label.y)] if fits else []
    for dx, dy in _DIRECTIONS:
        x = label.x + dx * (label.reach[0] + w / 2 + gap)
        y = label.y + dy * (label.reach[1] + h / 2 + gap)
        spots.append(Spot(x, y))
    return spots


def _far(label: Label, gap: float) -> list[Spot]:
    """Return places further and further out, to be tied by a leader line."""
    w, h = label.size
    spots = []
    for ring in range(1, _RINGS + 1):
        for spoke in range(_SPOKES):
            turn = 2 * math.pi * spoke / _SPOKES
            away = gap + ring * h
            x = label.x + math.cos(turn) * (label.reach[0] + w / 2 + away)
            y = label.y + math.sin(turn) * (label.reach[1] + h / 2 + away)
            spots.append(Spot(x, y, leader=True))
    return spots


def _shared(boxes: np.ndarray, others: np.ndarray) -> np.ndarray:
    """Return the area that each box shares with each other one, ndarray (boxes, others)."""
    wide = np.minimum(boxes[:, None, 2], others[None, :, 2]) - np.maximum(boxes[:, None, 0], others[None, :, 0])
    high = np.minimum(boxes[:, None, 3], others[None, :, 3]) - np.maximum(boxes[:, None, 1], others[None, :, 1])
    return np.clip(wide, 0, None) * np.clip(high, 0, None)


def _as_boxes(boxes: Sequence[Box]) -> np.ndarray:
    return np.array(boxes, dtype=float).reshape(-1, 4)


def _best(label: Label, spots: Sequence[Spot], frame: Box, taken: np.ndarray, soft: np.ndarray) -> Spot | None:
    """Return the fitting spot that covers least of ``soft`` and stands nearest; None where none fits."""
    boxes = _as_boxes([box_of(spot, label.size) for spot in spots])
    inside = (boxes[:, 0] >= frame[0]) & (boxes[:, 1] >= frame[1])
    inside &= (boxes[:, 2] <= frame[2]) & (boxes[:, 3] <= frame[3])
    fits = inside & ~(_shared(boxes, taken) > 0).any(axis=1)
    if not fits.any():
        return None
    away = np.array([math.hypot(spot.x - label.x, spot.y - label.y) for spot in spots])
    covered = _shared(boxes, soft).sum(axis=1) / (label.size[0] * label.size[1])
    covered = np.zeros_like(covered) if label.over else np.where(away == 0, 0.0, covered)
    cost = covered + 0.15 * away / label.size[1] + 0.001 * np.arange(len(spots))
    return spots[int(np.argmin(np.where(fits, cost, np.inf)))]


def place_labels(
    labels: Sequence[Label], frame: Box, *, taken: Sequence[Box] = (), soft: Sequence[Box] = (), gap: float = 2.0
) -> tuple[Spot | None, ...]:
    """Place labels one after the other, most important first, so that no two overlap.

    Parameters
    ----------
    labels : sequence of Label
        In order of importance.
    frame : Box
        Labels stay inside it.
    taken : boxes
        May not be covered (markers, scale bar).
    soft : boxes
        Better not covered (bodies of parts).
    gap : float
        Clear distance between a label and what it names.

    Returns
    -------
    tuple of Spot or None
        In the order of ``labels``; None for a label that was left out for lack of room. A label that must stand is
        left out only where the whole neighbourhood is full; another one also where it would hide much of a part.

    Notes
    -----
    Greedy, so not the best arrangement overall; the order decides who gives way.
    """
    blocked = _as_boxes(taken)
    bodies = _as_boxes(soft)
    placed: list[Spot | None] = []
    for label in labels:
        spot = _best(label, _near(label, gap), frame, blocked, bodies)
        if label.must and (spot is None or _covers_much(spot, label, bodies)):
            spot = _best(label, [*_near(label, gap), *_far(label, gap)], frame, blocked, bodies)
        if not label.must and spot is not None and _covers_much(spot, label, bodies):
            spot = None
        placed.append(spot)
        if spot is not None:
            blocked = np.vstack([blocked, box_of(spot, label.size)])
    return tuple(placed)


def _covers_much(spot: Spot, label: Label, soft: np.ndarray) -> bool:
    """Tell whether a label hides more than a third of itself worth of parts."""
    if label.over or (spot.x, spot.y) == (label.x, label.y):
        return False
    box = _as_boxes([box_of(spot, label.size)])
    return float(_shared(box, soft).sum()) > label.size[0] * label.size[1] / 3
