"""Changes that many places make together without any fault, one column each: drifts, air, timing, warm surroundings."""

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
