"""What a good board does: each part's own heat, how it varies from board to board, and the plate it shows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import optimize

from thermscan.find.source_candidate import Candidate, make_candidate, part_options, plate_options
from thermscan.find.source_data import FitData
from thermscan.find.source_search import Columns
from thermscan.find.source_template import Option, Place, TemplateMaker
from thermscan.model.quantity import Measured
from thermscan.model.settings import SourceSettings
from thermscan.physics.plate import Plate


@dataclass(frozen=True)
class OwnHeat:
    """The good boards' own heat explained by their parts.

    Attributes
    ----------
    refs : tuple of str
    powers_w : ndarray of shape (parts,)
    shapes : ndarray of shape (parts, samples), K/W
    share : float
        Spread of a part's power between boards over that power.
    """

    refs: tuple[str, ...]
    powers_w: np.ndarray
    shapes: np.ndarray
    share: float


def own_weight(data: FitData, settings: SourceSettings) -> np.ndarray:
    """Return the inverse standard deviation with which the own heat is fitted, ndarray (samples,), 1/K."""
    own = data.samples(data.own)
    return 1 / np.sqrt(data.samples(data.variance) + settings.error_cells * (settings.model_error * own) ** 2)


def explain_own_heat(data: FitData, candidates: list[Candidate], settings: SourceSettings) -> OwnHeat:
    """Explain the good boards' rise by non-negative powers of the parts, each with its best package."""
    own = data.samples(data.own)
    refs = tuple(c.place.part.ref for c in candidates if c.place.part is not None)
    if not candidates or not np.any(own > 0):
        return OwnHeat(refs, np.zeros(len(candidates)), np.zeros((len(candidates), own.size)), settings.healthy_share)
    weight = own_weight(data, settings)
    shapes = np.stack([best_shape(c.templates * weight, own * weight, c.templates) for c in candidates])
    powers, _ = optimize.nnls((shapes * weight).T, own * weight)
    return OwnHeat(refs, powers, shapes, spread_share(data, settings))


def best_shape(near: np.ndarray, target: np.ndarray, templates: np.ndarray) -> np.ndarray:
    """Return the template that alone explains most."""
    fit = (near @ target) ** 2 / np.maximum(np.einsum("ij,ij->i", near, near), 1e-12)
    return templates[int(np.argmax(fit))]


def spread_share(data: FitData, settings: SourceSettings) -> float:
    """Return the spread between good boards over their own heat, from the warmest tenth of the board."""
    own, spread = data.samples(data.own), data.samples(data.spread)
    hot = (own > np.quantile(own, 0.9)) & (own > 0)
    if not hot.any():
        return settings.healthy_share
    return float(np.clip(np.median(spread[hot] / own[hot]), 0.3 * settings.healthy_share, 1.0))


def healthy_columns(data: FitData, heat: OwnHeat) -> tuple[Columns, tuple[str, ...]]:
    """Return what varies between good boards, and whose heat each column is.

    Columns are every part's share of the own heat as it was measured, the placing (a shift of the own heat), and a
    common offset in each bin.
    """
    out, sigma, owners = [], [], []
    own = data.samples(data.own)
    modelled = np.maximum(heat.powers_w @ heat.shapes, 1e-9) if heat.refs else own
    for ref, power, shape in zip(heat.refs, heat.powers_w, heat.shapes, strict=True):
        if power > 0:
            out.append(own * np.clip(shape * power / modelled, 0, 1))
            sigma.append(heat.share)
            owners.append(ref)
    if out:
        for slope in np.gradient(data.own, data.grid.step_mm, axis=(1, 2)):
            out.append(data.samples(slope))
            sigma.append(max(data.position_error_mm, 0.02))
    typical = float(np.sqrt(np.median(data.samples(data.variance))))
    for i in range(data.excess.shape[0]):
        column = np.zeros(data.excess.shape)
        column[i] = 1.0
        out.append(data.samples(column))
        sigma.append(max(0.02, typical))
    owners += [""] * (len(out) - len(owners))
    return Columns(np.array(out), np.array(sigma)), tuple(owners)


def learn_plate(maker: TemplateMaker, heat: OwnHeat, settings: SourceSettings) -> Plate:
    """Narrow the plate's conductance by how the good boards' own heat spreads.

    The warmest parts are fitted in every plate of the interval; the misfit weighs the plates. What is left of the
    interval is at least the difference between places of one board (``local_conductance``).
    """
    data, plate = maker.data, maker.plate
    strong = [r for p, r in sorted(zip(-heat.powers_w, heat.refs, strict=True))[: settings.plate_parts] if p < 0]
    own, weight = data.samples(data.own), own_weight(data, settings)
    if not strong or (own * weight).max() < settings.plate_signal:
        return plate
    rest = (heat.powers_w[[r not in strong for r in heat.refs]]) @ heat.shapes[[r not in strong for r in heat.refs]]
    target = (own - rest) * weight
    scores, values = [], []
    for option in plate_options(plate.conductance_w_per_k):
        shapes = [_shape_in(maker, ref, option, weight, target) for ref in strong]
        _, misfit = optimize.nnls((np.stack(shapes) * weight).T, target)
        scores.append(-0.5 * misfit**2 / settings.error_cells + option.log_prior)
        values.append(np.log(option.conductance))
    share = np.exp(np.array(scores) - max(scores))
    share /= share.sum()
    middle = float(share @ values)
    width = float(np.sqrt(share @ (np.array(values) - middle) ** 2 + settings.local_conductance**2))
    measured = Measured(*(float(np.exp(middle + z * width)) for z in (0.0, -1.96, 1.96)))
    before = plate.conductance_w_per_k
    if measured.high / measured.low > before.high / before.low:
        return plate
    text = f"conductance {measured.value * 1e3:.0f} mW/K from the warm-up of the good boards"
    return plate.with_conductance(measured, basis="warm_up", sentence=text)


def _shape_in(maker: TemplateMaker, ref: str, option: Option, weight: np.ndarray, target: np.ndarray) -> np.ndarray:
    """Return the best template of a part in one plate, ndarray (samples,)."""
    part = maker.board.part(ref)
    candidate = make_candidate(maker, Place(part.x, part.y, part), part_options(maker, part, option, lags=(0.8,))[0])
    return best_shape(candidate.templates * weight, target, candidate.templates)
