"""Motion as a course in time: each coefficient wanders and jitters, as much as the frames themselves show."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Evidence:
    """What each frame says about its own coefficients: a quadratic around ``values``.

    Attributes
    ----------
    values : ndarray of shape (frames, 8), px
    weight : ndarray of shape (frames, 8, 8), 1/px2
        Information matrices; zero where a frame says nothing.
    """

    values: np.ndarray
    weight: np.ndarray


@dataclass(frozen=True)
class Wander:
    """How a motion goes: variance of the walk a second and of the jitter a frame, each ndarray (8,), px2."""

    walk: np.ndarray
    jitter: np.ndarray


def estimate_wander(evidence: Evidence, times_s: np.ndarray, *, floor: float) -> Wander:
    """Estimate walk and jitter of each coefficient from its differences over several lags.

    For a random walk with added jitter the mean square difference over a lag T is ``walk T + 2 (jitter + error)``; a
    line through lags of 1, 2, 4 ... frames gives both, the frames' own error is taken off, and what is left below zero
    is set to ``floor``: a coefficient the data do not ask for is held still. Frames count by what they know: a board
    that is still cold shows little, and where its fits come to rest says nothing of the hand.
    """
    told = np.flatnonzero(np.trace(evidence.weight, axis1=1, axis2=2) > 0)
    walk, jitter = np.full(8, floor), np.full(8, floor)
    if len(told) < 4:
        return Wander(walk + 1.0, jitter + 0.1)
    values, times, own = evidence.values[told], times_s[told], own_variances(evidence)[told]
    lags = [k for k in (1, 2, 4, 8, 16, 32) if k <= len(told) // 2]
    spans = np.array([np.median(times[k:] - times[:-k]) for k in lags])
    squares, errors = np.stack([_square_over(values, own, k) for k in lags], axis=1)
    for j in range(8):
        weight = 1.0 / (squares[:, j] + 1e-12)
        net = (squares - errors)[:, j]
        design = np.stack([spans, np.ones(len(spans))], axis=1) * weight[:, None]
        slope, level = np.linalg.lstsq(design, net * weight, rcond=None)[0]
        if level < 0:
            slope, level = np.sum(net * weight**2 * spans) / np.sum((weight * spans) ** 2), 0.0
        walk[j] = max(slope, floor)
        jitter[j] = max(level / 2, floor)
    return Wander(walk, jitter)


def own_variances(evidence: Evidence) -> np.ndarray:
    """Return what each frame alone leaves open of each coefficient, ndarray (frames, 8), px2."""
    return np.diagonal(np.linalg.pinv(evidence.weight, hermitian=True), axis1=1, axis2=2)


def _square_over(values: np.ndarray, own: np.ndarray, lag: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the mean square difference over a lag and the frames' own part of it, each ndarray (8,), px2.

    Pairs are weighted by the inverse square of what is expected of them: their own errors, and the motion that the
    better half of the pairs show.
    """
    square, error = (values[lag:] - values[:-lag]) ** 2, own[lag:] + own[:-lag]
    better = error <= np.median(error, axis=0)
    motion = np.where(better, square, 0.0).sum(axis=0) / better.sum(axis=0)
    weight = 1.0 / (error + motion + 1e-12) ** 2
    weight = weight / weight.sum(axis=0)
    return (weight * square).sum(axis=0), (weight * error).sum(axis=0)


def smooth(evidence: Evidence, times_s: np.ndarray, wander: Wander) -> tuple[np.ndarray, np.ndarray]:
    """Return the most likely course, ndarray (frames, 8), and its covariances, ndarray (frames, 8, 8).

    Kalman filter forwards, Rauch-Tung-Striebel smoother backwards, on the level; the jitter of each frame is then split
    off its own evidence. A frame without evidence gets the level between its neighbours and the error of that.
    """
    n = len(evidence.values)
    eye, jitter = np.eye(8), np.diag(wander.jitter)
    # information about the level: jitter widens the frame's own error
    shrunk = np.linalg.solve(eye + evidence.weight @ jitter, evidence.weight)
    shrunk = (shrunk + shrunk.transpose(0, 2, 1)) / 2
    mean, cov = np.zeros((n, 8)), np.zeros((n, 8, 8))
    ahead_cov = np.zeros((n, 8, 8))
    m, p = np.zeros(8), np.eye(8) * 1e4
    for t in range(n):
        if t:
            p = p + np.diag(wander.walk) * (times_s[t] - times_s[t - 1])
        ahead_cov[t] = p
        gain = np.linalg.solve(eye + p @ shrunk[t], p)
        m = m + gain @ (shrunk[t] @ (evidence.values[t] - m))
        p = (gain + gain.T) / 2
        mean[t], cov[t] = m, p
    for t in range(n - 2, -1, -1):
        back = np.linalg.solve(ahead_cov[t + 1], cov[t]).T
        mean[t] += back @ (mean[t + 1] - mean[t])
        cov[t] += back @ (cov[t + 1] - ahead_cov[t + 1]) @ back.T
    split = np.linalg.solve(eye + jitter @ evidence.weight, jitter @ evidence.weight)
    course = mean + np.einsum("tij,tj->ti", split, evidence.values - mean)
    keep = eye - split
    own = np.linalg.solve(eye + jitter @ evidence.weight, np.broadcast_to(jitter, cov.shape))
    return course, keep @ cov @ keep.transpose(0, 2, 1) + (own + own.transpose(0, 2, 1)) / 2
