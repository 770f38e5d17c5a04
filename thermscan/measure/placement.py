"""Place the board in the reference picture of a recording: from clicked marks, or from its outline and layout."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.stats import chi2

from thermscan.measure.placement_corners import corner_covariance, corner_rms_px
from thermscan.measure.placement_fit import (
    Fit,
    bare_doubt,
    layout_covariance,
    layout_measure,
    levels_for,
    refine,
    rms_error_px,
    smooth_likelihood,
    without_stripes,
)
from thermscan.measure.placement_marks import MarkFit, corner_names, fit_marks, marks_in_reference
from thermscan.measure.placement_pose import PARAMETERS, View, nominal_view, turned
from thermscan.measure.placement_scene import Scene, make_scene
from thermscan.measure.placement_search import (
    Candidate,
    board_points,
    distance_px,
    find_candidates,
    is_steady,
    settle,
)
from thermscan.measure.placement_tiles import vuong_z
from thermscan.measure.placement_warm import WarmPlaces
from thermscan.model.board import Board
from thermscan.model.camera_events import CameraState
from thermscan.model.pose import Motion, Placement, map_points
from thermscan.model.recording import Mark
from thermscan.model.settings import PlacementSettings

TAKEN_UPRIGHT = (
    "the outline alone does not tell which way round the board lies; it is taken upright, so that places in millimetres"
    " may be turned by half a turn: mark its corners, or list holes or parts in the board file"
)


def _board_centre(board: Board) -> tuple[float, float]:
    x0, y0, x1, y1 = board.box_mm
    return (x0 + x1) / 2, (y0 + y1) / 2


def _layout_error_px(fit: Fit, board: Board, settings: PlacementSettings) -> float:
    """Return the standard error of a mapped point: noise, the model, and what boards may depart from their file."""
    return corner_rms_px(layout_covariance(fit, board, settings))


def _evidence_z(scene: Scene, board: Board, view: View, side: str, settings: PlacementSettings) -> float:
    """Return by which z value the board explains the picture better than a smooth background without any board."""
    clean = without_stripes(scene, board, view, side=side, settings=settings)
    measure = layout_measure(clean, board, side=side, blur_px=settings.optics_blur_px, settings=settings)
    return vuong_z(measure(view).log_likelihood, smooth_likelihood(clean, settings))


def doubted(placement: Placement, motion: Motion, *, settings: PlacementSettings) -> Placement:
    """Take the trust from a placement whose frames were not followed for sure, or not closely enough."""
    doubt, followed_px = motion.doubt, motion.followed_px
    if not doubt and followed_px is not None and followed_px > settings.most_loose_px(motion.reference.shape[1]):
        doubt = f"frames could be followed to {1.96 * followed_px:.1f} px only"
    if not doubt:
        return placement
    return replace(placement, trusted=False, reason="; ".join(filter(None, (placement.reason, doubt))))


def _place_near_marks(
    scene: Scene, board: Board, marks: MarkFit, *, side: str, settings: PlacementSettings
) -> Placement:
    points = board_points(board)
    marks_error = rms_error_px(marks.view, marks.covariance, points)
    fit = refine(
        scene, board, marks.view, side=side, points=marks.points, settings=settings, levels=levels_for(scene.shape)
    )
    notes = " ".join(marks.warnings)
    if _evidence_z(scene, board, fit.view, side, settings) < settings.vuong_z:
        return _marks_only(marks, marks_error, board, notes, settings)
    places = marks.points.points_mm
    gap = map_points(fit.view.homography(), places) - map_points(marks.view.homography(), places)
    drift = float(np.sum((gap / marks.points.sigma_px) ** 2))
    if drift > chi2.ppf(0.999, min(2 * len(places), PARAMETERS)):
        said = f"{notes} the layout of the board fits best away from the marks; the marks were kept".strip()
        kept = _marks_only(marks, marks_error, board, said, settings)
        return replace(kept, trusted=kept.trusted and len(places) >= settings.marks_alone)
    error = min(_layout_error_px(fit, board, settings), marks_error)
    return Placement(
        fit.view.homography(),
        error,
        "layout",
        reason=notes,
        covariance=layout_covariance(fit, board, settings),
        is_marked=True,
    )


def _marks_only(marks: MarkFit, error_px: float, board: Board, notes: str, settings: PlacementSettings) -> Placement:
    """Return the placement that the marks give by themselves."""
    trusted = error_px <= settings.distrust_error_px
    if not trusted:
        notes = f"{notes} the place is only known to {error_px:.1f} px; give more marks".strip()
    cover = corner_covariance(marks.view, marks.covariance, board)
    return Placement(
        marks.view.homography(), error_px, "marks", trusted=trusted, reason=notes, covariance=cover, is_marked=True
    )


def _upright_first(candidates: list[Candidate], board: Board) -> tuple[list[Candidate], bool]:
    """Drop the twins of the best candidate that nothing but the choice of origin tells apart, keep the upright one.

    The second tells whether there were any.
    """
    best = candidates[0]
    points = board_points(board)
    twins = [best]
    for k in (1, 2, 3):
        twin = turned(best.view, k)
        drawn = map_points(twin.homography(), board.outline_mm)
        same = map_points(best.view.homography(), board.outline_mm)
        gaps = np.sqrt(((drawn[:, None] - same[None]) ** 2).sum(axis=2)).min(axis=1)
        if gaps.max() < 2.0:
            twins.append(Candidate(twin, best.fit))
    twins.sort(key=lambda c: -float(c.view.rotation[1, 1] * -1))
    rest = [c for c in candidates if all(distance_px(c.view, t.view, points) > 4.0 for t in twins)]
    return [twins[0], *rest], len(twins) > 1


def _rival_text(best: View, rival: View, board: Board) -> str:
    points = board_points(board)
    for k, degrees in ((2, 180), (1, 90), (3, 90)):
        if distance_px(turned(best, k), rival, points) < 0.1 * distance_px(turned(best, 2), best, points):
            return f"two placements {degrees} degrees apart fit nearly equally well"
    return f"two placements {distance_px(best, rival, points):.0f} px apart fit nearly equally well"


def _rivals(candidates: list[Candidate], settings: PlacementSettings) -> tuple[float | None, list[View]]:
    """Return the least z value of the best start over the others, or over its controls, and who equals it."""
    best, equal = candidates[0], []
    margin = best.lead if len(candidates) == 1 else None
    for rival in candidates[1:]:
        z = vuong_z(best.fit.log_likelihood, rival.fit.log_likelihood)
        margin = z if margin is None else min(margin, z)
        if z < settings.vuong_z:
            equal.append(rival.view)
    return margin, equal


def _against(scene: Scene, board: Board, start: View, found: View, how: tuple[str, PlacementSettings]) -> list[str]:
    """Return what in the picture speaks against a place that was found from a start."""
    side, settings = how
    reasons = []
    if _evidence_z(scene, board, found, side, settings) < settings.vuong_z:
        reasons.append("the board does not stand out in the picture")
    if WarmPlaces(board, scene, settings).share(found) < settings.warm_least:
        reasons.append("places that warm with the power lie beside the board")
    if distance_px(start, found, board_points(board)) > 0.05 * max(scene.shape) + settings.same_place_px:
        reasons.append("the coarse and the fine picture give different places")
    return reasons


def _place_without_marks(scene: Scene, board: Board, *, side: str, settings: PlacementSettings) -> Placement:
    candidates = find_candidates(scene, board, side=side, settings=settings)
    if not candidates:
        view = nominal_view(scene.shape, _board_centre(board), side, settings)
        reason = f"no outline was found in the picture; give marks for the corners at {corner_names(board)}"
        return Placement(view.homography(), float(max(scene.shape)), "outline", trusted=False, reason=reason)
    has_layout = bool(board.parts_on(side) or board.holes)
    note = ""
    if board.outline_is_size_only or not (board.parts or board.holes):  # else a turn gives places to the wrong parts
        candidates, is_open = _upright_first(candidates, board)
        note = TAKEN_UPRIGHT if is_open and not board.outline_is_size_only else ""
    fit, ends = settle(scene, board, candidates[0].view, side=side, settings=settings)
    # Where two starts ended apart the pictures leave the tilt open, more than the curvature at the end tells.
    doubt = 1.0 if len(ends) == 2 else settings.valley_doubt
    error = doubt * _layout_error_px(fit, board, settings)
    plain = error / bare_doubt(board, settings)
    margin, rivals = _rivals(candidates, settings)
    reasons = [_rival_text(candidates[0].view, r, board) for r in rivals[:1]]
    reasons += _against(scene, board, candidates[0].view, fit.view, (side, settings))
    if plain > settings.unmarked_error_px:
        reasons.append(f"the outline is only known to {error:.1f} px")
    if not reasons and not is_steady(ends, board, plain, settings):
        reasons.append("the fit ends elsewhere from another start")
    lead = candidates[0].lead
    if len(reasons) > 1 or lead is None or lead < settings.control_z:
        rivals = []
    if reasons:
        reasons.append(f"give marks for the corners at {corner_names(board)}")
    method = "layout" if has_layout else "outline"
    return Placement(
        fit.view.homography(),
        error,
        method,
        trusted=not reasons,
        reason="; ".join(reasons) or note,
        margin=margin,
        covariance=doubt**2 * layout_covariance(fit, board, settings),
        rivals=tuple(r.homography() for r in rivals),
    )


def place_board(
    motion: Motion,
    board: Board,
    *,
    marks: Sequence[Mark] = (),
    side: str = "top",
    camera: CameraState | None = None,
    settings: PlacementSettings | None = None,
) -> Placement:
    """Place the board in the reference picture of a stabilised recording.

    Parameters
    ----------
    motion : Motion
        Its reference picture and what warms are fitted; marks are carried over from the first frame.
    board : Board
        Outline against the bench, bodies and holes are fitted, brightness of each free.
    marks : sequence of Mark
        Two or more known places (four or more advised), good to a pixel or three; none: the outline is searched.
    side : {'top', 'bottom'}
        The side that the picture shows; an underside appears mirrored.
    camera : CameraState or None
        Its bad pixels are left out.
    settings : PlacementSettings or None

    Returns
    -------
    Placement
        ``margin`` is the z value of the test between the best start and the next (Vuong 1989), None with marks.

    Notes
    -----
    The fit maximises the probability of the pictures (see ``placement_tiles``) times a prior at the marks; it can
    leave the marks only as far as the pictures have evidence. Without marks every start that the outline allows
    is refined and compared on the same pixels; if the best does not stand out it is returned untrusted with the
    marks that would settle it. Not valid where the board is bent, or lies behind something that hides its edges.
    """
    settings = settings or PlacementSettings()
    if not motion.is_tripod:
        blur = float(np.hypot(settings.optics_blur_px, settings.stabilising_blur_px))
        settings = replace(settings, optics_blur_px=blur)
    scene = make_scene(motion)
    if camera is not None and camera.bad.shape == scene.valid.shape:
        scene = replace(scene, valid=scene.valid & ~camera.bad)
    if len(marks) < 2:
        return _place_without_marks(scene, board, side=side, settings=settings)
    base = nominal_view(scene.shape, _board_centre(board), side, settings)
    points_mm, points_px = marks_in_reference(marks, motion)
    fitted = fit_marks(base, points_mm, points_px, settings=settings, width_px=max(scene.shape))
    spread = float(np.linalg.norm(points_mm - points_mm.mean(axis=0), axis=1).max())
    loose = spread < settings.weak_marks_share * max(np.ptp(board.outline_mm, axis=0))
    if loose or rms_error_px(fitted.view, fitted.covariance, board_points(board)) > settings.weak_marks_px:
        # Marks on one spot or one line leave the board free to swing: the outline says more than they do.
        placed = _place_without_marks(scene, board, side=side, settings=settings)
        said = "the marks are too few or too close together to place the board by; its outline was searched"
        return replace(placed, reason="; ".join(filter(None, (said, placed.reason))))
    placed = _place_near_marks(scene, board, fitted, side=side, settings=settings)
    misfit = float(np.sum(fitted.points.residual(fitted.view) ** 2))
    from_behind = fitted.view.rotation[2, 2] * fitted.view.toward > 0
    if from_behind or misfit > chi2.ppf(0.9999, 2 * len(fitted.points.points_mm)):
        said = f"the marks do not fit a board seen from the {side}; check which place was clicked, and the side"
        return replace(placed, trusted=False, reason=" ".join(filter(None, (said, placed.reason))))
    return placed
