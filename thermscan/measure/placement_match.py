"""Faulty against good: placements refined on the thermal pattern, cross-checked, or found by it alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import fft

from thermscan.measure.placement_corners import Tie, adjust, corner_covariance, corner_rms_px, skew_covariance
from thermscan.measure.placement_fit import levels_for, rms_error_px, without_stripes
from thermscan.measure.placement_marks import corner_names
from thermscan.measure.placement_pattern import Pair, refine_pattern
from thermscan.measure.placement_pose import (
    View,
    nominal_view,
    view_from_homography,
    view_from_similarity,
)
from thermscan.measure.placement_relative import UnitFit, register
from thermscan.measure.placement_scene import Scene, make_scene, shrink_scene, shrink_view
from thermscan.measure.placement_search import board_points, distance_px, turned, vuong_z
from thermscan.model.board import Board
from thermscan.model.pose import Motion, Placement
from thermscan.model.settings import PlacementSettings


@dataclass(frozen=True)
class Match:
    """Placements that agree with each other.

    Attributes
    ----------
    faulty : Placement
    goods : tuple of Placement
        In the order given; ``error_px`` is the error relative to the faulty board.
    warnings : tuple of str
        Disagreements between outline and pattern, transfers of a placement from one recording to another.
    """

    faulty: Placement
    goods: tuple[Placement, ...]
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Found:
    """A good view matched to the faulty view: its fit, where it came from, and z over the next start (or None)."""

    fit: UnitFit
    transferred: bool
    margin: float | None
    settled: bool

    def covariance(self, board: Board, settings: PlacementSettings) -> np.ndarray:
        """Return the covariance of the corners relative to the other board, ndarray (8, 8) px2."""
        held = skew_covariance(self.fit.view, board, settings.skew_px)
        return corner_covariance(self.fit.view, self.fit.covariance, board) + held

    def error_px(self, board: Board, settings: PlacementSettings) -> float:
        """Return the standard error of a board point relative to the other board, px (2-D distance)."""
        return corner_rms_px(self.covariance(board, settings))


def _view(motion: Motion, board: Board, placement: Placement, side: str, settings: PlacementSettings) -> View:
    base = _base(motion, board, side, settings)
    return view_from_homography(
        base, placement.matrix, board_points(board), settings=settings, width_px=max(motion.reference.shape)
    )


def _base(motion: Motion, board: Board, side: str, settings: PlacementSettings) -> View:
    rows, columns = motion.reference.shape
    x0, y0, x1, y1 = board.box_mm
    return nominal_view((rows, columns), ((x0 + x1) / 2, (y0 + y1) / 2), side, settings)


def _coarse(shape: tuple[int, int], settings: PlacementSettings) -> list[tuple[int, float]]:
    factor = max(1, round(max(shape) / settings.search_px))
    return [(factor, 0.5 * factor)]


def pattern_starts(
    faulty: Scene, good: Scene, faulty_view: View, base: View, *, settings: PlacementSettings
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


def _best_of(
    pair: Pair, starts: Sequence[View], points: np.ndarray, settings: PlacementSettings
) -> tuple[View, float | None]:
    """Return the start that explains the pattern best on coarse pictures, and its z over the best other place."""
    fits = [refine_pattern(pair, s, settings=settings, levels=_coarse(pair.good.shape, settings)) for s in starts]
    fits.sort(key=lambda f: -float(f.log_likelihood.sum()))
    margin = None
    for other in fits[1:]:
        if distance_px(fits[0].view, other.view, points) > 0.1 * max(pair.good.shape):
            z = vuong_z(fits[0].log_likelihood, other.log_likelihood)
            margin = z if margin is None else min(margin, z)
    return fits[0].view, margin


def _match_one(pair: Pair, own: Placement, own_view: View, base: View, settings: PlacementSettings) -> _Found:
    points = board_points(pair.board)
    starts = [own_view, turned(own_view, 2)]
    view, margin = _best_of(pair, starts, points, settings)
    transferred = view is not own_view and distance_px(view, own_view, points) > 0.1 * max(pair.good.shape)
    if not own.trusted or margin is None or margin < settings.vuong_z:
        starts += pattern_starts(pair.faulty, pair.good, pair.faulty_view, base, settings=settings)
        view, margin = _best_of(pair, starts, points, settings)
        transferred = distance_px(view, own_view, points) > 0.1 * max(pair.good.shape)
    near = own.trusted and not transferred and own.error_px < settings.near_px
    return _found(pair, own_view if near else view, near, transferred, margin, settings)


def _found(
    pair: Pair, start: View, near: bool, transferred: bool, margin: float | None, settings: PlacementSettings
) -> _Found:
    """Register from a start: unit by unit from a near one, from the coarse pictures on from any other."""
    levels = levels_for(pair.good.shape)
    if not near:
        start = refine_pattern(pair, start, settings=settings, levels=levels).view
    fit = register(pair, start, settings=settings, levels=levels[-1:])
    return _Found(fit, transferred, margin, fit.last_px < settings.unsettled_px)


def _doubted(found: _Found, factor: float) -> _Found:
    """Return a match with a larger error: still pictures hold the sensor's pattern, and no heat checks it."""
    return replace(found, fit=replace(found.fit, covariance=found.fit.covariance * factor**2))


