"""What a source of heat at one place does at all the others: shapes only, the strength stays free."""

from __future__ import annotations

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
    """Return plate patterns of a source, ndarray (diffusivities, places, stages), 1 at its own place at the end."""
    distance = np.hypot(scene.x_mm - x_mm, scene.y_mm - y_mm)
    size = np.hypot(scene.radius_mm, radius_mm)
    own = np.array([0.0]), np.array([np.sqrt(2.0) * radius_mm])
    out = []
    for a in diffusivities:
        peak = plate_kernel(own[0], own[1], scene.times_s, a)[0, -1]
        out.append(plate_kernel(distance, size, scene.times_s, a) / peak)
    return np.stack(out)


def own_shares(scene: Scene, *, diffusivity: float) -> np.ndarray:
    """Share of each part in the healthy warmth of each place, ndarray (places, places), columns are parts.

    Non-negative least squares of the good boards' last stage on the patterns of all parts; what no part explains
    belongs to none. Shares of a place add to one at the most.
    """
    n = scene.places
    parts = [i for i in range(n) if scene.refs[i] is not None]
    gain = np.zeros((n, n))
    for i in parts:
        plate = source_patterns(scene, scene.x_mm[i], scene.y_mm[i], scene.radius_mm[i], diffusivities=(diffusivity,))
        # The body itself is warmer than the board beneath it: half of its rise is its own (no source; wide).
        gain[:, i] = 0.5 * plate[0, :, -1]
        gain[i, i] += 0.5
    seen = scene.is_seen
    weight = 1.0 / np.maximum(np.hypot(scene.noise_k[:, -1], 0.1 * scene.own_k[:, -1]), 1e-6)
    rows = np.flatnonzero(seen)
    if not parts or not len(rows) or not scene.own_k.any():
        return np.zeros((n, n))
    powers, _ = nnls(gain[np.ix_(rows, parts)] * weight[rows, None], scene.own_k[rows, -1] * weight[rows])
    made = np.zeros((n, n))
    made[:, parts] = gain[:, parts] * powers
    total = np.maximum(made.sum(axis=1), np.maximum(scene.own_k[:, -1], 1e-9))
    return made / total[:, None]


def loss_pattern(scene: Scene, shares: np.ndarray, gone: np.ndarray) -> np.ndarray:
    """Excess where the parts ``gone`` (bool, (places,)) make no heat at all, ndarray (places, stages), never above 0.

    No place loses more than the warmth that those parts bring there on a good board.
    """
    lost = shares[:, gone].sum(axis=1)
    return -np.clip(lost, 0.0, 1.0)[:, None] * scene.own_k
