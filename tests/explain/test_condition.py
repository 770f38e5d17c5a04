"""Runs that were not alike are said to be so, and an odd good board is named."""

from dataclasses import replace

import numpy as np
import pytest

from thermscan.explain.condition import Conditions, common_scale, compare_conditions, odd_good_boards, with_scale
from thermscan.explain.scene import left_out_widening, set_scene
from thermscan.explain.suspect import explain
from thermscan.model.evidence import Evidence
from thermscan.model.recording import Drive, SupplyPoint
from thermscan.model.result import PartReading
from thermscan.model.settings import ExplainSettings

SETTINGS = ExplainSettings()
LIKE = Conditions(SETTINGS.common_share)


def log(volts, amps):
    return tuple(SupplyPoint(0.1 * i, volts, amps) for i in range(20))


def run(volts, amps, **more):
    return Evidence(supply=log(volts, amps), good_supplies=(log(12.0, 0.5), log(12.0, 0.52)), **more)


def test_equal_volts_say_nothing():
    found = compare_conditions(run(12.1, 0.5), SETTINGS)
    assert not found.sentences
    assert not found.is_refused
    assert found.common_share == SETTINGS.common_share


def test_lower_volts_are_allowed_for():
    # a resistor's heat goes with the square of its volts: 10.8 V for 12 V leaves 81 %
    found = compare_conditions(run(10.8, 0.45), SETTINGS)
    assert "10 % less volts" in found.sentences[0]
    assert "19 %" in found.sentences[0]
    assert found.common_share == pytest.approx(0.19)
    assert not found.is_refused


def test_far_apart_is_refused():
    found = compare_conditions(run(8.0, 0.3), SETTINGS)
    assert found.is_refused
    assert "film both at the same volts" in found.sentences[0]


def test_volts_that_the_fault_pulls_down_are_no_condition():
    assert not compare_conditions(run(8.0, 2.0), SETTINGS).sentences


def test_a_warmer_room_is_said():
    found = compare_conditions(Evidence(ambient_c=33.0, good_ambients_c=(22.0, 24.0)), SETTINGS)
    assert "10 K warmer" in found.sentences[0]


def board_of(values, seed):
    """Parts of a good board judged by the others: course of three bins, last value given."""
    random = np.random.default_rng(seed)
    out = []
    for i, value in enumerate(values):
        excess = np.array([0.3, 0.7, 1.0]) * (value + random.normal(0, 0.05))
        flat = np.full(3, 0.05)
        out.append(
            PartReading(
                f"U{i + 1}", "chip", "top", "like_good", None, None, None, None, None, None, 0.0,
                excess_course_k=excess, noise_course_k=flat, spread_course_k=2 * flat, rise_course_k=2.0 + excess,
            )
        )  # fmt: skip
    return tuple(out)


def boards(odd):
    calm = [board_of(np.zeros(12), seed) for seed in range(3)]
    if odd:
        calm[1] = board_of(np.array([4.0] + [0.0] * 11), 9)
    return Evidence(left_out=tuple(calm), good_boards=3, good_names=("a.npy", "b.npy", "c.npy"))


def test_an_odd_good_board_is_named():
    (said,) = odd_good_boards(boards(odd=True), SETTINGS)
    assert "b.npy" in said
    assert "U1" in said


def test_somebody_who_leans_in_at_the_end_of_one_recording_makes_no_board_odd():
    leaned = boards(odd=False)
    late = [replace(p, excess_course_k=p.excess_course_k + np.array([0.0, 0.0, 4.0])) for p in leaned.left_out[1]]
    leaned = replace(leaned, left_out=(leaned.left_out[0], tuple(late), leaned.left_out[2]))
    long = tuple(tuple(longer(p) for p in board) for board in leaned.left_out)
    assert odd_good_boards(replace(leaned, left_out=long), SETTINGS) == ()
    assert left_out_widening(replace(leaned, left_out=long), SETTINGS) == 1.0


def longer(part):
    """The part with its courses seen through six bins: the last value is that of the last bin alone."""
    bins = [0, 0, 1, 1, 1, 2]
    keys = ("excess_course_k", "noise_course_k", "spread_course_k", "rise_course_k")
    return replace(part, **{key: getattr(part, key)[bins] for key in keys})


def test_like_boards_are_not_odd():
    assert odd_good_boards(boards(odd=False), SETTINGS) == ()


def test_of_two_only_the_pair_is_named():
    found = boards(odd=True)
    (said,) = odd_good_boards(replace(found, left_out=found.left_out[:2], good_boards=2), SETTINGS)
    assert "a.npy and b.npy" in said


