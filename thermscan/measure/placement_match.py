"""Faulty against good: placements refined on the thermal pattern, cross-checked, or found by it alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from thermscan.measure.placement_corners import Tie, adjust, corner_covariance, corner_rms_px, skew_covariance
from thermscan.measure.placement_fit import (
    Fit,
    bare_doubt,
    layout_covariance,
    levels_for,
    rms_error_px,
    without_stripes,
)
from thermscan.measure.placement_marks import corner_names
from thermscan.measure.placement_pattern import Pair, refine_pattern
from thermscan.measure.placement_pose import View, nominal_view, turned, view_from_homography
from thermscan.measure.placement_relative import UnitFit, register
from thermscan.measure.placement_scene import Scene, make_scene
from thermscan.measure.placement_search import board_points, distance_px, is_better, is_steady, settle
from thermscan.measure.placement_texture import pattern_starts
from thermscan.measure.placement_tiles import vuong_z
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


def _best_of(
    pair: Pair, starts: Sequence[View], points: np.ndarray, settings: PlacementSettings
) -> tuple[View, float | None]:
    """Return the start that explains the pattern best, and its z over the best other place.

    Coarse pictures, of few blocks, cannot tell all places apart that finer ones can; these are asked where needed.
    """
    apart_px = 0.1 * max(pair.good.shape)
    fits = _fitted(pair, starts, _coarse(pair.good.shape, settings), settings)
    margin = _margin(fits, points, apart_px)
    if margin is not None and margin < settings.vuong_z:
        some = _apart_fits(fits, points, apart_px)[: settings.pattern_judged]
        factor = max(1, round(max(pair.good.shape) / settings.judged_px))
        fits = _fitted(pair, [f.view for f in some], [(factor, 0.5 * factor)], settings)
        margin = _margin(fits, points, apart_px)
    return fits[0].view, margin


def _fitted(
    pair: Pair, starts: Sequence[View], levels: list[tuple[int, float]], settings: PlacementSettings
) -> list[Fit]:
    """Return the fits from some starts, the most likely first."""
    fits = [refine_pattern(pair, s, settings=settings, levels=levels) for s in starts]
    return sorted(fits, key=lambda f: -float(f.log_likelihood.sum()))


def _apart_fits(fits: Sequence[Fit], points: np.ndarray, apart_px: float) -> list[Fit]:
    """Return fits in their order without those that end where one before them does."""
    kept: list[Fit] = []
    for fit in fits:
        if all(distance_px(fit.view, other.view, points) > apart_px for other in kept):
            kept.append(fit)
    return kept


def _margin(fits: Sequence[Fit], points: np.ndarray, apart_px: float) -> float | None:
    """Return the least z of the first fit over one that ends elsewhere, None without any."""
    others = [f for f in fits[1:] if distance_px(fits[0].view, f.view, points) > apart_px]
    return min((vuong_z(fits[0].log_likelihood, f.log_likelihood) for f in others), default=None)


def _match_one(pair: Pair, own: Placement, own_view: View, base: View, settings: PlacementSettings) -> _Found:
    points = board_points(pair.board)
    starts = [own_view, turned(own_view, 2)]
    view, margin = _best_of(pair, starts, points, settings)
    transferred = view is not own_view and distance_px(view, own_view, points) > 0.1 * max(pair.good.shape)
    if own.is_marked and (not transferred or margin is None or margin < settings.vuong_z):
        # the user has said which way round it lies; only a pattern that is sure of a half turn may contradict that
        return _found(pair, own_view, settings, near=own.error_px < settings.near_px, transferred=False, margin=None)
    if not own.trusted or margin is None or margin < settings.vuong_z:
        starts += pattern_starts(pair.faulty, pair.good, pair.faulty_view, base, board=pair.board, settings=settings)
        view, margin = _best_of(pair, starts, points, settings)
        transferred = distance_px(view, own_view, points) > 0.1 * max(pair.good.shape)
    near = own.trusted and not transferred and own.error_px < settings.near_px
    return _found(pair, own_view if near else view, settings, near=near, transferred=transferred, margin=margin)


def _found(
    pair: Pair, start: View, settings: PlacementSettings, *, near: bool, transferred: bool, margin: float | None
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


def _confirmed(
    scene: Scene, board: Board, placed: Placement, view: View, how: tuple[str, PlacementSettings]
) -> Fit | None:
    """Return the layout of the board fitted from where the pattern puts it, None where it does not stay there for sure.

    Coarse pictures come first, so that the layout is free to leave.
    """
    side, settings = how
    fit, ends = settle(scene, board, view, side=side, settings=settings)
    gap = distance_px(fit.view, view, board_points(board))
    stays = gap <= settings.agree_sigmas * placed.error_px + settings.agree_px
    error = corner_rms_px(layout_covariance(fit, board, settings)) / bare_doubt(board, settings)
    return fit if stays and is_steady(ends, board, error, settings) else None


def _not_confirmed(good: Placement, name: str, board: Board) -> tuple[Placement, str]:
    """Return a good placement that its own layout contradicts without trust, and the sentence for it."""
    reason = f"{name}: its layout does not confirm the pattern; give marks for the corners at {corner_names(board)}"
    return replace(good, trusted=False, reason=reason), reason


def match_placements(
    faulty: Motion,
    goods: Sequence[Motion],
    faulty_placement: Placement,
    good_placements: Sequence[Placement],
    board: Board,
    *,
    side: str = "top",
    names: Sequence[str] = (),
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
    names : sequence of str
        What sentences call the good recordings; default good 1, good 2 and so on.
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
    placement, lender, warnings = faulty_placement, None, []
    if faulty_placement.rivals:
        placement, said = _borne_out(
            (faulty, faulty_placement), goods, good_placements, _names(names, goods), board, (side, settings)
        )
        warnings += [said] if said else []
    if not placement.trusted:
        placement, lender = _borrowed(faulty, goods, placement, good_placements, board, (side, settings))
    faulty_scene = make_scene(faulty)
    faulty_view = _view(faulty, board, placement, side, settings)
    if placement.trusted:
        faulty_scene = without_stripes(faulty_scene, board, faulty_view, side=side, settings=settings)
    matched = []
    for motion, own, name in zip(goods, good_placements, _names(names, goods), strict=True):
        own_view = _view(motion, board, own, side, settings)
        good_scene = make_scene(motion)
        if own.trusted:
            good_scene = without_stripes(good_scene, board, own_view, side=side, settings=settings)
        pair = Pair(faulty_scene, good_scene, board, side, faulty_view)
        found = _match_one(pair, own, own_view, _base(motion, board, side, settings), settings)
        if faulty.is_tripod and motion.is_tripod and len(faulty_scene.channels) == 1:
            found = _doubted(found, settings.still_doubt)
        good, said = _judge(found, own, own_view, board, name, settings)
        by_pattern = good.trusted and not own.trusted
        if by_pattern and _confirmed(good_scene, board, good, found.fit.view, (side, settings)) is None:
            good, said = _not_confirmed(good, name, board)
        matched.append(good)
        warnings += [said] if said else []
    if lender is not None:
        placement, said = _still_borrowed(placement, matched[lender], _names(names, goods)[lender], board)
        warnings.append(said)
    placement, matched = _adjusted(placement, matched, good_placements, board, lender is not None)
    if not placement.trusted:  # what was brought into line with it is no surer of its place than it is
        why = "it was brought into line with the faulty board, whose own place is not certain"
        matched = [replace(good, trusted=False, reason=good.reason or why) for good in matched]
    return Match(placement, tuple(matched), tuple(warnings))


def _borne_out(
    faulty: tuple[Motion, Placement],
    goods: Sequence[Motion],
    owns: Sequence[Placement],
    names: Sequence[str],
    board: Board,
    how: tuple[str, PlacementSettings],
) -> tuple[Placement, str]:
    """Return the faulty placement with trust where good boards, found by themselves, refute the places that rival it.

    Such a good board lies on the faulty one's pattern where it was found; carried over to its picture, each rival is
    another place there, and what draws the layout to it on one bench seldom lies in the same place on another. That
    says nothing of rivals so near that the pattern may have been matched from either.
    """
    (motion, placement), (side, settings) = faulty, how
    points, view, shown = board_points(board), _view(motion, board, placement, side, settings), make_scene(motion)
    left, by = list(placement.rivals), []
    rivals = [view_from_homography(view, r, points, settings=settings, width_px=max(shown.shape)) for r in left]
    if any(distance_px(view, r, points) <= 0.1 * max(shown.shape) for r in rivals):
        return placement, ""
    for good, own, name in zip(goods, owns, names, strict=True):
        if not left or not (own.trusted or own.rivals):
            continue
        own_view, scene = _view(good, board, own, side, settings), make_scene(good)
        if not _lies_on_pattern(Pair(shown, scene, board, side, view), own, own_view, good, settings):
            continue
        step = own_view.homography() @ np.linalg.inv(view.homography())
        base, width = _base(good, board, side, settings), max(scene.shape)
        carried = [view_from_homography(base, step @ r, points, settings=settings, width_px=width) for r in left]
        standing = [k for k, c in enumerate(carried) if not is_better(scene, board, own_view, c, how)]
        by += [name] if len(standing) < len(left) else []
        left = [left[k] for k in standing]
    if left or not by:
        return placement, ""
    said = f"the faulty board's place has rivals that {' and '.join(by)}, placed alike by the pattern, refute"
    return replace(placement, trusted=True, reason="", rivals=()), said


def _lies_on_pattern(pair: Pair, own: Placement, own_view: View, good: Motion, settings: PlacementSettings) -> bool:
    """Tell whether the pattern puts a good board where its own layout did, and nowhere else as well."""
    points, base = board_points(pair.board), _base(good, pair.board, pair.side, settings)
    starts = [own_view, turned(own_view, 2)]
    starts += pattern_starts(pair.faulty, pair.good, pair.faulty_view, base, board=pair.board, settings=settings)
    best, margin = _best_of(pair, starts, points, settings)
    if margin is None or margin < settings.vuong_z or distance_px(best, own_view, points) > 0.1 * max(pair.good.shape):
        return False
    found = _found(pair, own_view, settings, near=own.error_px < settings.near_px, transferred=False, margin=margin)
    allowed = settings.agree_sigmas * float(np.hypot(found.error_px(pair.board, settings), own.error_px))
    return found.settled and distance_px(found.fit.view, own_view, points) <= allowed + settings.agree_px


def _still_borrowed(faulty: Placement, lender: Placement, name: str, board: Board) -> tuple[Placement, str]:
    """Return the faulty placement and how it came about: without trust where the good board it is from left its own."""
    said = f"the faulty board was placed by its thermal pattern on {name}"
    if lender.trusted:
        return faulty, said
    reason = f"{said}, which does not agree with it; give marks for the corners at {corner_names(board)}"
    return replace(faulty, trusted=False, reason=reason), reason


def _names(names: Sequence[str], goods: Sequence[Motion]) -> list[str]:
    return list(names) or [f"good {number}" for number in range(1, len(goods) + 1)]


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
) -> tuple[Placement, int | None]:
    """Place the faulty board by its pattern on the good recording whose own placement is best, and return which."""
    side, settings = how
    trusted = [i for i, p in enumerate(good_placements) if p.trusted]
    if not trusted:
        return faulty_placement, None
    best = min(trusted, key=lambda i: good_placements[i].error_px)
    kept = _view(goods[best], board, good_placements[best], side, settings)
    pair = Pair(make_scene(goods[best]), make_scene(faulty), board, side, kept)
    own_view = _view(faulty, board, faulty_placement, side, settings)
    found = _match_one(pair, faulty_placement, own_view, _base(faulty, board, side, settings), settings)
    if found.margin is not None and found.margin < settings.vuong_z:
        return faulty_placement, None
    if not found.settled:
        return faulty_placement, None
    error = float(np.hypot(found.error_px(board, settings), good_placements[best].error_px))
    gap = distance_px(found.fit.view, own_view, board_points(board))
    allowed = settings.agree_sigmas * float(np.hypot(error, faulty_placement.error_px)) + settings.agree_px
    if not found.transferred and gap > allowed:  # the same way round, yet elsewhere: one of the two is stuck
        return faulty_placement, None
    placed = Placement(found.fit.view.homography(), error, "pattern", margin=found.margin)
    fit = _confirmed(pair.good, board, placed, found.fit.view, how)
    if fit is None:
        return faulty_placement, None
    cover = layout_covariance(fit, board, settings)
    if corner_rms_px(cover) < error:  # the pattern tells which way round the board lies, its own layout where
        placed = Placement(fit.view.homography(), corner_rms_px(cover), "layout", margin=found.margin, covariance=cover)
    return placed, best


def place_by_pattern(
    faulty: Motion, goods: Sequence[Motion], *, names: Sequence[str] = (), settings: PlacementSettings | None = None
) -> Match:
    """Register good recordings to the faulty picture where no millimetres are known.

    Parameters
    ----------
    faulty : Motion
        Its reference picture becomes the board: board units are its pixels.
    goods : sequence of Motion
    names : sequence of str
        What sentences call the good recordings; default good 1, good 2 and so on.
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
    for motion, name in zip(goods, _names(names, goods), strict=True):
        pair = Pair(faulty_scene, make_scene(motion), board, "picture", faulty_view, has_layout=False)
        base = _base(motion, board, "picture", settings)
        starts = [base, *pattern_starts(faulty_scene, pair.good, faulty_view, base, settings=settings)]
        view, margin = _best_of(pair, starts, points, settings)
        fit = refine_pattern(pair, view, settings=settings, levels=levels_for(pair.good.shape))
        error = rms_error_px(fit.view, fit.covariance, points)
        good = Placement(fit.view.homography(), error, "pattern", margin=margin)
        if (margin is not None and margin < settings.vuong_z) or error > settings.distrust_error_px:
            reason = f"{name}: the pattern fits the faulty picture at more than one place; give --board or --size"
            good = replace(good, trusted=False, reason=reason)
            warnings.append(reason)
        matched.append(good)
    return Match(identity, tuple(matched), tuple(warnings))


def frame_board(shape: tuple[int, int]) -> Board:
    """Return the 'board' that is a picture of ``shape`` (rows, columns) itself: its units are pixels."""
    rows, columns = shape
    corners = np.array([[-0.5, -0.5], [columns - 0.5, -0.5], [columns - 0.5, rows - 0.5], [-0.5, rows - 0.5]])
    return Board("the picture itself", corners, outline_is_size_only=True)
