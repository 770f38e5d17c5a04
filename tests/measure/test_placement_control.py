"""Copies of a layout as controls, and places that warm, in the search without clicks."""

from dataclasses import replace

import numpy as np
import pytest
from made_view import QUICK, SHAPE, camera, grid_rms, paint, still

from thermscan.measure.placement import TAKEN_UPRIGHT, place_board
from thermscan.measure.placement_control import Controls, mirrored
from thermscan.measure.placement_fit import fit_view, layout_measure
from thermscan.measure.placement_match import match_placements
from thermscan.measure.placement_pose import nominal_view, turned, view_from_homography
from thermscan.measure.placement_scene import make_scene
from thermscan.measure.placement_search import Judge, board_points, find_candidates
from thermscan.measure.placement_warm import WarmPlaces
from thermscan.model.board import Board, Part
from thermscan.model.pose import Placement, map_points
from thermscan.model.settings import PlacementSettings

SETTINGS = PlacementSettings()
PLANE = camera(6, 40, 25, 0.8)


def many_bodies(seed):
    """An invented board of 24 bodies on a coarse grid, some of them left out by chance."""
    random = np.random.default_rng(seed)
    spots = [(x, y) for x in np.arange(5.0, 60.0, 8.0) for y in np.arange(5.0, 42.0, 8.0)]
    parts, contrast = [], {}
    for number, k in enumerate(random.permutation(len(spots))[:24]):
        x, y = spots[k] + random.uniform(-1, 1, 2)
        w, h = random.uniform(2.5, 6.0, 2)
        parts.append(Part(f"U{number}", x=x, y=y, w=w, h=h, height_mm=1.0))
        contrast[f"U{number}"] = float(random.choice([-1, 1]) * random.uniform(0.3, 0.8))
    return Board("invented", Board.rectangle(62, 44).outline_mm, parts=tuple(parts)), contrast


def true_view(board, plane=PLANE):
    base = nominal_view(SHAPE, (31.0, 22.0), "top", SETTINGS)
    return view_from_homography(base, plane(), board_points(board), settings=SETTINGS, width_px=SHAPE[1])


def lead_at(board, picture, view):
    scene = make_scene(still(picture))
    measure = layout_measure(scene, board, side="top", blur_px=SETTINGS.optics_blur_px, settings=SETTINGS)
    controls = Controls(scene, board, measure, side="top", blur_px=SETTINGS.optics_blur_px, settings=SETTINGS)
    fit = fit_view(measure, view, points=None, settings=SETTINGS, width_px=SHAPE[1], rounds=2)
    return controls.lead(fit.view, fit, 2)


def pictured(seed):
    board, contrast = many_bodies(seed)
    random = np.random.default_rng(100 + seed)
    return board, paint(PLANE, board, contrast, bench=-0.8) + random.normal(0, 0.05, SHAPE)


def test_a_mirrored_board_keeps_its_outline_and_comes_back():
    board, _ = many_bodies(0)
    other = mirrored(board)
    assert np.array_equal(other.outline_mm, board.outline_mm)
    assert [p.x for p in other.parts] == pytest.approx([62 - p.x for p in board.parts])
    again = mirrored(other)
    assert [p.x for p in again.parts] == pytest.approx([p.x for p in board.parts])
    assert [p.rotation for p in again.parts] == [p.rotation for p in board.parts]


def test_the_right_place_leads_its_copies_and_wrong_ones_do_not():
    right, wrong = [], []
    for seed in range(6):
        board, picture = pictured(seed)
        right.append(lead_at(board, picture, true_view(board)))
        away = true_view(board).moved(np.r_[0, 0, 0.3, 12 / 120, 5 / 120, 0, 0, 0])
        wrong += [lead_at(board, picture, turned(true_view(board), 2)), lead_at(board, picture, away)]
    assert min(right) > SETTINGS.control_z
    assert max(wrong) < SETTINGS.control_z
    assert np.median(wrong) < 1.0


@pytest.mark.parametrize(("right_px", "is_first"), [(4, True), (60, False)])
def test_of_placements_on_one_spot_the_one_that_explains_most_is_first(right_px, is_first):
    board, picture = pictured(1)
    judge = Judge(make_scene(still(picture)), board, side="top", settings=SETTINGS)
    away = true_view(board).moved(np.r_[0, 0, 0, right_px / 120, 0, 0, 0, 0])
    wrong, right = judge.refined([away, true_view(board)], 0)
    wrong, right = replace(wrong, lead=9.0), replace(right, lead=6.0)
    assert right.fit.log_likelihood.sum() > wrong.fit.log_likelihood.sum()
    assert judge.cover_alike(right.view, wrong.view) == is_first
    assert (judge.best_of_spot([wrong, right])[0] is right) == is_first
    assert len(judge.best_of_spot([wrong, right])) == 2


def beside_hot_things(seed, shape=(90, 120)):
    """A board of faint bodies on a shaded bench, beside two round things far warmer than anything on it."""
    board, contrast = many_bodies(seed)
    random = np.random.default_rng(50 + seed)
    plane = camera(random.uniform(0, 10), random.uniform(0, 360), random.uniform(-180, 180), 0.75, shape=shape)
    faint = {ref: 0.5 * kelvin for ref, kelvin in contrast.items()}
    picture = paint(plane, board, faint, bench=-0.3, shape=shape) + random.normal(0, 0.06, shape)
    y, x = np.mgrid[: shape[0], : shape[1]]
    picture = picture + 1.5 * (y / shape[0]) ** 2
    for _ in range(2):
        rim = random.integers(4)
        across, down = random.uniform(10, shape[1] - 10), random.uniform(10, shape[0] - 10)
        at_x, at_y = [(8, down), (shape[1] - 8, down), (across, 6), (across, shape[0] - 6)][rim]
        away = np.hypot(x - at_x, (y - at_y) * random.uniform(0.7, 1.4))
        picture = picture + 6.0 * np.clip((9 - away) / 3, 0, 1)
    return board, plane, picture