def test_the_ranking_carries_the_flag(made_case, bare_evidence):
    case = made_case(23, "none")
    found = replace(bare_evidence(case.evidence), left_out=boards(odd=True).left_out, good_names=("a", "b", "c"))
    ranking = explain(found, case.board)
    assert ranking.flags == ("odd_good_board",)
    assert any(w.startswith("b is odd") for w in ranking.warnings)


def scene_like(evidence, board):
    return set_scene(evidence, board, settings=SETTINGS)


def scaled(evidence, share):
    """The same evidence with every part warmer than on the good boards by a share of its own heat."""
    parts = tuple(
        replace(p, excess_course_k=share * own, rise_course_k=(1 + share) * own)
        for p in evidence.parts
        for own in [p.rise_course_k - p.excess_course_k]
    )
    return replace(evidence, parts=parts)


def test_more_heat_everywhere_is_refused(made_case, bare_evidence):
    case = made_case(23, "none")
    found = scaled(bare_evidence(case.evidence), 0.7)
    assert common_scale(scene_like(found, case.board), SETTINGS) == pytest.approx(0.7, abs=0.02)
    ranking = explain(found, case.board)
    assert any("70 % warmer" in w and "airflow" in w and "film both the same way" in w for w in ranking.warnings)
    assert ranking.verdict != "suspect"


def test_little_more_heat_everywhere_is_corrected_and_not_refused(made_case, bare_evidence):
    case = made_case(23, "none")
    found = scaled(bare_evidence(case.evidence), 0.15)
    ranking = explain(found, case.board)
    assert not any("too far apart" in w for w in ranking.warnings)
    assert ranking.verdict != "suspect"


def test_less_heat_everywhere_is_a_condition_only_where_the_current_is_alike(made_case, bare_evidence):
    # a fan takes heat away and no current; a supply that is down takes both
    case = made_case(23, "none")
    found = scaled(bare_evidence(case.evidence), -0.65)
    scene = scene_like(found, case.board)
    alike = replace(found, supply=log(12.0, 0.5), good_supplies=(log(12.0, 0.51),))
    seen = with_scale(LIKE, scene, alike, SETTINGS)
    assert "65 % cooler" in seen.sentences[0]
    assert seen.scale == pytest.approx(-0.65, abs=0.02)
    assert with_scale(LIKE, scene, replace(alike, supply=log(12.0, 0.1)), SETTINGS) is LIKE
    assert with_scale(LIKE, scene, found, SETTINGS) is LIKE


def test_one_hot_part_is_no_common_scale(made_case, bare_evidence):
    case = made_case(1, "short")
    scene = scene_like(bare_evidence(case.evidence), case.board)
    assert with_scale(LIKE, scene, case.evidence, SETTINGS) is LIKE


def test_a_place_far_beyond_what_all_heat_differs_by_is_named(made_case, bare_evidence):
    # on for far longer than the good boards, and one capacitor as warm as no longer run would make it
    case = made_case(1, "short")
    parts = tuple(
        replace(p, excess_course_k=p.excess_course_k + more, rise_course_k=p.rise_course_k + more)
        for p in bare_evidence(case.evidence).parts
        for more in [1.3 * (p.rise_course_k - p.excess_course_k)]
    )
    ranking = explain(replace(bare_evidence(case.evidence), parts=parts), case.board)
    assert any("130 % warmer" in w for w in ranking.warnings)
    assert ranking.suspects[0].ref == case.ref
    assert ranking.verdict == "suspect"
    calm = explain(scaled(bare_evidence(made_case(23, "none").evidence), 1.3), case.board)
    assert calm.verdict != "suspect"


def test_stated_volts_count_where_there_is_no_log():
    found = compare_conditions(Evidence(drive=Drive(volts=8.0), good_drives=(Drive(volts=12.0),)), SETTINGS)
    assert found.is_refused
    assert "33 % less volts" in found.sentences[0]


def test_a_fed_net_is_not_compared_with_a_board_on_its_own_supply():
    fed = Drive("injection", "+3V3", 1.0, 2.0)
    found = compare_conditions(Evidence(drive=fed, good_drives=(Drive(volts=12.0),)), SETTINGS)
    assert found.is_refused
    assert "+3V3" in found.sentences[0]
    assert "film both driven the same way" in found.sentences[0]
    assert not compare_conditions(Evidence(drive=fed, good_drives=(fed,)), SETTINGS).sentences
