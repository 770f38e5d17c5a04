"""Places where heat may be made and the ways in which it may reach the camera."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from thermscan.find.source_search import LinearFit, gains, sweep
from thermscan.find.source_template import TOP_LAGS, Option, Place, TemplateMaker, packages_of
from thermscan.model.board import Board, Part
from thermscan.model.quantity import Measured

NO_SOURCE_KINDS = ("shield", "heatsink")  # they carry heat but make none
POWER_SCALES_W = (0.05, 0.5, 5.0)  # prior standard deviations of a source: faults make 20 mW to 5 W
WIDE_STEPS = (-1.8, -0.9, 0.0, 0.9, 1.8)  # places on the normal curve of log conductance that are tried
NARROW_STEPS = (-1.2, 0.0, 1.2)
# Share of copper in inner planes, and what vias do to the conduction through the board; the last one stands for the
# many vias under a power part; judgement.
STRUCTURES = ((0.0, 1.0), (1.0, 1.0), (0.5, 2.5), (0.5, 8.0))
# Share of sources inside a part, in the board under it, or on the other face behind it; judgement.
DEPTH_SHARES = {"surface": 0.8, "under_part": 0.1, "far_side": 0.1}


@dataclass(frozen=True)
class Candidate:
    """A place with options that share plate and depth, and their templates, ndarray (options, samples), K/W."""

    place: Place
    options: tuple[Option, ...]
    templates: np.ndarray


def sources_of(board: Board) -> tuple[Part, ...]:
    """Return the fitted parts that may make heat, both sides."""
    return tuple(p for p in board.parts if p.fitted and p.kind not in NO_SOURCE_KINDS)


def plate_options(conductance: Measured) -> tuple[Option, ...]:
    """Return the plates to be tried: conductances over the (log-normal) interval, copper outside or inside.

    A wide interval is met with five conductances, a narrow one with three.
    """
    sigma = np.log(conductance.high / conductance.low) / (2 * 1.96)
    centre = np.sqrt(conductance.low * conductance.high)
    steps = WIDE_STEPS if sigma > 0.5 else NARROW_STEPS
    return tuple(
        Option(float(centre * np.exp(s * sigma)), share, through, log_prior=float(-0.5 * s**2))
        for s in steps
        for share, through in STRUCTURES
    )


def part_options(
    maker: TemplateMaker, part: Part, plate: Option, *, lags: tuple[float, ...] = TOP_LAGS
) -> list[tuple[Option, ...]]:
    """Return the ways in which a part may heat in one plate, grouped by the face that is heated."""
    packages = packages_of(part, maker.settings, lags=lags)
    base = plate.log_prior - np.log(len(packages))

    def with_packages(depth: str, share: float) -> tuple[Option, ...]:
        return tuple(replace(plate, depth=depth, package=p, log_prior=base + np.log(share)) for p in packages)

    if part.side != maker.side:
        return [with_packages("far_side", 1.0)]
    far = replace(plate, depth="far_side", log_prior=plate.log_prior + np.log(DEPTH_SHARES["far_side"]))
    near = with_packages("surface", DEPTH_SHARES["surface"])
    if min(part.w, part.h) >= maker.settings.hiding_mm:
        still = tuple(p for p in packages if not p.top_lag_s)
        share = plate.log_prior + np.log(DEPTH_SHARES["under_part"] / len(still))
        near += tuple(replace(plate, depth="under_part", package=p, log_prior=share) for p in still)
    return [near, (far,)]


def free_options(plate: Option) -> list[tuple[Option, ...]]:
    """Return the ways in which a free spot may heat in one plate."""
    return [
        (replace(plate, log_prior=plate.log_prior + np.log(0.8)),),
        (replace(plate, depth="far_side", log_prior=plate.log_prior + np.log(0.2)),),
    ]


def make_candidate(maker: TemplateMaker, place: Place, options: tuple[Option, ...]) -> Candidate:
    """Return a place with the templates of its options."""
    return Candidate(place, options, maker.data.samples(maker.templates(place, options)))


def free_place(
    maker: TemplateMaker, fit: LinearFit, plate: Option, *, depth: str = "surface", taken: tuple[Place, ...] = ()
) -> tuple[Place, float]:
    """Return the free spot that explains most of what is left, with its log Bayes factor.

    The template of the board's middle is slid over the grid (edges are met only approximately), the best spot is
    moved to where the pull is strongest, then judged with its own template.
    """
    data, board = maker.data, maker.board
    x0, y0, x1, y1 = board.box_mm
    option = replace(plate, depth=depth)
    cut = centred(data.grid, maker.templates(Place((x0 + x1) / 2, (y0 + y1) / 2), (option,), bare=True)[0], board)
    b, g = sweep(data.picture(fit.residual), data.picture(fit.weight), cut)
    score = np.where(b > 0, gains(b, g, POWER_SCALES_W), -np.inf)
    points = data.grid.points_mm()
    score[~board.inside(points[..., 0], points[..., 1])] = -np.inf
    margin = maker.settings.own_reach_share * spread_mm(maker, float(data.edges_s[-1])) + 2 * data.blur_mm
    for other in taken:
        score[within(other, points, margin_mm=margin)] = -np.inf
    if not np.isfinite(score).any():
        return Place(x0, y0), -np.inf
    row, column = np.unravel_index(int(np.argmax(score)), score.shape)
    place = Place(float(points[row, column, 0]), float(points[row, column, 1]))
    place = settle(maker, fit, place, option)
    b1, g1 = fit.project(make_candidate(maker, place, (option,)).templates)
    return place, float(gains(b1, g1, POWER_SCALES_W)[0]) if b1[0] > 0 else -np.inf


def centred(grid: object, kernel: np.ndarray, board: Board) -> np.ndarray:
    """Cut the template of a source in the board's middle so that its centre is the middle cell."""
    x0, y0, x1, y1 = board.box_mm
    row, column = (round(float(v)) for v in grid.to_cell((x0 + x1) / 2, (y0 + y1) / 2))  # type: ignore[attr-defined]
    up = min(row, kernel.shape[1] - 1 - row)
    across = min(column, kernel.shape[2] - 1 - column)
    return kernel[:, row - up : row + up + 1, column - across : column + across + 1]


