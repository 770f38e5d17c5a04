"""What is said about each found source: power, place, depth, each with its uncertainty."""

from __future__ import annotations

import numpy as np
from scipy.special import ndtri

from thermscan.find.source_candidate import shift_of, shifted
from thermscan.find.source_search import LinearFit
from thermscan.find.source_state import Found, Search
from thermscan.model.film import Excess
from thermscan.model.quantity import Measured
from thermscan.model.result import HeatSource
from thermscan.model.source_fit import SourceFit

RADIUS_95 = 2.448  # of a round two-dimensional normal distribution, in standard deviations


def describe(search: Search, excess: Excess) -> SourceFit:
    """Turn what was found into the record, strongest evidence first."""
    sources = [describe_source(search, i, excess) for i in range(len(search.found))]
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
        plate_text=search.maker.plate.sentence,
    )


def describe_source(search: Search, index: int, excess: Excess) -> HeatSource:
    """Describe one source."""
    found = search.found[index]
    fit = search.fit_without(index, own_heat=False)
    b, g = fit.project(found.templates)
    power = mixture_power(b / g, 1 / np.sqrt(g), found.weights, search=search)
    x, y, radius = place_of(search, found, fit)
    depths = depth_shares(found)
    odds = found.gain + search.log_odds(found.place)
    part = found.place.part
    flags = ("far_side",) if max(depths, key=lambda d: depths[d]) == "far_side" else ()
    return HeatSource(
        ref=part.ref if part else None,
        x_mm=x,
        y_mm=y,
        place_95_mm=radius,
        power_w=power,
        course_w=np.full(len(excess.film.edges_s) - 1, power.value),
        needed_probability=float(1 / (1 + np.exp(-np.clip(odds, -50, 50)))),
        depth=max(depths, key=lambda d: depths[d]),
        depth_probability=depths,
        flags=flags,
    )


def energy_power(search: Search, index: int) -> tuple[float, float]:
    """Return the power of a source from the growth of its heat, and the standard error that noise leaves, W as seen.

    The excess over a source's share of the board is added up in each bin and regressed on what the template's own
    heat adds up to, with a free constant: what heat conduction does at the start, and the difference between seen
    face and mean of the board, stay constant later on. Only bins after a third of the recording count.
    """
    data, found = search.data, search.found[index]
    fit = search.fit_without(index, own_heat=False)
    seen = np.abs(found.template * found.power_seen)
    others = [np.abs(f.template * f.power_seen) for i, f in enumerate(search.found) if i != index]
    share = seen / np.maximum(seen + sum(others), 1e-12) if others else np.ones_like(seen)
    far = seen < 0.02 * seen.max()
    share = np.where(far, 0.0, share)
    mine = data.picture(share * fit.residual).sum(axis=(1, 2))
    model = data.picture(share * found.template).sum(axis=(1, 2))
    noise = data.picture(share**2 / fit.weight).sum(axis=(1, 2))
    centres = (data.edges_s[1:] + data.edges_s[:-1]) / 2
    late = centres > centres[-1] / 3
    if late.sum() < 3 or np.ptp(model[late]) <= 0:
        return float("nan"), float("inf")
    x = model[late] - model[late].mean()
    power = float(x @ mine[late] / (x @ x))
    return power, float(np.sqrt((x**2 * noise[late]).sum()) / (x @ x))


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
