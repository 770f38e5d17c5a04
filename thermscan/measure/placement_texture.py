"""Starts of one recording against another: where the texture of their pictures is most alike, at any turn and scale."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy import fft

from thermscan.measure.placement_pose import View, view_from_similarity
from thermscan.measure.placement_scene import Scene, shrink_scene, shrink_view
from thermscan.measure.placement_search import distance_px
from thermscan.measure.placement_warm import START_SLACK, WarmPlaces
from thermscan.model.board import Board
from thermscan.model.settings import PlacementSettings


def pattern_starts(
    faulty: Scene,
    good: Scene,
    faulty_view: View,
    base: View,
    *,
    board: Board | None = None,
    settings: PlacementSettings,
) -> list[View]:
    """Return views of the good board whose pictures look like the faulty ones, best first.

    Parameters
    ----------
    faulty, good : Scene
        Full size.
    faulty_view : View
        Of the faulty board.
    base : View
        Gives side, picture centre and board centre of the good one.
    board : Board or None
        Where it is known: what warms on the good board lies on it.
    settings : PlacementSettings

    Returns
    -------
    list of View
        At most ``search_kept``.

    Notes
    -----
    Correlation of edge strength, normalised under both masks (Padfield, IEEE TIP 2012), for every turn and scale by
    fast Fourier transform, on coarse pictures; channels are paired in their order and added. Straight from above:
    tilt is left to refinement.
    """
    factor_f = max(1, round(max(faulty.shape) / settings.search_px))
    factor_g = max(1, round(max(good.shape) / settings.search_px))
    first = shrink_scene(faulty, factor_f, 0.5 * factor_f)
    second = shrink_scene(good, factor_g, 0.5 * factor_g)
    kept = shrink_view(faulty_view, factor_f)
    own_scale = kept.focal_px / float(kept.shift_mm[2])
    wide = 2 * max(*first.shape, *second.shape)
    size = (fft.next_fast_len(wide, real=True),) * 2
    count = min(len(first.channels), len(second.channels))
    target, target_mask = _texture(second)
    target_f, target2_f, mask_f = (fft.rfft2(a, size) for a in (target[:count], target[:count] ** 2, target_mask))
    low, high = np.log(settings.smallest_zoom), -np.log(settings.smallest_zoom)
    found: list[tuple[float, View]] = []
    for zoom in np.exp(np.arange(low, high + 1e-9, settings.scale_step)):
        for turn in np.radians(np.arange(0, 360, settings.turn_step_deg)):
            moved = view_from_similarity(
                replace(shrink_view(base, factor_g), centre_px=((size[1] // 2), (size[0] // 2))),
                scale=own_scale * float(zoom),
                angle_rad=float(turn),
                centre_px=np.array([size[1] // 2, size[0] // 2], float),
            )
            picture, mask = _warped(first, kept, moved, size, count)
            score = _masked_correlation(picture, mask, target_f, target2_f, mask_f, size)
            row, column = np.unravel_index(int(np.argmax(score)), score.shape)
            shift = np.array([_signed(column, size[1]), _signed(row, size[0])], float)
            place = shift + np.array([size[1] // 2, size[0] // 2])
            view = view_from_similarity(
                base,
                scale=own_scale * float(zoom) * factor_g,
                angle_rad=float(turn),
                centre_px=(place + 0.5) * factor_g - 0.5,
            )
            found.append((float(score[row, column]), view))
    found.sort(key=lambda item: -item[0])
    if board is not None:
        warm = WarmPlaces(board, good, settings)
        found = warm.covering(found, [v for _, v in found], slack=START_SLACK)
    return _apart([v for _, v in found], base, faulty_view, 2.5 * factor_g, settings.search_kept)


def _apart(views: Sequence[View], base: View, faulty_view: View, gap_px: float, most: int) -> list[View]:
    reach = 0.3 * min(2 * c for c in base.centre_px) * float(faulty_view.shift_mm[2]) / faulty_view.focal_px
    centre = np.array(base.centre_mm)
    points = centre + reach * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1], [0, 0]])
    kept: list[View] = []
    for view in views:
        if all(distance_px(view, other, points) > gap_px for other in kept):
            kept.append(view)
        if len(kept) == most:
            break
    return kept


def _signed(index: int, size: int) -> int:
    return int(index) if index < size // 2 else int(index) - size


def _texture(scene: Scene) -> tuple[np.ndarray, np.ndarray]:
    """Return edge strength of each channel, compressed so that one hot spot does not rule, and the valid mask."""
    mask = scene.valid.astype(float)
    out = []
    for channel in scene.channels:
        gy, gx = np.gradient(channel)
        strength = np.hypot(gx, gy)
        usual = float(np.median(strength[scene.valid])) + 1e-12 if scene.valid.any() else 1.0
        out.append(mask * strength / (strength + 2 * usual))
    return np.array(out), mask


def _warped(scene: Scene, view: View, moved: View, size: tuple[int, int], count: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the texture of a scene as another view would show it, ndarray (channels, *size), and its mask."""
    from cv2 import INTER_LINEAR, WARP_INVERSE_MAP, warpPerspective

    texture, mask = _texture(scene)
    back = view.homography() @ np.linalg.inv(moved.homography())

    def warp(picture: np.ndarray) -> np.ndarray:
        return warpPerspective(picture, back, size[::-1], flags=INTER_LINEAR | WARP_INVERSE_MAP)

    return np.array([warp(t) for t in texture[:count]]), warp(mask)


def _masked_correlation(
    picture: np.ndarray,
    mask: np.ndarray,
    target_f: np.ndarray,
    target2_f: np.ndarray,
    mask_f: np.ndarray,
    size: tuple[int, int],
) -> np.ndarray:
    """Return the normalised correlation for every shift, ndarray ``size``; -1 where under a third overlaps."""
    own_f, own2_f, own_mask_f = fft.rfft2(picture * mask), fft.rfft2(picture**2 * mask), fft.rfft2(mask)

    def correlate(a: np.ndarray, b: np.ndarray) -> np.ndarray:
        return fft.irfft2(np.conj(a) * b, size)

    overlap = np.maximum(correlate(own_mask_f, mask_f), 1e-6)
    total = np.zeros(size)
    for own, own2, other, other2 in zip(own_f, own2_f, target_f, target2_f, strict=True):
        sum_own, sum_other = correlate(own, mask_f), correlate(own_mask_f, other)
        cover = correlate(own, other) - sum_own * sum_other / overlap
        var_own = np.maximum(correlate(own2, mask_f) - sum_own**2 / overlap, 1e-9)
        var_other = np.maximum(correlate(own_mask_f, other2) - sum_other**2 / overlap, 1e-9)
        total += cover / np.sqrt(var_own * var_other)
    least = min(float(mask.sum()), float(mask_f[0, 0].real)) / 3
    # A correlation over few pixels is high by chance: r times the square root of the overlap is what is rare.
    return np.where(overlap > least, total / len(picture) * np.sqrt(overlap / overlap.max()), -1.0)
