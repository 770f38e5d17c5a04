"""What is said about each found source: power, place, depth, each with its uncertainty."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.special import ndtr, ndtri

from thermscan.find.source_candidate import shift_of, shifted
from thermscan.find.source_correction import corrected_power
from thermscan.find.source_course import power_course
from thermscan.find.source_limit import cover_limits, limit_map, limit_sentence, part_limits
from thermscan.find.source_search import LinearFit
from thermscan.find.source_state import Found, Search
from thermscan.model.board import Part
from thermscan.model.film import Excess, Film
from thermscan.model.quantity import Measured
from thermscan.model.result import HeatSource
from thermscan.model.settings import SourceSettings
from thermscan.model.source_fit import SourceFit

RADIUS_95 = 2.448  # of a round two-dimensional normal distribution, in standard deviations


def describe(search: Search, excess: Excess) -> SourceFit:
    """Turn what was found into the record, strongest evidence first."""
    sources = with_shared_heat([describe_source(search, i, excess) for i in range(len(search.found))])
    fit = search.fit_with(search.found)
    count = len(search.found)
    explained = fit.mean[-count:] @ fit.columns.templates[-count:] if count else np.zeros(fit.residual.shape)
    edges = search.data.edges_s
    limits, parts = limit_map(search, fit), part_limits(search, fit)
    covers = cover_limits(limits, search.data.grid, parts, search.maker.board, side=search.maker.side)
    return SourceFit(
        tuple(sorted(sources, key=lambda s: -s.needed_probability * abs(s.power_w.value))),
        None,
        search.data.grid,
        search.data.picture(explained, fill=np.nan),
        search.data.picture(fit.residual, fill=np.nan),
        (edges[1:] + edges[:-1]) / 2,
        limits,
        parts,
        f"{search.maker.plate.sentence}; {blur_sentence(excess.film, search.settings)}",
        limit_text=limit_sentence(limits, parts, covers),
    )


def with_shared_heat(sources: Sequence[HeatSource]) -> list[HeatSource]:
    """Return sources whose intervals reach as far as one of several at about one place could have made all the heat.

    What two sources within reach of each other's place make together is known far better than which of them makes it:
    the fit may have given one source's heat to both.
    """
    out = []
    for one in sources:
        beside = [
            other
            for other in sources
            if other is not one
            and other.power_w.value * one.power_w.value > 0
            and np.hypot(other.x_mm - one.x_mm, other.y_mm - one.y_mm) <= max(one.place_95_mm, other.place_95_mm)
        ]
        if not beside:
            out.append(one)
            continue
        group = (one, *beside)
        total = sum(s.power_w.value for s in group)
        up = float(np.sqrt(sum((s.power_w.high - s.power_w.value) ** 2 for s in group)))
        down = float(np.sqrt(sum((s.power_w.value - s.power_w.low) ** 2 for s in group)))
        power = one.power_w
        wide = Measured(
            power.value,
            min(power.low, total - down) if total < 0 else power.low,
            max(power.high, total + up) if total > 0 else power.high,
        )
        out.append(replace(one, power_w=wide))
    return out


def blur_sentence(film: Film, settings: SourceSettings) -> str:
    """Say how much the optics blur and from where that is known."""
    blur = film.blur_mm / film.pixel_mm if film.blur_mm else settings.optics_px
    known = {"profile": "from the camera's profile", "edges": "from the sharpest edges of the recordings"}
    return f"optics blur by {blur:.1f} px (standard deviation), {known.get(film.blur_basis, 'assumed')}"


def describe_source(search: Search, index: int, excess: Excess) -> HeatSource:
    """Describe one source."""
    found = search.found[index]
    fit = search.fit_without(index, own_heat=False)
    honest = search.fit_without(index, own_heat=False, own_errors=True)
    found = reweighed(search, found, honest)
    b, g = honest.project(found.templates)
    part = found.place.part
    power = mixture_power(b / g, 1 / np.sqrt(g), found.weights, search=search, model_error=_model_error(search, part))
    power = corrected_power(search, found, power)
    x, y, radius = place_of(search, found, honest)
    depths = depth_shares(found, search.settings)
    is_behind = part is not None and part.side != search.maker.side
    depth = said_depth(depths, is_behind=is_behind, settings=search.settings)
    course = power_course(search, found, fit)
    flags = ("far_side",) if depth == "far_side" else ()
    return HeatSource(
        ref=part.ref if part else None,
        x_mm=x,
        y_mm=y,
        place_95_mm=radius,
        power_w=power,
        course_w=None if course is None else power.value * on_film(search, course, excess),
        needed_probability=needed_probability(search, found, honest),
        depth=depth,
        depth_probability=depths,
        flags=flags,
        rivals=found.rivals,
    )


def needed_probability(search: Search, found: Found, fit: LinearFit) -> float:
    """Return the probability that a source is needed, against a fit without it that knows how its template errs.

    Zero where its sign depends on the hypothesis: then it is the misfit of something else.
    """
    b, g = fit.project(found.templates)
    warmer = float(found.weights @ ndtr(b / np.sqrt(g)))
    if max(warmer, 1 - warmer) < search.settings.sign_sure and not found.surely_warmer:
        return 0.0
    gain = search.settings.evidence_share * found.gain
    if is_outshone(search, found):
        gain = min(gain, search.gain_alike(fit, found.template, float(b[0] / g[0])))
    odds = gain + search.log_odds(found.place)
    return float(1 / (1 + np.exp(-np.clip(odds, -50, 50))))


def is_outshone(search: Search, found: Found) -> bool:
    """Tell whether another found source warms the place of a source more than the source itself does.

    Then what it explains may be nothing but the error of the other one's template.
    """
    peak = int(np.argmax(np.abs(found.template)))
    own = abs(found.power_seen * found.template[peak])
    others = [f for f in search.found if f.place is not found.place]
    return any(abs(f.power_seen * f.template[peak]) > own for f in others)


def needed_probabilities(search: Search) -> list[float]:
    """Return the probability of each found source that it is needed."""
    fits = [search.fit_without(i, own_heat=False, own_errors=True) for i in range(len(search.found))]
    return [
        needed_probability(search, reweighed(search, found, fit), fit)
        for found, fit in zip(search.found, fits, strict=True)
    ]


def reweighed(search: Search, found: Found, fit: LinearFit) -> Found:
    """Weigh the hypotheses about a source again, against a fit that knows how its template may be wrong."""
    b, g = fit.project(found.templates)
    prior = np.array([o.log_prior for o in found.options])
    weights = search.weigh_alike(fit, found.templates, b / g, prior)
    fits = search.is_possible(found.place, b / g) & ((b > 0) | (not found.surely_warmer))
    possible = np.where(fits, weights, 0.0)
    return replace(found, weights=possible / possible.sum() if possible.sum() > 1e-6 else weights)


def on_film(search: Search, course: np.ndarray, excess: Excess) -> np.ndarray:
    """Return a course over the fit's bins (bins,) at the film's bins, zero before power-on."""
    centres = excess.film.centres_s
    at = np.clip(np.searchsorted(search.data.edges_s, centres, side="right") - 1, 0, len(course) - 1)
    return np.where(centres >= search.data.edges_s[0], course[at], 0.0)


def depth_shares(found: Found, settings: SourceSettings) -> dict[str, float]:
    """Return the probability of each depth.

    What a depth does differs from another one by little more than what no template knows, all over the picture alike:
    the likelihood counts with the power ``depth_evidence`` over the prior.
    """
    prior: dict[str, float] = {}
    depths: dict[str, float] = {}
    for option, w in zip(found.options, found.weights, strict=True):
        prior[option.depth] = prior.get(option.depth, 0.0) + float(np.exp(option.log_prior))
        depths[option.depth] = depths.get(option.depth, 0.0) + float(w)
    calm = {d: prior[d] * (p / prior[d]) ** settings.depth_evidence for d, p in depths.items()}
    return {d: p / sum(calm.values()) for d, p in calm.items()}


def said_depth(depths: dict[str, float], *, is_behind: bool, settings: SourceSettings) -> str:
    """Return the depth that is said: hidden only where it is nearly sure, or where the named part sits behind.

    A body that stores much heat shows it as late and as wide as a source behind it does, so that the probabilities
    tell the two apart less well than they say. Between sure and sure it is unknown.
    """
    hidden = {d: p for d, p in depths.items() if d != "surface"}
    if is_behind or sum(hidden.values()) >= settings.hidden_sure:
        return max(hidden, key=lambda d: hidden[d]) if hidden else "surface"
    return "surface" if depths.get("surface", 0.0) >= settings.surface_sure else "unknown"


def _model_error(search: Search, part: Part | None) -> float:
    """Return the standard error of log power that all hypotheses share.

    Larger for a place on a board whose parts are not listed at all: the heat may be made in a body of any size there.
    """
    board = search.maker.board
    bodies_known = part is not None or (board is not None and bool(board.parts))
    return search.settings.power_model_error if bodies_known else search.settings.power_unlisted_error


def mixture_power(
    mean: np.ndarray, error: np.ndarray, weights: np.ndarray, *, search: Search, model_error: float
) -> Measured:
    """Return median and 95 % interval of the power over all hypotheses.

    Parameters
    ----------
    mean, error, weights : ndarray of shape (hypotheses,)
        Power seen, its standard error, probability of the hypothesis.
    search : Search
        For the plate's heat capacity (power goes with it), and the surface's emissivity.
    model_error : float
        Standard error of log power that all hypotheses share.

    Notes
    -----
    Quantiles are read from a lattice of normal quantiles, so that the same input gives the same output.
    """
    z = ndtri((np.arange(41) + 0.5) / 41)
    c = search.maker.plate.capacity_j_per_mm2_k
    share = np.sqrt((c.standard_error / c.value) ** 2 + search.data.gain_error**2 + model_error**2)
    factors = np.exp(share * z) / search.data.gain
    values = ((mean[:, None, None] + error[:, None, None] * z[None, :, None]) * factors).ravel()
    mass = np.repeat(weights, len(z) ** 2)
    order = np.argsort(values, kind="stable")
    total = np.cumsum(mass[order]) / mass.sum()
    low, middle, high = (float(values[order][np.searchsorted(total, q)]) for q in (0.025, 0.5, 0.975))
    return Measured(middle, low, high)


def spread_of(search: Search, found: Found) -> float:
    """Return the variance along one axis of where a source's heat may reach the seen face, mm2.

    Heat made in a body comes out anywhere under it, heat from the far side anywhere within the board's thickness.
    """
    part = found.place.part
    body = 0.0 if part is None else (part.w**2 + part.h**2) / 24
    through = depth_shares(found, search.settings).get("far_side", 0.0) * search.maker.plate.thickness_mm**2
    return body + through


def place_of(search: Search, found: Found, fit: LinearFit) -> tuple[float, float, float]:
    """Return where the heat is made, x and y in mm, and the radius that holds it with 95 %.

    A part's heat may be made anywhere in its body: the body's size sets how far the place may move from its centre.
    """
    part, place = found.place.part, found.place
    reach = 3.0 if part is None else float(np.hypot(np.hypot(part.w, part.h) / 4, search.settings.place_floor_mm))
    stack = shifted(search.maker, place, found.options[0])
    move, covariance, _ = shift_of(fit, stack, reach)
    move *= min(1.0, 2 * reach / max(float(np.hypot(*move)), 1e-9))  # further the slopes say nothing
    variance = float(np.trace(covariance)) / 2
    floor = search.settings.place_floor_mm**2 + search.data.position_error_mm**2 / 2
    floor += (search.settings.place_blur_share * search.data.blur_mm) ** 2
    floor += search.settings.place_body_share**2 * spread_of(search, found)
    x0, y0, x1, y1 = search.maker.board.box_mm
    x, y = (float(np.clip(v, lo, hi)) for v, lo, hi in ((place.x_mm + move[0], x0, x1), (place.y_mm + move[1], y0, y1)))
    return x, y, float(RADIUS_95 * np.sqrt(variance + floor))
