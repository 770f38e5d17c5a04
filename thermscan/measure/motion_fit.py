"""Scene, sensor pattern, heat change and motion of a set of pictures, solved together."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from thermscan.measure.motion_course import Evidence, estimate_wander, smooth
from thermscan.measure.motion_fields import Coefficients
from thermscan.model.settings import MotionSettings


@dataclass(frozen=True)
class Scene:
    """What the pictures show, in reference coordinates, and what the sensor adds.

    Attributes
    ----------
    mean : float32 ndarray of shape (pixels,)
    change : float32 ndarray of shape (components, pixels)
    courses : ndarray of shape (pictures, components)
        Strength of each component in each picture.
    pattern : float32 ndarray of shape (rows, columns)
    variance : float32 ndarray of shape (pixels,)
        Mean square of what the model leaves over at each place.
    seen : ndarray of bool, shape (pixels,)
    """

    mean: np.ndarray
    change: np.ndarray
    courses: np.ndarray
    pattern: np.ndarray
    variance: np.ndarray
    seen: np.ndarray

    def picture(self, strengths: np.ndarray) -> np.ndarray:
        """Return the scene at given strengths of the components, ndarray (pixels,)."""
        return self.mean + strengths.astype(np.float32) @ self.change if len(self.change) else self.mean


def high_pass(picture: np.ndarray, shape: tuple[int, int], sigma_px: float) -> np.ndarray:
    """Take a picture's own smooth part off, ndarray (pixels,)."""
    flat = picture.reshape(shape)
    return (flat - cv2.GaussianBlur(flat, (0, 0), sigma_px, borderType=cv2.BORDER_REFLECT_101)).ravel()


