"""The fit of sources moves probabilities towards where it finds heat, and never closes a place out."""

from dataclasses import replace

import numpy as np
import pytest

from thermscan.explain.posterior import _shorts_that_hide
from thermscan.explain.power_tree import grow_tree
from thermscan.explain.scene import set_scene
from thermscan.explain.suspect import explain, prepare
from thermscan.model.evidence import Priors
from thermscan.model.quantity import Measured
from thermscan.model.result import HeatSource
from thermscan.model.settings import ExplainSettings


def source(part, watts, needed=0.99):
    return HeatSource(
        part.ref, part.x, part.y, 1.0, Measured(watts, 0.5 * watts if watts > 0 else 2 * watts, 1.5 * watts if watts > 0
        else 0.5 * watts), np.zeros(3), needed, "surface", {"surface": 0.9, "under_part": 0.05, "far_side": 0.05},
        (), {part.ref: 0.95},
    )  # fmt: skip


def warmed(evidence, ref):
    """The part shows a little: enough for a question, not for an answer."""

    def with_more(part):
        more = 0.4 * np.linspace(0.4, 1, len(part.excess_course_k))
        return replace(part, excess_course_k=part.excess_course_k + more, rise_course_k=part.rise_course_k + more)

    parts = tuple(with_more(p) if p.ref == ref else p for p in evidence.parts)
    return replace(evidence, parts=parts)


def chance(ranking, ref):
    return sum(s.probability for s in ranking.suspects if s.ref == ref)


def test_a_source_at_a_cold_part_makes_it_the_suspect(made_case, bare_evidence):
    case = made_case(23, "none")
    part = next(p for p in case.board.parts if p.kind == "capacitor")
    evidence = warmed(bare_evidence(case.evidence), part.ref)
    before = explain(evidence, case.board)
    after = explain(replace(evidence, sources=(source(part, 0.2),)), case.board)
    assert chance(after, part.ref) > 1.5 * chance(before, part.ref)
    assert after.no_fault_probability < before.no_fault_probability
    others = [s for s in after.suspects if s.ref != part.ref]
    assert others


def test_a_doubtful_source_moves_little(made_case, bare_evidence):
    case = made_case(23, "none")
    part = next(p for p in case.board.parts if p.kind == "capacitor")
    evidence = warmed(bare_evidence(case.evidence), part.ref)
    sure, doubtful = (
        explain(replace(evidence, sources=(source(part, 0.2, needed),)), case.board) for needed in (0.99, 0.5)
    )
    assert chance(sure, part.ref) > chance(doubtful, part.ref)


@pytest.mark.parametrize("watts", [0.2, -0.2])
def test_probabilities_still_add_to_one(made_case, bare_evidence, watts):
    case = made_case(23, "none")
    part = case.board.parts[0]
    ranking = explain(replace(bare_evidence(case.evidence), sources=(source(part, watts),)), case.board)
    total = sum(s.probability for s in ranking.suspects) + ranking.no_fault_probability + ranking.other_probability
    assert total == pytest.approx(1.0, abs=1e-9)


def test_a_source_at_one_part_of_a_net_that_is_down_tells_which_of_them_is_short(made_case):
    case = made_case(30, "none")
    settings = ExplainSettings()
    scene = set_scene(case.evidence, case.board, settings=settings)
    lineup, _ = prepare(case.evidence, scene, case.board, grow_tree(case.board), priors=Priors(), settings=settings)
    shunts = [p.ref for p in case.board.parts if p.kind == "capacitor" and "+3V3" in p.nets][:2]
    rows = [next(i for i, h in enumerate(lineup.hypotheses) if (h.where, h.fault) == (r, "short")) for r in shunts]
    # nothing is seen at either, and all that +3V3 feeds is cold: its supply is dead, or one of them takes it down
    is_dead = np.array([h.fault == "dead_supply" and h.net == "+3V3" for h in lineup.hypotheses])
    heat, silent = np.where(is_dead, 20.0, -5.0), np.full(len(is_dead), 0.5)
    weights = np.zeros(len(is_dead))
    for there in (0.0, -1.6):
        weights[rows[0]] = there
        hidden = _shorts_that_hide(heat, silent, weights, lineup)
        assert hidden[rows[1]] - hidden[rows[0]] == pytest.approx(-there, abs=1e-6)
