"""Search for the board without clicks: of starts from coarse pictures, the one that the layout bears out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from thermscan.measure.placement_control import Controls
from thermscan.measure.placement_fit import (
    Fit,
    Measure,
    fit_view,
    layout_measure,
    levels_for,
    refine,
    smooth_likelihood,
)
from thermscan.measure.placement_pose import PARAMETERS, View, turned
from thermscan.measure.placement_scene import Scene, shrink_scene, shrink_view, softened
from thermscan.measure.placement_start import Start, find_starts
from thermscan.measure.placement_tiles import vuong_z
from thermscan.measure.placement_warm import START_SLACK, WarmPlaces
from thermscan.model.board import Board
from thermscan.model.pose import map_points
from thermscan.model.settings import PlacementSettings


@dataclass(frozen=True)
class Candidate:
    """A refined candidate.

    ``view`` is in full-size pixels, ``fit`` at the resolution where candidates are compared; ``lead`` is the z value by
    which it beats its controls, None where the board has too few bodies for that or lies partly beside the picture.
    """

    view: View
    fit: Fit
    lead: float | None = None


def distance_px(a: View, b: View, points_mm: np.ndarray) -> float:
    """Return the root mean square distance between where two views put board points, px."""
    gap = map_points(a.homography(), points_mm) - map_points(b.homography(), points_mm)
    return float(np.sqrt(np.mean(np.sum(gap**2, axis=1))))


def _distinct(starts: Sequence[Start], points: np.ndarray, gap_px: float, most: int) -> list[Start]:
    kept: list[Start] = []
    for start in starts:
        if all(distance_px(start.view, other.view, points) > gap_px for other in kept):
            kept.append(start)
        if len(kept) == most:
            break
    return kept


def board_points(board: Board) -> np.ndarray:
    """Return a 5 x 5 grid over the bounding box of the outline, ndarray (25, 2), mm."""
    x0, y0, x1, y1 = board.box_mm
    x, y = np.meshgrid(np.linspace(x0, x1, 5), np.linspace(y0, y1, 5))
    return np.column_stack([x.ravel(), y.ravel()])


def _keep_best(found: list[Candidate], points: np.ndarray, gap_px: float, most: int) -> list[Candidate]:
    return _distinct_candidates(sorted(found, key=lambda c: -float(c.fit.log_likelihood.sum())), points, gap_px, most)


def _distinct_candidates(found: list[Candidate], points: np.ndarray, gap_px: float, most: int) -> list[Candidate]:
    """Return the first of candidates that lie apart, in their order."""
    kept: list[Candidate] = []
    for candidate in found:
        if all(distance_px(candidate.view, other.view, points) > gap_px for other in kept):
            kept.append(candidate)
        if len(kept) == most:
            break
    return kept


def _refine_all(
    measure: Measure,
    views: Sequence[View],
    factor: int,
    shape: tuple[int, int],
    settings: PlacementSettings,
    rounds: int,
) -> list[Candidate]:
    out = []
    for view in views:
        fit = fit_view(
            measure,
            shrink_view(view, factor),
            points=None,
            settings=settings,
            width_px=max(shape),
            rounds=rounds,
            close=0.3,
        )
        out.append(Candidate(shrink_view(fit.view, 1 / factor), fit))
    return out


class Judge:
    """A picture on which places are told apart, finer than the one that is searched."""

    def __init__(self, scene: Scene, board: Board, *, side: str, settings: PlacementSettings) -> None:
        self.full, self.settings, self.points = scene, settings, board_points(board)
        self.factor = max(1, round(max(scene.shape) / settings.judged_px))
        self.small, self.measure = _at_size(scene, board, self.factor, side=side, settings=settings)
        self.smooth = float(smooth_likelihood(self.small, settings).sum())
        self.warm = WarmPlaces(board, scene, settings)
        self.controls = None
        if len(board.parts_on(side)) >= settings.control_parts:
            blur = _seen_blur(self.factor, settings)
            self.controls = Controls(self.small, board, self.measure, side=side, blur_px=blur, settings=settings)

    def refined(self, views: Sequence[View], rounds: int) -> list[Candidate]:
        """Return the views some steps on, those that cover what warms."""
        found = _refine_all(self.measure, views, self.factor, self.small.shape, self.settings, rounds)
        return self.warm.covering(found, [c.view for c in found])

    def seen(self, candidate: Candidate) -> float:
        """Return the share of the board that lies in the picture."""
        return _seen_share(candidate.view, self.points, self.full.shape)

    def likeliest(self, found: Sequence[Candidate]) -> list[Candidate]:
        """Return those that explain most, the best first."""
        # A board that lies half beside the picture has many bodies for what few tiles show: nothing contradicts it.
        seen = [self.seen(c) for c in found]
        gains = [
            s * max(float(c.fit.log_likelihood.sum()) - self.smooth, 0.0) for c, s in zip(found, seen, strict=True)
        ]
        return [found[i] for i in np.argsort(gains)[::-1] if seen[i] > self.settings.seen_share]

    def distinct(self, found: list[Candidate], most: int) -> list[Candidate]:
        """Return the first of those that lie apart, in their order."""
        return _distinct_candidates(found, self.points, self.settings.same_place_px * self.factor, most)

    def best_of_spot(self, leading: list[Candidate]) -> list[Candidate]:
        """Return the same, what explains most of those that cover the first one's spot before it.

        Leads tell a board from things beside it. Of placements on the same tiles, a board that is stretched over a few
        pixels too many say, all beat their copies, and which is right is told by what they explain themselves.
        """
        spot = [c for c in leading if self.cover_alike(c.view, leading[0].view)]
        first = self.likeliest(spot)
        return [*first, *(c for c in leading if not any(c is f for f in first))]

    def cover_alike(self, a: View, b: View) -> bool:
        """Tell whether two views put the board on nearly the same spot, whichever way round."""
        low, high = self.points.min(axis=0), self.points.max(axis=0)
        slack = self.settings.same_spot * (high - low)
        for one, other in ((a, b), (b, a)):
            there = map_points(np.linalg.inv(other.homography()) @ one.homography(), self.points)
            if np.any((there < low - slack) | (there > high + slack)):
                return False
        return True

    def led(self, found: Sequence[Candidate], rounds: int) -> list[Candidate]:
        """Return the same with their leads over controls, where bodies are many and the board lies in the picture."""
        if self.controls is None:
            return list(found)
        whole = self.settings.whole_share
        return [
            replace(c, lead=self.controls.lead(shrink_view(c.view, self.factor), c.fit, rounds))
            if self.seen(c) > whole
            else c
            for c in found
        ]


def _told_apart(
    scene: Scene, board: Board, views: Sequence[View], *, side: str, settings: PlacementSettings
) -> list[Candidate]:
    """Return views refined on a finer picture, the most likely first, those that end at one place once."""
    judge = Judge(scene, board, side=side, settings=settings)
    # Coarse pictures rank poorly: many take their first steps here, and only the best of those go on.
    rough = judge.distinct(judge.likeliest(judge.refined(views, 2)), settings.search_passed)
    chosen = _leading(judge.led(rough, 0), settings)[: settings.search_kept]
    some = judge.distinct([*chosen, *rough], settings.search_kept + (settings.search_leading if chosen else 0))
    found = judge.led(judge.refined([c.view for c in some], settings.search_rounds), 2)
    leading = judge.best_of_spot(_leading(found, settings))
    if any(c.lead >= settings.settled_z for c in leading):
        # what stands out no more than its own controls explains nothing
        found = [c for c in found if c.lead is None or c.lead >= settings.rival_z]
    return judge.distinct([*leading, *judge.likeliest(found)], settings.search_kept)


def is_better(scene: Scene, board: Board, view: View, rival: View, how: tuple[str, PlacementSettings]) -> bool:
    """Tell whether a view explains a scene for sure better than another does, each some steps on.

    ``how`` is the side shown and the settings. A rival that ends where the view does is none.
    """
    side, settings = how
    judge = Judge(softened(scene, settings.search_knee), board, side=side, settings=settings)
    small, rounds = judge.small.shape, settings.search_rounds
    one, other = _refine_all(judge.measure, [view, rival], judge.factor, small, settings, rounds)
    if distance_px(one.view, other.view, judge.points) <= settings.same_place_px * judge.factor:
        return True
    if judge.seen(other) <= settings.seen_share:
        return True  # it would lie beside this picture, which shows the board
    return vuong_z(one.fit.log_likelihood, other.fit.log_likelihood) >= settings.vuong_z


def _leading(found: Sequence[Candidate], settings: PlacementSettings) -> list[Candidate]:
    """Return those that stand out of their controls, the clearest first."""
    clear = [c for c in found if c.lead is not None and c.lead >= settings.control_z]
    return sorted(clear, key=lambda c: -c.lead)


def _seen_blur(factor: int, settings: PlacementSettings) -> float:
    """Return the blur of optics and of the shrinking in a picture some times smaller, px of it."""
    return float(np.hypot(settings.optics_blur_px, 0.5 * factor)) / factor


def _at_size(
    scene: Scene, board: Board, factor: int, *, side: str, settings: PlacementSettings
) -> tuple[Scene, Measure]:
    """Return a scene some times smaller, and the function that measures a view of it by the board's layout."""
    small = shrink_scene(scene, factor, 0.5 * factor)
    measure = layout_measure(small, board, side=side, blur_px=_seen_blur(factor, settings), settings=settings)
    return small, measure


