"""Where heat is made and how much: the excess explained by a sparse set of sources."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from thermscan.find.source_data import FitData, prepare
from thermscan.find.source_search import Columns, LinearFit, gains, sweep
from thermscan.find.source_template import Option, Place, TemplateMaker, packages_of
from thermscan.model.board import Board
from thermscan.model.film import Excess
from thermscan.model.quantity import Measured
from thermscan.model.result import HeatSource
from thermscan.model.settings import SourceSettings
from thermscan.model.source_fit import SourceFit
from thermscan.physics.plate import Plate

DEFAULTS = SourceSettings()
POWER_SCALES_W = (0.05, 0.5, 5.0)  # the range of faults in mind, 20 mW to 5 W


@dataclass(frozen=True)
class Candidate:
    """A place with its options in one plate, and their templates."""

    place: Place
    options: tuple[Option, ...]
    templates: np.ndarray  # (options, samples)


@dataclass(frozen=True)
class Found:
    """A chosen source: all hypotheses about it, their weights and the powers they give."""

    place: Place
    options: tuple[Option, ...]
    templates: np.ndarray  # (options, samples), thinned to those that carry weight
    weights: np.ndarray
    gain: float

    @property
    def template(self) -> np.ndarray:
        """Mean template, ndarray (samples,), scaled so that all hypotheses explain the data alike."""
        return self.templates[int(np.argmax(self.weights))]


@dataclass
class Search:
    """State of the greedy search: data, model of the good boards, and what has been found."""

    data: FitData
    maker: TemplateMaker
    board: Board
    side: str
    settings: SourceSettings
    nuisance: Columns
    grid_options: tuple[Option, ...]
    candidates: list[Candidate]
    found: list[Found]
    base_variance: np.ndarray

    @property
    def y(self) -> np.ndarray:
        """Excess, ndarray (samples,)."""
        return self.data.excess.ravel()

    def weight(self, found: list[Found]) -> np.ndarray:
        """Return inverse variances with the plate's own error, a share of what the sources explain."""
        variance = self.base_variance.copy()
        if found:
            fit = self.fit_with(found, 1 / variance)
            amplitudes = fit.mean[-len(found) :]
            for a, f in zip(amplitudes, found, strict=True):
                variance += self.settings.error_cells * (self.settings.model_error * a * f.template) ** 2
        return 1 / variance

    def fit_with(self, found: list[Found], weight: np.ndarray) -> LinearFit:
        """Fit the nuisance columns and the found sources together."""
        columns = self.nuisance
        if found:
            wide = np.full(len(found), POWER_SCALES_W[-1] * 3)
            columns = columns.with_more(np.stack([f.template for f in found]), wide)
        return LinearFit.of(self.y, weight, columns)


def find_sources(
    excess: Excess, board: Board, plate: Plate, *, side: str, settings: SourceSettings = DEFAULTS
) -> SourceFit:
    """Explain an excess by sources of heat at parts and free places.

    Parameters
    ----------
    excess : Excess
        In kelvin, on the clock of power-on.
    board : Board
    plate : Plate
    side : {'top', 'bottom'}
        Side that was filmed.
    settings : SourceSettings

    Returns
    -------
    SourceFit
        Sources whose probability of being needed reaches ``settings.needed``, strongest evidence first.

    Notes
    -----
    Greedy search with marginal likelihood: the excess is the sum of templates (layered plate, package lag, blur)
    times powers, plus each part's own heat varying between good boards, plus noise; sources are added while the
    evidence pays for them. Powers are mixtures over plate conductance, copper depth, package and depth of the source.
    Not valid for metal-core boards, forced cooling, or before the power-on time is known.
    """
    reason = _unusable(excess)
    if reason:
        return SourceFit((), None, plate_text=plate.sentence, why={"sources": reason})
    search = start_search(excess, board, plate, side=side, settings=settings)
    while len(search.found) < settings.most_sources:
        new = next_source(search)
        if new is None:
            break
        search.found.append(new)
        search.found = [refine(search, i) for i in range(len(search.found))]
    return describe(search, excess, plate)


def _unusable(excess: Excess) -> str:
    """Say why no sources can be found in this excess; empty where they can."""
    film = excess.film
    if film.unit != "celsius":
        return "counts without a scale: watts need kelvin"
    if film.clock != "power_on":
        return "power-on is not known, so that the seconds over which heat has spread are not known"
    if film.edges_s[-1] <= 0 or not np.isfinite(excess.excess).any():
        return "no readable place with power on"
    return ""


