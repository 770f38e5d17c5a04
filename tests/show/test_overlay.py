import dataclasses
import io

import matplotlib.image
import numpy as np
import pytest

from thermscan.show.board_shape import draw_names, name_of_part, set_view, view_of
from thermscan.show.label import box_of, overlap
from thermscan.show.overlay import _scene, draw_overlay, draw_side_by_side
from thermscan.show.picture import add_axes, new_figure, text_size_px


def pixels(png):
    return matplotlib.image.imread(io.BytesIO(png))[..., :3]


def _coloured(picture):
    """Share of strongly red and strongly blue pixels."""
    red = (picture[..., 0] - picture[..., 2] > 0.4).mean()
    blue = (picture[..., 2] - picture[..., 0] > 0.2).mean()
    return red, blue


@pytest.fixture(scope="module")
def overlay(result, maps, board):
    return draw_overlay(result, maps, board)


def test_overlay_shows_hot_red_and_cold_blue(overlay, result, maps, board):
    still = np.where(np.isfinite(maps.excess), 0.0, np.nan)
    flat = dataclasses.replace(maps, excess=still)
    base = _coloured(pixels(draw_overlay(dataclasses.replace(result, hotspots=()), flat, board)))
    red, blue = _coloured(pixels(overlay))
    assert red > base[0] + 1e-3
    assert blue > base[1] + 1e-3


def test_same_result_gives_the_same_bytes(overlay, result, maps, board):
    assert draw_overlay(result, maps, board) == overlay


def test_underside_is_drawn_mirrored(maps, result, board):
    plain = dataclasses.replace(board, parts=(), holes=())
    bare = dataclasses.replace(result, hotspots=(), suspects=())
    whole = dataclasses.replace(maps, readable=np.ones_like(maps.readable))
    top = pixels(draw_overlay(bare, whole, plain))
    below = pixels(draw_overlay(dataclasses.replace(bare, side="bottom"), whole, plain))

    def centre(picture):
        red = picture[:-250, :1050, 0] - picture[:-250, :1050, 2] > 0.4
        return np.nonzero(red)[1].mean()

    # The hot place is at x = 35.6 of 90 mm: left of the middle from above, right of it from below.
    assert centre(top) < 600 < centre(below)


def test_hostile_names_and_missing_board_are_drawn(hostile, maps, result):
    wild, named = hostile
    assert draw_overlay(named, maps, wild, fahrenheit=True)[:4] == b"\x89PNG"
    fractions = dataclasses.replace(result, picture_px=(90, 60), parts=())
    assert draw_overlay(fractions, maps, None)[:4] == b"\x89PNG"


def test_grey_picture_lies_under_the_map(result, maps, board):
    dark = dataclasses.replace(maps, photo=np.zeros((40, 60)))
    assert pixels(draw_overlay(result, dark, board)).mean() < pixels(draw_overlay(result, maps, board)).mean() - 0.05
    assert draw_side_by_side(result, dark, board) == draw_side_by_side(result, maps, board)


def test_empty_result_is_drawn(result, maps, board):
    empty = dataclasses.replace(result, hotspots=(), suspects=(), verdict="like_good", no_fault_probability=0.9)
    nothing = dataclasses.replace(maps, excess=np.full_like(maps.excess, np.nan), good=None)
    assert draw_overlay(empty, nothing, board)
    assert draw_side_by_side(empty, nothing, board)


def test_names_of_a_crowded_board_do_not_collide(board):
    figure = new_figure(6, 4)
    axes = add_axes(figure, (0.3, 0.3, 5.4, 3.4))
    set_view(axes, view_of(board, side="top", mirrored=False))
    parts = board.parts_on("top")
    names = [name_of_part(part, strong=False) for part in parts]
    spots = draw_names(axes, names, soft=parts)
    boxes = []
    for name, spot in zip(names, spots, strict=True):
        if spot is not None:
            boxes.append(box_of(spot, text_size_px(figure, name.text, size=name.size)))
    assert len(boxes) > 20
    assert sum(overlap(a, b) > 0 for i, a in enumerate(boxes) for b in boxes[:i]) == 0


def test_a_suspect_that_is_only_a_name_in_the_list_is_not_framed(result, maps, board):
    first, second = (dataclasses.replace(result.suspects[0], ref=p.ref, probability=q)
                     for p, q in zip(board.parts[:2], (0.98, 0.004), strict=True))  # fmt: skip
    unlikely = _scene(dataclasses.replace(result, suspects=(first, second)), maps, board, fahrenheit=False)
    assert unlikely.strong == {first.ref}
    likely = (first, dataclasses.replace(second, probability=0.3))
    both = _scene(dataclasses.replace(result, suspects=likely), maps, board, fahrenheit=False)
    assert both.strong == {first.ref, second.ref}
