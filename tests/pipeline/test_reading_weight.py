"""Readings weighed against suspects that are known already."""

import json

import made_result as made
import pytest

from thermscan.case.standing import standing_of
from thermscan.model.chances import VOLTAGE
from thermscan.model.reading import Reading
from thermscan.pipeline.reading_weight import weigh_reading
from thermscan.write.result_file import result_document


@pytest.fixture(scope="module")
def board():
    return made.make_board()


@pytest.fixture(scope="module")
def standing(board):
    return standing_of(json.loads(json.dumps(result_document(made.make_result(board)))), board, path="r")


def volts(value, net="+3V3", power="on"):
    return Reading("", "", net, "voltage", value, "V", None, power, "")


def test_a_low_rail_speaks_for_the_short_on_it_and_a_good_one_against(standing, board):
    low = weigh_reading(volts(1.4), standing, board)
    good = weigh_reading(volts(3.3), standing, board)
    assert low.text.startswith("+3V3 at 1.4 V (low")
    assert low.factors["C14"] > 2 * low.other > low.no_fault
    assert good.factors["C14"] < good.no_fault == 1.0


def test_likelihoods_are_those_of_the_comparison(standing, board):
    # C14 on +3V3: short 0.71, leak 0.19, overload 0.1 of it; no fault leaves the net calm.
    low = "low"
    mixed = 0.71 * VOLTAGE["shorted"][low] + 0.19 * VOLTAGE["leaky"][low] + 0.1 * VOLTAGE["loaded"][low]
    weight = weigh_reading(volts(2.8), standing, board)
    assert weight.factors["C14"] == pytest.approx(mixed / VOLTAGE["calm"][low])
    assert weight.other == pytest.approx(VOLTAGE["unknown"][low] / VOLTAGE["calm"][low])


def test_what_cannot_be_used_says_why(standing, board):
    weight = weigh_reading(volts(3.3, power="off"), standing, board)
    assert weight.factors == {}
    assert "taken with power off and is not used" in weight.text


def test_without_a_board_only_what_names_say_is_used(standing):
    weight = weigh_reading(volts(3.3), standing, None)
    assert set(weight.factors) <= {c.name for c in standing.candidates}