def start_search(excess: Excess, board: Board, plate: Plate, *, side: str, settings: SourceSettings) -> Search:
    """Prepare data, templates of all parts, and the model of what varies between good boards."""
    data = prepare(excess, board, side=side, settings=settings)
    maker = TemplateMaker(data, plate, board, side, excess.film.on_for_s, settings)
    base = (data.variance + settings.error_cells * (0.2 * data.spread) ** 2).ravel()
    grid = plate_options(plate)
    middle = Option(plate.conductance_w_per_k.value, 0.0)
    candidates = [part_candidate(maker, part, middle, board, side) for part in _parts(board)]
    nuisance = healthy_columns(data, candidates, settings)
    return Search(data, maker, board, side, settings, nuisance, grid, candidates, [], base)


def _parts(board: Board) -> list:
    return [p for p in board.parts if p.fitted and p.kind not in ("shield", "heatsink")]


def plate_options(plate: Plate) -> tuple[Option, ...]:
    """Return the plates to be tried: five conductances over the interval, copper outside or inside."""
    c = plate.conductance_w_per_k
    sigma = np.log(c.high / c.low) / (2 * 1.96)
    steps = np.array([-1.8, -0.9, 0.0, 0.9, 1.8])
    centre = np.sqrt(c.low * c.high)
    return tuple(
        Option(float(centre * np.exp(s * sigma)), share, log_prior=float(-0.5 * s**2))
        for s in steps
        for share in (0.0, 1.0)
    )


def part_options(maker: TemplateMaker, part: object, plate: Option, side: str) -> list[tuple[Option, ...]]:
    """Return the ways in which a part may heat, grouped by depth."""
    packages = packages_of(part, maker.settings)
    even = plate.log_prior - np.log(len(packages))
    if part.side != side:
        return [tuple(replace(plate, depth="far_side", package=p, log_prior=even) for p in packages)]
    inside = tuple(replace(plate, depth="surface", package=p, log_prior=even + np.log(0.8)) for p in packages)
    under = tuple(replace(plate, depth="under_part", package=p, log_prior=even + np.log(0.1)) for p in packages)
    far = (replace(plate, depth="far_side", package=None, log_prior=plate.log_prior + np.log(0.1)),)
    return [inside, under, far]


def part_candidate(maker: TemplateMaker, part: object, plate: Option, board: Board, side: str) -> Candidate:
    """Return the candidate of a part in one plate, its own depth only."""
    place = Place(part.x, part.y, part)
    options = part_options(maker, part, plate, side)[0]
    made = maker.templates(place, options)
    return Candidate(place, options, made.reshape(len(options), -1))


def healthy_columns(data: FitData, candidates: list[Candidate], settings: SourceSettings) -> Columns:
    """Return what varies between good boards: every part's own heat, the placing, and a common offset in each bin."""
    samples = data.excess.size
    known = np.isfinite(data.variance).ravel()
    out, sigma = [], []
    own = data.own.ravel()
    if np.any(np.abs(own[known]) > 0):
        powers, shapes, share = own_powers(data, candidates, settings)
        for power, shape in zip(powers, shapes, strict=True):
            if power > 0:
                out.append(shape * power)
                sigma.append(share)
        slope_y, slope_x = np.gradient(data.own, data.grid.step_mm, axis=(1, 2))
        for slope in (slope_x, slope_y):
            out.append(np.where(known, slope.ravel(), 0))
            sigma.append(max(data.position_error_mm, 0.02))
    bins = data.excess.shape[0]
    typical = np.sqrt(np.median(data.variance.ravel()[known]))
    for i in range(bins):
        column = np.zeros(data.excess.shape)
        column[i] = 1.0
        out.append(column.ravel())
        sigma.append(max(0.02, typical))
    return Columns(np.array(out).reshape(-1, samples), np.array(sigma))


