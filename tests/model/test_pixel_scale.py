"""A board's millimetres against the pixels that see it."""

from dataclasses import replace

import pytest

from thermscan.model.board import Board, Part
from thermscan.model.pixel_scale import least_pixel_mm, scale_words, seen_words


@pytest.mark.parametrize(
    ("size", "shape", "least"),
    [
        ((160, 120), (120, 160), 1.0),  # fills the picture: a millimetre a pixel
        ((120, 160), (120, 160), 1.0),  # turned on its side: its area alone would fit
        ((200, 1), (120, 160), 1.0),  # a stick along the diagonal
        ((90, 60), (120, 160), 0.530),  # sqrt(5400 / 19200)
    ],
)
def test_the_least_pixel_that_an_outline_allows(size, shape, least):
    assert least_pixel_mm(Board.rectangle(*size), *shape) == pytest.approx(least, abs=1e-3)


@pytest.mark.parametrize(
    ("size", "shape", "is_warned"),
    [
        ((900, 600), (120, 160), True),
        ((900, 600), (240, 320), True),
        ((900, 600), (512, 640), False),  # a backplane before a fine camera: 1.3 mm a pixel
        ((90, 60), (120, 160), False),
        ((90, 60), (60, 80), False),
        ((300, 200), (240, 320), False),
        ((300, 200), (120, 160), True),
    ],
)
def test_a_size_at_which_no_usual_chip_is_read_is_warned_of(size, shape, is_warned):
    said = scale_words(Board.rectangle(*size), *shape)
    assert bool(said) == is_warned


def test_the_warning_names_size_pixels_and_what_is_lost():
    (said,) = scale_words(Board.rectangle(900, 600), 120, 160)
    assert said == (
        "a board of 900 x 600 mm fills 160 x 120 pixels with 5.3 mm or more each: no part below 16 mm is read (3 pixels"
        " across), few are larger; is its size in millimetres? else film closer, part by part"
    )
    assert scale_words(None, 120, 160) == ()


def test_listed_parts_are_compared_with_the_pixels_themselves():
    parts = tuple(Part(f"C{i}", "capacitor", 5 + 3 * i, 5, 1.6, 0.8) for i in range(4))
    large = tuple(Part(f"U{i}", "chip", 5 + 12 * i, 20, 10, 10) for i in range(3))
    board = replace(Board.rectangle(300, 200), parts=(*parts, *large))
    (said,) = scale_words(board, 120, 160)
    assert "4 of its 7 parts are smaller than a pixel" in said
    assert scale_words(replace(board, parts=large), 120, 160) == ()
    assert scale_words(replace(board, parts=(*parts, *large, large[0])), 120, 160) == ()


def test_a_picture_that_holds_little_of_the_placed_board_is_warned_of():
    (said,) = seen_words(Board.rectangle(900, 600), 120, 160, 0.6)
    assert said.startswith("with pixels of 0.6 mm the picture holds 1 % of a board of 900 x 600 mm at most")
    assert seen_words(Board.rectangle(90, 60), 120, 160, 0.6) == ()
    assert seen_words(None, 120, 160, 0.6) == ()
