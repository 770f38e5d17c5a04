"""What another recording or a fed net would tell, in bits where that can be worked out, else with the reason."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from thermscan.explain.lineup import Lineup
from thermscan.explain.meter import effect_on
from thermscan.explain.posterior import Weighing, posterior
from thermscan.model.caution import has_mains
from thermscan.model.evidence import FAR_SIDE, Evidence
from thermscan.model.timing import before_words

INJECT_FROM = 0.2  # probability of a short on a net from which feeding it is advised; judgement
SURE_OF_PLACE = 0.9  # probability of a place from which there is nothing left to find by feeding a net; judgement
ENOUGH_GOOD = 3  # good boards to film in all; more add little to the spread; judgement
# Chance that a fed net takes the current, by what the fault does to it; common practice, no source: below a volt a
# leaky or bridged net may take little, a sound one hardly any.
TAKES_CURRENT = {"shorted": 0.95, "leaky": 0.4, "bridged": 0.4}
CALM_TAKES = 0.05
LEAST_SHOWN = 0.01  # bits
NOT_IN_PICTURE = "what it would show is not in this picture"


@dataclass(frozen=True)
class Step:
    """One thing to do: the sentence, and its expected information in bits, or None with ``why`` not."""

    text: str
    bits: float | None
    why: str = ""

    @property
    def sentence(self) -> str:
        """The sentence with its worth."""
        if self.bits is None:
            return f"{self.text} (not ranked in bits: {self.why})"
        worth = f"{self.bits:.2f}" if self.bits >= LEAST_SHOWN else f"under {LEAST_SHOWN:g}"
        return f"{self.text} (expected: {worth} bit)"

    def rank(self) -> float:
        """Return what to sort by: most bits first, what is not in bits last."""
        return np.inf if self.bits is None else -self.bits


def expected_bits(outcomes: np.ndarray, chances: np.ndarray) -> float:
    """Return the expected information of a measurement about which outcome is true, bits.

    Parameters
    ----------
    outcomes : ndarray of shape (outcomes,)
        Probabilities that add to one.
    chances : ndarray of shape (outcomes, classes)
        Probability of each answer under each outcome; rows add to one.

    Notes
    -----
    The mutual information of outcome and answer (Shannon 1948): H(answer) - H(answer | outcome).
    """
    answer = outcomes @ chances
    return float(_entropy(answer) - (outcomes * np.apply_along_axis(_entropy, 1, chances)).sum())


def _entropy(p: np.ndarray) -> float:
    p = p[p > 0]
    return float(-(p * np.log2(p)).sum())


def injections(weighing: Weighing, lineup: Lineup, evidence: Evidence) -> list[Step]:
    """Advise feeding the net that is most likely shorted, where its place is open and nothing forbids it.

    Not where mains is on the board, where the net's volts are not known, or where it was done already.
    """
    if evidence.is_injection or has_mains(lineup.board):
        return []
    nets: dict[str, float] = {}
    places: dict[str, float] = {}
    p = weighing.probabilities()
    for value, h in zip(p[:-2], weighing.hypotheses, strict=True):
        places[h.where] = places.get(h.where, 0.0) + float(value)
        if h.fault == "short" and h.net in lineup.tree.supplies:
            nets[h.net] = nets.get(h.net, 0.0) + float(value)
    if not nets:
        return []
    net = max(nets, key=lambda n: nets[n])
    volts = lineup.tree.supplies[net].volts
    if nets[net] < INJECT_FROM or max(places.values()) > SURE_OF_PLACE or volts is None:
        return []
    text = f"if {net} measures low to ground: {injection_step(net, volts)}"
    return [Step(text, injection_bits(net, p, weighing, lineup))]


def injection_bits(net: str, p: np.ndarray, weighing: Weighing, lineup: Lineup) -> float:
    """Return the expected information of feeding a net, bits.

    Parameters
    ----------
    net : str
    p : ndarray of shape (hypotheses + 2,)
    weighing : Weighing
    lineup : Lineup

    Notes
    -----
    The answers are: no current flows, it flows and its heat is not found, or the heat is found at one place. A fault
    elsewhere leaves the net without current; one on the net takes it at the chance of ``TAKES_CURRENT``, and is found
    at the chance ``finds_place`` where its place is seen.
    """
    rows = list(weighing.hypotheses)
    where = {w: i for i, w in enumerate(dict.fromkeys(h.where for h in rows))}
    chances = np.zeros((len(rows) + 2, len(where) + 2))
    chances[:, 1] = CALM_TAKES
    for i, h in enumerate(rows):
        takes = TAKES_CURRENT.get(effect_on(net, h, lineup))
        if takes is not None:
            found = takes * (lineup.settings.finds_place if _is_seen(h.where, lineup) else 0.0)
            chances[i, 1], chances[i, 2 + where[h.where]] = takes - found, found
    chances[:, 0] = 1.0 - chances[:, 1:].sum(axis=1)
    return expected_bits(p, chances)


def _is_seen(where: str, lineup: Lineup) -> bool:
    if where.startswith("@"):
        return True
    row = lineup.scene.index(where)
    return row is not None and bool(lineup.scene.is_seen[row])


def captures(weighing: Weighing, lineup: Lineup, evidence: Evidence) -> list[Step]:
    """Return the recordings that would help, by what this evidence lacks."""
    p = weighing.probabilities()
    lead = float(p[:-2].max(initial=0.0))
    is_open = lead < lineup.settings.verdict_at
    steps, before = [], before_words(evidence.frame_rate_hz)
    if evidence.basis == "itself_only" and not evidence.is_injection:
        text = f"film two or three known-good boards the same way, cold, from {before} before power-on"
        steps.append(Step(text, None, "how warm each part is when healthy is not known yet"))
    elif evidence.basis == "good_boards" and evidence.good_boards == 1 and lead < 0.9:
        text = "film one or two more known-good boards, cold: how far good boards differ is only assumed"
        steps.append(Step(text, sharper_bits(weighing, _sharper(lineup, evidence))))
    if "no_cold_frames" in evidence.flags or not evidence.clock_is_power_on:
        text = f"film again from {before} before power-on, with the board cold"
        steps.append(Step(text, None, NOT_IN_PICTURE))
    if is_open and lineup.scene.times_s[-1] < lineup.settings.short_run_s:
        seconds = lineup.scene.times_s[-1]
        had = f"{seconds:.0f} s are short" if seconds >= 1 else "a single moment is too little"
        steps.append(Step(f"film longer: {had} for heat to come through packages and board", None, NOT_IN_PICTURE))
    hidden = [i for i in range(lineup.scene.places) if lineup.scene.refs[i] and not lineup.scene.is_seen[i]]
    if is_open and len(hidden) > 0.3 * max(1, sum(r is not None for r in lineup.scene.refs)):
        text = f"film the {FAR_SIDE[evidence.side]} side too, or take covers off and put matte tape on bare metal"
        steps.append(Step(text, _uncovered_bits(p, weighing, lineup)))
    return steps


def _sharper(lineup: Lineup, evidence: Evidence) -> float:
    """Return how many times smaller the variance of a difference gets with ``ENOUGH_GOOD`` boards instead of these.

    The mean of n boards adds 1/n of the spread's variance; the noise of this recording stays.
    """
    scene, goods = lineup.scene, max(evidence.good_boards, 1)
    seen = scene.is_seen
    if not seen.any():
        return 1.0
    spread2, noise2 = scene.spread_k[seen, -1] ** 2, scene.noise_k[seen, -1] ** 2
    share = float(np.median(spread2 / np.maximum(spread2 + noise2, 1e-300)))
    left = (1.0 + 1.0 / max(goods, ENOUGH_GOOD)) / (1.0 + 1.0 / goods)
    return 1.0 / (1.0 - share * (1.0 - left))


def sharper_bits(weighing: Weighing, times: float) -> float:
    """Return the information that the same picture would add with its variance ``times`` smaller, bits.

    Notes
    -----
    With normal errors the log likelihood goes with one over the variance. The entropy that is left is taken as if the
    picture stayed what it is, so that the figure is rough; never below 0.
    """
    extra = sum(weighing.log_extra.values(), np.zeros(len(weighing.log_heat)))
    now = posterior(weighing.log_prior, weighing.log_heat + extra)
    then = posterior(weighing.log_prior, times * weighing.log_heat + extra)
    return max(0.0, _entropy(now) - _entropy(then))


def _uncovered_bits(p: np.ndarray, weighing: Weighing, lineup: Lineup) -> float:
    """Return the expected information of seeing the places that are hidden now: its heat is found there, or not."""
    where = {w: i for i, w in enumerate(dict.fromkeys(h.where for h in weighing.hypotheses))}
    chances = np.zeros((len(p), len(where) + 1))
    for i, h in enumerate(weighing.hypotheses):
        if not _is_seen(h.where, lineup):
            chances[i, 1 + where[h.where]] = lineup.settings.finds_place
    chances[:, 0] = 1.0 - chances[:, 1:].sum(axis=1)
    return expected_bits(p, chances)


def injection_step(net: str, volts: float | None) -> str:
    """Return the sentence that advises feeding a bench supply into a shorted net, never above what it carries."""
    most = f"at most {min(volts, 1.0):g} V" if volts else "well below 1 V"
    return (
        f"inject into {net} from a bench supply, board otherwise unpowered: {most} (never above the net's own volts),"
        " batteries out, capacitors discharged, current limit low at first, polarity checked; the short is where the"
        " current ends and the heat with it"
    )