def _judge(
    found: _Found, own: Placement, own_view: View, board: Board, name: str, settings: PlacementSettings
) -> tuple[Placement, str]:
    """Return the matched placement of a good board, and a sentence where outline and pattern disagree."""
    points = board_points(board)
    cover = found.covariance(board, settings)
    error = corner_rms_px(cover)
    gap = distance_px(found.fit.view, own_view, points)
    allowed = settings.agree_sigmas * float(np.hypot(error, own.error_px)) + settings.agree_px
    unsure = (found.margin is not None and found.margin < settings.vuong_z) or not found.settled
    matched = Placement(found.fit.view.homography(), error, "pattern", margin=found.margin, covariance=cover)
    if own.trusted and (error > settings.distrust_error_px or (unsure and gap > allowed)):
        return own, f"{name}: the thermal pattern is too weak to check its outline or marks; these were kept"
    if not own.trusted and (unsure or error > settings.distrust_error_px):
        reason = f"{name}: neither outline nor pattern places it; give marks for the corners at {corner_names(board)}"
        return replace(matched, trusted=False, reason=reason), reason
    if gap > allowed and own.trusted:
        reason = f"{name}: outline and thermal pattern disagree by {gap:.1f} px"
        return replace(matched, trusted=False, reason=reason), reason
    if gap > allowed:
        return matched, f"{name}: placed by its thermal pattern, not by its outline ({gap:.0f} px apart)"
    return matched, ""


def match_placements(
    faulty: Motion,
    goods: Sequence[Motion],
    faulty_placement: Placement,
    good_placements: Sequence[Placement],
    board: Board,
    *,
    side: str = "top",
    settings: PlacementSettings | None = None,
) -> Match:
    """Refine placements of known-good boards so that they agree with the faulty board on the thermal pattern.

    Parameters
    ----------
    faulty : Motion
    goods : sequence of Motion
    faulty_placement : Placement
    good_placements : sequence of Placement
        One for each good recording, as ``place_board`` gave them.
    board : Board
    side : {'top', 'bottom'}
        Shown by all recordings.
    settings : PlacementSettings or None

    Returns
    -------
    Match

    Notes
    -----
    Each good view is fitted to the faulty picture, which a free local mixture of the good pictures explains, part by
    part. Then all placements are adjusted together: each is held by its own outline and layout, and each pair by the
    pattern, all by their covariances, so that what the board file has wrong is common to all and drops out of the
    difference. A good placement that its own outline and the pattern put to different places is returned
    untrusted and takes no part; so does one whose pattern is too weak, with its own placement.
    """
    settings = settings or PlacementSettings()
    placement, warnings = faulty_placement, []
    if not faulty_placement.trusted:
        placement, said = _borrowed(faulty, goods, faulty_placement, good_placements, board, (side, settings))
        warnings += [said] if said else []
    faulty_scene = make_scene(faulty)
    faulty_view = _view(faulty, board, placement, side, settings)
    if placement.trusted:
        faulty_scene = without_stripes(faulty_scene, board, faulty_view, side=side, settings=settings)
    matched = []
    for number, (motion, own) in enumerate(zip(goods, good_placements, strict=True), start=1):
        own_view = _view(motion, board, own, side, settings)
        good_scene = make_scene(motion)
        if own.trusted:
            good_scene = without_stripes(good_scene, board, own_view, side=side, settings=settings)
        pair = Pair(faulty_scene, good_scene, board, side, faulty_view)
        found = _match_one(pair, own, own_view, _base(motion, board, side, settings), settings)
        if faulty.is_tripod and motion.is_tripod and len(faulty_scene.channels) == 1:
            found = _doubted(found, settings.still_doubt)
        good, said = _judge(found, own, own_view, board, f"good {number}", settings)
        matched.append(good)
        warnings += [said] if said else []
    placement, matched = _adjusted(placement, matched, good_placements, board, placement is not faulty_placement)
    if not placement.trusted:  # what was brought into line with it is no surer of its place than it is
        why = "it was brought into line with the faulty board, whose own place is not certain"
        matched = [replace(good, trusted=False, reason=good.reason or why) for good in matched]
    return Match(placement, tuple(matched), tuple(warnings))


