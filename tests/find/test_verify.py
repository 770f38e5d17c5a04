"""Judging a repair from hand-made readings of parts."""

import numpy as np
import pytest

from thermscan.find.verify import RepairEvidence, State, is_at_edge, verify_repair
from thermscan.find.verify_criteria import (
    Run,
    balance_criterion,
    is_cold,
    last_fifth_change,
    rail_criteria,
    restart_criterion,
    warmth_at_start,
)
from thermscan.model.board import Board, Hole, Rail
from thermscan.model.case_settings import VerifySettings
from thermscan.model.quantity import Measured
from thermscan.model.reading import Reading
from thermscan.model.result import Hotspot, PartReading

SETTINGS = VerifySettings()


def part(ref, excess, *, error=0.2, rise=3.0):
    significance = excess / error
    state = "like_good" if abs(significance) < 4 else ("hot" if excess > 0 else "cold")
    return PartReading(
        ref, "chip", "top", state, Measured.normal(rise + excess, 0.1), Measured.normal(excess, error), 8.0, None, None,
        significance, 20.0,
    )  # fmt: skip


def hidden(ref):
    return PartReading(ref, "chip", "top", "unreadable", None, None, None, None, None, None, 20.0)


def spot(x, y, excess, significance, *, parts=()):
    kind = "hot" if excess > 0 else "cold"
    k = Measured.normal(excess, 0.1)
    return Hotspot(1, kind, x, y, 0.7, k, None, 8.0, 1e-9, 1e-9, significance, 4.0, parts)


def judge(before, after, *, paired=None, before_places=(), after_places=(), runs=(), **more):
    evidence = RepairEvidence(
        after=(State("after", tuple(after), tuple(after_places)),),
        before=None if before is None else State("before", tuple(before), tuple(before_places)),
        paired=() if paired is None else (tuple(paired),),
        runs=tuple(runs),
        **more,
    )
    return verify_repair(evidence, settings=SETTINGS)


def run(name="cold", *, cold=True, restarts=0, on_for_s=10.0, times=(), rise=()):
    return Run(name, cold, restarts, on_for_s, np.array(times, float), np.array(rise, float))


FAULTY = [part("C14", 12.0), part("U3", 4.0), part("U5", -6.0), part("R1", 0.1)]


def test_fixed_is_gone_and_nothing_else_changed():
    outcome, sentence, _, places = judge(FAULTY, [part(r, 0.1) for r in ("C14", "U3", "U5", "R1")])
    assert outcome == "gone"
    # errors of 0.2 K, four standard deviations of which are under the floor of 1 K
    limit = "a typical part would show it from 1.0 K, C14 from 1.0 K"
    assert sentence == f"The fault is gone (C14, U5, U3). No other change is seen; {limit}."
    assert {p.name: p.state for p in places} == {"C14": "gone", "U3": "gone", "U5": "gone"}
    assert places[0].sentence.startswith("C14 was +12.0 K (+11.6 to +12.4), is +0.1 K")


def test_not_fixed_is_still_there_even_when_weaker():
    outcome, sentence, _, _ = judge(FAULTY, [part("C14", 3.0), part("U3", 0.1), part("U5", 0.0), part("R1", 0.1)])
    assert outcome == "still_there"
    assert "C14" in sentence


def test_fixed_but_something_new():
    after = [part("C14", 0.1), part("U3", 0.1), part("U5", 0.1), part("R1", 2.5)]
    paired = [part("R1", 2.4)]
    outcome, sentence, _, _ = judge(FAULTY, after, paired=paired)
    assert outcome == "something_new"
    assert sentence == "The fault is gone (C14, U5, U3), but there is something new: R1."


def test_new_needs_that_the_board_differs_from_itself_too():
    before = [part("C14", 12.0), part("R1", 0.7)]
    after = [part("C14", 0.0), part("R1", 1.1)]
    outcome, _, _, places = judge(before, after, paired=[part("R1", 0.4)])
    assert outcome == "gone"
    assert {p.name: p.state for p in places}["R1"] == "unknown"


def test_what_is_left_with_its_whole_interval_is_still_there():
    before, after = [part("C14", 2.0)], [part("C14", 1.8, error=0.5)]  # 3.6 standard deviations, 0.8 to 2.8 K
    assert judge(before, after)[0] == "still_there"


def test_far_apart_is_new_even_where_the_paired_difference_is_unsure():
    before, after = [part("C14", 12.0), part("L1", 0.0)], [part("C14", 0.0), part("L1", 2.6)]
    assert judge(before, after, paired=[part("L1", 2.6, error=0.9)])[0] == "something_new"


