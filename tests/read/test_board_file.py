"""board.json and boards given by their size."""

import json

import numpy as np
import pytest

from thermscan.model.board import Board, outline_hash
from thermscan.read.board_file import open_board, parse_size

BOARD = {
    "name": "vent controller rev B (invented)",
    "thickness_mm": 1.6,
    "outline_mm": [[0, 0], [90, 0], [90, 60], [0, 60], [0, 0]],
    "holes_mm": [{"x": 3, "y": 3, "d": 3.2}],
    "parts": [
        {
            "ref": "C14",
            "kind": "capacitor",
            "x": 41.2,
            "y": 18.0,
            "w": 1.6,
            "h": 0.8,
            "rotation": 90,
            "height_mm": 0.8,
            "side": "top",
            "nets": ["+3V3", "GND"],
            "surface": "ceramic",
            "max_c": 85,
            "covered_by": None,
            "fitted": True,
        },
        {"ref": "Q2", "x": 10, "y": 10, "w": 3, "h": 1.3, "side": "bottom", "fitted": False},
        {"ref": "U3", "kind": "regulater", "x": 20, "y": 10, "w": 3, "h": 3},
        {"ref": "J1", "x": -2, "y": 30, "w": 9, "h": 9},
    ],
    "rails": [
        {"net": "+3V3", "volts": 3.3, "tolerance_percent": 3, "made_by": "U3", "from": "+12V"},
        {"net": "+12V", "made_by": "U77"},
    ],
}


@pytest.fixture
def board(tmp_path):
    path = tmp_path / "board.json"
    path.write_text("\ufeff" + json.dumps(BOARD), encoding="utf-8")
    return open_board(path)


def test_everything_arrives(board):
    assert (board.name, board.thickness_mm, board.holes[0].d) == (BOARD["name"], 1.6, 3.2)
    np.testing.assert_array_equal(board.outline_mm, BOARD["outline_mm"][:4])
    part = board.part("C14")
    for key, value in BOARD["parts"][0].items():
        assert getattr(part, key) == (tuple(value) if key == "nets" else value)
    assert (board.rails[0].made_by, board.rails[0].from_net, board.rails[0].tolerance_percent) == ("U3", "+12V", 3)
    assert board.rails[1].volts is None
    assert not board.outline_is_size_only


def test_kinds(board):
    assert board.part("Q2").kind == "transistor"
    assert board.part("J1").kind == "connector"
    assert board.part("U3").kind == "other"
    assert board.warnings == (
        "part U3: unknown kind 'regulater' is read as other; nearest is regulator",
        "rail +12V: made_by names 'U77', which is no part of this board",
    )


def test_an_unfitted_part_and_an_overhanging_one_are_fine(board):
    assert not board.part("Q2").fitted
    assert [p.ref for p in board.parts_on("top")] == ["C14", "U3", "J1"]


@pytest.mark.parametrize("text", ["90x60", " 90 x 60 ", "90mm X 60mm", "90,0x60.0", "90×60"])
def test_size(text):
    board = parse_size(text)
    assert board.box_mm == (0, 0, 90, 60)
    assert board.outline_is_size_only


def test_outline_hash_is_of_the_shape_alone():
    corners = np.array([[0, 0], [90, 0], [90, 60], [0, 60]], float)
    digest = outline_hash(Board("a", corners))
    assert len(digest) == 64
    assert digest == outline_hash(Board("b", np.roll(corners, 2, axis=0)))
    assert digest == outline_hash(Board("c", corners[::-1] + 2e-4))
    assert digest != outline_hash(Board("d", corners * [1, 1.001]))
    assert digest != outline_hash(Board("e", corners[:3]))
