import io

import matplotlib.image
import pytest

from thermscan.model.board import Board
from thermscan.show.board_drawing import draw_board, sides_of


def test_both_sides_are_drawn_where_both_carry_parts(board):
    assert sides_of(board) == ("top", "bottom")
    both, top = (matplotlib.image.imread(io.BytesIO(draw_board(board, side=side))) for side in (None, "top"))
    assert both.shape[0] > 1.7 * top.shape[0]


@pytest.mark.parametrize(("width", "height"), [(3, 200), (200, 3), (0.5, 0.5)])
def test_long_and_tiny_boards_are_drawn(width, height):
    plain = Board.rectangle(width, height)
    assert sides_of(plain) == ("top",)
    assert draw_board(plain, source=("board.json", "ab" * 32))[:4] == b"\x89PNG"
