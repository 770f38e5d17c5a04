"""A case with hand-made comparisons: invented board, invented numbers, no stage involved."""

from __future__ import annotations

import json

import made_result as made
import pytest

from thermscan.case.folder import keep_file, new_case, open_case
from thermscan.case.log import append
from thermscan.model.case_record import CaseHead
from thermscan.write.board_file import board_text
from thermscan.write.result_file import result_document

TIME = "2026-03-01T10:00:00+01:00"


@pytest.fixture(scope="session")
def board():
    return made.make_board()


@pytest.fixture(scope="session")
def document(board):
    return result_document(made.make_result(board))


@pytest.fixture
def bench(tmp_path, board, document):
    """Return a function that makes cases and adds entries to them, all at one time."""
    return Bench(tmp_path, board, document)


class Bench:
    def __init__(self, folder, board, document):
        self.folder, self.board, self.document = folder, board, document

    def open(self, name="case", *, board=None, **head):
        board = board or self.board
        head = CaseHead("fan control no. 12", board.name, TIME, **head)
        text = board_text(board).encode()
        return new_case(self.folder / name, head, board=text, opened={"device": head.device, "history": ""})

    def add(self, case, kind, **data):
        append(case.path, kind, data, time=TIME)
        return open_case(case.path)

    def compare(self, case, document=None, *, weighed_to=0):
        content = json.dumps(document or self.document).encode()
        name, digest = keep_file(case, content, "result.json", under="results")
        return self.add(case, "comparison", path=name, sha256=digest, weighed_to=weighed_to)