def test_not_being_seen_is_not_being_gone():
    outcome, sentence, _, places = judge([part("C14", 2.0)], [hidden("C14")])
    assert outcome == "cannot_tell"
    assert places[0].sentence == "C14 was +2.0 K (+1.6 to +2.4), cannot be seen now"
    outcome, _, _, places = judge([part("C14", 2.0)], [part("C14", 0.8, error=0.4)])
    assert (outcome, places[0].state) == ("cannot_tell", "unknown")
    assert "C14" in sentence


def test_a_fault_that_never_showed_cannot_be_shown_to_be_gone():
    outcome, sentence, _, _ = judge([part("C14", 0.1)], [part("C14", 0.1)])
    assert outcome == "cannot_tell"
    assert "shows no difference" in sentence


def test_an_invisible_fault_says_whether_the_board_moved():
    before, after = [part("C14", 3.0, error=1.0)], [part("C14", 0.1, error=1.0)]
    for paired, words in ((3.0, "It did move nearer to them at C14"), (0.1, "Nor did it visibly change")):
        outcome, sentence, _, _ = judge(before, after, paired=[part("C14", -paired)])
        assert outcome == "cannot_tell"
        assert words in sentence


def test_without_a_recording_from_before():
    assert judge(None, [part("C14", 0.1)])[0] == "like_good"
    outcome, sentence, _, _ = judge(None, [part("C14", 9.0)])
    assert outcome == "still_there"
    assert sentence == "Not like the good boards: C14."


def test_the_worst_of_several_recordings_counts():
    evidence = RepairEvidence(
        after=(State("1", (part("C14", 0.1),)), State("2", (part("C14", 11.0),))),
        before=State("before", (part("C14", 12.0),)),
    )
    assert verify_repair(evidence)[0] == "still_there"


def test_changed_yet_like_the_good_boards_is_told_and_does_not_fail():
    before, after = [part("C14", 12.0), part("R1", -0.1)], [part("C14", 0.0), part("R1", 1.3, error=0.4)]
    outcome, sentence, _, _ = judge(before, after, paired=[part("R1", 1.4, error=0.1)])
    assert outcome == "gone"
    assert sentence.endswith("Changed, yet like the good boards: R1.")


def test_bare_places_count_when_strong_and_not_at_an_edge():
    board = Board("b", np.array([[0, 0], [40, 0], [40, 30], [0, 30]]), 1.6, (Hole(30, 20, 3.0),))
    common = {"board": board, "edge_mm": 1.0}
    there = [spot(10, 10, 5.0, 20.0)]
    assert judge([], [], before_places=there, after_places=there, **common)[0] == "still_there"
    assert judge([], [], before_places=there, **common)[0] == "gone"
    assert judge([part("C14", 9.0)], [part("C14", 0.0)], after_places=there, **common)[0] == "something_new"
    for edge in ([spot(39.5, 10, 5.0, 20.0)], [spot(31.5, 20, 5.0, 20.0)], [spot(10, 10, 5.0, 6.0)]):
        assert judge([part("C14", 9.0)], [part("C14", 0.0)], after_places=edge, **common)[0] == "gone"


def test_distance_to_edges():
    board = Board("b", np.array([[0, 0], [40, 0], [40, 30], [0, 30]]), 1.6, (Hole(20, 15, 4.0),))
    assert is_at_edge(board, 0.9, 15, reach_mm=1.0)
    assert not is_at_edge(board, 1.1, 15, reach_mm=1.0)
    assert is_at_edge(board, 22.5, 15, reach_mm=0.6)
    assert not is_at_edge(board, 23.0, 15, reach_mm=0.6)


def test_what_was_not_done_is_listed_as_not_done():
    _, _, criteria, _ = judge(FAULTY, FAULTY, runs=[run()], rails=(Rail("+3V3", 3.3),))
    assert {c.name: c.state for c in criteria} == {
        "fault": "not_met", "whole board": "not_met", "cold starts": "not_done", "restarts": "met",
        "thermal balance": "not_done", "rail +3V3": "not_done",
    }  # fmt: skip
    assert criteria[2].found == "1 of 1 recordings"


def test_restarts():
    assert restart_criterion([run(), run(restarts=3)]).state == "not_met"
    assert restart_criterion([run(), run(restarts=None)]).state == "not_done"