def _adjusted(
    faulty: Placement, matched: Sequence[Placement], owns: Sequence[Placement], board: Board, is_borrowed: bool
) -> tuple[Placement, list[Placement]]:
    """Return the placements adjusted together; those that are not trusted, or not matched, stay as they are."""
    tied = [i for i, p in enumerate(matched) if p.trusted and p.method == "pattern" and p.covariance is not None]
    out = [_relative_to(faulty, p) for p in matched]
    if not faulty.trusted or not tied:
        return faulty, out
    cover = _cover(faulty)
    ties = [
        Tie(
            owns[i].matrix,
            _cover(owns[i]) if owns[i].trusted and not is_borrowed else None,
            matched[i].matrix,
            matched[i].covariance,
        )
        for i in tied
    ]
    adjusted = adjust(board, faulty.matrix, cover, ties)
    for k, i in enumerate(tied):
        error = corner_rms_px(adjusted.relative[k])
        out[i] = replace(matched[i], matrix=adjusted.goods[k], error_px=error, covariance=adjusted.relative[k])
    error = min(faulty.error_px, corner_rms_px(adjusted.faulty_covariance))
    return replace(faulty, matrix=adjusted.faulty, error_px=error, covariance=adjusted.faulty_covariance), out


def _relative_to(faulty: Placement, good: Placement) -> Placement:
    """Return a good placement with its error relative to the faulty one, where only its own was known."""
    if good.method == "pattern":
        return good
    return replace(good, error_px=float(np.hypot(good.error_px, faulty.error_px)))


def _cover(placement: Placement) -> np.ndarray:
    """Return the covariance of the corners; as if each were off by itself where only the error is known."""
    if placement.covariance is not None:
        return placement.covariance
    return placement.error_px**2 / 2 * np.eye(8)


def _borrowed(
    faulty: Motion,
    goods: Sequence[Motion],
    faulty_placement: Placement,
    good_placements: Sequence[Placement],
    board: Board,
    how: tuple[str, PlacementSettings],
) -> tuple[Placement, str]:
    """Place the faulty board by its pattern on the good recording whose own placement is best."""
    side, settings = how
    trusted = [i for i, p in enumerate(good_placements) if p.trusted]
    if not trusted:
        return faulty_placement, ""
    best = min(trusted, key=lambda i: good_placements[i].error_px)
    kept = _view(goods[best], board, good_placements[best], side, settings)
    pair = Pair(make_scene(goods[best]), make_scene(faulty), board, side, kept)
    own_view = _view(faulty, board, faulty_placement, side, settings)
    found = _match_one(pair, faulty_placement, own_view, _base(faulty, board, side, settings), settings)
    if found.margin is not None and found.margin < settings.vuong_z:
        return faulty_placement, ""
    if not found.settled:
        return faulty_placement, ""
    error = float(np.hypot(found.error_px(board, settings), good_placements[best].error_px))
    placed = Placement(found.fit.view.homography(), error, "pattern", margin=found.margin)
    return placed, f"the faulty board was placed by its thermal pattern on good {best + 1}"


def place_by_pattern(faulty: Motion, goods: Sequence[Motion], *, settings: PlacementSettings | None = None) -> Match:
    """Register good recordings to the faulty picture where no millimetres are known.

    Parameters
    ----------
    faulty : Motion
        Its reference picture becomes the board: board units are its pixels.
    goods : sequence of Motion
    settings : PlacementSettings or None

    Returns
    -------
    Match
        The faulty placement has method ``'frame'`` and the identity as its matrix; the good ones map faulty pixels
        to their own. Any turn, scales between half and double; not mirrored.
    """
    settings = settings or PlacementSettings()
    rows, columns = faulty.reference.shape
    board = frame_board((rows, columns))
    faulty_scene = make_scene(faulty)
    identity = Placement(np.eye(3), 0.0, "frame")
    faulty_view = _base(faulty, board, "picture", settings)
    points = board_points(board)
    matched, warnings = [], []
    for number, motion in enumerate(goods, start=1):
        pair = Pair(faulty_scene, make_scene(motion), board, "picture", faulty_view, has_layout=False)
        base = _base(motion, board, "picture", settings)
        starts = [base, *pattern_starts(faulty_scene, pair.good, faulty_view, base, settings=settings)]
        view, margin = _best_of(pair, starts, points, settings)
        fit = refine_pattern(pair, view, settings=settings, levels=levels_for(pair.good.shape))
        error = rms_error_px(fit.view, fit.covariance, points)
        good = Placement(fit.view.homography(), error, "pattern", margin=margin)
        if (margin is not None and margin < settings.vuong_z) or error > settings.distrust_error_px:
            reason = (
                f"good {number}: the pattern fits the faulty picture at more than one place; give --board or --size"
            )
            good = replace(good, trusted=False, reason=reason)
            warnings.append(reason)
        matched.append(good)
    return Match(identity, tuple(matched), tuple(warnings))


def frame_board(shape: tuple[int, int]) -> Board:
    """Return the 'board' that is a picture of ``shape`` (rows, columns) itself: its units are pixels."""
    rows, columns = shape
    corners = np.array([[-0.5, -0.5], [columns - 0.5, -0.5], [columns - 0.5, rows - 0.5], [-0.5, rows - 0.5]])
    return Board("the picture itself", corners, outline_is_size_only=True)
