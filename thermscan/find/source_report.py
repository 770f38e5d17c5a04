"""What is said about each found source: power, place, depth, each with its uncertainty."""

from __future__ import annotations

import numpy as np
from scipy.special import ndtri

from thermscan.find.source_candidate import make_candidate, shift_of, shifted
from thermscan.find.source_course import power_course
from thermscan.find.source_data import parts_capacity
from thermscan.find.source_limit import limit_map, part_limits
from thermscan.find.source_search import LinearFit
from thermscan.find.source_state import Found, Search
from thermscan.find.source_template import Option
from thermscan.model.film import Excess
from thermscan.model.quantity import Measured
from thermscan.model.result import HeatSource
from thermscan.model.source_fit import SourceFit

RADIUS_95 = 2.448  # of a round two-dimensional normal distribution, in standard deviations


def describe(search: Search, excess: Excess) -> SourceFit:
    """Turn what was found into the record, strongest evidence first."""
    grown = energy_powers(search) if search.found else []
    sources = [describe_source(search, i, excess, grown[i]) for i in range(len(search.found))]
    kept = [s for s in sources if s.needed_probability >= search.settings.needed]
    fit = search.fit_with(search.found)
    count = len(search.found)
    explained = fit.mean[-count:] @ fit.columns.templates[-count:] if count else np.zeros(fit.residual.shape)
    edges = search.data.edges_s
    return SourceFit(
        tuple(sorted(kept, key=lambda s: -s.needed_probability * abs(s.power_w.value))),
        None,
        search.data.grid,
        search.data.picture(explained, fill=np.nan),
        search.data.picture(fit.residual, fill=np.nan),
        (edges[1:] + edges[:-1]) / 2,
        limit_map(search, search.fit_with(search.found)),
        part_limits(search, search.fit_with(search.found)),
        search.maker.plate.sentence,
    )


def describe_source(search: Search, index: int, excess: Excess, grown: tuple[float, float]) -> HeatSource:
    """Describe one source; ``grown`` is its power from the growth of heat and the error of that, as seen."""
    found = search.found[index]
    fit = search.fit_without(index, own_heat=False)
    b, g = fit.project(found.templates)
    power = mixture_power(b / g, 1 / np.sqrt(g), found.weights, search=search)
    more = parts_share(search, found)
    energy, noise = grown
    error = np.hypot(noise, search.settings.energy_error * abs(energy)) / search.data.gain
    power = joined(power, energy / search.data.gain, float(error))
    power = widened(power.scaled(1 + more), more / (1 + more) * search.settings.parts_error)
    x, y, radius = place_of(search, found, fit)
    depths = depth_shares(found)
    odds = search.settings.evidence_share * found.gain + search.log_odds(found.place)
    part = found.place.part
    flags = ("far_side",) if max(depths, key=lambda d: depths[d]) == "far_side" else ()
    return HeatSource(
        ref=part.ref if part else None,
        x_mm=x,
        y_mm=y,
        place_95_mm=radius,
        power_w=power,
        course_w=power.value * on_film(search, power_course(search, found, fit), excess),
        needed_probability=float(1 / (1 + np.exp(-np.clip(odds, -50, 50)))),
        depth=max(depths, key=lambda d: depths[d]),
        depth_probability=depths,
        flags=flags,
        rivals=found.rivals,
    )


def energy_powers(search: Search) -> list[tuple[float, float]]:
    """Return the power of each source from the growth of its heat, with a standard error, W as seen.

    The excess, cleared of what varies between good boards, is shared out among the sources in the proportion of
    templates in a plate that conducts well, so that all heat is counted once. Each sum is regressed on what the
    source's own template adds up to, with a free constant: what conduction does at the start, and the difference
    between the seen face and the board's mean, stay constant later on. Only bins after a third of the recording
    count. It hardly depends on how the copper lies, but needs the heat to stand above the noise of a large region.
    """
    data, fit = search.data, search.fit_with(search.found)
    healthy = [i for i, owner in enumerate(search.owners) if owner]
    left = search.y - fit.mean[healthy] @ fit.columns.templates[healthy]
    broad = [np.abs(broad_template(search, f) * f.power_seen) for f in search.found]
    total = sum(broad)
    counted = np.max([b > search.settings.energy_edge * b.max() for b in broad], axis=0)
    centres = (data.edges_s[1:] + data.edges_s[:-1]) / 2
    late = centres > centres[-1] / 3
    offset = float(np.sqrt(np.median(search.base_variance)))
    number = np.broadcast_to(np.arange(len(centres))[:, None, None], data.variance.shape)
    of_bin = (data.samples(number)[:, None] == np.arange(len(centres))).astype(float)
    out = []
    for found, own in zip(search.found, broad, strict=True):
        share = np.where(counted, own / np.maximum(total, 1e-30), 0.0)
        heard = data.picture(share * left).sum(axis=(1, 2))[late]
        noise = data.picture(share**2 * search.base_variance).sum(axis=(1, 2))[late]
        cells = data.picture(share).sum(axis=(1, 2))[late]
        grown = (found.templates @ of_bin)[:, late]
        grown = grown - grown.mean(axis=1, keepdims=True)
        square = np.einsum("ij,ij->i", grown, grown)
        if late.sum() < 3 or np.any(square <= 0):
            out.append((0.0, float("inf")))
            continue
        powers = grown @ heard / square
        middle = float(found.weights @ powers)
        between = float(found.weights @ (powers - middle) ** 2)
        x, x2 = grown[0], square[0]
        error = np.sqrt((x**2 * noise).sum()) / x2 + 0.5 * offset * cells.mean() * np.abs(x).max() / x2
        out.append((middle, float(np.hypot(error, np.sqrt(between)))))
    return out


