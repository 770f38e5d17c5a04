"""Recordings placed on one another by their thermal pattern: agreement, doubt, and places lent to another board."""

from dataclasses import replace

import numpy as np
import pytest
from made_view import (
    BOARD,
    QUICK,
    SHAPE,
    TILTED,
    camera,
    grid_rms,
    make_motion,
    still,
)
from scipy.ndimage import gaussian_filter
from skimage import data, transform

from thermscan.measure import placement_match
from thermscan.measure.placement_match import match_placements, place_by_pattern
from thermscan.model.board import Board
from thermscan.model.pose import Placement


def test_good_and_faulty_agree_with_a_40_k_hotspot_in_view():
    other = camera(5, 250, -100, 0.9)
    # neither holds a sensor's pattern, as after frames that moved
    faulty = replace(make_motion(TILTED, 1, spots=((40, 30, 40.0, 3.0),)), is_tripod=False)
    good = replace(make_motion(other, 2, bench=0.9), is_tripod=False)
    start = np.array([[1, 0, 0.4], [0, 1, -0.3], [0, 0, 1]])
    first = Placement(TILTED(), 0.2, "layout")
    second = Placement(start @ other(), 0.4, "layout")
    match = match_placements(faulty, [good], first, [second], BOARD)
    assert match.goods[0].trusted
    assert match.warnings == ()
    # good px against faulty px: what a difference of the two boards is made of
    step = match.goods[0].matrix @ np.linalg.inv(match.faulty.matrix)
    assert grid_rms(step @ TILTED(), other()) < 0.15
    assert grid_rms(step @ TILTED(), other()) < 3 * match.goods[0].error_px
    assert grid_rms(match.goods[0].matrix, other()) < 0.25  # from a start half a pixel off


def test_a_good_board_placed_upside_down_is_put_right_or_flagged():
    other = camera(5, 250, -100, 0.9)
    half_turn = np.array([[-1, 0, 62], [0, -1, 44], [0, 0, 1.0]])
    wrong = Placement(other() @ half_turn, 0.2, "layout")
    match = match_placements(
        make_motion(TILTED, 1),
        [make_motion(other, 2)],
        Placement(TILTED(), 0.2, "layout"),
        [wrong],
        BOARD,
        names=["good_7"],
        settings=QUICK,
    )
    assert match.warnings[0].startswith("good_7: ")
    assert "disagree" in match.warnings[0]
    assert not match.goods[0].trusted


@pytest.mark.parametrize("is_marked", [True, False])
def test_a_good_board_that_marks_bind_is_not_sought_elsewhere(monkeypatch, is_marked):
    sought = []
    monkeypatch.setattr(placement_match, "pattern_starts", lambda *_, **__: sought.append(1) or [])
    other = camera(5, 250, -100, 0.9)
    own = Placement(other(), 1.0, "marks", is_marked=is_marked)
    blank = still(23 + np.random.default_rng(4).normal(0, 0.05, SHAPE))  # nothing in it tells where the board lies
    match = match_placements(make_motion(TILTED, 1), [blank], Placement(TILTED(), 0.2, "layout"), [own], BOARD)
    assert bool(sought) != is_marked
    assert match.goods[0].trusted
    assert grid_rms(match.goods[0].matrix, other()) < 1.96 * match.goods[0].error_px < 4.0


def test_a_board_of_unknown_place_is_placed_by_the_other_recording_if_its_layout_agrees():
    other = camera(5, 250, -100, 0.9)
    lost = Placement(camera(0, 0, 0, 0.7)(), 0.5, "layout", trusted=False, reason="two placements")
    first = Placement(TILTED(), 0.2, "layout")
    good = make_motion(other, 2)
    match = match_placements(make_motion(TILTED, 1), [good], first, [lost], BOARD, settings=QUICK)
    assert match.goods[0].trusted
    assert grid_rms(match.goods[0].matrix, other()) < 0.3

    # the same pattern on a board of another layout: every part is elsewhere
    moved = replace(BOARD, parts=tuple(replace(p, x=p.x + 4.0, y=p.y - 3.0) for p in BOARD.parts))
    shifted = Placement(TILTED() @ np.array([[1, 0, -4.0], [0, 1, 3.0], [0, 0, 1]]), 0.2, "layout")
    match = match_placements(make_motion(TILTED, 1), [good], shifted, [lost], moved, settings=QUICK)
    assert not match.goods[0].trusted


@pytest.mark.parametrize("lender_stays", [True, False])
def test_a_place_borrowed_from_a_good_board_is_no_surer_than_that_board(monkeypatch, lender_stays):
    other = camera(5, 250, -100, 0.9)
    lost = Placement(camera(0, 0, 0, 0.7)(), 0.5, "layout", trusted=False, reason="two placements")
    own = Placement(other(), 0.2, "layout")
    if not lender_stays:  # matched to the board it lent its place, it ends elsewhere
        left = replace(own, trusted=False, reason="outline and thermal pattern disagree")
        monkeypatch.setattr(placement_match, "_judge", lambda *_: (left, left.reason))
    match = match_placements(
        make_motion(TILTED, 1), [make_motion(other, 2)], lost, [own], BOARD, names=["good_7"], settings=QUICK
    )
    assert match.faulty.trusted == match.goods[0].trusted == lender_stays
    assert any("placed by its thermal pattern on good_7" in w for w in match.warnings)
    if lender_stays:
        assert grid_rms(match.faulty.matrix, TILTED()) < 0.5
    else:
        assert "corners" in match.faulty.reason


def test_textures_of_scikit_image_are_registered_without_a_board():
    # skimage.data.camera(), cropped and turned by scikit-image's own warp.
    picture = transform.rescale(data.camera()[100:420, 60:460].astype(float), 0.2, anti_aliasing=True)
    known = transform.SimilarityTransform(scale=1.1, rotation=np.deg2rad(21), translation=(22.0, -14.0))
    turned = transform.warp(picture, known.inverse, output_shape=picture.shape, cval=np.nan)
    match = place_by_pattern(still(picture), [still(turned)], settings=QUICK)
    assert match.faulty.method == "frame"
    inner = Board("middle", np.array([[20, 15], [60, 15], [60, 48], [20, 48]], float))
    assert match.goods[0].trusted
    assert grid_rms(match.goods[0].matrix, known.params, inner) < 0.2


def test_two_unlike_pictures_are_not_trusted():
    rng = np.random.default_rng(4)
    one, two = (gaussian_filter(rng.normal(0, 1, SHAPE), 2.0) for _ in range(2))
    assert not place_by_pattern(still(one), [still(two)], settings=QUICK).goods[0].trusted
