"""Search for the board without clicks: starts from the edges of coarse pictures, then the layout to choose."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import zip_longest

import numpy as np
from scipy import fft

from thermscan.measure.placement_fit import (
    Fit,
    Measure,
    fit_view,
    layout_measure,
    levels_for,
    refine,
    smooth_likelihood,
)
from thermscan.measure.placement_pose import PARAMETERS, View, nominal_view, view_from_similarity
from thermscan.measure.placement_scene import Scene, shrink_scene, shrink_view, softened
from thermscan.model.board import Board
from thermscan.model.pose import map_points
from thermscan.model.settings import PlacementSettings

_LEAST_BODY_PX = 1.5  # width from which a body has edges in the picture that is searched
_HOLE_CORNERS = 12


@dataclass(frozen=True)
class Start:
    """A coarse candidate: how well its lines agree with the edges, and its view in full-size pixels."""

    score: float
    view: View


@dataclass(frozen=True)
class Candidate:
    """A refined candidate: view in full-size pixels, and its fit at the resolution where candidates are compared."""

    view: View
    fit: Fit


def edge_tensor(scene: Scene) -> np.ndarray:
    """Return edge direction by doubled angle, ndarray (2, rows, columns), strength 0 to 1, summed over channels.

    Doubling the angle makes a bright-to-dark edge equal to a dark-to-bright one. Strength saturates at a few
    times the usual gradient of the channel, so one hot part does not outweigh a faint outline.
    """
    total = np.zeros((2, *scene.shape))
    for channel in scene.channels:
        gy, gx = np.gradient(channel)
        power = gx**2 + gy**2
        usual = 2.0 * float(np.median(power[scene.valid])) + 1e-12 if scene.valid.any() else 1.0
        share = scene.valid / (power + usual)
        total += np.array([(gx**2 - gy**2) * share, 2 * gx * gy * share])
    return total / len(scene.channels)


def _edge_samples(corners_mm: np.ndarray, centre_mm: np.ndarray, spacing_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """Return points along a closed line relative to the board centre (y down) and the doubled angle of its normals."""
    local = (corners_mm - centre_mm) * [1.0, -1.0]
    points, angles = [], []
    for a, b in zip(local, np.roll(local, -1, axis=0), strict=True):
        count = max(1, round(float(np.hypot(*(b - a))) / spacing_mm))
        t = (np.arange(count) + 0.5) / count
        points.append(a + t[:, None] * (b - a))
        angles.append(np.full(count, 2 * (np.arctan2(b[1] - a[1], b[0] - a[0]) + np.pi / 2)))
    return np.vstack(points), np.concatenate(angles)


def _layout_samples(
    board: Board, side: str, centre_mm: np.ndarray, scale: float
) -> tuple[np.ndarray, np.ndarray] | None:
    """Return the same along the bodies and holes that are large enough at ``scale`` px/mm; None where none is."""
    least = _LEAST_BODY_PX / scale
    shapes = [p.corners_mm() for p in board.parts_on(side) if min(p.w, p.h) >= least]
    turn = np.linspace(0.0, 2 * np.pi, _HOLE_CORNERS, endpoint=False)
    round_one = np.column_stack([np.cos(turn), np.sin(turn)]) / 2
    shapes += [np.array([h.x, h.y]) + h.d * round_one for h in board.holes if h.d >= least]
    if not shapes:
        return None
    points, angles = zip(*(_edge_samples(s, centre_mm, 0.7 / scale) for s in shapes), strict=True)
    return np.vstack(points), np.concatenate(angles)


def _splat(points: np.ndarray, weights: np.ndarray, size: tuple[int, int]) -> np.ndarray:
    """Spread weighted points over the four nearest cells of a wrapped grid, ndarray (kinds, rows, columns)."""
    base = np.floor(points).astype(int)
    part = points - base
    out = np.zeros((len(weights), size[0] * size[1]))
    for dx in (0, 1):
        for dy in (0, 1):
            share = (part[:, 0] if dx else 1 - part[:, 0]) * (part[:, 1] if dy else 1 - part[:, 1])
            cell = (base[:, 1] + dy) % size[0] * size[1] + (base[:, 0] + dx) % size[1]
            for kind, weight in enumerate(weights):
                out[kind] += np.bincount(cell, weight * share, minlength=out.shape[1])
    return out.reshape(len(weights), *size)


def is_half_turn_symmetric(board: Board) -> bool:
    """Tell whether the outline turned by 180 degrees about its middle covers itself (to 1 % of its size)."""
    x0, y0, x1, y1 = board.box_mm
    other = np.array([x0 + x1, y0 + y1]) - board.outline_mm
    gaps = np.sqrt(((other[:, None] - board.outline_mm[None]) ** 2).sum(axis=2)).min(axis=1)
    return bool(gaps.max() < 0.01 * max(x1 - x0, y1 - y0))


def _scales(board: Board, shape: tuple[int, int], settings: PlacementSettings) -> np.ndarray:
    """Return scales from the smallest board worth measuring to one that overfills the frame, px/mm."""
    x0, y0, x1, y1 = board.box_mm
    longer, shorter = max(x1 - x0, y1 - y0), min(x1 - x0, y1 - y0)
    low = settings.smallest_share * min(shape) / longer
    high = settings.largest_share * max(max(shape) / longer, min(shape) / shorter)
    count = max(2, int(np.ceil(np.log(high / low) / settings.scale_step)) + 1)
    return np.geomspace(low, high, count)


def _peaks(score: np.ndarray, most: int) -> list[tuple[float, int, int]]:
    found = []
    work = score.copy()
    for _ in range(most):
        row, column = np.unravel_index(int(np.argmax(work)), work.shape)
        if not np.isfinite(work[row, column]):
            break
        found.append((float(work[row, column]), int(row), int(column)))
        work[max(row - 2, 0) : row + 3, max(column - 2, 0) : column + 3] = -np.inf
    return found


def find_starts(scene: Scene, board: Board, *, side: str, settings: PlacementSettings) -> list[Start]:
    """Return placements whose outline, or whose whole layout, lies on edges: the best of each, two to one.

    Parameters
    ----------
    scene : Scene
        Full size.
    board : Board
    side : {'top', 'bottom'}
    settings : PlacementSettings

    Returns
    -------
    list of Start
        At most a few hundred, straight from above; tilt is left to refinement.

    Notes
    -----
    Correlates the doubled-angle edge picture with the outline for every turn and scale by fast Fourier transform, and
    with outline, bodies and holes together: connectors that lean over the outline hide it, and parts that stay as cold
    as their board show nothing, so neither finds every board alone. Places where part of the outline leaves the frame
    are scored by the part that is seen.
    """
    factor = max(1, round(max(scene.shape) / settings.search_px))
    edges = _Edges(shrink_scene(scene, factor, 0.35 * factor if factor > 1 else 0.4))
    x0, y0, x1, y1 = board.box_mm
    centre = np.array([(x0 + x1) / 2, (y0 + y1) / 2])
    base = nominal_view(scene.shape, (centre[0], centre[1]), side, settings)
    mirror = np.array([1.0, 1.0]) if side == "top" else np.array([-1.0, 1.0])
    by_outline: list[Start] = []
    by_layout: list[Start] = []
    whole = 180.0 if is_half_turn_symmetric(board) else 360.0
    for scale in _scales(board, edges.shape, settings):
        outline = _edge_samples(board.outline_mm, centre, 0.7 / scale)
        layout = _layout_samples(board, side, centre, scale)
        for degrees in np.arange(0, 360.0, settings.turn_step_deg):
            turn = float(np.radians(degrees))
            pose = scale * mirror, mirror[0], turn
            if layout is None and degrees >= whole:
                break
            plain = edges.agreement(*_posed(outline, *pose))
            seen = edges.seen(_posed(outline, *pose)[0])
            size = np.sqrt(np.maximum(seen, 0.2))
            scores = [(by_outline, plain)] if degrees < whole else []
            if layout is not None:
                both = plain + settings.layout_weight * edges.agreement(*_posed(layout, *pose))
                scores.append((by_layout, both))
            for found, values in scores:
                score = np.where(seen > settings.seen_share, values / size, -np.inf)
                for value, row, column in _peaks(score, 2):
                    place = (np.array([column, row]) + 0.5) * factor - 0.5
                    view = view_from_similarity(base, scale=scale * factor, angle_rad=turn, centre_px=place)
                    found.append(Start(value, view))
    by_layout.sort(key=lambda s: -s.score)
    by_outline.sort(key=lambda s: -s.score)
    three = zip_longest(by_layout, by_outline[::2], by_outline[1::2])
    return [s for each in three for s in each if s is not None]


def _posed(
    samples: tuple[np.ndarray, np.ndarray], scale: np.ndarray, handed: float, turn: float
) -> tuple[np.ndarray, np.ndarray]:
    """Return samples of a line scaled (mirrored where ``handed`` is -1) and turned: points, doubled angles."""
    points, doubled = samples
    spin = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    return scale * points @ spin.T, handed * doubled + 2 * turn


class _Edges:
    """The edges of a small picture, to be correlated with many templates."""

    def __init__(self, scene: Scene) -> None:
        self.shape = scene.shape
        rows, columns = scene.shape
        self.size = (fft.next_fast_len(2 * rows, real=True), fft.next_fast_len(2 * columns, real=True))
        self.edges = fft.rfft2(edge_tensor(scene), self.size)
        self.valid = fft.rfft2(scene.valid.astype(float), self.size)

    def agreement(self, points: np.ndarray, doubled: np.ndarray) -> np.ndarray:
        """Return the mean agreement of edges with a line put at every pixel, ndarray (rows, columns), -1 to 1."""
        weights = np.array([np.cos(doubled), np.sin(doubled)]) / len(doubled)
        template = fft.rfft2(_splat(points, weights, self.size))
        return self._cut((np.conj(template) * self.edges).sum(axis=0))

    def seen(self, points: np.ndarray) -> np.ndarray:
        """Return the share of a line put at every pixel that lies on valid pixels, ndarray (rows, columns)."""
        template = fft.rfft2(_splat(points, np.full((1, len(points)), 1 / len(points)), self.size)[0])
        return self._cut(np.conj(template) * self.valid)

    def _cut(self, spectrum: np.ndarray) -> np.ndarray:
        return fft.irfft2(spectrum, self.size)[: self.shape[0], : self.shape[1]]


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


def turned(view: View, quarter_turns: int) -> View:
    """Return the view of the same board turned about its centre by quarter turns in its own plane."""
    c, s = [(1, 0), (0, 1), (-1, 0), (0, -1)][quarter_turns % 4]
    return replace(view, rotation=view.rotation @ np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]]))


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


def _told_apart(
    scene: Scene, board: Board, found: list[Candidate], *, side: str, settings: PlacementSettings
) -> list[Candidate]:
    """Return candidates refined on a finer picture, the most likely first, those that end at one place once."""
    factor = max(1, round(max(scene.shape) / settings.judged_px))
    small, measure = _at_size(scene, board, factor, side=side, settings=settings)
    points, gap = board_points(board), settings.same_place_px * factor
    # Coarse pictures rank poorly: many take their first steps here, and only the best of those go on.
    rough = _refine_all(measure, [c.view for c in found], factor, small.shape, settings, 2)
    smooth = float(smooth_likelihood(small, settings).sum())

    def best(fits: list[Candidate]) -> list[Candidate]:
        # A board that lies half beside the picture has many bodies for what few tiles show: nothing contradicts it.
        seen = [_seen_share(c.view, points, scene.shape) for c in fits]
        gains = [s * max(float(c.fit.log_likelihood.sum()) - smooth, 0.0) for c, s in zip(fits, seen, strict=True)]
        order = [i for i in np.argsort(gains)[::-1] if seen[i] > settings.seen_share]
        return _distinct_candidates([fits[i] for i in order], points, gap, settings.search_kept)

    views = [c.view for c in best(rough)]
    return best(_refine_all(measure, views, factor, small.shape, settings, settings.search_rounds))


def _at_size(
    scene: Scene, board: Board, factor: int, *, side: str, settings: PlacementSettings
) -> tuple[Scene, Measure]:
    """Return a scene some times smaller, and the function that measures a view of it by the board's layout."""
    small = shrink_scene(scene, factor, 0.5 * factor)
    blur = float(np.hypot(settings.optics_blur_px, 0.5 * factor)) / factor
    return small, layout_measure(small, board, side=side, blur_px=blur, settings=settings)


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
    starts = _distinct(
        find_starts(scene, board, side=side, settings=settings),
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
    # Every start takes its first steps; only those that are then the better half go on.
    rough = _refine_all(measure, views, factor, small.shape, tiled, 2)
    rough = _keep_best(rough, points, gap / 4, max(settings.search_passed, len(rough) // 2))
    views = [c.view for c in (*known, *rough)]
    found = _refine_all(measure, views, factor, small.shape, tiled, settings.search_rounds)
    found = [c for c in found if _seen_share(c.view, points, scene.shape) > settings.seen_share]
    found = _keep_best(found, points, gap, settings.search_passed)
    return _told_apart(scene, board, found, side=side, settings=settings)


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


def vuong_z(best: np.ndarray, rival: np.ndarray) -> float:
    """Return the z value of the test that one set of log-likelihoods beats another on the same blocks.

    Parameters
    ----------
    best, rival : ndarray of the same shape
        Log-likelihood a block.

    Returns
    -------
    float
        Mean difference over its standard error (Vuong, Econometrica 1989, for models that do not contain each
        other); blocks are taken as independent. The standard error of few blocks is itself uncertain: the ratio is
        Student's and is returned as the normal value that is as rare (Wallace's approximation, 1959, from memory).
    """
    gap = (best - rival).ravel()
    if gap.size < 2:
        return 0.0
    ratio = float(gap.sum() / np.sqrt(gap.size * gap.var(ddof=1) + 1e-12))
    free = gap.size - 1
    size = (8 * free + 1) / (8 * free + 3) * np.sqrt(free * np.log1p(ratio**2 / free))
    return float(np.copysign(size, ratio))