def own_powers(
    data: FitData, candidates: list[Candidate], settings: SourceSettings
) -> tuple[np.ndarray, np.ndarray, float]:
    """Explain the good boards' own heat by their parts.

    Returns
    -------
    powers : ndarray of shape (parts,), W
    shapes : ndarray of shape (parts, samples), K/W
    share : float
        Spread of a part's own power between boards over that power.
    """
    from scipy.optimize import nnls

    known = np.isfinite(data.variance).ravel()
    weight = np.where(known, 1 / np.sqrt(np.where(known, data.variance.ravel(), 1) + (0.05 * data.own.ravel()) ** 2), 0)
    target = data.own.ravel() * weight
    # the package that fits the neighbourhood best stands for the part
    shapes = []
    for c in candidates:
        near = c.templates * weight
        fit = (near @ target) ** 2 / np.maximum(np.einsum("ij,ij->i", near, near), 1e-12)
        shapes.append(c.templates[int(np.argmax(fit))])
    if not shapes:
        return np.zeros(0), np.zeros((0, data.excess.size)), settings.healthy_share
    matrix = np.array(shapes)
    powers, _ = nnls((matrix * weight).T, target)
    hot = known & (data.own.ravel() > np.quantile(data.own.ravel()[known], 0.9))
    ratio = np.median(data.spread.ravel()[hot] / data.own.ravel()[hot]) if hot.any() else settings.healthy_share
    return powers, matrix, float(np.clip(ratio, 0.3 * settings.healthy_share, 1.0))


def next_source(search: Search) -> Found | None:
    """Return the best further source, or None where none pays."""
    weight = search.weight(search.found)
    fit = search.fit_with(search.found, weight)
    taken = {f.place.part.ref for f in search.found if f.place.part is not None}
    best, best_score = None, -np.inf
    odds = np.log(search.settings.prior_odds)
    for c in search.candidates:
        if c.place.part.ref in taken:
            continue
        b, g = fit.project(c.templates)
        score = np.logaddexp.reduce(gains(b, g, POWER_SCALES_W) - np.log(len(b))) + odds
        if score > best_score:
            best, best_score = c.place, score
    for place, score in free_places(search, fit):
        if score > best_score:
            best, best_score = place, score
    if best is None or best_score < 0:
        return None
    return weigh(search, best, fit)


def free_places(search: Search, fit: LinearFit) -> list[tuple[Place, float]]:
    """Return the best free spot on the seen side with its score (log posterior odds)."""
    data, maker = search.data, search.maker
    x0, y0, x1, y1 = search.board.box_mm
    middle = Place((x0 + x1) / 2, (y0 + y1) / 2)
    shape = data.excess.shape
    option = Option(search.maker.plate.conductance_w_per_k.value, 0.0)
    kernel = maker.templates(middle, (option,))[0]
    row, column = (int(round(float(v))) for v in data.grid.to_cell(middle.x_mm, middle.y_mm))
    half = min(row, shape[1] - 1 - row), min(column, shape[2] - 1 - column)
    cut = kernel[:, row - half[0] : row + half[0] + 1, column - half[1] : column + half[1] + 1]
    b, g = sweep(fit.residual.reshape(shape), fit.weight.reshape(shape), cut)
    points = data.grid.points_mm()
    area = (x1 - x0) * (y1 - y0)
    odds = np.log(search.settings.prior_odds / max(1.0, area / 25.0))
    score = gains(b, g, POWER_SCALES_W) + odds
    score[~search.board.inside(points[..., 0], points[..., 1])] = -np.inf
    at = np.unravel_index(int(np.argmax(score)), score.shape)
    place = Place(float(points[at][0]), float(points[at][1]))
    exact = maker.templates(place, (option,)).reshape(1, -1)
    b1, g1 = fit.project(exact)
    return [(place, float(gains(b1, g1, POWER_SCALES_W)[0] + odds))]


def options_of(search: Search, place: Place) -> list[tuple[Option, ...]]:
    """Return all hypotheses about a place, grouped by plate and depth."""
    groups = []
    for plate in search.grid_options:
        if place.part is not None:
            groups += part_options(search.maker, place.part, plate, search.side)
        else:
            groups.append((replace(plate, log_prior=plate.log_prior + np.log(0.8)),))
            groups.append((replace(plate, depth="far_side", log_prior=plate.log_prior + np.log(0.2)),))
    return groups


