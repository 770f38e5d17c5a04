"""Without a good board: the phase, channel or bank that differs from its equals is found, and how weak that is is said.

Boards and heats are made from plain numbers: equal parts draw equal power but for a tenth, and warm up together.
"""

from dataclasses import replace

import numpy as np
import pytest

from thermscan.explain.expected import siblings_of
from thermscan.explain.suspect import explain
from thermscan.model.board import Board, Part, Rail
from thermscan.model.evidence import Evidence
from thermscan.model.quantity import Measured
from thermscan.model.reading import Reading
from thermscan.model.result import PartReading

TIMES = np.linspace(0.5, 10.0, 20)
BANKS = {"regulator": ("Q", 5.0, 4.0, 6.0), "inductor": ("L", 7.0, 7.0, 2.5), "memory": ("M", 10.0, 8.0, 5.0)}
RUNS = range(10)


def bank_board():
    """Six equal regulators, inductors and memories in three rows, and one larger chip."""
    parts = [Part("U1", "chip", 105.0, 35.0, 16.0, 16.0, nets=("+1V0", "GND", "D0"))]
    for row, (kind, (letter, w, h, _)) in enumerate(BANKS.items()):
        nets = {"regulator": ("+12V", f"SW{row}", "GND"), "inductor": ("SW", "+1V0"), "memory": ("+1V0", "GND")}[kind]
        parts += [Part(f"{letter}{i + 1}", kind, 10 + 15 * i, 15 + 20 * row, w, h, nets=nets) for i in range(6)]
    outline = np.array([[0, 0], [120, 0], [120, 70], [0, 70]], float)
    rails = (Rail("+12V", 12.0), Rail("+1V0", 1.0, 5.0, None, "+12V"))
    return Board("equal banks (invented)", outline, 1.6, parts=tuple(parts), rails=rails)


def reading(part, last_k, random):
    course = last_k * (1 - np.exp(-TIMES / 6.0)) / (1 - np.exp(-TIMES[-1] / 6.0)) + random.normal(0, 0.03, len(TIMES))
    flat = np.full(len(TIMES), 0.03)
    at_end = Measured.normal(course[-1], 0.03)
    return PartReading(
        part.ref, part.kind, "top", "like_good", at_end, at_end, TIMES[-1], None, None, None, 9.0,
        excess_course_k=course, noise_course_k=flat, spread_course_k=0 * flat, rise_course_k=course,
    )  # fmt: skip


def made(seed, *, is_faulty):
    """Return the board, evidence without a good board, and the refdes of the hot one of its equals."""
    random = np.random.default_rng(seed)
    board = bank_board()
    usual = {kind: row[3] * np.exp(random.normal(0, 0.25)) for kind, row in BANKS.items()} | {"chip": 6.0}
    heat = {p.ref: usual[p.kind] * np.exp(random.normal(0, 0.1)) for p in board.parts}
    hot = random.choice([p.ref for p in board.parts if p.kind != "chip"])
    if is_faulty:
        heat[hot] = 2.0 * heat[hot] + 4.0
    readings = tuple(reading(p, heat[p.ref], random) for p in board.parts)
    return board, Evidence(readings, TIMES, basis="itself_only"), str(hot)


@pytest.fixture(scope="module")
def answers():
    return [(hot, explain(evidence, board)) for board, evidence, hot in (made(s, is_faulty=True) for s in RUNS)]


def test_siblings_are_of_like_kind_and_size():
    board = bank_board()
    assert set(siblings_of(board.part("Q3"), board)) == {"Q1", "Q2", "Q4", "Q5", "Q6"}
    assert siblings_of(board.part("U1"), board) == ()


def test_the_hot_one_of_equal_parts_leads(answers):
    first = [ranking.suspects[0].ref == hot for hot, ranking in answers]
    assert sum(first) >= 9


def test_the_comparison_with_siblings_is_named_and_said_to_be_weak(answers):
    for hot, ranking in answers:
        suspect = next(s for s in ranking.suspects if s.ref == hot)
        (line,) = [r for r in suspect.reasons if "siblings" in r]
        others = {hot[0] + str(i) for i in range(1, 7)} - {hot}
        assert set(line.split("siblings ")[1].split(":")[0].split(", ")) == others
        assert "weaker than a good board" in line
        assert any("no good board" in w and "much weaker" in w for w in ranking.warnings)
        assert any("known-good boards" in s for s in ranking.next_steps)


def test_heat_alone_never_makes_it_sure(answers):
    for _, ranking in answers:
        assert ranking.suspects[0].probability <= 0.5
        assert ranking.verdict != "like_good"


def test_a_note_of_the_power_up_does_not_make_it_sure():
    board, evidence, _ = made(5, is_faulty=True)
    note = Reading("", "supply", "", "run_time", 0.3, "s", None, "on", "")
    before, after = (explain(e, board) for e in (evidence, replace(evidence, readings=(note,))))
    assert len(after.moved_by) == 1
    assert after.suspects[0].probability <= 0.5
    assert after.suspects[0].probability < 1.5 * before.suspects[0].probability


def test_equal_parts_that_are_equal_are_not_accused():
    for seed in RUNS:
        board, evidence, _ = made(seed, is_faulty=False)
        ranking = explain(evidence, board)
        assert ranking.verdict != "suspect"
        assert max((s.probability for s in ranking.suspects), default=0.0) < 0.05