def spread_mm(maker: TemplateMaker, seconds: float) -> float:
    """Return how far heat spreads in the plate in so many seconds, mm: ``sqrt(4 a t)``."""
    plate = maker.plate
    return float(np.sqrt(4 * plate.conductance_w_per_k.value / plate.capacity_j_per_mm2_k.value * seconds))


def within(place: Place, points_mm: np.ndarray, *, margin_mm: float) -> np.ndarray:
    """Tell which points, ndarray (..., 2), lie on a place's body or within a margin of it."""
    if place.part is not None:
        return place.part.contains(points_mm[..., 0], points_mm[..., 1], margin_mm=margin_mm)
    return np.hypot(points_mm[..., 0] - place.x_mm, points_mm[..., 1] - place.y_mm) <= margin_mm


def shifted(maker: TemplateMaker, place: Place, option: Option) -> np.ndarray:
    """Return a template and its slopes with x and y, ndarray (3, samples), K/W and K/(W mm)."""
    step = 0.3 * maker.data.blur_mm + 0.1
    around = [(0, 0), (step, 0), (-step, 0), (0, step), (0, -step)]
    made = [
        make_candidate(maker, replace(place, x_mm=place.x_mm + dx, y_mm=place.y_mm + dy), (option,)).templates[0]
        for dx, dy in around
    ]
    return np.stack([made[0], (made[1] - made[2]) / (2 * step), (made[3] - made[4]) / (2 * step)])


def shift_of(fit: LinearFit, stack: np.ndarray, reach_mm: float) -> tuple[np.ndarray, np.ndarray, float]:
    """Return how far a source should move to fit best, its covariance, and its power.

    Parameters
    ----------
    fit : LinearFit
        Without the source.
    stack : ndarray of shape (3, samples)
        From ``shifted``.
    reach_mm : float
        Standard deviation of the shift before looking.
    """
    b, gram = fit.project_many(stack)
    power = b[0] / gram[0, 0]
    scale = np.array([1.0, power, power])
    precision = gram * scale[:, None] * scale[None, :] + np.diag([0.0, reach_mm**-2.0, reach_mm**-2.0])
    covariance = np.linalg.inv(precision)
    answer = covariance @ (b * scale)
    return answer[1:], covariance[1:, 1:], float(answer[0])


def settle(maker: TemplateMaker, fit: LinearFit, place: Place, option: Option) -> Place:
    """Move a free spot to where it fits best, within the board, in at most three steps."""
    x0, y0, x1, y1 = maker.board.box_mm
    reach = maker.data.grid.step_mm
    for _ in range(3):
        move, _, _ = shift_of(fit, shifted(maker, place, option), reach)
        move = np.clip(move, -reach, reach)
        place = replace(
            place,
            x_mm=float(np.clip(place.x_mm + move[0], x0, x1)),
            y_mm=float(np.clip(place.y_mm + move[1], y0, y1)),
        )
        if np.hypot(*move) < 0.05 * reach:
            break
    return place
