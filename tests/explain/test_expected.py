"""Without a good board: the phase, channel or bank that differs from its equals is found, and how weak that is is said.

Boards and heats are made from plain numbers: equal parts draw equal power but for a tenth, and warm up together.
"""

from dataclasses import replace

import numpy as np
import pytest

from thermscan.explain.power_tree import grow_tree
from thermscan.explain.sibling import branch_siblings_of, siblings_of
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


def branch_board():
    """Four regulators of unlike size, each of which makes one rail from +12V, with a chip on each rail."""
    nets = [f"+{volts}" for volts in ("5V", "3V3", "1V8", "1V2")]
    makers = [
        Part(f"U{i}", "regulator", 10 + 25.0 * i, 15, 2 * 1.5**i, 3, nets=("+12V", n)) for i, n in enumerate(nets)
    ]
    users = [Part(f"U1{i}", "chip", 10 + 25.0 * i, 40, 4 + 3 * i, 6, nets=(n, "GND")) for i, n in enumerate(nets)]
    rails = [Rail("+12V", 12.0), *(Rail(n, 1.0, 5.0, f"U{i}", "+12V") for i, n in enumerate(nets))]
    outline = np.array([[0, 0], [110, 0], [110, 60], [0, 60]], float)
    return Board("four branches (invented)", outline, 1.6, parts=(*makers, *users), rails=tuple(rails))


def test_the_branches_of_the_power_tree_are_compared_where_no_part_has_an_equal():
    board = branch_board()
    tree = grow_tree(board)
    assert siblings_of(board.part("U2"), board) == ()
    assert set(branch_siblings_of(board.part("U3"), board, tree)) == {"U0", "U1", "U2"}
    assert set(branch_siblings_of(board.part("U12"), board, tree)) == {"U10", "U11", "U13"}
    first, lines = 0, []
    for seed in RUNS:
        random = np.random.default_rng(seed)
        heat = {p.ref: (4.0 if p.kind == "chip" else 5.0) * np.exp(random.normal(0, 0.2)) for p in board.parts}
        heat["U2"] = 3.0 * heat["U2"] + 8.0
        ranking = explain(
            Evidence(tuple(reading(p, heat[p.ref], random) for p in board.parts), TIMES, basis="itself_only"), board
        )
        first += ranking.suspects[0].ref in ("U2", "U12")  # what feeds the branch, or what draws on it
        lines += [r for s in ranking.suspects if s.ref == "U2" for r in s.reasons if "power tree" in r]
    assert first >= 9
    assert len(lines) >= 9
    assert all("weaker than siblings" in line and "U0" in line for line in lines)


def test_branches_that_are_alike_are_not_accused():
    board = branch_board()
    for seed in RUNS:
        random = np.random.default_rng(seed)
        heat = {p.ref: (4.0 if p.kind == "chip" else 5.0) * np.exp(random.normal(0, 0.2)) for p in board.parts}
        evidence = Evidence(tuple(reading(p, heat[p.ref], random) for p in board.parts), TIMES, basis="itself_only")
        assert explain(evidence, board).verdict != "suspect"


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


@pytest.mark.parametrize("seed", range(4))
def test_healthy_parts_unlike_their_kind_do_not_prove_another_fault(seed):
    """Bleeders and snubbers run hot by design: with nothing to compare with, that is neither a fault nor its place."""
    random = np.random.default_rng(seed)
    parts = tuple(
        Part(f"R{i}", "resistor", 10 + 11 * i, 12 + 9 * (i % 3), 2 + 0.8 * i, 1.6 + 0.3 * i) for i in range(9)
    )
    outline = np.array([[0, 0], [110, 0], [110, 50], [0, 50]], float)
    board = Board("hot resistors (invented)", outline, 1.6, parts=parts)
    heat = {p.ref: random.uniform(0.3, 2.0) for p in parts} | {"R1": 29.0, "R4": 17.0, "R5": 24.0, "R8": 38.0}
    evidence = Evidence(tuple(reading(p, heat[p.ref], random) for p in parts), TIMES, basis="itself_only")
    ranking = explain(evidence, board)
    assert ranking.verdict == "cannot_tell"
    assert ranking.other_probability < 0.6
    assert ranking.no_fault_probability > 0.1
