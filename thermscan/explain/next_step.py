"""What to measure next: the reading that tells the leading suspects apart best, by expected information."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from thermscan.explain.hypothesis import Lineup
from thermscan.explain.meter import OHM, OHM_CLASSES, VOLTAGE, VOLTAGE_CLASSES, effect_on
from thermscan.explain.posterior import Weighing
from thermscan.explain.power_tree import is_ground
from thermscan.explain.proof import proof_step
from thermscan.model.caution import has_mains
from thermscan.model.evidence import Evidence

INJECT_FROM = 0.2  # probability of a short on a net from which feeding it is advised; judgement
SURE_OF_PLACE = 0.9  # probability of a place from which there is nothing left to find by feeding a net; judgement
DISCHARGE = "power off, unplugged, capacitors discharged"


@dataclass(frozen=True)
class Step:
    """One thing to measure: the sentence, and its expected information in bits."""

    text: str
    bits: float


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


def next_steps(
    weighing: Weighing, lineup: Lineup, evidence: Evidence, *, verdict: str = "cannot_tell", most: int = 3
) -> tuple[str, ...]:
    """Return how to prove a suspect, then the best next measurements, best first, then the capture that would help.

    Never empty where nothing was accused: there is always something that would tell more.
    """
    p = weighing.probabilities()
    keep = np.argsort(-p[:-2])[:60]
    outcomes = np.concatenate([p[keep], p[-2:]])
    outcomes = outcomes / outcomes.sum()
    steps = _meter_steps(outcomes, keep, weighing, lineup, evidence)
    steps.sort(key=lambda s: -s.bits)
    texts = _proofs(p, weighing, lineup) if verdict == "suspect" else []
    texts += [s.text for s in steps if s.bits >= lineup.settings.least_bits][:most]
    texts += _injections(p, weighing, lineup, evidence)
    texts += captures(evidence, lineup, p)
    if verdict != "suspect" and not texts:
        texts += [s.text for s in steps[:1]]
        texts.append(_closer_look(evidence, lineup))
    return tuple(texts)


def _proofs(p: np.ndarray, weighing: Weighing, lineup: Lineup) -> list[str]:
    """Say how to prove the likeliest place, by its likeliest fault."""
    places = _by_place(p, weighing.hypotheses)
    where = max((h.where for h in weighing.hypotheses), key=lambda w: places[w])
    at = [i for i, h in enumerate(weighing.hypotheses) if h.where == where]
    main = weighing.hypotheses[max(at, key=lambda i: p[i])]
    step = proof_step(main.fault, place_name(where, lineup), main.net)
    return [step] if step else []


def _injections(p: np.ndarray, weighing: Weighing, lineup: Lineup, evidence: Evidence) -> list[str]:
    """Advise feeding the net that is most likely shorted, where its place is open and nothing forbids it.

    Not where mains is on the board, where the net's volts are not known, or where it was done already.
    """
    if evidence.is_injection or has_mains(lineup.board):
        return []
    nets: dict[str, float] = {}
    places: dict[str, float] = {}
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
    return [f"if {net} measures low to ground: {injection_step(net, volts)}"]


def _closer_look(evidence: Evidence, lineup: Lineup) -> str:
    """Name the recording that would see more, by what limits this one: pixels, then seconds, then the camera."""
    film = evidence.excess.film if evidence.excess is not None else None
    bodies = [min(p.w, p.h) for p in lineup.board.parts_on(evidence.side)] if lineup.board is not None else []
    if film is not None and bodies and film.pixel_mm > float(np.median(bodies)):
        return (
            f"film closer or with more pixels: one covers {film.pixel_mm:.1f} mm, half of the parts are smaller than"
            f" {float(np.median(bodies)):.1f} mm"
        )
    seconds = lineup.scene.times_s[-1]
    return (
        f"film {max(30.0, 3 * seconds):.0f} s instead of {seconds:.0f} s, while the symptom is there: a smaller or"
        " deeper source needs time to show"
    )


def _meter_steps(
    outcomes: np.ndarray, keep: np.ndarray, weighing: Weighing, lineup: Lineup, evidence: Evidence
) -> list[Step]:
    done = {(r.net, r.quantity) for r in evidence.readings}
    rows = [weighing.hypotheses[i] for i in keep]
    nets = _nets_to_measure(rows, lineup)
    steps = []
    for net in nets:
        effects = [*(effect_on(net, h, lineup) for h in rows), "calm", "unknown"]
        for quantity, table in (("resistance_to_ground", OHM), ("voltage", VOLTAGE)):
            if (net, quantity) in done or (quantity == "voltage" and net not in lineup.tree.supplies):
                continue
            chances = np.array([table[e] for e in effects])
            bits = expected_bits(outcomes, chances)
            text = _sentence(net, quantity, outcomes, chances, rows, lineup)
            steps.append(Step(text, bits))
    return steps


def _nets_to_measure(rows: list, lineup: Lineup) -> list[str]:
    parts = {p.ref: p for p in (lineup.board.parts if lineup.board else ())}
    nets: list[str] = []
    for hypothesis in rows[:12]:
        refs = lineup.bare[hypothesis.at].near[:2] if hypothesis.at is not None else (hypothesis.where,)
        nets += [hypothesis.net] if hypothesis.net else []
        nets += [n for r in refs if r in parts for n in parts[r].nets]
    return [n for n in dict.fromkeys(nets) if not is_ground(n)][:10]


def _sentence(net: str, quantity: str, outcomes: np.ndarray, chances: np.ndarray, rows: list, lineup: Lineup) -> str:
    """Name the answer that changes most, and what it would make of the suspects."""
    classes = OHM_CLASSES if quantity == "resistance_to_ground" else VOLTAGE_CLASSES
    best, gain, leader = 0, -1.0, ""
    now = _by_place(outcomes, rows)
    for column in range(chances.shape[1]):
        after = outcomes * chances[:, column]
        if after.sum() < 0.05:
            continue
        then = _by_place(after / after.sum(), rows)
        place = max(then, key=lambda k: then[k] - now.get(k, 0.0))
        if then[place] - now.get(place, 0.0) > gain:
            best, gain, leader = column, then[place] - now.get(place, 0.0), place
    makes = {"none": "a fault less likely", "other": "another fault more likely"}.get(
        leader, f"{place_name(leader, lineup)} more likely"
    )
    answer = classes[best]
    if quantity == "voltage":
        supply = lineup.tree.supplies[net]
        nominal = f" (nominal {supply.volts:g} V)" if supply.volts is not None else ""
        care = "; mains side: closed and unplugged unless you are qualified" if has_mains(lineup.board) else ""
        return f"measure the volts of {net}{nominal} with power on{care}; {answer} makes {makes}"
    word = {
        "very low": "under a tenth of a good board's value",
        "low": "under half of a good board's value",
        "high": "over twice a good board's value",
    }.get(answer, "a good board's value")
    return f"measure {net} to ground with {DISCHARGE}; {word} makes {makes}"


def _by_place(p: np.ndarray, rows: list) -> dict[str, float]:
    out = {"none": float(p[-2]), "other": float(p[-1])}
    for value, hypothesis in zip(p[:-2], rows, strict=True):
        out[hypothesis.where] = out.get(hypothesis.where, 0.0) + float(value)
    return out


def place_name(where: str, lineup: Lineup) -> str:
    """Name a suspect's place: its refdes, or where the bare place lies."""
    if not where.startswith("@"):
        return where
    place = lineup.bare[int(where[1:])]
    return f"the bare place at x {place.x_mm:.1f}, y {place.y_mm:.1f} mm"