def find_candidates(scene: Scene, board: Board, *, side: str, settings: PlacementSettings) -> list[Candidate]:
    """Return distinct placements found without clicks, the most likely first.

    Parameters
    ----------
    scene : Scene
    board : Board
    side : {'top', 'bottom'}
    settings : PlacementSettings

    Returns
    -------
    list of Candidate
        All compared on the same pixels of the same pictures; half turns (and quarter turns of nearly square
        boards) of each are among them.

    Notes
    -----
    Strong contrast is compressed first. Starts are refined with the whole layout at once: an outline fitted alone takes
    rows of parts for edges of the board and leaves good starts. Coarse pictures choose the few that finer
    ones then tell apart; their tiles are small against the board, so that a hot part spoils the evidence of its own
    neighbourhood only.
    """
    points, scene = board_points(board), softened(scene, settings.search_knee)
    factor = max(1, round(max(scene.shape) / settings.search_px))
    gap = 2.0 * factor
    starts = find_starts(scene, board, side=side, settings=settings)
    warm = WarmPlaces(board, scene, settings)
    starts = warm.covering(starts, [s.view for s in starts], slack=START_SLACK)
    starts = _distinct(
        starts,
        points,
        gap,
        settings.search_starts + settings.search_more,
    )
    first, more = starts[: settings.search_starts], starts[settings.search_starts :]
    judged = _tried(scene, board, first, (), side=side, settings=settings)
    has_layout = bool(board.parts_on(side) or board.holes)  # turns of a bare outline cannot be told apart anyway
    if more and has_layout and not _is_settled(judged, settings):
        judged = _tried(scene, board, more, judged, side=side, settings=settings)
    return judged