class Aligner:
    """Fits the coefficients of single pictures to a known scene by Gauss-Newton in reference coordinates."""

    def __init__(self, shape: tuple[int, int], noise: float, good: np.ndarray, settings: MotionSettings) -> None:
        self.fields = Coefficients(shape)
        self.shape = shape
        self.noise = noise
        self.settings = settings
        self.margin = np.zeros(shape, bool)
        edge = max(1, round(settings.margin_px))
        self.margin[edge:-edge, edge:-edge] = True
        self.bad = None if good.all() else (~good).astype(np.float32)

    def residual(self, picture: np.ndarray, matrix: np.ndarray, expected: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return what the aligned picture shows beyond ``expected``, high-passed, and the weight of each place."""
        values, inside = self.fields.sample(picture, matrix)
        left = np.where(inside, values - expected, 0).astype(np.float32)
        weight = (inside & self.margin.ravel()).astype(np.float32)
        if self.bad is not None:
            weight *= self.fields.sample(self.bad, matrix)[0] < 0.2
        level = (left * weight).sum() / max(weight.sum(), 1.0)
        return high_pass(
            np.where(inside, left - level, 0).astype(np.float32), self.shape, self.settings.local_px
        ), weight

    def step(
        self, picture: np.ndarray, matrix: np.ndarray, expected: np.ndarray, slopes: np.ndarray, variance: np.ndarray, gentle: bool
    ) -> tuple[np.ndarray, np.ndarray, float]:
        """Return information (8, 8), score (8,) and the spread of normalised residuals of one picture.

        ``gentle`` weights count places (L1), for starts that may be off; the others leave odd places out.
        """
        left, weight = self.residual(picture, matrix, expected)
        spread = left * left / variance
        use = weight > 0
        typical = float(np.median(spread[use])) / 0.455 if use.any() else 1.0
        scale = max(typical, 1.0)
        spread /= scale
        doubt = 1 / np.sqrt(1 + spread) if gentle else 1 / (1 + spread / self.settings.doubt_sigmas**2) ** 2
        weight = weight * doubt / (variance * scale)
        weighted = slopes * weight
        return weighted @ slopes.T, -weighted @ left, typical

    def align(
        self,
        picture: np.ndarray,
        start: np.ndarray,
        expected: np.ndarray,
        prior: np.ndarray,
        *,
        variance: np.ndarray,
        gentle_steps: int = 0,
    ) -> tuple[np.ndarray, np.ndarray, float]:
        """Return coefficients (8,), information (8, 8) and residual spread of one picture.

        ``prior`` is ndarray (8,), 1/px2: how firmly each coefficient is held at ``start``.
        """
        slopes = self._slopes(expected)
        matrix = self.fields.to_matrix(start)
        info, typical = np.zeros((8, 8)), 1.0
        for i in range(self.settings.align_steps + gentle_steps):
            gentle = i < gentle_steps
            info, score, typical = self.step(picture, matrix, expected, slopes, variance, gentle)
            here = self.fields.of_matrix(matrix)
            move = np.linalg.solve(info + np.diag(prior), score - prior * (here - start))
            matrix = matrix @ self.fields.to_matrix(move)
            if not gentle and self.fields.distance(move) < self.settings.converged_px:
                break
        return self.fields.of_matrix(matrix), info, typical

    def _slopes(self, expected: np.ndarray) -> np.ndarray:
        return self.fields.slopes(high_pass(expected, self.shape, self.settings.local_px))


def track_roughly(pictures: np.ndarray, aligner: Aligner, *, smoothing_px: float) -> np.ndarray:
    """Follow pictures, ndarray (n, rows, columns), one after the other at low resolution; coefficients (n, 8).

    Each is aligned to the mean of the ten before it, so that slow heating does not matter; smoothing takes the sensor
    pattern, which is fine, down against the scene, which is coarse.
    """
    out = np.zeros((len(pictures), 8))
    soft = [cv2.GaussianBlur(p, (0, 0), smoothing_px, borderType=cv2.BORDER_REFLECT_101) if smoothing_px else p for p in pictures]
    running, _ = aligner.fields.sample(soft[0], np.eye(3))
    hold = 1.0 / np.array(aligner.settings.usual_motion_px()) ** 2
    quiet = np.full(running.shape, (0.3 * aligner.noise / max(smoothing_px, 0.5)) ** 2, np.float32)
    for i in range(1, len(pictures)):
        out[i], _, _ = aligner.align(soft[i], out[i - 1], running, hold, variance=quiet, gentle_steps=4)
        values, inside = aligner.fields.sample(soft[i], aligner.fields.to_matrix(out[i]))
        share = 1.0 / min(i + 1, MEM)
        running = np.where(inside, running + share * (values - running), running).astype(np.float32)
    return out


MEM = 10


def solve_scene(
    pictures: np.ndarray, coefficients: np.ndarray, pattern: np.ndarray, aligner: Aligner, courses: np.ndarray
) -> Scene:
    """Return the scene that aligned pictures show: mean, change with the given courses, what is left over.

    ``courses`` is ndarray (pictures, components), each with mean zero over the pictures.
    """
    fields = aligner.fields
    n, pixels = len(pictures), pictures[0].size
    design = np.column_stack([np.ones(n), courses]).astype(np.float32)
    normal = np.zeros((design.shape[1], design.shape[1], pixels), np.float32)
    sums = np.zeros((design.shape[1], pixels), np.float32)
    aligned, known = align_all(pictures, coefficients, pattern, aligner)
    for row, values, inside in zip(design, aligned, known, strict=True):
        sums += row[:, None] * np.where(inside, values, 0)
        normal += np.einsum("i,j,p->ijp", row, row, inside.astype(np.float32))
    ridge = np.eye(design.shape[1], dtype=np.float32) * 1e-3
    solved = np.linalg.solve(normal.transpose(2, 0, 1) + ridge, sums.T[..., None])[..., 0].T.astype(np.float32)
    seen = normal[0, 0] >= max(1, 0.2 * n)
    left = np.where(known, aligned - design @ solved, 0)
    raw = np.zeros(pixels, np.float32)
    for values in left:
        raw += high_pass(values, aligner.shape, aligner.settings.local_px) ** 2
    variance = raw / np.maximum(known.sum(axis=0) - design.shape[1], 1)
    floor = float(np.median(variance[seen])) if seen.any() else 1.0
    variance = np.where(seen, np.maximum(cv2.blur(variance.reshape(aligner.shape), (3, 3)).ravel(), floor), 1e6 * floor)
    del fields
    return Scene(solved[0], solved[1:], courses, pattern, variance.astype(np.float32), seen)


def align_all(
    pictures: np.ndarray, coefficients: np.ndarray, pattern: np.ndarray, aligner: Aligner
) -> tuple[np.ndarray, np.ndarray]:
    """Return pictures less the pattern in reference coordinates, ndarray (n, pixels), and where they are known."""
    aligned = np.empty((len(pictures), pictures[0].size), np.float32)
    known = np.empty(aligned.shape, bool)
    for i, (picture, matrix) in enumerate(zip(pictures, aligner.fields.to_matrix(coefficients), strict=True)):
        aligned[i], known[i] = aligner.fields.sample(picture - pattern, matrix)
    return aligned, known


def find_courses(
    aligned: np.ndarray, known: np.ndarray, shape: tuple[int, int], noise: float, settings: MotionSettings
) -> np.ndarray:
    """Return the few time courses that heating needs, ndarray (pictures, components), from coarse aligned pictures.

    Pictures are smoothed until the sensor noise and what is left of the motion at edges hardly count; singular vectors
    of their change over time that stand above the noise are kept.
    """
    n = len(aligned)
    coarse = []
    size = tuple(max(2, round(s / settings.local_px)) for s in shape)
    mean = (aligned * known).sum(axis=0) / np.maximum(known.sum(axis=0), 1)
    for values, inside in zip(aligned, known, strict=True):
        change = np.where(inside, values - mean, 0).reshape(shape)
        coarse.append(cv2.resize(change, size[::-1], interpolation=cv2.INTER_AREA).ravel())
    change = np.array(coarse)
    change -= change.mean(axis=0)
    left, strength, _ = np.linalg.svd(change, full_matrices=False)
    cells = change.shape[1]
    edge = 3.0 * noise / settings.local_px * (np.sqrt(n) + np.sqrt(cells))
    smooth_enough = [is_slow(left[:, j]) for j in range(min(settings.most_components, len(strength)))]
    keep = [j for j, ok in enumerate(smooth_enough) if ok and strength[j] > edge]
    return left[:, keep] * np.sqrt(n)


def is_slow(course: np.ndarray) -> bool:
    """Tell whether a course changes slowly from picture to picture, as heat does (von Neumann ratio below 1)."""
    spread = np.var(course)
    return bool(spread > 0 and np.mean(np.diff(course) ** 2) < spread)


def solve_pattern(pictures: np.ndarray, coefficients: np.ndarray, scene: Scene, aligner: Aligner) -> np.ndarray:
    """Return what stays with the sensor: mean over pictures of picture minus scene, float32 ndarray (rows, columns)."""
    fields = aligner.fields
    total = np.zeros(aligner.shape, np.float32).ravel()
    count = np.zeros_like(total)
    seen = scene.seen.astype(np.float32)
    backward = np.linalg.inv(fields.to_matrix(coefficients))
    for picture, matrix, strengths in zip(pictures, backward, scene.courses, strict=True):
        values, inside = fields.sample(scene.picture(strengths), matrix)
        inside &= fields.sample(seen, matrix)[0] > 0.99
        left = np.where(inside, picture.ravel() - values, 0)
        total += left - inside * (left.sum() / max(inside.sum(), 1))
        count += inside
    pattern = total / np.maximum(count, 1) * (count > 0.2 * len(pictures))
    return pattern.reshape(aligner.shape).astype(np.float32)


def evidence_of(
    pictures: np.ndarray, coefficients: np.ndarray, scene: Scene, aligner: Aligner, prior: np.ndarray
) -> tuple[Evidence, np.ndarray]:
    """Return what each picture says about its motion given the scene, and its residual spread, ndarray (n,)."""
    values, weight, spread = np.zeros((len(pictures), 8)), np.zeros((len(pictures), 8, 8)), np.zeros(len(pictures))
    for i, (picture, strengths) in enumerate(zip(pictures, scene.courses, strict=True)):
        values[i], weight[i], spread[i] = aligner.align(
            picture - scene.pattern, coefficients[i], scene.picture(strengths), prior, variance=scene.variance
        )
    return Evidence(values, weight), spread


PURGE = True
TRACE = lambda c: None


def disentangle(scene: Scene, aligner: Aligner) -> np.ndarray:
    """Return the drift, ndarray (pictures, 8), that hides in the change components as displaced material edges.

    A slow drift and slow heating have the same course. They differ in place: drift moves every edge of the coldest
    picture, heat sits at some of them. So each component is regressed on the slopes of the coldest picture with
    weights under which heated places count for nothing.
    """
    shape, local = aligner.shape, aligner.settings.local_px
    inner = scene.seen & aligner.margin.ravel()
    power = [np.mean(high_pass(scene.picture(c), shape, local)[inner] ** 2) for c in scene.courses]
    coldest = scene.courses[int(np.argmin(power))]
    slopes = aligner.fields.slopes(high_pass(scene.picture(coldest), shape, local))[:, inner]
    hold = 1e-3 * (slopes**2).sum(axis=1)
    hold[2:] *= 10
    drift = np.zeros((len(scene.courses), 8))
    for component, course in zip(scene.change, scene.courses.T - coldest[:, None], strict=True):
        target = high_pass(component, shape, local)[inner]
        found = regress_robustly(slopes, target, hold)
        drift -= course[:, None] * found
    return drift


def regress_robustly(slopes: np.ndarray, target: np.ndarray, hold: np.ndarray) -> np.ndarray:
    """Return the coefficients that explain most of the target's places, not most of its power (L1, reweighted)."""
    found = np.zeros(len(slopes))
    for strength in (0.0, 0.0, 0.0, 0.0, 0.0, 10.0, 6.0, 4.0, 3.0, 3.0, 3.0):
        left = target - found @ slopes
        spread = (left / (1.4826 * np.median(np.abs(left)) + 1e-12)) ** 2
        weight = 1 / (1 + spread / strength**2) ** 2 if strength else 1 / np.sqrt(1 + spread)
        weighted = slopes * weight
        found = np.linalg.solve(weighted @ slopes.T + np.diag(hold * weight.mean()), weighted @ target)
    return found


def solve_together(
    pictures: np.ndarray, times_s: np.ndarray, start: np.ndarray, aligner: Aligner
) -> tuple[np.ndarray, np.ndarray, Scene]:
    """Solve motion, scene, change and pattern in turn until the motion rests; coefficients, covariances, scene."""
    settings = aligner.settings
    coefficients = start - start.mean(axis=0)
    pattern = np.zeros(aligner.shape, np.float32)
    prior = np.full(8, 1e-6)
    for turn in range(settings.turns):
        aligned, known = align_all(pictures, coefficients, pattern, aligner)
        courses = (
            find_courses(aligned, known, aligner.shape, aligner.noise, settings)
            if turn
            else np.zeros((len(pictures), 0))
        )
        scene = solve_scene(pictures, coefficients, pattern, aligner, courses)
        if PURGE and len(scene.change):
            drift = disentangle(scene, aligner)
            coefficients = coefficients + drift
            if turn < 6 and aligner.fields.distance(drift).max() > 0.02:
                scene = solve_scene(pictures, coefficients, pattern, aligner, courses)
        pattern = solve_pattern(pictures, coefficients, scene, aligner)
        scene = replace(scene, pattern=pattern)
        evidence, _ = evidence_of(pictures, coefficients, scene, aligner, prior)
        wander = estimate_wander(evidence, times_s, floor=settings.floor_px**2)
        new, covariance = smooth(evidence, times_s, wander)
        new = new - new.mean(axis=0)
        TRACE(new)
        moved = aligner.fields.distance(new - coefficients).max()
        coefficients = new
        if moved < settings.converged_px:
            break
    return coefficients, covariance, scene
