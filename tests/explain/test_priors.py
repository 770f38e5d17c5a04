"""The priors: the file that comes along, what may be changed, and what is refused."""

import json
from pathlib import Path

import pytest

from thermscan.model.errors import InputError
from thermscan.model.evidence import Priors, priors_from_dict, priors_to_dict

FILE = Path(__file__).parents[2] / "calibration" / "diagnosis.json"


def test_the_file_holds_the_defaults():
    assert priors_from_dict(json.loads(FILE.read_text(encoding="utf-8")), path="diagnosis.json") == Priors()


def test_round_trip():
    assert priors_from_dict(priors_to_dict(Priors()), path="x") == Priors()


def test_what_is_absent_keeps_its_default():
    priors = priors_from_dict({"fault_weights": {"short": {"fuse": 5}}}, path="x")
    assert priors.fault_weights["short"]["fuse"] == 5.0
    assert priors.fault_weights["short"]["capacitor"] == Priors().fault_weights["short"]["capacitor"]


def test_shares_leave_room_for_no_fault_and_other():
    priors = Priors()
    assert sum(priors.shares().values()) + priors.no_fault + priors.other == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"no_falt": 0.2}, "no_fault"),
        ({"no_fault": 1.5}, "0 to 0.99"),
        ({"no_fault": 0.6, "other": 0.5}, "nothing is left"),
        ({"fault_share": {"shrt": 1}}, "short"),
        ({"fault_weights": {"short": {"capaciter": 1}}}, "capacitor"),
        ({"fault_weights": {"short": 3}}, "not a table"),
        ({"self_heating_k": {"chip": "warm"}}, "plain number"),
    ],
)
def test_bad_priors_are_refused_in_one_line(values, words):
    with pytest.raises(InputError) as caught:
        priors_from_dict(values, path="own.json")
    line = str(caught.value)
    assert words in line
    assert "\n" not in line
    assert line.startswith("own.json")


def test_a_row_of_answers_may_be_changed():
    row = {"in tolerance": 0.25, "low": 0.35, "dead": 0.38, "high": 0.02}
    priors = priors_from_dict({"voltage": {"shorted": row}, "symptoms": {"restarts": {"joint": 0.2}}}, path="x")
    assert priors.voltage["shorted"] == row
    assert priors.voltage["leaky"] == Priors().voltage["leaky"]
    assert priors.symptoms["restarts"]["joint"] == 0.2
    assert priors.symptoms["restarts"]["short"] == Priors().symptoms["restarts"]["short"]
    assert Priors().voltage["shorted"]["low"] == 0.35


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"voltage": {"shortd": {}}}, "shorted"),
        ({"voltage": {"shorted": {"lo": 0.3}}}, "low"),
        ({"voltage": {"shorted": {"low": 0.9}}}, "not to 1"),
        ({"voltage": {"shorted": {"low": 0.0}}}, "0.001 to 0.999"),
        ({"resistance": 3}, "not a table"),
        ({"current": {"short": 0.3}}, "not a table"),
        ({"symptoms": {"restarts": {"shrt": 0.3}}}, "short"),
        ({"symptoms": {"tries": {}}}, "quick_tries"),
    ],
)
def test_bad_chances_are_refused_in_one_line(values, words):
    with pytest.raises(InputError) as caught:
        priors_from_dict(values, path="own.json")
    line = str(caught.value)
    assert words in line
    assert "\n" not in line
