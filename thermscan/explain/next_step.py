"""What to measure next: the reading that tells the leading suspects apart best, by expected information."""

from __future__ import annotations

import numpy as np

from thermscan.explain.lineup import Lineup
from thermscan.explain.meter import effect_on
from thermscan.explain.next_capture import Step, captures, expected_bits, injections
from thermscan.explain.posterior import Weighing
from thermscan.explain.power_tree import is_ground
from thermscan.explain.proof import proof_step
from thermscan.model.caution import has_mains
from thermscan.model.chances import OHM_CLASSES, VOLTAGE_CLASSES
from thermscan.model.evidence import Evidence

DISCHARGE = "power off, unplugged, capacitors discharged"


def next_steps(
    weighing: Weighing, lineup: Lineup, evidence: Evidence, *, verdict: str = "cannot_tell", most: int = 3
) -> tuple[str, ...]:
    """Return how to prove a suspect, then what to measure, feed or film next in one list, best first.

    Ranked by expected information; what cannot be put in bits stands last and says why. Never empty where nothing was
    accused: there is always something that would tell more.
    """
    p = weighing.probabilities()
    keep = np.argsort(-p[:-2])[:60]
    outcomes = np.concatenate([p[keep], p[-2:]])
    outcomes = outcomes / outcomes.sum()
    meter = sorted(_meter_steps(outcomes, keep, weighing, lineup, evidence), key=Step.rank)
    steps = [s for s in meter if s.bits is not None and s.bits >= lineup.settings.least_bits][:most]
    steps += injections(weighing, lineup, evidence) + captures(weighing, lineup, evidence)
    texts = _proofs(p, weighing, lineup) if verdict == "suspect" else []
    texts += [s.sentence for s in sorted(steps, key=Step.rank)]
    if verdict != "suspect" and not texts:
        texts += [s.sentence for s in meter[:1]]
        texts.append(_closer_look(evidence, lineup))
    return tuple(texts)


def _proofs(p: np.ndarray, weighing: Weighing, lineup: Lineup) -> list[str]:
    """Say how to prove the likeliest place, by its likeliest fault."""
    places = _by_place(p, weighing.hypotheses)
    where = max((h.where for h in weighing.hypotheses), key=lambda w: places[w])
    at = [i for i, h in enumerate(weighing.hypotheses) if h.where == where]
    main = weighing.hypotheses[max(at, key=lambda i: p[i])]
    step = proof_step(main.fault, place_name(where, lineup), main.net, is_bare=where.startswith("@"))
    return [step] if step else []


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
        for quantity, table in (
            ("resistance_to_ground", lineup.priors.resistance),
            ("voltage", lineup.priors.voltage),
        ):
            if (net, quantity) in done or (quantity == "voltage" and net not in lineup.tree.supplies):
                continue
            classes = OHM_CLASSES if quantity == "resistance_to_ground" else VOLTAGE_CLASSES
            chances = np.array([[table[e][c] for c in classes] for e in effects])
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
