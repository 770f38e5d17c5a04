"""The fit of sources moves probabilities towards where it finds heat, and never closes a place out."""

from dataclasses import replace

import numpy as np
import pytest

from thermscan.explain.suspect import explain
from thermscan.model.quantity import Measured
from thermscan.model.result import HeatSource


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
