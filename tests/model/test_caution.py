import dataclasses

import pytest

from thermscan.model.board import Board, Part, Rail
from thermscan.model.caution import cautions_for

PLAIN = Board.rectangle(50, 30)


def _names(*args, **options):
    return [caution.name for caution in cautions_for(*args, **options)]


def test_deference_to_codes_always_stands_last():
    assert _names(None) == ["practice"]
    assert _names(PLAIN, steps=["Measure the resistance of +3V3 to ground."]) == ["power_off", "practice"]


@pytest.mark.parametrize(
    ("board", "name"),
    [
        (dataclasses.replace(PLAIN, rails=(Rail("HV", 325.0),)), "mains"),
        (dataclasses.replace(PLAIN, parts=(Part("J1", nets=("MAINS_L",)),)), "mains"),
        (dataclasses.replace(PLAIN, rails=(Rail("VBAT", 3.7),)), "lithium"),
    ],
)
def test_dangerous_boards_are_recognised_by_rails_and_names(board, name):
    assert name in _names(board)


def test_low_voltage_board_is_not_called_mains():
    assert _names(dataclasses.replace(PLAIN, rails=(Rail("+12V", 12.0), Rail("+48V", 48.0)))) == ["practice"]


def test_heat_and_injection():
    assert _names(PLAIN, hottest_c=85.0, injected=True) == ["hot", "injection", "practice"]
    assert _names(PLAIN, hottest_c=45.0) == ["practice"]
