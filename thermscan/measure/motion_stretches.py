"""Stretches of a recording tied together: pairs near and far are compared, so that errors do not add up in time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from thermscan.measure.motion_fit import Aligner, Slopes, Template
from thermscan.model.settings import MotionSettings


@dataclass(frozen=True)
class Follow:
    """Fits of a set of pictures.

    Attributes
    ----------
    matrices : ndarray of shape (pictures, 3, 3)
        Reference to picture, working px.
    weight : ndarray of shape (pictures, 8, 8)
        What each picture says about its place in its stretch, 1/px2.
    stretch : ndarray of int, shape (pictures,)
    templates : list of Template, one a stretch
    covariance : ndarray of shape (stretches, 8, 8)
        Of the place of each stretch against the one that shows most, px2; what the last round still moved is counted
        in.
    """

    matrices: np.ndarray
    weight: np.ndarray
    stretch: np.ndarray
    templates: list[Template]
    covariance: np.ndarray


def cut_stretches(pictures: int, settings: MotionSettings) -> np.ndarray:
    """Return the stretch number of each picture, ndarray (pictures,): equal runs, at most ``most_stretches``."""
    count = int(np.clip(pictures // settings.stretch_frames, 1, settings.most_stretches))
    return np.arange(pictures) * count // max(pictures, 1)


def follow_pictures(aligner: Aligner, pictures: np.ndarray, matrices: np.ndarray, settings: MotionSettings) -> Follow:
    """Refine the matrices of pictures, ndarray (n, rows, columns), from a coarse start."""
    stretch = cut_stretches(len(pictures), settings)
    count = stretch[-1] + 1
    matrices, weight = matrices.copy(), np.zeros((len(pictures), 8, 8))
    covariance = np.zeros((count, 8, 8))
    unsettled = np.zeros((count, 8))
    for turn, within in enumerate(settings.within_px, start=1):
        templates = _templates(aligner, pictures, matrices, stretch)
        for number, template in enumerate(templates):
            mine = np.flatnonzero(stretch == number)
            slopes = aligner.slopes(template)
            middle = aligner.fields.of_matrix(matrices[mine]).mean(axis=0)
            for i in mine:
                matrices[i], weight[i] = aligner.align(pictures[i], matrices[i], template, slopes, middle)
        if count > 1:
            templates = _templates(aligner, pictures, matrices, stretch)
            now = aligner.fields.of_matrix(matrices)
            middles = np.array([now[stretch == s].mean(axis=0) for s in range(count)])
            unsettled, covariance = tie(aligner, templates, middles, settings.near, within_px=within)
            if turn == len(settings.within_px) or aligner.fields.distance(unsettled).max() < settings.far_from_px:
                # far pairs once near ones agree
                unsettled, covariance = tie(aligner, templates, middles, count, within_px=within)
            matrices = matrices @ aligner.fields.to_matrix(-unsettled[stretch])
    covariance = covariance + unsettled[:, :, None] * unsettled[:, None, :]
    return Follow(matrices, weight, stretch, _templates(aligner, pictures, matrices, stretch), covariance)


def count_quiet(templates: list[Template], settings: MotionSettings) -> int:
    """Return how many stretches from the first on show the same scene: the change is no more than at the start."""
    first, quiet = templates[0], 1
    least = None
    for template in templates[1:]:
        known = first.seen & template.seen
        if not known.any():
            break
        change = float(np.mean((template.picture - first.picture)[known] ** 2))
        least = change if least is None else least
        if change > settings.quiet_ratio * least:
            break
        quiet += 1
    return quiet


def _templates(aligner: Aligner, pictures: np.ndarray, matrices: np.ndarray, stretch: np.ndarray) -> list[Template]:
    return [aligner.template(pictures[stretch == s], matrices[stretch == s]) for s in range(stretch[-1] + 1)]


def tie(
    aligner: Aligner, templates: list[Template], middles: np.ndarray, reach: int, *, within_px: float
) -> tuple[np.ndarray, np.ndarray]:
    """Return by how much each stretch is displaced, ndarray (stretches, 8), and the covariance, (stretches, 8, 8).

    Least squares over pairs of them at most ``reach`` apart, the stretch that shows most held: a board that is still
    cold shows little, and how far it is off says nothing of the others. Turning, growth and tilt over the
    whole recording are held by what hands usually do, which matters where the board is small in the picture. Pairs
    share their templates, so their information is scaled to count each stretch once. ``within_px`` is as in
    ``Aligner.between``.
    """
    count = len(templates)
    slopes = aligner.slopes_of(templates)
    info, side = np.zeros((count, 8, count, 8)), np.zeros((count, 8))
    pairs = choose_pairs(count, reach)
    for a, b in pairs:
        mean = between(slopes[a], slopes[b])
        moved, told = aligner.between(templates[a], templates[b], mean, within_px=within_px)
        told = told * (count / len(pairs))
        info[a, :, a] += told
        info[b, :, b] += told
        info[a, :, b] -= told
        info[b, :, a] -= told
        side[b] += told @ moved
        side[a] -= told @ moved
    hold = np.diag(1.0 / np.array(aligner.settings.usual_spread_px(aligner.fields.half)) ** 2)
    most = max(range(count), key=lambda s: float(np.trace(info[s, :, s])))
    for s in range(count):
        info[s, :, s] += hold
        side[s] += hold @ (middles[s] - middles[most])
    flat = info.reshape(8 * count, 8 * count)
    held = slice(8 * most, 8 * most + 8)
    flat[held, held] += 1e6 * np.eye(8)
    inverse = np.linalg.inv(flat)
    moves = (inverse @ side.ravel()).reshape(count, 8)
    blocks = inverse.reshape(count, 8, count, 8)
    return moves, np.array([blocks[s, :, s] for s in range(count)])


def between(first: Slopes, second: Slopes) -> Slopes:
    """Return the slopes halfway between two templates: to second order those of what moved from one to the other."""
    return Slopes(first.at, (first.by + second.by) / 2, (first.share + second.share) / 2, first.starts)


def choose_pairs(count: int, reach: int) -> list[tuple[int, int]]:
    """Return the pairs of stretches that are compared: those 1, 2, 3, 5, 8, 13 ... up to ``reach`` apart."""
    lags, ahead = [], (1, 2)
    while ahead[0] <= min(reach, count - 1):
        lags.append(ahead[0])
        ahead = (ahead[1], ahead[0] + ahead[1])
    return [(a, a + lag) for lag in lags for a in range(count - lag)]
