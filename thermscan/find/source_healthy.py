"""What a good board does: each part's own heat, how it varies from board to board, and the plate it shows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import linalg, optimize

from thermscan.find.source_candidate import Candidate, make_candidate, part_options, plate_options
from thermscan.find.source_data import FitData
from thermscan.find.source_search import Columns
from thermscan.find.source_template import Option, Place, TemplateMaker
from thermscan.model.quantity import Measured
from thermscan.model.settings import SourceSettings
from thermscan.physics.plate import Plate

OWN_TURNS = 3  # of weights and powers: both stand still then


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


def own_weight(data: FitData, settings: SourceSettings, expected: np.ndarray | None = None) -> np.ndarray:
    """Return the inverse standard deviation with which the own heat is fitted, ndarray (samples,), 1/K.

    Templates err by a share of what is expected of them, ndarray (samples,), K; default: the warmest of each bin. A
    share of what was measured would weigh most what happens to read low, and pull all powers down.
    """
    if expected is None:
        warmest = np.where(data.known, data.own, 0.0).max(axis=(1, 2), keepdims=True)  # none where a bin is not seen
        expected = data.samples(np.broadcast_to(warmest / 2, data.own.shape))
    return 1 / np.sqrt(data.samples(data.variance) + settings.error_cells * (settings.model_error * expected) ** 2)


def explain_own_heat(data: FitData, candidates: list[Candidate], settings: SourceSettings) -> OwnHeat:
    """Explain the good boards' rise by non-negative powers of the parts, each with its best package.

    The weights follow from what the powers explain, and the powers from the weights, in turn.
    """
    own = data.samples(data.own)
    refs = tuple(c.place.part.ref for c in candidates if c.place.part is not None)
    if not candidates or not np.any(own > 0):
        return OwnHeat(refs, np.zeros(len(candidates)), np.zeros((len(candidates), own.size)), settings.healthy_share)
    parts = None
    for _ in range(OWN_TURNS):
        weight = own_weight(data, settings, None if parts is None else parts.sum(axis=0))
        powers, shapes, _ = best_powers(candidates, own, weight, parts)
        parts = powers[:, None] * shapes
    return OwnHeat(refs, powers, shapes, spread_share(data, settings))


def best_powers(
    candidates: list[Candidate], target: np.ndarray, weight: np.ndarray, parts: np.ndarray | None
) -> tuple[np.ndarray, np.ndarray, float]:
    """Explain a target, ndarray (samples,), K, by non-negative powers of candidates, each with its best package.

    ``parts``, ndarray (candidates, samples), K, is what each was thought to explain; the package of each is the one
    that fits best what the others leave.

    Returns
    -------
    powers : ndarray of shape (candidates,), W
    shapes : ndarray of shape (candidates, samples), K/W
    misfit : float
        Sum of squares of what is left, in weighted units.
    """
    parts = np.zeros((len(candidates), target.size)) if parts is None else parts
    left, square = target - parts.sum(axis=0), weight**2
    shapes = np.stack([best_shape(c.templates, left + part, square) for c, part in zip(candidates, parts, strict=True)])
    powers, misfit = non_negative(shapes, target, square)
    return powers, shapes, misfit


def non_negative(shapes: np.ndarray, target: np.ndarray, square: np.ndarray) -> tuple[np.ndarray, float]:
    """Return the non-negative amplitudes of shapes (shapes, samples) that fit a target best, and the squares left.

    Solved on the triangular factor of the normal equations, which is as small as the number of shapes.
    """
    weighted = shapes * square
    gram, pull = weighted @ shapes.T, weighted @ target
    size = max(float(np.trace(gram)) / len(gram), 1e-12)
    upper = linalg.cholesky(gram + 1e-9 * size * np.eye(len(gram)))
    turned = linalg.solve_triangular(upper, pull, trans="T")
    amplitudes, left = optimize.nnls(upper, turned)
    return amplitudes, max(float(square @ target**2 - turned @ turned + left**2), 0.0)


def best_shape(templates: np.ndarray, target: np.ndarray, square: np.ndarray) -> np.ndarray:
    """Return the template that alone explains most of a target, both (samples,), under inverse variances ``square``."""
    pull = np.maximum(templates @ (square * target), 0.0)
    fit = pull**2 / np.maximum(np.einsum("ij,ij,j->i", templates, templates, square), 1e-12)
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

    The warmest parts are fitted in every plate of the interval; the misfit, of unknown size and hanging together (as
    where hypotheses about one source are compared), weighs the plates. What is left of the interval is at least the
    difference between places of one board (``local_conductance``).
    """
    data, plate = maker.data, maker.plate
    strong = [r for p, r in sorted(zip(-heat.powers_w, heat.refs, strict=True))[: settings.plate_parts] if p < 0]
    own, weight = data.samples(data.own), own_weight(data, settings, heat.powers_w @ heat.shapes)
    if not strong or (own * weight).max() < settings.plate_signal:
        return plate
    rest = (heat.powers_w[[r not in strong for r in heat.refs]]) @ heat.shapes[[r not in strong for r in heat.refs]]
    misfits, values, priors = [], [], []
    for option in plate_options(plate.conductance_w_per_k):
        candidates = [_candidate_in(maker, ref, option) for ref in strong]
        parts = None
        for _ in range(OWN_TURNS):
            powers, shapes, misfit = best_powers(candidates, own - rest, weight, parts)
            parts = powers[:, None] * shapes
        misfits.append(misfit)
        values.append(np.log(option.conductance))
        priors.append(option.log_prior)
    squares = np.maximum(misfits, 1e-12)
    scores = np.array(priors) - 0.5 * settings.alike_errors * np.log(squares / squares.min())
    share = np.exp(scores - scores.max())
    share /= share.sum()
    middle = float(share @ values)
    width = float(np.sqrt(share @ (np.array(values) - middle) ** 2 + settings.local_conductance**2))
    measured = Measured(*(float(np.exp(middle + z * width)) for z in (0.0, -1.96, 1.96)))
    before = plate.conductance_w_per_k
    if measured.high / measured.low > before.high / before.low:
        return plate
    text = f"conductance {measured.value * 1e3:.0f} mW/K from the warm-up of the good boards"
    return plate.with_conductance(measured, basis="warm_up", sentence=text)


def _candidate_in(maker: TemplateMaker, ref: str, option: Option) -> Candidate:
    """Return a part as a source in one plate."""
    part = maker.board.part(ref)
    return make_candidate(maker, Place(part.x, part.y, part), part_options(maker, part, option, lags=(0.8,))[0])
