"""From the fit of each explanation to its probability: Bayes' rule over outcomes that exclude one another."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import logsumexp

from thermscan.explain.detection import silent_shares
from thermscan.explain.hypothesis import GONE, bare_dilution
from thermscan.explain.likelihood import Judge, log_mean
from thermscan.explain.lineup import Hypothesis, Lineup
from thermscan.explain.source_weight import weigh_sources


def posterior(log_priors: np.ndarray, log_likelihoods: np.ndarray) -> np.ndarray:
    """Return probabilities that add to one, by Bayes' rule; both inputs natural logarithms, ndarrays (n,)."""
    joint = np.asarray(log_priors, float) + np.asarray(log_likelihoods, float)
    return np.exp(joint - logsumexp(joint))


def brier_score(probabilities: np.ndarray, outcomes: np.ndarray) -> float:
    """Mean squared difference of probabilities and outcomes (0 or 1), ndarrays (n,) (Brier 1950)."""
    p, o = np.asarray(probabilities, float), np.asarray(outcomes, float)
    return float(np.mean((p - o) ** 2))


FEEDS_LOOK_LIKE = ("short", "leak", "overload", "dead_supply")  # what a part that feeds a hidden short looks like
ANYHOW_WARMER = ("short", "leak", "overload", "joint", "heat_path")


@dataclass(frozen=True)
class Weighing:
    """Outcomes with what moved them.

    Attributes
    ----------
    hypotheses : tuple of Hypothesis
    log_prior : ndarray of shape (hypotheses + 2,)
        The last two are no fault and other.
    log_heat : ndarray, same shape
        Log likelihood of the thermal evidence, already raised to the evidence power, 0 for no fault.
    log_extra : dict of label to ndarray, same shape
        Log likelihood of each reading and symptom.
    doubt_share, doubt_nats : float
        How often fits are to be doubted, and the gap in fit from which they then are.
    """

    hypotheses: tuple[Hypothesis, ...]
    log_prior: np.ndarray
    log_heat: np.ndarray
    log_extra: dict[str, np.ndarray]
    doubt_share: float = 0.0
    doubt_nats: float = 1.0

    def probabilities(self, *, without: str | None = None) -> np.ndarray:
        """Return the probability of each hypothesis, then of no fault and other; optionally without one reading."""
        extra = sum((v for k, v in self.log_extra.items() if k != without), np.zeros(len(self.log_heat)))
        sure = posterior(self.log_prior, self.log_heat + extra)
        # The best explanation may fit for reasons that no prediction covers: then large gaps in fit say little more
        # than small ones.
        gap = self.log_heat.max() - self.log_heat
        doubted = posterior(self.log_prior, extra - self.doubt_nats * np.log1p(gap / self.doubt_nats))
        return (1.0 - self.doubt_share) * sure + self.doubt_share * doubted


def weigh_heat(lineup: Lineup, judge: Judge) -> tuple[np.ndarray, np.ndarray]:
    """Return log priors and tempered log likelihoods of the thermal evidence: hypotheses, no fault, other."""
    fits = {key: judge.log_fit(look) for key, look in lineup.looks.items()}
    none = judge.log_none()
    heat = _or_anyhow(np.array([_mixed(h, fits) for h in lineup.hypotheses]), none, lineup, judge)
    weights = weigh_sources(lineup)
    values = np.array([*heat, none, judge.log_other()]) - none + weights
    values -= values[-2]
    # A fault may make too little heat, or heat that has not reached a surface yet: it then looks like none.
    silent = silent_shares(lineup)
    values[:-2] = _shorts_that_hide(values[:-2], silent, weights[:-2], lineup)
    values[:-2] = np.logaddexp(np.log1p(-silent) + values[:-2], np.log(silent))
    listed = sum(h.prior for h in lineup.hypotheses)
    # What no listed hypothesis takes up stays a fault not listed: one that this picture cannot show (no part that makes
    # heat on this side), or one at a bare place that is not warm, which as a rule would have shown.
    other = lineup.priors.other
    room = 1.0 - lineup.priors.no_fault - other
    scale = min(room / listed, 1.0) if listed > 0 else 0.0
    priors = [h.prior * scale for h in lineup.hypotheses]
    bare = sum(p for p, h in zip(priors, lineup.hypotheses, strict=True) if h.at is not None)
    calm = (bare_dilution(lineup) - 1.0) * bare
    calm = min(calm, max(room - sum(priors), 0.0))
    unseen = max(room - sum(priors) - calm, 0.0)
    same = np.log(max(unseen + lineup.settings.silent_share * calm, 1e-300))
    values[-1] = np.logaddexp(np.log(other) + values[-1], same) - np.log(other + unseen + calm)
    other += unseen + calm
    total = sum(priors) + lineup.priors.no_fault + other
    log_priors = np.log(np.maximum(np.array([*priors, lineup.priors.no_fault, other]) / total, 1e-300))
    return log_priors, _with_causes_elsewhere(lineup, log_priors, values)