def parts_share(search: Search, found: Found) -> float:
    """Return the heat capacity of the other parts around a source over that of the bare board there."""
    option = found.options[0]
    wide = Option(search.middle.conductance, 0.5, depth=option.depth)
    heat = np.maximum(search.maker.templates(found.place, (wide,))[0, -1], 0)
    density = parts_capacity(search.data, search.maker.board, search.settings)
    part = found.place.part
    if part is not None:
        points = search.data.grid.points_mm()
        heat = np.where(part.contains(points[..., 0], points[..., 1]), 0.0, heat)
    return float((heat * density).sum() / max(heat.sum(), 1e-30) / search.maker.plate.capacity_j_per_mm2_k.value)


def broad_template(search: Search, found: Found) -> np.ndarray:
    """Return the template of a source in a plate that conducts well, ndarray (samples,), K/W."""
    option = found.options[0]
    wide = Option(search.settings.energy_conductance * search.middle.conductance, 0.5, depth=option.depth)
    return make_candidate(search.maker, found.place, (wide,)).templates[0]


def widened(measured: Measured, share: float) -> Measured:
    """Add a standard error that is a share of the value."""
    return Measured.normal(measured.value, float(np.hypot(measured.standard_error, share * measured.value)))


def joined(fitted: Measured, energy_w: float, error_w: float) -> Measured:
    """Join two estimates of a power by their variances; the worse the two agree, the wider the interval."""
    if not np.isfinite(error_w):
        return fitted
    weights = np.array([fitted.standard_error, error_w]) ** -2.0
    values = np.array([fitted.value, energy_w])
    mean = float(weights @ values / weights.sum())
    misfit = float(weights @ (values - mean) ** 2)
    return Measured.normal(mean, float(np.sqrt(max(1.0, misfit) / weights.sum())))


def on_film(search: Search, course: np.ndarray, excess: Excess) -> np.ndarray:
    """Return a course over the fit's bins (bins,) at the film's bins, zero before power-on."""
    centres = excess.film.centres_s
    at = np.clip(np.searchsorted(search.data.edges_s, centres, side="right") - 1, 0, len(course) - 1)
    return np.where(centres >= search.data.edges_s[0], course[at], 0.0)


def depth_shares(found: Found) -> dict[str, float]:
    """Return the probability of each depth."""
    depths: dict[str, float] = {}
    for option, w in zip(found.options, found.weights, strict=True):
        depths[option.depth] = depths.get(option.depth, 0.0) + float(w)
    return depths


def mixture_power(mean: np.ndarray, error: np.ndarray, weights: np.ndarray, *, search: Search) -> Measured:
    """Return median and 95 % interval of the power over all hypotheses.

    Parameters
    ----------
    mean, error, weights : ndarray of shape (hypotheses,)
        Power seen, its standard error, probability of the hypothesis.
    search : Search
        For the plate's heat capacity (power goes with it), the surface's emissivity, and the plate model's own error.

    Notes
    -----
    Quantiles are read from a lattice of normal quantiles, so that the same input gives the same output.
    """
    z = ndtri((np.arange(41) + 0.5) / 41)
    c = search.maker.plate.capacity_j_per_mm2_k
    share = np.sqrt(
        (c.standard_error / c.value) ** 2 + search.data.gain_error**2 + search.settings.power_model_error**2
    )
    factors = np.exp(share * z) / search.data.gain
    values = ((mean[:, None, None] + error[:, None, None] * z[None, :, None]) * factors).ravel()
    mass = np.repeat(weights, len(z) ** 2)
    order = np.argsort(values, kind="stable")
    total = np.cumsum(mass[order]) / mass.sum()
    low, middle, high = (float(values[order][np.searchsorted(total, q)]) for q in (0.025, 0.5, 0.975))
    return Measured(middle, low, high)


def place_of(search: Search, found: Found, fit: LinearFit) -> tuple[float, float, float]:
    """Return where the heat is made, x and y in mm, and the radius that holds it with 95 %.

    A part's heat may be made anywhere in its body: the body's size sets how far the place may move from its centre.
    """
    part, place = found.place.part, found.place
    reach = 3.0 if part is None else float(np.hypot(np.hypot(part.w, part.h) / 4, search.settings.place_floor_mm))
    stack = shifted(search.maker, place, found.options[0])
    move, covariance, _ = shift_of(fit, stack, reach)
    variance = float(np.trace(covariance)) / 2
    floor = search.settings.place_floor_mm**2 + search.data.position_error_mm**2 / 2
    x0, y0, x1, y1 = search.maker.board.box_mm
    x, y = (float(np.clip(v, lo, hi)) for v, lo, hi in ((place.x_mm + move[0], x0, x1), (place.y_mm + move[1], y0, y1)))
    return x, y, float(RADIUS_95 * np.sqrt(variance + floor))
