"""Equal parts tell how far such parts differ: with the good boards, that sets one of them apart; a lost pad is found.

Heats are made from plain numbers: a bank of lamps (invented) that draw equal power but for a share drawn per part.
"""

import numpy as np
import pytest

from thermscan.explain.scene import set_scene
from thermscan.explain.sibling import spread_by_siblings
from thermscan.explain.suspect import explain
from thermscan.model.board import Board, Part
from thermscan.model.evidence import Evidence
from thermscan.model.quantity import Measured
from thermscan.model.result import PartReading
from thermscan.model.settings import ExplainSettings

TIMES = np.linspace(0.5, 10.0, 20)
SETTINGS = ExplainSettings()
OWN_K = 15.0


def bank_board(lamps=6):
    parts = [Part("U1", "chip", 60, 30, 9, 9)]
    parts += [Part(f"D{i + 1}", "diode", 10 + 12 * i, 10, 4, 4) for i in range(lamps)]
    parts += [Part(f"R{i + 1}", "resistor", 10 + 12 * i, 45, 1.6, 0.8) for i in range(5)]
    return Board("lamp bank (invented)", np.array([[0, 0], [90, 0], [90, 55], [0, 55]], float), 1.6, parts=tuple(parts))


def seen(part, own_k, excess_k, spread_k, random):
    course = (1 - np.exp(-TIMES / 3.0)) / (1 - np.exp(-TIMES[-1] / 3.0))
    excess = excess_k * course + random.normal(0, 0.05, len(TIMES))
    flat = np.full(len(TIMES), 0.08)
    last = Measured.normal(excess_k, spread_k + 0.08)
    return PartReading(
        part.ref, part.kind, part.side, "like_good", last, last, TIMES[-1], None, None, None, 0.0,
        excess_course_k=excess, noise_course_k=flat, spread_course_k=spread_k * course,
        rise_course_k=own_k * course + excess,
    )  # fmt: skip


def evidence_of(board, *, share, odd=None, factor=2.0, seed=0):
    """Return evidence against two good boards whose spread is stated as a fifth of the own heat."""
    random = np.random.default_rng(seed)
    parts = []
    for part in board.parts:
        own = {"diode": OWN_K, "chip": 8.0}.get(part.kind, 0.1)
        excess = own * share * random.normal() + (own * (factor - 1.0) if part.ref == odd else 0.0)
        parts.append(seen(part, own, excess, 0.2 * own, random))
    return Evidence(tuple(parts), TIMES, good_boards=2)


def lamp_spread(board, evidence, ref="D3"):
    scene = set_scene(evidence, board, settings=SETTINGS)
    row = scene.index(ref)
    return scene.spread_k[row, -1], spread_by_siblings(scene, board, settings=SETTINGS).spread_k[row, -1]


def test_siblings_that_agree_narrow_the_spread_and_siblings_that_do_not_widen_it():
    board = bank_board(lamps=7)
    before, after = np.transpose([lamp_spread(board, evidence_of(board, share=0.03, seed=s)) for s in range(40)])
    assert np.median(after / before) < 0.75
    before, after = np.transpose([lamp_spread(board, evidence_of(board, share=0.5, seed=s)) for s in range(40)])
    assert np.median(after / before) > 1.3


def test_pooled_spread_is_that_of_the_parts_where_belief_and_siblings_agree():
    """The pool keeps the scatter that parts really have: its mean square, over many banks, is the true one."""
    board = bank_board(lamps=7)
    pairs = [lamp_spread(board, evidence_of(board, share=0.21, seed=s)) for s in range(300)]
    before, after = np.transpose(pairs)
    assert np.sqrt(np.mean(after**2)) == pytest.approx(np.mean(before), rel=0.12)


def test_the_odd_one_does_not_hide_behind_its_own_scatter():
    board = bank_board()
    plain = lamp_spread(board, evidence_of(board, share=0.03, seed=4))[1]
    odd = lamp_spread(board, evidence_of(board, share=0.03, odd="D3", seed=4))[1]
    assert odd == pytest.approx(plain, rel=1e-6)


def test_two_siblings_or_cold_ones_tell_nothing():
    few = bank_board(lamps=3)
    before, after = lamp_spread(few, evidence_of(few, share=0.03))
    assert after == before
    board = bank_board()
    before, after = lamp_spread(board, evidence_of(board, share=0.03), ref="R2")
    assert after == before


@pytest.mark.parametrize("seed", range(5))
def test_a_lamp_twice_as_hot_as_its_siblings_and_the_good_boards_lost_its_heat_path(seed):
    """The board around it is unchanged: the watts are the same, and its body keeps them."""
    board = bank_board()
    ranking = explain(evidence_of(board, share=0.03, odd="D3", seed=seed), board)
    first = ranking.suspects[0]
    assert first.ref == "D3"
    assert first.probability > 3 * ranking.no_fault_probability
    assert ranking.verdict != "like_good"


@pytest.mark.parametrize("seed", range(5))
def test_a_bank_that_is_like_the_good_ones_is_not_accused(seed):
    board = bank_board()
    assert explain(evidence_of(board, share=0.1, seed=seed), board).verdict != "suspect"
