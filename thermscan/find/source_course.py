"""Power of a source over time: how much of what is seen needs a power that changes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from thermscan.find.source_candidate import make_candidate
from thermscan.find.source_data import bin_means, switching_matrix
from thermscan.find.source_search import LinearFit
from thermscan.find.source_state import Found, Search

# Standard deviations of a change from one bin to the next, as a share of the power, among which the data choose.
CHANGES = (0.01, 0.05, 0.15, 0.4, 1.0)


def power_course(search: Search, found: Found, fit: LinearFit) -> np.ndarray | None:
    """Return the power in each bin of the fit over its mean while on, ndarray (bins,); None for several runs.

    Parameters
    ----------
    search : Search
    found : Found
    fit : LinearFit
        Without the source.

    Notes
    -----
    Each bin's power has its own template (a pulse through the plate). The prior is a random walk around a constant;
    how far it may walk is chosen by marginal likelihood, so that a course that is not needed stays flat.
    """
    if len(search.runs_s) > 1:
        return None
    data = search.data
    on = on_share(data.edges_s, search.runs_s)
    bins = np.flatnonzero(on > 0)
    flat = np.where(on > 0, 1.0, 0.0)
    if len(bins) < 3 or found.power_seen == 0:
        return flat
    stack = np.stack([pulse(search, found, float(data.edges_s[k]), float(data.edges_s[k + 1])) for k in bins])
    b, gram = fit.project_many(stack)
    best, course = -np.inf, np.ones(len(bins))
    for change in CHANGES:
        evidence, power = _walk(b, gram, found.power_seen, change)
        if evidence > best:
            best, course = evidence, power
    widths = np.diff(data.edges_s)[bins]
    mean = float((course * widths).sum() / widths.sum())
    if mean * found.power_seen <= 0:
        return flat
    flat[bins] = course / mean
    return flat


def on_share(edges_s: np.ndarray, runs_s: tuple[tuple[float, float | None], ...]) -> np.ndarray:
    """Return the share of each bin with power on, ndarray (bins,)."""
    out = np.zeros(len(edges_s) - 1)
    for on, off in runs_s:
        end = np.inf if off is None else off
        out += np.clip(np.minimum(edges_s[1:], end) - np.maximum(edges_s[:-1], on), 0, None)
    return out / np.diff(edges_s)


def pulse(search: Search, found: Found, on_s: float, off_s: float) -> np.ndarray:
    """Return the template of power that is on from ``on_s`` to ``off_s`` only, ndarray (samples,), K/W."""
    data = search.data
    binning = bin_means(data.clock_s, data.edges_s) @ switching_matrix(data.clock_s, ((on_s, off_s),))
    maker = replace(search.maker, data=replace(data, binning=binning))
    return make_candidate(maker, found.place, found.options[:1]).templates[0]


def _walk(b: np.ndarray, gram: np.ndarray, power: float, change: float) -> tuple[float, np.ndarray]:
    """Return log evidence and mean of the powers under a random walk around a free constant."""
    count = len(b)
    steps = np.minimum.outer(np.arange(count), np.arange(count)).astype(float)
    centred = np.eye(count) - 1 / count
    prior = power**2 * (change**2 * centred @ steps @ centred.T + 4.0 + 1e-6 * np.eye(count))
    inner = np.eye(count) + gram @ prior
    mean = prior @ np.linalg.solve(inner, b)
    _, log_det = np.linalg.slogdet(inner)
    return float(0.5 * b @ mean - 0.5 * log_det), mean