@pytest.mark.parametrize(("ratio", "state"), [(2.0, "not_done"), (3.0, "not_done"), (4.0, "met"), (6.0, "met")])
def test_balance_by_the_charging_curve(ratio, state):
    # 1 - exp(-t / tau): 86 % after 2 tau, 95 % after 3, 98 % after 4 (tables of the exponential in any textbook).
    tau = 40.0
    times = np.linspace(1, ratio * tau, 60)
    rise = 30 * (1 - np.exp(-times / tau)) + np.random.default_rng(0).normal(0, 0.05, times.size)
    long_run = run("long", on_for_s=ratio * tau, times=times, rise=rise)
    assert balance_criterion([run(), long_run], None, settings=SETTINGS).state == state
    change, end = last_fifth_change(long_run)
    assert change == pytest.approx(30 * (np.exp(-0.8 * ratio) - np.exp(-ratio)), abs=0.15)
    assert end == pytest.approx(30, rel=0.2)


def test_a_short_run_is_no_balance_and_a_stated_time_replaces_it():
    flat = run("flat", on_for_s=10.0, times=np.linspace(0, 10, 30), rise=np.full(30, 5.0))
    assert balance_criterion([flat], None, settings=SETTINGS).state == "not_done"
    assert balance_criterion([flat], 9.0, settings=SETTINGS).state == "met"
    assert balance_criterion([flat], 60.0, settings=SETTINGS).state == "not_done"


@pytest.mark.parametrize(
    ("volts", "state"), [(3.135, "met"), (3.465, "met"), (3.134, "not_met"), (3.466, "not_met"), (0.0, "not_met")]
)
def test_rails_in_tolerance_limits_included(volts, state):
    # 3.3 V +-5 %: 3.135 to 3.465 V, by hand.
    reading = Reading("", "", "+3V3", "voltage", volts, "V", None, "on", "")
    (criterion,) = rail_criteria([Rail("+3V3", 3.3)], [reading])
    assert (criterion.state, criterion.wanted) == (state, "3.135 to 3.465 V")


def test_rails_measured_off_or_unknown_are_not_done():
    off = Reading("", "", "+3V3", "voltage", 3.3, "V", None, "off", "")
    assert rail_criteria([Rail("+3V3", 3.3)], [off])[0].state == "not_done"
    assert rail_criteria([Rail("VX", None)], [])[0].state == "not_done"
    assert rail_criteria([], [])[0].state == "not_done"


def test_a_small_difference_that_stays_is_no_fault_but_keeps_the_repair_from_passing():
    before = [part("C14", 12.0), part("R1", 1.5)]
    outcome, sentence, criteria, _ = judge(before, [part("C14", 0.0), part("R1", 1.4)], runs=[run(), run()])
    assert outcome == "gone"
    assert "Still not like the good boards, though less than the fault was: R1." in sentence
    assert [(c.name, c.state) for c in criteria[:2]] == [("fault", "met"), ("whole board", "not_met")]


def test_scatter_over_the_board_widens_the_errors():
    noisy = [part(f"R{i}", 0.7 * (-1) ** i) for i in range(20)]
    after = [part("C14", 0.0), part("U1", 1.1), *noisy]
    assert judge([part("C14", 12.0), part("U1", 0.0), *noisy], after, paired=[part("U1", 1.1)])[0] == "gone"


def test_what_an_earlier_run_left_is_told_from_the_room_and_the_camera():
    rise = np.concatenate([np.full(10, 8.0), np.zeros(190)])
    room = 23 + np.random.default_rng(0).normal(0, 0.05, 200)
    left, reached = warmth_at_start(room, rise)
    assert left == pytest.approx(0.0, abs=0.05)
    assert reached == 8.0
    assert is_cold(left, reached, settings=SETTINGS)
    assert warmth_at_start(room - 0.4, rise)[0] == pytest.approx(left)  # a drift of the whole picture is none
    left, _ = warmth_at_start(room + 0.3 * rise, rise)
    assert left == pytest.approx(2.4, abs=0.05)
    assert not is_cold(left, reached, settings=SETTINGS)


def test_only_a_fault_that_was_seen_counts_as_gone():
    calm = [part("C14", 0.1)]
    for before, after, state, found in (
        (FAULTY, [part(r, 0.1) for r in ("C14", "U3", "U5", "R1")], "met", "gone: C14, U5, U3"),
        (FAULTY, FAULTY, "not_met", "still there: C14, U5, U3"),
        (None, calm, "not_done", "no recording from before"),
        (calm, calm, "not_done", "cannot be told: check by the symptom"),
    ):
        criterion = judge(before, after)[2][0]
        assert (criterion.name, criterion.state, criterion.found) == ("fault", state, found)