def _is_settled(found: list[Candidate], settings: PlacementSettings) -> bool:
    """Tell whether the first of several candidates stands out."""
    rivals = [c.fit.log_likelihood for c in found[1:]]
    return bool(rivals) and min(vuong_z(found[0].fit.log_likelihood, r) for r in rivals) >= settings.vuong_z


def _tried(
    scene: Scene,
    board: Board,
    starts: Sequence[Start],
    known: Sequence[Candidate],
    *,
    side: str,
    settings: PlacementSettings,
) -> list[Candidate]:
    """Return the best of starts and of candidates already known, told apart, the most likely first."""
    points = board_points(board)
    factor = max(1, round(max(scene.shape) / settings.search_px))
    gap = 2.0 * factor
    tiled = replace(settings, tile_px=settings.search_tile_px)
    small, measure = _at_size(scene, board, factor, side=side, settings=tiled)
    x0, y0, x1, y1 = board.box_mm
    nearly_square = max(x1 - x0, y1 - y0) < settings.square_aspect * min(x1 - x0, y1 - y0)
    quarters = (0, 1, 2, 3) if nearly_square else (0, 2)
    views = [turned(s.view, k) for s in starts for k in quarters]
    # The starts whose lines agree best go on whatever the layout says in the coarse picture.
    direct = views[: settings.search_direct * len(quarters)]
    straight = _refine_all(measure, direct, factor, small.shape, tiled, 3 * settings.search_rounds)
    # Every start takes its first steps; only those that are then the better half go on.
    rough = _refine_all(measure, views, factor, small.shape, tiled, 2)
    rough = _keep_best(rough, points, gap / 4, max(settings.search_passed, len(rough) // 2))
    views = [c.view for c in (*known, *rough)]
    found = _refine_all(measure, views, factor, small.shape, tiled, settings.search_rounds)
    found = [c for c in found if _seen_share(c.view, points, scene.shape) > settings.seen_share]
    found = _keep_best(found, points, gap, settings.search_passed)
    return _told_apart(scene, board, [c.view for c in (*found, *straight)], side=side, settings=settings)


def _seen_share(view: View, points_mm: np.ndarray, shape: tuple[int, int]) -> float:
    """Return the share of board points that lie in the picture."""
    x, y = map_points(view.homography(), points_mm).T
    return float(np.mean((x > -0.5) & (y > -0.5) & (x < shape[1] - 0.5) & (y < shape[0] - 0.5)))


def settle(
    scene: Scene, board: Board, start: View, *, side: str, settings: PlacementSettings
) -> tuple[Fit, tuple[Fit, ...]]:
    """Fit the layout in full pictures from a start and its neighbours; return the likeliest end and all ends.

    A tilt and a focal length that make up for each other leave a long valley in which a climb may stop beside the
    truth. The start and the same without its tilt are tried; where they end apart, starts tilted each way are, too.

    Parameters
    ----------
    scene : Scene
    board : Board
    start : View
    side : {'top', 'bottom'}
    settings : PlacementSettings

    Returns
    -------
    tuple of (Fit, tuple of Fit)
        The second starts with the first.
    """
    levels, points = levels_for(scene.shape), board_points(board)

    def climb(view: View) -> Fit:
        return refine(scene, board, view, side=side, points=None, settings=settings, levels=levels)

    flat = start.straightened()
    ends = [climb(start), climb(flat)]
    if distance_px(ends[0].view, ends[1].view, points) > settings.agree_px:
        tilt = np.radians(settings.tried_tilt_deg)
        for about_x, about_y in ((tilt, 0.0), (-tilt, 0.0), (0.0, tilt), (0.0, -tilt)):
            ends.append(climb(flat.moved(np.array([about_x, about_y, *np.zeros(PARAMETERS - 2)]))))
    ends.sort(key=lambda fit: -float(fit.log_likelihood.sum()))
    return ends[0], tuple(ends)


def is_steady(ends: Sequence[Fit], board: Board, error_px: float, settings: PlacementSettings) -> bool:
    """Tell whether the likeliest of several ends is reached from other starts as well: one of one, two of more.

    All saw the same pictures, so they should agree within one error. One that is stuck beside the truth seldom is
    reached twice.
    """
    points, near = board_points(board), error_px + settings.agree_px
    reached = sum(distance_px(ends[0].view, other.view, points) <= near for other in ends[1:])
    return reached >= min(len(ends) - 1, 2)
