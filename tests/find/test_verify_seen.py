"""What all parts of a board share is told apart from what single parts show."""

import dataclasses

import numpy as np
import pytest

from thermscan.find.verify import RepairEvidence, State, verify_repair
from thermscan.find.verify_seen import WHOLE_BOARD, rises_of, scatter_beyond, see_parts, shared_of
from thermscan.model.case_settings import VerifySettings
from thermscan.model.quantity import Measured
from thermscan.model.result import PartReading

SETTINGS = VerifySettings()
RISES = np.array([0.1, 0.2, 0.2, 0.3, 0.4, 0.6, 0.9, 1.3, 1.8, 2.5, 3.2, 4.0, 5.5, 7.0])


def part(ref, rise, excess, error=0.1):
    state = "like_good" if abs(excess) < 4 * error else ("hot" if excess > 0 else "cold")
    return PartReading(
        ref, "chip", "top", state, Measured.normal(rise + excess, 0.1), Measured.normal(excess, error), 8.0, None, None,
        excess / error, 20.0,
    )  # fmt: skip


def board(offset, share, *, error=0.1, seed=None, **faults):
    noise = np.zeros(RISES.size) if seed is None else np.random.default_rng(seed).normal(0, error, RISES.size)
    excess = offset + share * RISES + noise + [faults.get(f"U{i}", 0.0) for i in range(RISES.size)]
    return [part(f"U{i}", rise, value, error) for i, (rise, value) in enumerate(zip(RISES, excess, strict=True))]


def fit(parts):
    return shared_of(parts, rises_of(parts))


def judge(before, after, paired):
    evidence = RepairEvidence((State("after", tuple(after)),), State("before", tuple(before)), (tuple(paired),))
    outcome, _, _, places = verify_repair(evidence, settings=SETTINGS)
    return outcome, {p.name: p.state for p in places}


def minus(after, before):
    """The board against itself before, whose parts rise as they did then."""
    return [
        dataclasses.replace(
            a, excess_k=Measured.normal(a.excess_k.value - b.excess_k.value, 0.05),
            significance=(a.excess_k.value - b.excess_k.value) / 0.05, rise_k=a.rise_k,
        )
        for a, b in zip(after, before, strict=True)
    ]  # fmt: skip


def test_offset_and_share_come_back_exactly_without_noise_and_with_parts_at_fault():
    found = fit(board(-0.8, 0.0, U3=9.0, U8=4.0, U12=-3.0))
    assert found.offset_k == pytest.approx(-0.8, abs=1e-6)
    assert found.share.value == pytest.approx(0.0, abs=1e-6)
    found = fit(board(0.2, -0.6, U3=9.0))
    assert (found.offset_k, found.share.value) == pytest.approx((0.2, -0.6), abs=1e-6)


def test_the_interval_of_the_share_holds_the_truth():
    inside = [abs((s := fit(board(0.3, -0.4, seed=seed)).share).value + 0.4) <= s.high - s.value for seed in range(200)]
    assert sum(inside) >= 186  # binomial(200, 0.95): 186 or more in 94 %, and the interval is on the wide side


def test_few_or_cool_parts_share_nothing_that_could_be_told():
    assert fit(board(0.5, 0.0)[:7]) == type(fit([]))()
    cool = [part(f"R{i}", 0.2, 0.5) for i in range(12)]
    assert fit(cool).share is None
    assert fit(cool).offset_k == pytest.approx(0.5)


def test_scatter_is_what_errors_leave_unexplained():
    # Variances of independent errors add: standard deviation 2 is made of 1.2 and 1.6.
    left = np.random.default_rng(1).normal(0, 2.0, 4001)
    assert scatter_beyond(left, np.full(left.size, 1.2)) == pytest.approx(1.6, rel=0.05)
    assert scatter_beyond(left, np.full(left.size, 2.5)) == 0.0
    assert scatter_beyond(np.zeros(0), np.zeros(0)) == 0.0


def test_what_all_parts_share_is_no_difference_of_one_part():
    parts = board(-0.9, 0.05, seed=2)
    seen = see_parts(parts, rises_of(parts), sigma=4.0, settings=SETTINGS)
    assert not any(s.stands_out for s in seen.values())
    drawn = seen["U0"]
    assert drawn.excess.value == parts[0].excess_k.value
    assert drawn.excess.low < 0 < drawn.excess.high  # as measured, the shared offset in its interval


def test_a_board_that_went_cold_as_a_whole_is_something_new():
    before, after = board(0.0, 0.0, seed=3), board(0.3, -0.8, seed=4)
    outcome, states = judge(before, after, minus(after, before))
    assert outcome == "something_new"
    assert states == {WHOLE_BOARD: "new"}


def test_a_board_that_came_back_as_a_whole_is_repaired_and_one_that_did_not_is_not():
    before, after = board(0.3, -0.8, seed=3), board(0.0, -0.05, seed=4)
    assert judge(before, after, minus(after, before)) == ("gone", {WHOLE_BOARD: "gone"})
    again = board(0.1, -0.75, seed=5)
    assert judge(before, again, minus(again, before)) == ("still_there", {WHOLE_BOARD: "still_there"})


def test_going_away_is_told_by_the_board_against_itself_where_good_boards_differ_much():
    before = board(0.0, 0.0, error=0.4, U10=-3.5)
    after = board(0.0, 0.0, error=0.4, U10=-0.5)  # at the most 1.3 K of it may be left
    assert judge(before, after, ())[0] == "cannot_tell"
    outcome, states = judge(before, after, minus(after, before))
    assert (outcome, states["U10"]) == ("gone", "gone")
    half = board(0.0, 0.0, error=0.4, U10=-1.5)
    assert judge(before, half, minus(half, before))[0] == "cannot_tell"


def test_a_part_that_moved_with_its_board_is_not_taken_for_one_that_never_moved():
    before = board(0.0, 0.0, error=0.3)
    after = board(0.0, -0.3, error=0.3, U13=-5.0)
    assert judge(before, after, minus(after, before))[1]["U13"] == "new"


def test_a_board_that_moved_away_within_the_spread_is_told_though_nothing_else_is():
    before, after = board(0.0, 0.0, error=1.2), board(0.0, -0.4, error=1.2)
    evidence = RepairEvidence(
        (State("after", tuple(after)),), State("before", tuple(before)), (tuple(minus(after, before)),)
    )
    outcome, sentence, _, _ = verify_repair(evidence, settings=SETTINGS)
    assert outcome == "cannot_tell"
    assert "It did move away from them at the whole board" in sentence
