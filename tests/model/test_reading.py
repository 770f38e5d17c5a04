"""Readings of nets that the board file does not know."""

import dataclasses

from thermscan.model.board import Board, Part, Rail
from thermscan.model.errors import nearest
from thermscan.model.reading import Reading, unknown_net_words

BOARD = dataclasses.replace(
    Board.rectangle(40, 30),
    parts=(Part("C5", "capacitor", 5, 5, 1, 1, nets=("+3V3", "GND")), Part("J1", "connector", 9, 9, 4, 4)),
    rails=(Rail("VCC", 5.0),),
)


def reading(net="", where="", quantity="voltage", row=0):
    return Reading("", where, net, quantity, 1.0, "V", None, "on", "", row)


def test_an_unknown_net_is_named_once_with_its_rows_and_near_ones():
    rows = (reading("+3V4", row=2), reading("+3V3", row=3), reading("+3V4", "C5", row=5))
    assert unknown_net_words(rows, BOARD) == (
        "readings, row 2 and 5: no net '+3V4' in the board file (nearest is +3V3): what was read there is tied to no"
        " part; name the net as the board file does",
    )


def test_without_a_near_one_the_nets_are_listed():
    (said,) = unknown_net_words((reading("mains"),), BOARD)
    assert said.startswith("no net 'mains' in the board file (its nets are +3V3, GND, VCC): ")


def test_capitals_do_not_hide_a_near_name():
    (said,) = unknown_net_words((reading("vcc"),), BOARD)
    assert "nearest is VCC" in said
    assert nearest("c41", ("R7", "C41")) == "nearest is C41"


def test_where_stands_for_the_net_only_where_it_names_no_part():
    assert unknown_net_words((reading(where="C5"), reading(where="J1")), BOARD) == ()
    assert unknown_net_words((reading(where="supply", quantity="run_time"),), BOARD) == ()
    assert len(unknown_net_words((reading(where="+3V4"),), BOARD)) == 1


def test_a_board_file_without_nets_lacks_none():
    assert unknown_net_words((reading("+3V4"),), None) == ()
    assert unknown_net_words((reading("+3V4"),), Board.rectangle(40, 30)) == ()
