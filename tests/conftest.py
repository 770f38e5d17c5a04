"""What every test shares: linear algebra on one thread, and hand-made records for the tests of pictures and files."""

from __future__ import annotations

import importlib.util
import os
from pathlib import Path

import pytest

for variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(variable, "1")  # small matrices are ten times faster on one thread


@pytest.fixture(scope="session")
def made():
    spec = importlib.util.spec_from_file_location("made_result", Path(__file__).parent / "made_result.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def board(made):
    return made.make_board()


@pytest.fixture(scope="session")
def maps(made, board):
    return made.make_maps(board)


@pytest.fixture(scope="session")
def result(made, board):
    return made.make_result(board)


@pytest.fixture(scope="session")
def bare(made, board):
    return made.make_bare(board)


@pytest.fixture(scope="session")
def hostile(made, board):
    return made.make_hostile(board)
