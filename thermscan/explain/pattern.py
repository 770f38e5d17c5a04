"""What a source of heat at one place does at all the others: shapes only, the strength stays free."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import nnls
from scipy.special import exp1

from thermscan.explain.scene import Scene


def plate_kernel(distance_mm: np.ndarray, size_mm: np.ndarray, times_s: np.ndarray, diffusivity: float) -> np.ndarray:
    """Return the shape of the rise of a thin plate around a steady Gaussian source, up to a constant factor.

    Parameters
    ----------
    distance_mm, size_mm : ndarrays that broadcast to (n,)
        Distance from the source's centre; standard deviation of source and seeing place together.
    times_s : ndarray of shape (stages,)
    diffusivity : float, mm2/s

    Returns
    -------
    ndarray of shape (n, stages)

    Notes
    -----
    The instantaneous source in a plate (Carslaw and Jaeger, Conduction of Heat in Solids, 2nd ed., section 10.3)
    summed over time: E1(r2/(4 a t + 2 s2)) - E1(r2/(2 s2)). Losses to air are left out: not valid when the
    seconds on come near the plate's own time constant (minutes).
    """
    r2 = np.asarray(distance_mm, float)[..., None] ** 2
    s2 = 2 * np.asarray(size_mm, float)[..., None] ** 2
    wide = s2 + 4 * diffusivity * np.asarray(times_s, float)
    r2 = np.maximum(r2, 1e-6 * s2)
    return exp1(r2 / wide) - exp1(r2 / s2)


def lag(times_s: np.ndarray, constant_s: float) -> np.ndarray:
    """Return the warm-up of a body with one time constant, 1 at the last stage, ndarray (stages,)."""
    course = 1.0 - np.exp(-np.asarray(times_s, float) / constant_s)
    return course / course[-1]


def source_patterns(
    scene: Scene, x_mm: float, y_mm: float, radius_mm: float, *, diffusivities: tuple[float, ...]
) -> np.ndarray:
    """Return plate patterns of a source, ndarray (diffusivities, places, stages), 1 at its own place at the end.

    The outline's rectangle turns heat back: the source's mirror images in it are sources too (method of images, Carslaw
    and Jaeger, Conduction of Heat in Solids), as far as they reach.
    """
    at_x, at_y = np.append(scene.x_mm, x_mm), np.append(scene.y_mm, y_mm)  # the last is the source's own place
    size = np.hypot(np.append(scene.radius_mm, radius_mm), radius_mm)
    out = []
    for a in diffusivities:
        reach = IMAGE_REACH * float(np.sqrt(2.0 * a * scene.times_s[-1] + radius_mm**2))
        images = image_places(scene.box_mm, x_mm, y_mm, reach)
        rises = [plate_kernel(np.hypot(at_x - x, at_y - y), size, scene.times_s, a) for x, y in images]
        total = np.sum(rises, axis=0)
        out.append(total[:-1] / total[-1, -1])
    return np.stack(out)


IMAGE_REACH = 3.0  # standard deviations of the spread: what an image farther from the board brings is under 1 %


def image_places(
    box_mm: tuple[float, float, float, float] | None, x_mm: float, y_mm: float, reach_mm: float
) -> list[tuple[float, float]]:
    """Return a source and its mirror images in the sides of a rectangle, mm, those no farther from it than a reach.

    ``box_mm`` is least x and y, then largest; without one, and for a source outside it, the source alone is returned.
    """
    if box_mm is None or not (box_mm[0] <= x_mm <= box_mm[2] and box_mm[1] <= y_mm <= box_mm[3]):
        return [(x_mm, y_mm)]
    along = _images(x_mm, box_mm[0], box_mm[2], reach_mm)
    across = _images(y_mm, box_mm[1], box_mm[3], reach_mm)
    return [(x, y) for x, dx in along for y, dy in across if dx**2 + dy**2 <= reach_mm**2]


def _images(at: float, low: float, high: float, reach: float) -> list[tuple[float, float]]:
    """Return a coordinate and its images between two mirrors, each with its distance from the space between them."""
    width = high - low
    many = int(np.ceil(reach / width)) if width > 0 else 0
    places = [at + 2 * k * width for k in range(-many, many + 1)]
    places += [2 * low - p for p in places]
    away = [(p, max(low - p, p - high, 0.0)) for p in places] if width > 0 else [(at, 0.0)]
    return [(p, d) for p, d in away if d <= reach]


MAKES_HEAT_K = 2.0  # usual self-heating from which a kind of part is taken to make heat of its own


@dataclass(frozen=True)
class OwnHeat:
    """How the good boards' warmth divides over the parts.

    Attributes
    ----------
    shares : ndarray of shape (places, places)
        Share of each part (column) in the warmth of each place (row); a row adds to one at the most.
    diffusivity : float, mm2/s
        Spread of heat that explains the warmth best, of those tried.
    """

    shares: np.ndarray
    diffusivity: float


def divide_own_heat(
    scene: Scene, usual_k: dict[str, float], *, diffusivities: tuple[float, ...], error: float
) -> OwnHeat:
    """Divide the good boards' last stage over the parts, for the spread of heat that explains it best.

    Parameters
    ----------
    scene : Scene
    usual_k : dict of kind to float
        Self-heating to expect, K: what keeps a capacitor beside a chip from being given the chip's warmth.
    diffusivities : tuple of float, mm2/s
    error : float
        Error of the patterns, share of the warmth.

    Notes
    -----
    Non-negative least squares (Lawson and Hanson 1974) with one more row a part, its own rise over three times
    the usual one, as a prior of zero mean would add. What no part explains belongs to none.
    """
    n = scene.places
    parts = [i for i in range(n) if scene.refs[i] is not None]
    rows = np.flatnonzero(scene.is_seen)
    if not parts or not len(rows) or not scene.own_k.any():
        return OwnHeat(np.zeros((n, n)), diffusivities[len(diffusivities) // 2])
    own = scene.own_k[:, -1]
    # Far from a part the pattern is wrong by a share of the source, not of the little that arrives.
    least = 0.02 * float(own[rows].max()) + 1e-6
    weight = 1.0 / (np.hypot(scene.noise_k[rows, -1], error * own[rows]) + least)
    prior = np.diag([1.0 / (3.0 * max(usual_k.get(scene.kinds[i], 2.0), 1e-3) * scene.floor_scale) for i in parts])
    best: tuple[float, np.ndarray, np.ndarray, float] | None = None
    for a in diffusivities:
        gain = _gain(scene, parts, a)
        system = np.vstack([gain[rows] * weight[:, None], prior])
        powers, misfit = nnls(system, np.concatenate([own[rows] * weight, np.zeros(len(parts))]))
        if best is None or misfit < best[0]:
            best = (float(misfit), gain, powers, a)
    assert best is not None
    _, gain, powers, a = best
    made = np.zeros((n, n))
    made[:, parts] = gain * powers
    shares = made / np.maximum(made.sum(axis=1), np.maximum(own, 1e-9))[:, None]
    makers = np.array([usual_k.get(k, 2.0) >= MAKES_HEAT_K for k in scene.kinds])
    return OwnHeat(_at_least_the_contrast(shares, scene, makers), a)


def _at_least_the_contrast(shares: np.ndarray, scene: Scene, makers: np.ndarray) -> np.ndarray:
    """Give each seen part of a kind that makes heat what it is warmer than the board around."""
    own, out = scene.own_k[:, -1], shares.copy()
    bare = np.array([r is None for r in scene.refs]) & scene.is_seen
    for i in np.flatnonzero(scene.is_seen & ~bare & makers & (own > 0)):
        distance = np.where(bare, np.hypot(scene.x_mm - scene.x_mm[i], scene.y_mm - scene.y_mm[i]), np.inf)
        near = np.argsort(distance)[:4]
        near = near[np.isfinite(distance[near])]
        if not len(near):
            continue
        contrast = float(np.clip(1.0 - np.median(own[near]) / own[i], 0.0, 1.0))
        if out[i, i] < contrast:
            others = out[i].sum() - out[i, i]
            out[i] *= min(1.0, (1.0 - contrast) / others) if others > 0 else 1.0
            out[i, i] = contrast
    return out


def _gain(scene: Scene, parts: list[int], diffusivity: float) -> np.ndarray:
    """Rise at each place for a rise of 1 at each part, ndarray (places, parts): half of it the body's own."""
    gain = np.zeros((scene.places, len(parts)))
    for j, i in enumerate(parts):
        plate = source_patterns(scene, scene.x_mm[i], scene.y_mm[i], scene.radius_mm[i], diffusivities=(diffusivity,))
        gain[:, j] = 0.5 * plate[0, :, -1]
        gain[i, j] += 0.5
    return gain


def loss_pattern(scene: Scene, shares: np.ndarray, gone: np.ndarray) -> np.ndarray:
    """Excess where the parts ``gone`` (bool, (places,)) make no heat at all, ndarray (places, stages), never above 0.

    No place loses more than the warmth that those parts bring there on a good board. Warmth that the division leaves
    over is made by some part too: it goes with the shares of those that are known, where they explain half or more.
    """
    lost = shares[:, gone].sum(axis=1) / np.clip(shares.sum(axis=1), 0.5, 1.0)
    return -np.clip(lost, 0.0, 1.0)[:, None] * scene.own_k
