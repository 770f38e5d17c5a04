"""From evidence to ranked suspects: every explanation weighed against every other, and against no fault at all."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from thermscan.explain.bare_place import Bare, spot_at
from thermscan.explain.condition import Conditions, compare_conditions, fitted_scale, odd_good_boards, with_scale
from thermscan.explain.detection import seen_sentences
from thermscan.explain.expected import expect, judge_by_expectation, odd_shares
from thermscan.explain.held_back import (
    feeders_held_back,
    held_back,
    is_thin,
    makers_of_unknown_nets,
    not_cleared,
    one_good_held_back,
    quiet_held_back,
)
from thermscan.explain.hypothesis import line_up
from thermscan.explain.injection import injection_sentences, only_the_path
from thermscan.explain.likelihood import Judge, prepare_judge
from thermscan.explain.lineup import Hypothesis, Lineup
from thermscan.explain.meter import Weight, borne_out, weigh_readings
from thermscan.explain.next_step import next_steps, place_name
from thermscan.explain.pattern import divide_own_heat
from thermscan.explain.posterior import Weighing, weigh_heat
from thermscan.explain.power_tree import PowerTree, grow_tree
from thermscan.explain.reason import FAULT_TEXT, reasons_for, shared_place
from thermscan.explain.scene import Scene, set_scene
from thermscan.explain.shutdown import why_it_shut_down
from thermscan.explain.sibling import spread_by_siblings
from thermscan.explain.steepness import shared_by_steepness
from thermscan.explain.symptom import weigh_symptoms
from thermscan.model.board import Board
from thermscan.model.evidence import Evidence, Priors
from thermscan.model.quantity import Measured
from thermscan.model.result import FAULTS, HeatSource, PartReading, Ranking, Suspect
from thermscan.model.settings import ExplainSettings
from thermscan.model.timing import before_words


def explain(
    evidence: Evidence, board: Board | None, *, priors: Priors | None = None, settings: ExplainSettings | None = None
) -> Ranking:
    """Rank what may be at fault, with probabilities that add to one over suspects, no fault and other.

    Parameters
    ----------
    evidence : Evidence
    board : Board or None
        None: parts are judged by what they show alone.
    priors : Priors, optional
        What is believed before measuring; calibration/diagnosis.json by way of ``model.evidence.Priors``.
    settings : ExplainSettings, optional

    Returns
    -------
    Ranking
        Best suspect first. ``other_probability`` holds the suspects too unlikely to be listed as well.

    Notes
    -----
    Each hypothesis predicts where excess heat appears, which parts warm or stay cold along with it and what a
    meter would show; Bayes' rule weighs them. Differences between good boards and errors of the prediction have
    heavy tails, and the likelihood is raised to ``part_power`` and ``board_power`` since neighbouring places share
    their errors.
    Not valid when two faults are present at once: then 'other' grows, or the stronger one is named.
    """
    priors, settings = priors or Priors(), settings or ExplainSettings()
    looked = look_at(evidence, board, priors=priors, settings=settings)
    return _nothing_seen(priors, evidence) if looked is None else conclude(looked, evidence, board, priors=priors)


@dataclass(frozen=True)
class Looked:
    """The picture weighed, before readings and symptoms: what does not change when only those do.

    ``log_prior`` and ``log_heat`` are ndarrays (hypotheses + 2,) as in ``Weighing``; ``compared`` says with which
    other parts each part was compared where there was no good board.
    """

    lineup: Lineup
    judge: Judge
    log_prior: np.ndarray
    log_heat: np.ndarray
    conditions: Conditions
    compared: dict[str, str]

    @property
    def settings(self) -> ExplainSettings:
        """The settings, widened by what differed between the recordings."""
        return self.lineup.settings


def look_at(evidence: Evidence, board: Board | None, *, priors: Priors, settings: ExplainSettings) -> Looked | None:
    """Weigh the picture against every hypothesis; None where no part and no place can be read."""
    tree = grow_tree(board)
    scene = set_scene(evidence, board, settings=settings)
    if scene is None:
        return None
    compared: dict[str, str] = {}
    if evidence.basis == "itself_only" and not evidence.is_injection:
        expectation = expect(scene, board, priors=priors, settings=settings)
        scene, compared = judge_by_expectation(scene, expectation), expectation.compared
    if evidence.basis == "good_boards" and not evidence.is_injection:
        scene = spread_by_siblings(scene, board, settings=settings)
    conditions = with_scale(compare_conditions(evidence, settings), scene, evidence, settings)
    settings = replace(settings, common_share=conditions.common_share)
    lineup, judge = prepare(evidence, scene, board, tree, priors=priors, settings=settings)
    if evidence.is_injection:
        only_the_path(evidence, lineup)
    log_prior, log_heat = weigh_heat(lineup, judge)
    if evidence.basis == "itself_only" and not evidence.is_injection:
        log_heat = shared_by_steepness(evidence, lineup, log_prior, log_heat)
    return Looked(lineup, judge, log_prior, log_heat, conditions, compared)


def conclude(looked: Looked, evidence: Evidence, board: Board | None, *, priors: Priors) -> Ranking:
    """Add readings and symptoms to what the picture says, and rank the suspects."""
    lineup, settings, conditions = looked.lineup, looked.settings, looked.conditions
    weights, refused = weigh_readings(evidence.readings, lineup)
    is_lost = "placement_untrusted" in evidence.flags  # no meter tells which part lies where the heat is
    backed = frozenset() if is_lost else borne_out(evidence.readings, lineup)
    weights += weigh_symptoms(evidence, lineup) + _weigh_swaps(evidence, lineup)
    weighing = Weighing(
        tuple(lineup.hypotheses),
        looked.log_prior,
        looked.log_heat,
        {w.text: w.log for w in weights},
        settings.doubt_share,
        settings.doubt_nats,
    )
    suspects, none, other = _outcomes(weighing, lineup, evidence, board, looked.compared)
    suspects, none, other = quiet_held_back(suspects, none, other, lineup, evidence)
    suspects, none, other = one_good_held_back(suspects, none, other, evidence, settings, backed=backed)
    if is_lost or (is_thin(evidence) and not evidence.is_injection):
        suspects, none, other = held_back(suspects, none, other, lineup, evidence, backed=backed)
    if conditions.refuse(lineup.scene, suspects[0].ref if suspects else None, settings):
        suspects, none, other = held_back(suspects, none, other, lineup, evidence)
    if not evidence.is_injection:
        readings, makers = evidence.readings, makers_of_unknown_nets(board, lineup.tree)
        suspects, other = feeders_held_back(suspects, other, lineup.tree, readings, settings, blind=makers)
    none, other, unexplained = not_cleared(none, other, evidence, settings)
    odd = odd_good_boards(evidence, settings)
    verdict = _verdict(suspects, none, settings)
    is_against_good = evidence.basis == "good_boards"
    warnings = (
        *shared_place(suspects),
        *unexplained,
        *_warnings(lineup, evidence),
        *conditions.sentences,
        *(fitted_scale(looked.judge, conditions.common_share, settings) if is_against_good else ()),
        *odd,
        # without a good board what a healthy one makes is not known, and no watts beyond it are told
        *(
            seen_sentences(lineup, limit_is_stated=evidence.limit_is_stated)
            if verdict != "suspect" and evidence.basis != "itself_only"
            else ()
        ),
        *refused,
        *injection_sentences(evidence, lineup, suspects),
        *(why_it_shut_down(evidence, board, priors=priors) if verdict != "like_good" else ()),
    )
    return Ranking(
        suspects,
        none,
        other,
        verdict,
        next_steps(weighing, lineup, evidence, verdict=verdict),
        warnings,
        tuple(_moved(w.text, weighing, lineup) for w in weights),
        ("odd_good_board",) if odd else (),
    )


def prepare(
    evidence: Evidence, scene: Scene, board: Board | None, tree: PowerTree, *, priors: Priors, settings: ExplainSettings
) -> tuple[Lineup, Judge]:
    """Divide the healthy heat over the parts, list the hypotheses and prepare the judging of their looks."""
    own = divide_own_heat(
        scene, priors.self_heating_k, diffusivities=settings.diffusivities(), error=settings.pattern_error
    )
    lineup = line_up(evidence, scene, board, tree, own, priors=priors, settings=settings)
    is_alone = evidence.basis == "itself_only" and not evidence.is_injection
    odd_share = odd_shares(scene, settings=settings) if is_alone else None
    judge = prepare_judge(scene, own, good_boards=evidence.good_boards, settings=settings, odd_share=odd_share)
    return lineup, judge


def _nothing_seen(priors: Priors, evidence: Evidence) -> Ranking:
    before = before_words(evidence.frame_rate_hz)
    return Ranking(
        (),
        priors.no_fault,
        1.0 - priors.no_fault,
        "cannot_tell",
        (f"film the board from {before} before power-on, so that there is a rise to judge",),
        ("no part and no place has readable temperatures: nothing can be told",),
    )


def _weigh_swaps(evidence: Evidence, lineup: Lineup) -> list[Weight]:
    """Weigh swaps: a part that was swapped without any change is hardly at fault, and parts of its kind are less so."""
    out = []
    kinds = {p.ref: p.kind for p in lineup.board.parts} if lineup.board is not None else {}
    left, like = lineup.settings.swap_left, lineup.settings.swap_kind_left
    for swap in evidence.swaps:
        if swap.changed:
            continue
        kind = kinds.get(swap.ref)
        factor = [
            left if h.where == swap.ref else like if kind and kinds.get(h.where) == kind else 1.0
            for h in lineup.hypotheses
        ]
        more = f", other parts of kind {kind} times {like:g}" if kind else ""
        text = f"{swap.ref} swapped, no change: {swap.ref} times {left:g}{more}"
        out.append(Weight(text, np.log(np.array([*factor, 1.0, 1.0]))))
    return out


def _moved(text: str, weighing: Weighing, lineup: Lineup) -> str:
    """Say what one reading or symptom moved most, and how far."""
    after, before = _totals(weighing, None), _totals(weighing, text)
    where = max(after, key=lambda w: abs(after[w] - before[w]))
    names = {"none": "no fault", "other": "another fault"}
    name = names.get(where, place_name(where, lineup))
    if abs(after[where] - before[where]) < 0.005:
        return f"{text}: moves nothing by as much as half a percent"
    return f"{text}: moves {name} from {100 * before[where]:.0f} % to {100 * after[where]:.0f} %"


def _totals(weighing: Weighing, without: str | None) -> dict[str, float]:
    p = weighing.probabilities(without=without)
    out = {"none": float(p[-2]), "other": float(p[-1])}
    for value, hypothesis in zip(p[:-2], weighing.hypotheses, strict=True):
        out[hypothesis.where] = out.get(hypothesis.where, 0.0) + float(value)
    return out


def _outcomes(
    weighing: Weighing, lineup: Lineup, evidence: Evidence, board: Board | None, compared: dict[str, str]
) -> tuple[tuple[Suspect, ...], float, float]:
    """Return the suspects, the probability of no fault and that of another fault or an unlisted suspect."""
    p = weighing.probabilities()
    places: dict[str, list[tuple[float, Hypothesis]]] = {}
    for value, hypothesis in zip(p[:-2], weighing.hypotheses, strict=True):
        places.setdefault(hypothesis.where, []).append((float(value), hypothesis))
    totals = {w: sum(v for v, _ in rows) for w, rows in places.items()}
    order = sorted(totals, key=lambda w: -totals[w])
    none = float(p[-2])
    # Beside a suspect that leads, the reader asks about the next hottest: the first few are listed however unlikely.
    runners = lineup.settings.always_listed if order and totals[order[0]] > none else 0
    likely = [w for i, w in enumerate(order) if i < runners or totals[w] >= lineup.settings.listed_from]
    listed = likely[: lineup.settings.most_listed]
    suspects = []
    for where in listed:
        suspect = _suspect(where, totals[where], places[where], lineup, evidence, board)
        if where in compared:
            suspect = replace(suspect, reasons=(*suspect.reasons, compared[where]))
        suspects.append(suspect)
    return tuple(suspects), none, max(0.0, 1.0 - none - sum(s.probability for s in suspects))


def _verdict(suspects: tuple[Suspect, ...], none: float, settings: ExplainSettings) -> str:
    if suspects and suspects[0].probability >= settings.verdict_at:
        return "suspect"
    return "like_good" if none >= settings.verdict_at else "cannot_tell"


def _warnings(lineup: Lineup, evidence: Evidence) -> tuple[str, ...]:
    out = list(evidence.warnings)
    if lineup.tree.sentence:
        out.append(lineup.tree.sentence)
    if evidence.basis == "good_boards" and evidence.good_boards == 1:
        out.append(
            "one good board only: how far good boards differ is assumed, not measured; film two or three, cold ones"
        )
    if evidence.basis == "itself_only":
        out.append(
            "no good board: parts are compared with their like and with what their kind usually shows; much weaker"
        )
    return tuple(out)


def _suspect(
    where: str,
    probability: float,
    rows: list[tuple[float, Hypothesis]],
    lineup: Lineup,
    evidence: Evidence,
    board: Board | None,
) -> Suspect:
    rows = sorted(rows, key=lambda r: -r[0])
    total = max(sum(v for v, _ in rows), 1e-300)
    faults: dict[str, float] = {}
    for value, hypothesis in rows:
        faults[hypothesis.fault] = faults.get(hypothesis.fault, 0.0) + value / total
    faults = {f: v for f, v in sorted(faults.items(), key=lambda kv: -kv[1]) if v >= 0.005 or f == rows[0][1].fault}
    scale = sum(faults.values())
    faults = {f: v / scale for f, v in faults.items() if f in FAULTS}
    main = next(h for _, h in rows if h.fault == next(iter(faults)))
    ordered = [main, *(h for _, h in rows if h is not main)]
    reasons = reasons_for(where, ordered, lineup, evidence)
    if where.startswith("@"):
        return _bare_suspect(lineup.bare[int(where[1:])], probability, faults, reasons, lineup, evidence)
    at = None if main.at is None else lineup.bare[main.at]
    return _part_suspect(where, probability, faults, reasons, main=main, at=at, evidence=evidence, board=board)


def _part_suspect(
    ref: str,
    probability: float,
    faults: dict[str, float],
    reasons: tuple[str, ...],
    *,
    main: Hypothesis,
    at: Bare | None,
    evidence: Evidence,
    board: Board | None,
) -> Suspect:
    part = next((p for p in board.parts if p.ref == ref), None) if board is not None else None
    reading = next((r for r in evidence.parts if r.ref == ref), None)
    source = next((s for s in evidence.sources if s.ref == ref), None)
    why: dict[str, str] = {}
    x, y, radius = _place(part.x if part else None, part.y if part else None, part, source, evidence)
    if at is not None:
        x, y, radius = at.x_mm, at.y_mm, at.place_95_mm
    if source is None:
        why["power_w"] = "no source of heat was separated at this part"
    if reading is None or reading.excess_k is None:
        why["excess_k"] = (reading.why.get("excess_k", "") if reading else "") or "the part is not seen on this side"
    return Suspect(
        ref,
        main.net,
        part.side if part else evidence.side,
        main.fault,
        FAULT_TEXT[main.fault],
        faults,
        x,
        y,
        radius,
        probability,
        source.power_w if source else None,
        reading.rise_rate if reading else None,
        _excess(reading),
        reading.excess_at_s if reading else None,
        reasons,
        reading.flags if reading else (),
        why,
    )


def _excess(reading: PartReading | None) -> Measured | None:
    return reading.excess_k if reading is not None else None


def _place(
    x: float | None, y: float | None, part: object, source: HeatSource | None, evidence: Evidence
) -> tuple[float | None, float | None, float | None]:
    """Return the centre of heat where one was found at the part, else the part's centre."""
    if source is not None:
        return source.x_mm, source.y_mm, source.place_95_mm
    if part is None or x is None or y is None:
        return x, y, None
    ref = part.ref  # type: ignore[attr-defined]
    for spot in evidence.hotspots:
        if spot.parts and spot.parts[0] == ref and spot.kind == "hot":
            return spot.x_mm, spot.y_mm, spot.place_95_mm
    return x, y, float(0.5 * np.hypot(part.w, part.h))  # type: ignore[attr-defined]


def _bare_suspect(
    place: Bare,
    probability: float,
    faults: dict[str, float],
    reasons: tuple[str, ...],
    lineup: Lineup,
    evidence: Evidence,
) -> Suspect:
    spot = spot_at(place, evidence)
    near = (s for s in evidence.sources if np.hypot(s.x_mm - place.x_mm, s.y_mm - place.y_mm) <= s.place_95_mm + 1.0)
    source = next((s for s in near if (s.power_w.value < 0) == place.is_cold), None)
    why = {
        "ref": f"no listed part at this place; nearest are {', '.join(place.near)}" if place.near else "no parts known"
    }
    if source is None:
        why["power_w"] = "no source of heat was separated at this place"
    if spot is None:
        why["excess_k"] = "no single hotspot at this place"
    fault = next(iter(faults))
    del lineup
    return Suspect(
        None,
        None,
        evidence.side,
        fault,
        FAULT_TEXT[fault],
        faults,
        place.x_mm,
        place.y_mm,
        place.place_95_mm,
        probability,
        source.power_w if source else None,
        spot.rise_rate if spot else None,
        spot.excess_k if spot else None,
        spot.excess_at_s if spot else None,
        reasons,
        spot.flags if spot else (),
        why,
    )
