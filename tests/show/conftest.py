"""Hand-made records, shared by the tests of pictures and files."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest

_SPEC = importlib.util.spec_from_file_location("made_result", Path(__file__).parent.parent / "made_result.py")
made = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(made)


@pytest.fixture(scope="session")
def board():
    return made.make_board()


@pytest.fixture(scope="session")
def maps(board):
    return made.make_maps(board)


@pytest.fixture(scope="session")
def result(board):
    return made.make_result(board)


@pytest.fixture(scope="session")
def bare(board):
    return made.make_bare(board)


@pytest.fixture(scope="session")
def hostile(board):
    return made.make_hostile(board)


@pytest.fixture(scope="session")
def pictures(result, maps, board):
    from thermscan.show.report import draw_pictures

    return draw_pictures(result, maps, board)
