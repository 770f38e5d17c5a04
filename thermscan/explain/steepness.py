"""One recording of a board of which no part is known: warm places are told apart by how steeply they warm."""

from __future__ import annotations

import numpy as np
from scipy.special import logsumexp

from thermscan.explain.bare_place import Bare, spot_at
from thermscan.explain.lineup import Lineup
from thermscan.model.evidence import Evidence


def shared_by_steepness(evidence: Evidence, lineup: Lineup, log_prior: np.ndarray, log_heat: np.ndarray) -> np.ndarray:
    """Return log likelihoods with what all warm places have together shared out by how steeply each warms.

    Every part of a healthy board makes heat, and nothing says which of it belongs there: the fit of one spot against
    another only tells whose heat is most. What a fault heats is mostly small, a healthy supply's heat spread over a
    body: the slope of the spot is the watts over what it has to warm; common practice, no source.

    Parameters
    ----------
    evidence : Evidence
    lineup : Lineup
    log_prior, log_heat : ndarray of shape (hypotheses + 2,)

    Returns
    -------
    ndarray of shape (hypotheses + 2,)
        ``log_heat`` where parts are listed or fewer than two places are warm.
    """
    rows: dict[int, list[int]] = {}
    for i, h in enumerate(lineup.hypotheses):
        if h.at is not None and h.where.startswith("@") and not lineup.bare[h.at].is_cold:
            rows.setdefault(h.at, []).append(i)
    slopes = {n: _slope(lineup.bare[n], evidence, lineup) for n in rows}
    total = sum(slopes.values())
    if any(ref is not None for ref in lineup.scene.refs) or len(rows) < 2 or total <= 0:
        return log_heat
    joint = log_prior + log_heat
    whole = logsumexp(joint[[i for each in rows.values() for i in each]])
    out = log_heat.copy()
    for number, each in rows.items():
        wanted = whole + np.log(max(slopes[number] / total, 1e-12))
        out[each] += wanted - logsumexp(joint[each])
    return out


def _slope(place: Bare, evidence: Evidence, lineup: Lineup) -> float:
    """Return how steeply a place warms, K/s: its spot's steepest rate, else its rise over the seconds seen."""
    spot, scene = spot_at(place, evidence), lineup.scene
    if spot is not None and spot.rise_rate is not None:
        return max(spot.rise_rate.k_per_s.value, 0.0)
    if spot is not None and spot.excess_k is not None:
        rise = spot.excess_k.value
    else:
        apart = np.hypot(scene.x_mm - place.x_mm, scene.y_mm - place.y_mm)
        rise = float(scene.excess_k[int(np.argmin(np.where(scene.is_seen, apart, np.inf))), -1])
    return max(rise, 0.0) / max(float(scene.times_s[-1]), 1e-9)