def _shorts_that_hide(heat: np.ndarray, silent: np.ndarray, weights: np.ndarray, lineup: Lineup) -> np.ndarray:
    """Let a short whose own heat does not show look like the dead supply of its net, or like a limited supply.

    It takes the net down all the same: the parts on it stay cold as if nothing fed them, and the part that makes the
    net warms as if it were at fault itself; only a meter tells which. Where the supply keeps
    retrying, the short itself is fed for a share of the seconds only, and shows the less. Which of the parts of a net
    it is, a source of heat found at one of them tells all the same: ``weights`` are those of ``weigh_sources``.
    """
    settings, rows = lineup.settings, list(enumerate(lineup.hypotheses))
    less = np.log(1.0 / settings.retry_duty) / np.log(settings.most_fault_w / settings.least_fault_w)
    retried = np.minimum(silent + less, settings.most_silent)
    dead: dict[str, float] = {}
    warm: dict[str, float] = {}
    for i, h in rows:
        if h.fault == "dead_supply" and h.net is not None:
            dead[h.net] = max(dead.get(h.net, -np.inf), float(heat[i]))
        if h.fault in FEEDS_LOOK_LIKE and h.at is None:
            warm[h.where] = max(warm.get(h.where, -np.inf), float(heat[i]))
    limit = max((float(heat[i]) for i, h in rows if h.fault == "supply_limit"), default=-np.inf)
    at_best: dict[str, float] = {}
    for i, h in rows:
        if h.fault == "short" and h.at is None and h.net is not None:
            at_best[h.net] = max(at_best.get(h.net, -np.inf), float(weights[i]))
    out = np.array(heat, float)
    gives_up = np.zeros(len(rows) + 2)
    for i, h in rows:
        if h.at is not None or h.net is None or h.fault != "short":
            continue
        down, blackout = np.log(settings.collapse_share), settings.blackout_share
        supply = lineup.tree.supplies.get(h.net)
        maker = supply.maker if supply is not None and supply.maker is not None else ""
        feeds = -np.inf if maker == h.where else warm.get(maker, -np.inf)
        alone = np.logaddexp(dead.get(h.net, -np.inf), np.log(settings.feeder_share) + feeds)
        alone += float(weights[i]) - at_best[h.net]
        out[i] = np.logaddexp(out[i], down + np.log((1.0 - blackout) * silent[i]) + alone)
        all_down = down + np.log(blackout * retried[i]) + limit
        out[i] = np.logaddexp(out[i], all_down)
        gives_up[i] = np.exp(all_down - out[i])
    lineup.gives_up = gives_up
    return out


def _or_anyhow(heat: np.ndarray, none: float, lineup: Lineup, judge: Judge) -> np.ndarray:
    """Let a fault of one part look like nothing that is modelled, but for the sign of the change there.

    A course or a spread of heat that no look covers still points at the part that differs. One that is open makes no
    heat, however that looks: a part that keeps most of its own is not.
    """
    scene, share = lineup.scene, lineup.settings.anyhow_share
    left = scene.excess_k[:, -1] + np.diagonal(lineup.shares) * scene.own_k[:, -1]
    is_lit = left > (1.0 - GONE[0]) * np.diagonal(lineup.shares) * scene.own_k[:, -1] + 2.0 * scene.noise_k[:, -1]
    gains = judge.log_anyhow()
    out = np.array(heat, float)
    for i, h in enumerate(lineup.hypotheses):
        row = scene.index(h.where)
        warms = h.fault in ANYHOW_WARMER
        if row is None or h.at is not None or not (warms or h.fault == "open_or_missing"):
            continue
        if warms != (scene.excess_k[row, -1] > 0) or (not warms and is_lit[row]):
            continue
        out[i] = np.logaddexp(np.log1p(-share) + heat[i], np.log(share) + none + gains[row])
    return out


def _with_causes_elsewhere(lineup: Lineup, log_priors: np.ndarray, log_heat: np.ndarray) -> np.ndarray:
    """Let another fault explain what only shows an effect: a whole board cooler, or warm board beside the parts.

    A short anywhere, or a stage that gives up, starves the board as a limited supply does; heat of a part whose body
    hides it shows on the board next to it. Such a fault is taken to look the same ``elsewhere_ratio`` times as often,
    so that heat alone does not settle the place: readings and the supply log, which tell them apart, do.
    """
    settings = lineup.settings
    ratios = [
        settings.elsewhere_ratio if h.fault == "supply_limit" else (settings.elsewhere_bare if h.where[0] == "@" else 0)
        for h in lineup.hypotheses
    ]
    vague = [i for i, ratio in enumerate(ratios) if ratio > 0]
    if not vague:
        return log_heat
    out = log_heat.copy()
    weights = np.log([ratios[i] for i in vague])
    each = log_priors[vague] + log_heat[vague] + weights - log_priors[-1]
    out[-1] = np.logaddexp(log_heat[-1], logsumexp(each))
    if lineup.gives_up is not None:
        limited = [e for e, i in zip(each, vague, strict=True) if lineup.hypotheses[i].fault == "supply_limit"]
        lineup.gives_up[-1] = float(np.exp(np.array(limited) - out[-1]).sum())
    return out


def _mixed(hypothesis: Hypothesis, fits: dict[tuple[object, ...], np.ndarray]) -> float:
    views = [v for v in hypothesis.views if v.share > 0]
    terms = np.array([log_mean(fits[v.look], v.strengths) for v in views])
    return float(log_mean(terms, np.array([v.share for v in views])))


def best_view(hypothesis: Hypothesis, lineup: Lineup, judge: Judge) -> tuple[tuple[object, ...], float]:
    """Return the look and strength that fit best, for the reasons."""
    best, value = (hypothesis.views[0].look, 0.0), -np.inf
    for view in hypothesis.views:
        look = lineup.looks[view.look]
        scores = judge.log_fit(look) + np.log(np.maximum(view.strengths, 1e-300)) + np.log(max(view.share, 1e-300))
        i = int(np.argmax(scores))
        if scores[i] > value:
            best, value = (view.look, float(look.strengths[i])), float(scores[i])
    return best