def weigh(search: Search, place: Place, fit: LinearFit) -> Found:
    """Weigh all hypotheses about a place against a fit that does not contain it."""
    options, templates, scores = [], [], []
    for group in options_of(search, place):
        made = search.maker.templates(place, group).reshape(len(group), -1)
        b, g = fit.project(made)
        options += group
        templates.append(made)
        scores.append(gains(b, g, POWER_SCALES_W) + np.array([o.log_prior for o in group]))
    score = np.concatenate(scores)
    normal = np.logaddexp.reduce([o.log_prior for o in options])
    weights = np.exp(score - np.logaddexp.reduce(score))
    keep = np.argsort(weights)[::-1][:40]
    keep = keep[weights[keep] > 1e-3 * weights[keep[0]]]
    stack = np.concatenate(templates)[keep]
    kept = weights[keep] / weights[keep].sum()
    gain = float(np.logaddexp.reduce(score) - normal)
    return Found(place, tuple(options[i] for i in keep), stack, kept, gain)


def refine(search: Search, index: int) -> Found:
    """Weigh one found source again with the others in place."""
    others = [f for i, f in enumerate(search.found) if i != index]
    fit = search.fit_with(others, search.weight(search.found))
    return weigh(search, search.found[index].place, fit)


def describe(search: Search, excess: Excess, plate: Plate) -> SourceFit:
    """Turn what was found into the record."""
    sources, warnings = [], []
    for i, found in enumerate(search.found):
        source = describe_source(search, i, found, excess)
        if source.needed_probability >= search.settings.needed:
            sources.append(source)
    shape = search.data.excess.shape
    fit = search.fit_with(search.found, search.weight(search.found))
    n = len(search.found)
    explained = (fit.mean[-n:] @ fit.columns.templates[-n:]).reshape(shape) if n else np.zeros(shape)
    known = np.isfinite(search.data.variance)
    residual = np.where(known, fit.residual.reshape(shape), np.nan)
    order = sorted(sources, key=lambda s: -s.needed_probability * abs(s.power_w.value))
    edges = search.data.edges_s
    return SourceFit(
        tuple(order),
        None,
        search.data.grid,
        explained,
        residual,
        (edges[1:] + edges[:-1]) / 2,
        plate_text=plate.sentence,
        warnings=tuple(warnings),
    )


def describe_source(search: Search, index: int, found: Found, excess: Excess) -> HeatSource:
    """Describe one source: power with its interval from the mixture, depth, place."""
    others = [f for i, f in enumerate(search.found) if i != index]
    fit = search.fit_with(others, search.weight(search.found))
    b, g = fit.project(found.templates)
    power = mixture_power(b / g, 1 / np.sqrt(g), found.weights, search.maker.plate)
    depths: dict[str, float] = {}
    for option, w in zip(found.options, found.weights, strict=True):
        depths[option.depth] = depths.get(option.depth, 0.0) + float(w)
    depth = max(depths, key=lambda d: depths[d])
    odds = found.gain + np.log(search.settings.prior_odds)
    needed = float(1 / (1 + np.exp(-np.clip(odds, -50, 50))))
    part = found.place.part
    return HeatSource(
        ref=part.ref if part else None,
        x_mm=found.place.x_mm,
        y_mm=found.place.y_mm,
        place_95_mm=2.0,
        power_w=power,
        course_w=np.full(len(excess.film.edges_s) - 1, power.value),
        needed_probability=needed,
        depth=depth,
        depth_probability=depths,
    )


def mixture_power(mean: np.ndarray, error: np.ndarray, weights: np.ndarray, plate: Plate) -> Measured:
    """Return median and 95 % interval of a mixture of normals, widened by the plate's capacity.

    Quantiles are read from a fixed lattice of normal quantiles of every hypothesis, so that the same input gives the
    same output.
    """
    from scipy.stats import norm

    z = norm.ppf((np.arange(41) + 0.5) / 41)
    c = plate.capacity_j_per_mm2_k
    share = np.hypot(c.standard_error / c.value, 0.05)
    factors = np.exp(share * z)
    values = (mean[:, None, None] + error[:, None, None] * z[None, :, None]) * factors[None, None, :]
    mass = np.broadcast_to(weights[:, None, None], values.shape).ravel()
    flat = values.ravel()
    order = np.argsort(flat)
    total = np.cumsum(mass[order]) / mass.sum()
    low, middle, high = (float(flat[order][np.searchsorted(total, q)]) for q in (0.025, 0.5, 0.975))
    return Measured(middle, low, high)