@pytest.mark.parametrize("seed", [8, 15])  # of the first 16, of which 7 were lost without copies and 1 is with them
def test_hot_things_on_the_bench_do_not_draw_the_board_to_them(seed):
    board, plane, picture = beside_hot_things(seed)
    scene = make_scene(still(picture))
    (first, *_) = find_candidates(scene, board, side="top", settings=QUICK)
    assert grid_rms(first.view.homography(), plane(), board) < 1.0
    assert first.lead > SETTINGS.control_z
    without = replace(QUICK, control_parts=1000, search_direct=0)
    (other, *_) = find_candidates(scene, board, side="top", settings=without)
    assert grid_rms(other.view.homography(), plane(), board) > 10.0


def warm_places(board, warm_px):
    return WarmPlaces(board, replace(make_scene(still(np.zeros(SHAPE))), warm_px=np.asarray(warm_px)), SETTINGS)


class TestWarmPlaces:
    def test_share_counts_places_on_the_board_and_near_it(self):
        board = Board.rectangle(62, 44)
        inside = map_points(PLANE(), np.array([[10.0, 10.0], [50.0, 40.0], [1.0, 43.0]]))
        beside = map_points(PLANE(), np.array([[64.0, 20.0]]))  # 2 mm off it, 1.6 px; the reach is 2.4 px
        far = np.array([[1.0, 1.0]])
        places = warm_places(board, np.vstack([inside, beside, far]))
        assert places.share(true_view(board), slack=0.0) == pytest.approx(3 / 5)
        assert places.share(true_view(board)) == pytest.approx(4 / 5)
        assert warm_places(board, np.zeros((0, 2))).share(true_view(board)) == 1.0

    def test_starts_that_cover_fewer_are_dropped(self):
        board = Board.rectangle(62, 44)
        view = true_view(board)
        away = view.moved(np.r_[0, 0, 0, 60 / 120, 0, 0, 0, 0])
        places = warm_places(board, map_points(PLANE(), np.array([[10.0, 10.0], [30.0, 40.0]])))
        assert places.covering(["right", "away"], [view, away]) == ["right"]
        assert warm_places(board, np.zeros((0, 2))).covering([1, 2], [view, away]) == [1, 2]

    def test_a_place_that_what_warms_contradicts_is_not_trusted(self):
        board, picture = pictured(1)
        seen = place_board(still(picture), board, settings=QUICK)
        assert seen.trusted
        off_board = np.array([[2.0, 2.0], [3.0, 2.0], [2.0, 4.0], [77.0, 57.0], [76.0, 57.0], [77.0, 55.0]])
        placed = place_board(replace(still(picture), warm_px=off_board), board, settings=QUICK)
        assert not placed.trusted
        assert "warm with the power lie beside the board" in placed.reason


def test_an_outline_alone_is_taken_upright_and_says_so():
    board = replace(Board.rectangle(62, 44), outline_is_size_only=False)
    random = np.random.default_rng(0)
    picture = paint(camera(6, 90, 12, 0.85), board, {}, bench=-0.9) + random.normal(0, 0.03, SHAPE)
    placed = place_board(still(picture), board, settings=QUICK)
    assert (placed.trusted, placed.reason) == (True, TAKEN_UPRIGHT)


class TestRivalsRefuted:
    """A faulty board with a rival place, beside a good board at another pose, both found by themselves."""

    other_plane = staticmethod(camera(9, 200, -110, 0.85))

    def matched(self, rival, *, good_rivals, good_picture=None):
        board, picture = pictured(2)
        _, contrast = many_bodies(2)
        random = np.random.default_rng(7)
        drawn = paint(self.other_plane, board, contrast, bench=0.7) + random.normal(0, 0.05, SHAPE)
        faulty = Placement(PLANE(), 0.3, "layout", trusted=False, reason="two placements", rivals=(rival,))
        good = Placement(self.other_plane(), 0.3, "layout", trusted=False, reason="two places", rivals=good_rivals)
        second = still(drawn if good_picture is None else good_picture)
        found = match_placements(still(picture), [second], faulty, [good], board, settings=QUICK)
        return found, board

    def away(self):
        board, _ = many_bodies(2)
        return true_view(board).moved(np.r_[0, 0, 0.2, 9 / 120, 4 / 120, 0, 0, 0]).homography()

    def test_by_a_good_board_that_lies_on_its_pattern(self):
        found, board = self.matched(self.away(), good_rivals=(np.eye(3),))
        assert found.faulty.trusted
        assert any("placed alike by the pattern, refute" in w for w in found.warnings)
        assert grid_rms(found.faulty.matrix, PLANE(), board) < 0.5
        assert found.goods[0].trusted

    def test_not_where_they_lie_so_near_that_the_pattern_fits_from_either(self):
        board, _ = many_bodies(2)
        near = true_view(board).moved(np.r_[0, 0, 0, 6 / 120, 0, 0, 0, 0]).homography()
        found, _ = self.matched(near, good_rivals=(np.eye(3),))
        assert not found.faulty.trusted

    def test_not_by_one_that_was_not_found_by_itself(self):
        found, _ = self.matched(self.away(), good_rivals=())
        assert not found.faulty.trusted

    def test_not_by_one_that_shows_no_board(self):
        blank = np.random.default_rng(1).normal(0, 0.05, SHAPE)
        found, _ = self.matched(self.away(), good_rivals=(np.eye(3),), good_picture=blank)
        assert not found.faulty.trusted
