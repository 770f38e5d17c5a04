"""Warm places off the bodies, and the parts whose pads and solder may be what heats there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from thermscan.explain.scene import Scene
from thermscan.model.board import Board, Part
from thermscan.model.evidence import FAR_SIDE, Evidence
from thermscan.model.result import Hotspot
from thermscan.model.settings import ExplainSettings


@dataclass(frozen=True)
class Bare:
    """A place off the bodies that may be at fault.

    ``near`` are the nearest parts, nearest first; ``owners`` those whose pads and solder lie within reach of it, with
    shares that add to one; ``beneath`` the same of the parts on the other side. ``under`` is the part whose body covers
    the place: heat there that is not the part's own is made beneath it, in the board or on the other side; or at its
    pads, where the place may as well lie outside the body. ``is_cold`` where the place stays colder than on the good
    boards: a part that the board file does not list may make no heat.
    """

    x_mm: float
    y_mm: float
    place_95_mm: float
    near: tuple[str, ...]
    owners: tuple[tuple[str, float], ...] = ()
    under: str = ""
    beneath: tuple[tuple[str, float], ...] = ()
    is_cold: bool = False


def bare_places(
    evidence: Evidence, scene: Scene, board: Board | None, *, settings: ExplainSettings
) -> tuple[Bare, ...]:
    """Return bare places worth weighing: hotspots and sources off the parts, then the warmest bare blocks.

    Then those that stay coldest, a few: where parts are not listed, nothing else tells of one that makes no heat.
    """
    found: list[tuple[float, float, float]] = [
        (h.x_mm, h.y_mm, h.place_95_mm)
        for h in evidence.hotspots
        if h.kind == "hot" and _body_over(board, h.x_mm, h.y_mm, evidence.side) is None
    ]
    found += [(s.x_mm, s.y_mm, s.place_95_mm) for s in evidence.sources if s.ref is None and s.power_w.value > 0]
    z = scene.significance()
    blocks = [i for i in np.argsort(-z) if scene.refs[i] is None and z[i] > 2.0]
    found += [(scene.x_mm[i], scene.y_mm[i], 2.0 * scene.radius_mm[i]) for i in blocks]
    kept: list[Bare] = []
    for x, y, radius in found:
        if len(kept) >= settings.bare_places:
            break
        if any(np.hypot(b.x_mm - x, b.y_mm - y) < settings.block_mm for b in kept):
            continue
        reach = settings.pads_mm + min(float(radius), settings.pads_mm)
        owners = _owners(board, x, y, evidence.side, reach_mm=reach)
        beneath = _owners(board, x, y, FAR_SIDE[evidence.side], reach_mm=reach)
        over = _body_over(board, x, y, evidence.side)
        is_inside = over is not None and -edge_distance_mm(over, x, y) > min(float(radius), settings.pads_mm)
        near = _nearest(board, x, y, evidence.side)
        under = "" if over is None else over.ref
        kept.append(Bare(float(x), float(y), float(radius), near, () if is_inside else owners, under, beneath))
    return (*kept, *_cold_places(evidence, scene, board, settings))


def _cold_places(evidence: Evidence, scene: Scene, board: Board | None, settings: ExplainSettings) -> tuple[Bare, ...]:
    """Return the bare places that are colder than harmless differences make them, the coldest first."""
    side = evidence.side
    z = scene.significance()
    found = [
        (h.x_mm, h.y_mm, h.place_95_mm)
        for h in evidence.hotspots
        if h.kind == "cold" and _body_over(board, h.x_mm, h.y_mm, side) is None
    ]
    blocks = [i for i in np.argsort(z) if scene.refs[i] is None and z[i] < -settings.cold_sigma]
    found += [(scene.x_mm[i], scene.y_mm[i], 2.0 * scene.radius_mm[i]) for i in blocks]
    kept: list[Bare] = []
    for x, y, radius in found:
        if len(kept) == settings.cold_places:
            break
        if all(np.hypot(b.x_mm - x, b.y_mm - y) >= 2 * settings.block_mm for b in kept):
            kept.append(Bare(float(x), float(y), float(radius), _nearest(board, x, y, side), is_cold=True))
    return tuple(kept)


def _body_over(board: Board | None, x: float, y: float, side: str) -> Part | None:
    parts = board.parts_on(side) if board is not None else ()
    return next((p for p in parts if bool(p.contains(np.array(x), np.array(y)))), None)


def edge_distance_mm(part: Part, x_mm: float, y_mm: float) -> float:
    """Return how far a point lies outside the body of a part, mm; inside below 0, how far from its edge."""
    turn = np.radians(part.rotation)
    dx, dy = x_mm - part.x, y_mm - part.y
    along, across = dx * np.cos(turn) + dy * np.sin(turn), -dx * np.sin(turn) + dy * np.cos(turn)
    out_along, out_across = abs(along) - part.w / 2, abs(across) - part.h / 2
    if max(out_along, out_across) < 0:
        return float(max(out_along, out_across))
    return float(np.hypot(max(out_along, 0.0), max(out_across, 0.0)))


def _owners(board: Board | None, x: float, y: float, side: str, *, reach_mm: float) -> tuple[tuple[str, float], ...]:
    """Return the two parts of a side at most that may be what heats at a place, the nearer the likelier."""
    parts = [p for p in (board.parts_on(side) if board is not None else ()) if p.kind not in ("shield", "heatsink")]
    near = sorted((max(edge_distance_mm(p, x, y), 0.0), p.ref) for p in parts)[:2]
    weights = {ref: float(np.exp(-d)) for d, ref in near if d <= reach_mm}
    total = sum(weights.values())
    return tuple((ref, w / total) for ref, w in weights.items())


def _nearest(board: Board | None, x: float, y: float, side: str) -> tuple[str, ...]:
    parts = board.parts_on(side) if board is not None else ()
    return tuple(p.ref for p in sorted(parts, key=lambda p: (p.x - x) ** 2 + (p.y - y) ** 2)[:3])


def spot_at(place: Bare, evidence: Evidence) -> Hotspot | None:
    """Return the hotspot that a bare place was found by, None where there is none within its radius and a mm."""
    spots = [h for h in evidence.hotspots if h.kind == ("cold" if place.is_cold else "hot")]
    away = [float(np.hypot(h.x_mm - place.x_mm, h.y_mm - place.y_mm)) for h in spots]
    if not spots or min(away) > place.place_95_mm + 1.0:
        return None
    return spots[int(np.argmin(away))]
