"""What a bare, linear plate leaves out of a power: heat that other parts store, and losses that grow with the rise."""

from __future__ import annotations

import numpy as np

from thermscan.find.source_course import on_share
from thermscan.find.source_data import parts_capacity
from thermscan.find.source_state import Found, Search
from thermscan.find.source_template import Option
from thermscan.model.quantity import Measured
from thermscan.physics.material import board_loss

RISES_K = np.concatenate([[0.1], np.geomspace(1, 400, 25)])  # rises at which the loss is computed


def corrected_power(search: Search, found: Found, power: Measured) -> Measured:
    """Return the power with what other parts store and what a warm place loses more, the interval wider by their error.

    Parameters
    ----------
    search : Search
    found : Found
    power : Measured
        Of a bare plate whose loss goes with the rise, W.
    """
    stored = parts_share(search, found)
    lost = loss_share(search, found, power.value * search.data.gain)
    more = stored + lost
    error = np.hypot(stored * search.settings.parts_error, lost * search.settings.loss_growth_error)
    return widened(power.scaled(1 + more), float(error) / (1 + more))


def parts_share(search: Search, found: Found) -> float:
    """Return the heat capacity of the other parts around a source over that of the bare board there."""
    option = found.options[0]
    wide = Option(search.middle.conductance, 0.5, depth=option.depth)
    heat = np.maximum(search.maker.templates(found.place, (wide,), bare=True)[0, -1], 0)
    density = parts_capacity(search.data, search.maker.board, search.settings)
    part = found.place.part
    if part is not None:
        points = search.data.grid.points_mm()
        heat = np.where(part.contains(points[..., 0], points[..., 1]), 0.0, heat)
    return float((heat * density).sum() / max(heat.sum(), 1e-30) / search.maker.plate.capacity_j_per_mm2_k.value)


def loss_share(search: Search, found: Found, power_seen: float) -> float:
    """Return the heat that a source's place loses beyond the linear loss, over the heat that it makes.

    Parameters
    ----------
    search : Search
    found : Found
    power_seen : float
        As seen (surface not corrected), W.

    Notes
    -----
    Free convection and radiation grow with the rise over the room, own heat included; the plate's loss holds at
    ``loss_at_k``. The difference is integrated over the board and the time since power-on. First order: what is lost
    more does not change the rise that it is computed from. Not valid with a fan.
    """
    data = search.data
    on_s = float((on_share(data.edges_s, search.runs_s) * np.diff(data.edges_s)).sum())
    if power_seen == 0 or on_s == 0:
        return 0.0
    own = np.maximum(data.own, 0.0)
    source = power_seen * data.picture(found.template)
    both = np.maximum(own + source, 0.0)
    flux = _loss_w_per_mm2(search, both) - _loss_w_per_mm2(search, own)
    extra = flux - search.maker.plate.loss_w_per_mm2_k.value * (both - own)
    lost_j = float((extra.sum(axis=(1, 2)) * np.diff(data.edges_s)).sum()) * data.grid.step_mm**2
    most = search.settings.most_loss_share
    return float(np.clip(lost_j / (power_seen * on_s), -most, most))


def _loss_w_per_mm2(search: Search, rise_k: np.ndarray) -> np.ndarray:
    """Return what both faces lose at a rise, ndarray of the same shape; the plate's own loss holds at ``loss_at_k``."""
    x0, y0, x1, y1 = search.maker.board.box_mm
    at = search.settings.loss_at_k
    table = [board_loss(x1 - x0, y1 - y0, rise_k=float(r)).value for r in (at, *RISES_K)]
    growth = np.interp(rise_k, RISES_K, np.array(table[1:]) / table[0])
    return search.maker.plate.loss_w_per_mm2_k.value * growth * rise_k


def widened(measured: Measured, share: float) -> Measured:
    """Widen an interval by a standard error that is a share of the value, each side for itself."""
    more = 1.96 * share * abs(measured.value)
    return Measured(
        measured.value,
        float(measured.value - np.hypot(measured.value - measured.low, more)),
        float(measured.value + np.hypot(measured.high - measured.value, more)),
    )
