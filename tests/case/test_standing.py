"""What each entry does to the suspects, by the stated amounts."""

import copy

import pytest

from thermscan.case.folder import open_case
from thermscan.case.standing import standing_of
from thermscan.case.state import readings_of_fault, repaired_at, state_of
from thermscan.case.symptom import SYMPTOMS, symptom_named
from thermscan.model.case_settings import CaseSettings
from thermscan.model.errors import InputError
from thermscan.model.result import FAULTS

P = {"C14": 0.83, "U3": 0.08, "bare place at 36, 30 mm": 0.03, "no fault": 0.01, "other": 0.05}


def odds(state, a, b):
    return state.standing.of(a) / state.standing.of(b)


def state(case, board):
    return state_of(open_case(case.path), board)


def test_a_comparison_alone_is_taken_as_it_is(bench, board):
    case = bench.compare(bench.open())
    standing = state(case, board).standing
    assert {c.name: c.probability for c in standing.candidates} == pytest.approx({k: P[k] for k in list(P)[:3]})
    assert (standing.no_fault, standing.other) == pytest.approx((0.01, 0.05))


def test_no_change_lowers_the_part_by_the_stated_amount_and_its_kind_by_another(bench, board, document):
    document = copy.deepcopy(document)
    document["suspects"][1]["ref"] = "C15"  # a capacitor like C14
    case = bench.compare(bench.open(), document)
    before = state(case, board)
    case = bench.add(case, "swap", ref="C14", action="swapped", change="none")
    after = state(case, board)
    bare = "bare place at 36, 30 mm"
    assert odds(after, "C14", bare) == pytest.approx(0.1 * odds(before, "C14", bare))
    assert odds(after, "C15", bare) == pytest.approx(0.8 * odds(before, "C15", bare))
    assert after.standing.total == pytest.approx(1.0)
    step = after.steps[-1]
    assert step.what == "C14 swapped, no change: C14 times 0.1, other parts of kind capacitor times 0.8"
    assert step.moved.startswith("moves C14 from 83 % to ")


def test_bayes_by_hand(bench, board):
    # 0.83 * 0.1 / (0.083 + 0.08 + 0.03 + 0.01 + 0.05) = 0.083 / 0.253
    case = bench.add(bench.compare(bench.open()), "swap", ref="C14", action="removed", change="none")
    assert state(case, board).standing.of("C14") == pytest.approx(0.083 / 0.253)
    # gone: everything else times 0.1: 0.83 / (0.83 + 0.017)
    case = bench.add(bench.compare(bench.open("b")), "swap", ref="C14", action="swapped", change="gone")
    assert state(case, board).standing.of("C14") == pytest.approx(0.83 / 0.847)


def test_the_same_said_twice_counts_once(bench, board):
    case = bench.add(bench.compare(bench.open()), "swap", ref="C14", action="swapped", change="none")
    once = state(case, board).standing.of("C14")
    case = bench.add(case, "swap", ref="C14", action="removed", change="none")
    assert state(case, board).standing.of("C14") == pytest.approx(once)


def test_ruling_out_and_symptoms(bench, board):
    case = bench.compare(bench.open())
    before = state(case, board)
    case = bench.add(case, "rule_out", ref="C14", reason="lifted")
    assert odds(state(case, board), "C14", "U3") == pytest.approx(0.02 * odds(before, "C14", "U3"))
    case = bench.add(bench.compare(bench.open("b")), "symptom", text="runs hot", word="gets_hot")
    chances = symptom_named("gets_hot").chances
    c14 = 0.71 * chances["short"] + 0.19 * chances["leak"] + 0.1 * chances["overload"]
    u3 = 0.9 * chances["overload"] + 0.1 * chances["short"]
    assert odds(state(case, board), "C14", "U3") == pytest.approx(P["C14"] / P["U3"] * c14 / u3)
    free = bench.add(case, "symptom", text="smells", word="")
    assert state(free, board).standing.of("C14") == pytest.approx(state(case, board).standing.of("C14"))
    assert "moves nothing by itself" in state(free, board).steps[-1].moved


def test_every_symptom_names_every_fault():
    for symptom in SYMPTOMS:
        assert set(symptom.chances) == {*FAULTS, "none"}
        assert all(0 < p < 1 for p in symptom.chances.values())
    with pytest.raises(InputError, match="nearest is dead"):
        symptom_named("ded")