def captures(evidence: Evidence, lineup: Lineup, p: np.ndarray) -> list[str]:
    """Return the recordings that would help, by what this evidence lacks."""
    out = []
    lead = float(p[:-2].max(initial=0.0))
    if evidence.basis == "itself_only" and not evidence.is_injection:
        out.append("film two or three known-good boards the same way, cold, from two seconds before power-on")
    elif evidence.basis == "good_boards" and evidence.good_boards == 1 and lead < 0.9:
        out.append("film one or two more known-good boards, cold: how far good boards differ is only assumed")
    if "no_cold_frames" in evidence.flags or not evidence.clock_is_power_on:
        out.append("film again from two seconds before power-on, with the board cold")
    if lead < lineup.settings.verdict_at and lineup.scene.times_s[-1] < lineup.settings.short_run_s:
        seconds = lineup.scene.times_s[-1]
        had = f"{seconds:.0f} s are short" if seconds >= 1 else "a single moment is too little"
        out.append(f"film longer: {had} for heat to come through packages and board")
    hidden = [i for i in range(lineup.scene.places) if lineup.scene.refs[i] and not lineup.scene.is_seen[i]]
    if lead < lineup.settings.verdict_at and len(hidden) > 0.3 * max(1, sum(r is not None for r in lineup.scene.refs)):
        out.append("film the other side too, or take covers off and put matte tape on bare metal")
    return out


def injection_step(net: str, volts: float | None) -> str:
    """Return the sentence that advises feeding a bench supply into a shorted net, never above what it carries."""
    most = f"at most {min(volts, 1.0):g} V" if volts else "well below 1 V"
    return (
        f"inject into {net} from a bench supply, board otherwise unpowered: {most} (never above the net's own volts),"
        " batteries out, capacitors discharged, current limit low at first, polarity checked; the short is where the"
        " current ends and the heat with it"
    )
