"""Changes that many places make together without any fault, one column each: drifts, air, timing, late loads."""

from __future__ import annotations

import numpy as np

from thermscan.explain.pattern import OwnHeat, source_patterns
from thermscan.explain.scene import Scene
from thermscan.model.settings import ExplainSettings


def drifts(scene: Scene, settings: ExplainSettings) -> list[np.ndarray]:
    """Return what two recordings of like boards differ by everywhere.

    Offsets of the whole picture, one a stage (the camera's and the room's drift since the cold frames), and slopes
    across it (the shading of a camera that settles, reflections of what stands around); a power-on that was placed a
    little early or late; air that cools more or less as the seconds pass.
    """
    share = scene.times_s / scene.times_s[-1]
    out = [settings.common_share * (share - share.mean()) * scene.own_k]
    if len(share) > 1:
        out.append(settings.timing_s * np.gradient(scene.own_k, scene.times_s, axis=1))
    shapes = [np.full(scene.places, settings.drift_k)]
    for place in (scene.x_mm, scene.y_mm):
        half = max(float(np.ptp(place)) / 2, 1e-9)
        shapes.append(settings.shading_k * (place - place.min() - half) / half)
    for stage in range(len(scene.times_s)):
        for shape in shapes:
            column = np.zeros_like(scene.excess_k)
            column[:, stage] = shape * scene.floor_scale
            out.append(column)
    return out


def heat_of(scene: Scene, own: OwnHeat, part: int) -> np.ndarray:
    """Return what a part warms on the good boards, K, ndarray (places, stages).

    Of a part that is not seen itself, on the far side say, only the board around it tells: its heat spreads smoothly
    from there, while what single places show of it is mirrored light as well.
    """
    heat = own.shares[:, part, None] * scene.own_k
    if scene.is_seen[part]:
        return heat
    seen = heat[scene.is_seen]
    course = seen.sum(axis=0) / max(float(seen[:, -1].sum()), 1e-9)
    where = scene.x_mm[part], scene.y_mm[part], scene.radius_mm[part]
    spread = source_patterns(scene, *where, diffusivities=(own.diffusivity,))[0][:, -1]
    size = float(spread[scene.is_seen] @ seen[:, -1]) / max(float(np.sum(spread[scene.is_seen] ** 2)), 1e-9)
    return size * spread[:, None] * course


def starts_later(scene: Scene, heat: np.ndarray, settings: ExplainSettings) -> np.ndarray | None:
    """Return what it does that a load does not start after the same time on every run, None for heat of no such load.

    A program that loads, a part that waits for another: the later a load starts, the less its start repeats. The change
    is one standard deviation, ``late_share`` of the delay, ndarray (places, stages). The delay is where the steepest
    stretch of what the part warms, led back to no rise, begins; heat from power-on on grows ever more slowly.
    """
    if len(scene.times_s) < 2:
        return None
    total = heat[scene.is_seen].sum(axis=0)
    steps = np.diff(total) / np.diff(scene.times_s)
    k = int(np.argmax(steps))
    delay = float(scene.times_s[k] - total[k] / max(steps[k], 1e-12))
    if delay <= settings.late_from_s:
        return None
    return settings.late_share * delay * np.gradient(heat, scene.times_s, axis=1)


def warm_surroundings(scene: Scene, own: OwnHeat, settings: ExplainSettings) -> list[np.ndarray]:
    """Return how the board around healthy parts may be warmer where no good board shows it: one column a part.

    A part that is by one standard deviation warmer than its kind usually is warms the board beneath it by a share of
    that, and what lies around it with it.
    """
    is_part = np.array([ref is not None for ref in scene.refs]) & scene.is_seen
    warmest = [i for i in np.argsort(-scene.spread_k[:, -1] * is_part) if is_part[i]][: settings.most_shared]
    out = []
    for i in warmest:
        where = scene.x_mm[i], scene.y_mm[i], scene.radius_mm[i]
        pattern = source_patterns(scene, *where, diffusivities=(own.diffusivity,))[0]
        column = settings.beneath_own * scene.spread_k[i, -1] * pattern
        column[i] = 0.0  # its own spread stands for the part itself
        out.append(column)
    return out