def test_past_cases_raise_the_cause_seen_before(bench, board):
    case = bench.compare(bench.open())
    before = state(case, board)
    case = bench.add(case, "past", causes={"U3": 3, "C99": 1}, cases=[])
    after, n, strength = state(case, board), len(board.parts), CaseSettings().past_strength
    ratio = (strength / n + 3) / (strength / n)
    assert odds(after, "U3", "C14") == pytest.approx(ratio * odds(before, "U3", "C14"))
    assert after.steps[-1].what == "4 past cases of this board type: U3 in 3, C99 in 1"


def test_earlier_entries_are_applied_again_to_a_new_comparison(bench, board):
    case = bench.add(bench.compare(bench.open()), "swap", ref="C14", action="swapped", change="none")
    one = state(case, board).standing
    case = bench.compare(case)
    two = state(case, board)
    assert two.standing.of("C14") == pytest.approx(one.of("C14"))
    assert two.steps[-1].what == "comparison, with 1 earlier entry applied again"


def test_readings_wait_for_the_next_comparison(bench, board):
    case = bench.compare(bench.open())
    data = {"where": "", "net": "+3V3", "quantity": "voltage", "value": 1.4, "unit": "V", "good_value": 3.3,
            "power": "on", "note": "", "typed": "1.4"}  # fmt: skip
    case = bench.add(case, "reading", **data)
    waiting = state(case, board)
    assert waiting.unweighed == (case.entries[-1].number,)
    assert waiting.steps[-1].moved == "waits for the next comparison"
    case = bench.compare(case, weighed_to=case.entries[-1].number)
    assert state(case, board).unweighed == ()


def test_a_reading_weighed_when_added_gives_way_to_the_next_comparison(bench, board):
    case = bench.compare(bench.open())
    data = {"where": "", "net": "+3V3", "quantity": "voltage", "value": 1.4, "unit": "V", "good_value": 3.3,
            "power": "on", "note": "", "typed": "1.4"}  # fmt: skip
    weight = {"text": "+3V3 low", "factors": {"C14": 2.0, "U3": 1.0}, "no_fault": 1.0, "other": 0.5}
    case = bench.add(case, "reading", **data, weight=weight)
    moved = state(case, board)
    # by hand: 1.66 / (1.66 + 0.08 + 0.5 * 0.03 + 0.01 + 0.5 * 0.05); the bare place is not named, so as another fault
    assert moved.standing.of("C14") == pytest.approx(1.66 / 1.79)
    assert moved.steps[-1].what == "reading: +3V3 low"
    again = bench.add(case, "reading", **data, weight=weight)
    assert state(again, board).standing.of("C14") == pytest.approx(1.66 / 1.79)
    case = bench.compare(again, weighed_to=again.entries[-1].number)
    assert state(case, board).standing.of("C14") == pytest.approx(0.83)
    case = bench.add(case, "reading", **data, weight={"text": "cannot be judged", "factors": {}})
    assert state(case, board).steps[-1].moved == "moves nothing: cannot be judged"


def test_what_is_no_result_is_refused(document):
    with pytest.raises(InputError, match="is not a result of thermscan"):
        standing_of({"suspects": 3}, None, path="x")
    wrong = copy.deepcopy(document) | {"other_probability": 0.4}
    with pytest.raises(InputError, match="not 1"):
        standing_of(wrong, None, path="x")


def test_a_changed_comparison_is_told(bench, board):
    case = bench.compare(bench.open())
    path = case.path / case.entries[-1].text("path")
    path.write_text(path.read_text().replace("0.83", "0.84"))
    with pytest.raises(InputError, match="changed since it was added"):
        state(case, board)


def test_what_is_measured_once_the_fault_went_is_not_about_the_fault(bench, board):
    volts = {"where": "", "net": "+3V3", "quantity": "voltage", "unit": "V", "power": "on", "note": ""}
    case = bench.add(bench.compare(bench.open()), "reading", value=1.41, **volts)
    assert repaired_at(case.entries) is None
    case = bench.add(case, "swap", ref="C14", action="removed", change="gone")
    gone = case.entries[-1].number
    case = bench.add(case, "reading", value=3.31, **volts)
    case = bench.add(case, "swap", ref="C14", action="swapped", change="gone")
    case = bench.add(case, "recording", role="after", path="a.tiff", sha256="")
    assert repaired_at(case.entries) == gone
    assert [r.value for r in readings_of_fault(case.entries)] == [1.41]
    assert state(case, board).unweighed == (gone - 1,)
    case = bench.add(case, "recording", role="faulty", path="b.tiff", sha256="")  # it is back
    assert repaired_at(case.entries) is None
    assert [r.value for r in readings_of_fault(case.entries)] == [1.41, 3.31]
