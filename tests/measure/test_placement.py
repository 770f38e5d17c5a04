"""Placement against drawn pictures with known poses, and against OpenCV and scikit-image."""

from dataclasses import replace
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from made_view import (
    BOARD,
    CONTRAST,
    HEAT,
    QUICK,
    SETTINGS,
    SHAPE,
    TILTED,
    camera,
    corner_marks,
    grid_rms,
    make_motion,
    paint,
    still,
)
from scipy.stats import norm, ttest_1samp
from skimage import transform

from thermscan.measure.motion import follow_motion
from thermscan.measure.noise import measure_camera
from thermscan.measure.placement import doubted, place_board
from thermscan.measure.placement_fit import Fit
from thermscan.measure.placement_layout import draw_layout, polygon_cover, rectangle_cover
from thermscan.measure.placement_marks import fit_marks
from thermscan.measure.placement_pose import (
    PARAMETERS,
    fit_points,
    homography_steps,
    nominal_view,
    point_steps,
    view_from_homography,
)
from thermscan.measure.placement_scene import Scene, make_scene, softened
from thermscan.measure.placement_search import (
    board_points,
    find_candidates,
    is_steady,
    settle,
)
from thermscan.measure.placement_start import find_starts
from thermscan.measure.placement_tiles import vuong_z
from thermscan.model.board import Board, Part
from thermscan.model.pose import Placement, map_points
from thermscan.model.recording import Mark
from thermscan.simulate import CaseOptions, draw_case

CLICK_ERRORS = np.array([[2.0, -1.5], [-1.0, 2.0], [1.5, 1.0], [2.5, 1.0]])


class TestPose:
    def test_four_corners_give_the_homography_of_opencv_and_scikit_image(self):
        # Hartley & Zisserman, Multiple View Geometry, Algorithm 4.1; the numbers by three implementations.
        source = np.array([[0, 0], [100, 0], [100, 80], [0, 80]], float)
        target = np.array([[12, 7], [110, 15], [104, 99], [5, 88]], float)
        base = nominal_view((120, 160), (50.0, 40.0), "picture", SETTINGS)
        view = fit_points(base, source, target, sigma_px=1e-4, settings=SETTINGS, width_px=160)
        theirs = transform.ProjectiveTransform.from_estimate(source, target)
        assert theirs.params == pytest.approx(cv2.getPerspectiveTransform(*map(np.float32, (source, target))), abs=1e-5)
        assert theirs([50, 40])[0] == pytest.approx([56.910112, 51.910112], abs=1e-6)
        # These corners are not those of a rectangle before a camera with square pixels, so ours stays near, not on.
        assert map_points(view.homography(), source) == pytest.approx(target, abs=2.0)

    def test_a_camera_homography_from_four_corners_is_that_of_opencv_and_scikit_image(self):
        source = np.array([[0, 44], [62, 44], [62, 0], [0, 0]], float)
        target = map_points(TILTED(), source)
        base = nominal_view(SHAPE, (31.0, 22.0), "top", SETTINGS)
        view = fit_points(base, source, target, sigma_px=1e-4, settings=SETTINGS, width_px=80)
        ours = view.homography()
        middle = np.array([31.0, 22.0])
        assert ours == pytest.approx(transform.ProjectiveTransform.from_estimate(source, target).params, abs=1e-3)
        assert map_points(cv2.getPerspectiveTransform(*map(np.float32, (source, target))), middle) == pytest.approx(
            map_points(ours, middle), abs=2e-3
        )

    def test_similarity_of_umeyama_is_recovered(self):
        # Umeyama, IEEE TPAMI 1991, as in scikit-image: scale 0.25, 12 degrees, shift (3, -5).
        source = np.array([[0, 0], [400, 0], [400, 240], [0, 240]], float)
        known = transform.SimilarityTransform(scale=0.25, rotation=np.deg2rad(12), translation=(3, -5))
        base = nominal_view((120, 160), (200.0, 120.0), "picture", SETTINGS)
        view = fit_points(base, source, known(source), sigma_px=1e-3, settings=SETTINGS, width_px=160)
        affine, _ = cv2.estimateAffinePartial2D(source, known(source))
        ours = view.homography()
        assert ours[:2] == pytest.approx(affine, abs=1e-5)
        assert ours == pytest.approx(known.params, abs=1e-5)

    @pytest.mark.parametrize("side", ["top", "bottom", "picture"])
    def test_steps_are_the_derivative_of_the_homography(self, side):
        view = nominal_view((60, 80), (31.0, 22.0), side, SETTINGS)
        view = view.moved(np.array([0.2, -0.15, 0.8, 0.05, -0.02, 0.4, 0.1, 0.01]))
        steps = homography_steps(view)
        for i in range(PARAMETERS):
            step = 1e-6 * np.eye(PARAMETERS)[i]
            slope = (view.moved(step).homography() - view.moved(-step).homography()) / 2e-6
            assert steps[i] == pytest.approx(slope, abs=1e-6 * max(1, np.abs(slope).max()))

    @pytest.mark.parametrize("side", ["top", "bottom"])
    def test_a_view_without_its_tilt_keeps_the_place_and_the_scale_of_the_middle(self, side):
        view = nominal_view((60, 80), (31.0, 22.0), side, SETTINGS)
        view = view.moved(np.array([0.3, -0.25, 0.8, 0.05, -0.02, 0.4, 0.1, 0.0]))
        straight = view.straightened()
        assert view.tilt_deg() > 15
        assert straight.tilt_deg() == pytest.approx(0.0, abs=1e-5)
        middle = np.array([[31.0, 22.0]])
        assert map_points(straight.homography(), middle) == pytest.approx(map_points(view.homography(), middle))
        around = np.array([[32.0, 22.0], [31.0, 23.0]])
        away = map_points(straight.homography(), around) - map_points(straight.homography(), middle)
        scale = view.focal_px / view.shift_mm[2]  # of a pinhole camera, focal length over distance
        assert np.linalg.norm(away, axis=1) == pytest.approx([scale, scale])

    def test_point_steps_are_the_derivative_of_pixels(self):
        view = nominal_view((60, 80), (31.0, 22.0), "top", SETTINGS).moved(0.1 * np.ones(PARAMETERS))
        points = np.array([[0.0, 0.0], [62.0, 44.0], [10.0, 40.0]])
        steps = point_steps(view, points)
        for i in range(PARAMETERS):
            step = 1e-6 * np.eye(PARAMETERS)[i]
            ends = [map_points(view.moved(s).homography(), points) for s in (step, -step)]
            assert steps[:, :, i] == pytest.approx((ends[0] - ends[1]) / 2e-6, abs=1e-3)

    @pytest.mark.parametrize("side", ["top", "bottom"])
    def test_a_physical_homography_is_reproduced_with_its_heights(self, side):
        plane = camera(17, 120, -140, 0.9, side=side)
        base = nominal_view(SHAPE, (31.0, 22.0), side, SETTINGS)
        corners = BOARD.outline_mm
        view = view_from_homography(base, plane(), corners, settings=SETTINGS, width_px=80)
        assert grid_rms(view.homography(), plane()) < 0.01
        assert grid_rms(view.homography(9.0), plane(9.0)) < 0.1


class TestLayout:
    def test_rectangle_cover_keeps_the_area_of_a_part_below_one_pixel(self):
        base = nominal_view((40, 40), (0.0, 0.0), "top", SETTINGS)
        region = rectangle_cover(Part("C1", w=0.6, h=0.3, rotation=30), base.homography(), (40, 40), 0.7)
        assert region.cover.sum() == pytest.approx(0.18, rel=2e-3)

    def test_rectangle_and_polygon_agree_away_from_corners(self):
        part = Part("U1", x=1.0, y=-2.0, w=22, h=16, rotation=25)
        matrix = nominal_view((40, 50), (0.0, 0.0), "top", SETTINGS).homography()
        one = polygon_cover(map_points(matrix, part.corners_mm()), (40, 50), 0.8)
        two = rectangle_cover(part, matrix, (40, 50), 0.8)
        whole = np.zeros((40, 50))
        whole[two.rows, two.columns] = two.cover
        gap = np.abs(whole - one.cover)
        for corner in map_points(matrix, part.corners_mm()):
            y, x = np.mgrid[:40, :50]
            gap[np.hypot(x - corner[0], y - corner[1]) < 3] = 0
        assert gap.max() < 6e-3  # the tails of a corner reach this far

    def test_gradient_is_the_derivative_of_the_cover(self):
        polygon = np.array([[10.3, 8.1], [35.2, 11.7], [33.0, 30.4], [9.1, 27.2]])
        here = polygon_cover(polygon, (40, 50), 0.9)
        ahead, behind = (polygon_cover(polygon - [s, 0], (40, 50), 0.9) for s in (1e-4, -1e-4))
        slope = (ahead.cover - behind.cover) / 2e-4
        assert np.abs(here.along_x - slope).max() < 2e-3

    def test_a_tall_part_stands_where_the_camera_shows_its_top(self):
        plane = camera(18, 0, 0, 0.82)
        view = view_from_homography(
            nominal_view(SHAPE, (31.0, 22.0), "top", SETTINGS),
            plane(),
            BOARD.outline_mm,
            settings=SETTINGS,
            width_px=80,
        )
        tall = replace(BOARD, parts=(BOARD.parts[2],), holes=())
        region = draw_layout(tall, view, SHAPE, side="top", blur_px=0.6).regions[0]
        y, x = np.mgrid[region.rows, region.columns]
        centre = np.array([(x * region.cover).sum(), (y * region.cover).sum()]) / region.cover.sum()
        assert centre == pytest.approx(map_points(plane(9.0), np.array([30.0, 40.0])), abs=0.1)


class TestMarks:
    def test_one_wrong_mark_among_six_is_left_out(self):
        points = np.array([[0, 0], [62, 0], [62, 30], [0, 44], [52, 44], [3.5, 3.5]], float)
        places = map_points(TILTED(), points) + np.random.default_rng(3).normal(0, 0.7, (6, 2))
        places[3] += [16, -11]
        base = nominal_view(SHAPE, (31.0, 22.0), "top", SETTINGS)
        fitted = fit_marks(base, points, places, settings=SETTINGS, width_px=80)
        assert "(0, 44)" in fitted.warnings[0]
        assert grid_rms(fitted.view.homography(), TILTED()) < 1.5

    def test_good_marks_are_all_kept(self):
        rng = np.random.default_rng(5)
        points = np.array([[0, 0], [62, 0], [62, 30], [0, 44], [52, 44]], float)
        base = nominal_view(SHAPE, (31.0, 22.0), "top", SETTINGS)
        dropped = 0
        for _ in range(10):
            places = map_points(TILTED(), points) + rng.normal(0, 1.2, points.shape)
            dropped += bool(fit_marks(base, points, places, settings=SETTINGS, width_px=80).warnings)
        assert dropped == 0


class TestPlaceBoard:
    def test_marks_three_pixels_off_are_refined(self):
        marks = corner_marks(TILTED, BOARD, CLICK_ERRORS)
        placed = place_board(make_motion(TILTED), BOARD, marks=marks)
        assert (placed.method, placed.trusted) == ("layout", True)
        assert grid_rms(placed.matrix, TILTED()) < 0.15
        assert placed.error_px < 0.3

    def test_without_contrast_the_marks_stay(self):
        rng = np.random.default_rng(1)
        blank = still(23 + rng.normal(0, 0.05, SHAPE))
        marks = corner_marks(TILTED, BOARD, 0.5 * CLICK_ERRORS)
        placed = place_board(blank, BOARD, marks=marks)
        assert placed.method == "marks"
        assert grid_rms(placed.matrix, TILTED()) < 1.5
        assert placed.error_px > 1.0

    def test_marks_that_agree_are_kept_against_a_layout_that_fits_elsewhere(self):
        away = np.array([[1, 0, 9.0], [0, 1, 7.0], [0, 0, 1]])
        marks = corner_marks(lambda: away @ TILTED(), BOARD, 0.3 * CLICK_ERRORS)
        placed = place_board(make_motion(TILTED), BOARD, marks=marks)
        assert (placed.method, placed.trusted) == ("marks", True)
        assert "marks were kept" in placed.reason
        assert grid_rms(placed.matrix, away @ TILTED()) < 1.5

    def test_found_without_marks(self):
        placed = place_board(make_motion(TILTED), BOARD, settings=QUICK)
        assert placed.trusted
        assert placed.margin > SETTINGS.vuong_z
        assert grid_rms(placed.matrix, TILTED()) < 0.15

    def test_without_marks_a_place_that_is_not_known_well_enough_asks_for_them(self):
        strict = replace(QUICK, unmarked_error_px=0.1)
        placed = place_board(make_motion(TILTED), BOARD, settings=strict)
        assert not placed.trusted
        assert "only known to" in placed.reason
        assert "give marks" in placed.reason

    def test_a_fit_settles_at_the_truth_from_a_start_beside_it(self):
        scene = make_scene(make_motion(TILTED))
        base = nominal_view(SHAPE, (31.0, 22.0), "top", SETTINGS)
        view = view_from_homography(base, TILTED(), BOARD.outline_mm, settings=SETTINGS, width_px=80)
        beside = view.moved(np.r_[0.1, -0.1, 0, 1 / view.focal_px, 0, 0, 0, 0])
        fit, ends = settle(scene, BOARD, beside, side="top", settings=SETTINGS)
        assert grid_rms(fit.view.homography(), TILTED()) < 0.3
        assert fit is ends[0]
        assert is_steady(ends, BOARD, 0.3, SETTINGS)

    @pytest.mark.parametrize(
        ("off_px", "steady"),
        [((0.0,), True), ((4.0,), False), ((0.0, 4.0, 4.0), False), ((0.0, 0.0, 4.0, 4.0), True)],
    )
    def test_a_fit_is_steady_where_other_starts_lead_to_it(self, off_px, steady):
        base = nominal_view(SHAPE, (31.0, 22.0), "top", SETTINGS)
        view = view_from_homography(base, TILTED(), BOARD.outline_mm, settings=SETTINGS, width_px=80)

        def end(off):
            away = view.moved(np.r_[0, 0, 0, off / view.focal_px, 0, 0, 0, 0])
            return Fit(away, np.eye(PARAMETERS), np.zeros(1), 0.0)

        assert is_steady(tuple(end(off) for off in (0.0, *off_px)), BOARD, 0.3, SETTINGS) == steady

    def test_bodies_find_a_board_whose_outline_does_not_show(self):
        plane = camera(3, 30, 35, 0.85)
        random = np.random.default_rng(3)
        panel = replace(BOARD, outline_mm=np.array([[-90, -90], [150, -90], [150, 130], [-90, 130]], float))
        picture = paint(plane, panel, CONTRAST, bench=0.0) + random.normal(0, 0.03, SHAPE)
        scene = make_scene(still(picture))
        points, want = board_points(BOARD), map_points(plane(), board_points(BOARD))

        def nearest_px(board, most):
            found = find_starts(softened(scene, SETTINGS.search_knee), board, side="top", settings=SETTINGS)[:most]
            away = [map_points(s.view.homography(), points) - want for s in found]
            return min(float(np.sqrt(np.mean(np.sum(gap**2, axis=1)))) for gap in away)

        assert nearest_px(BOARD, 3) < 4.0
        assert nearest_px(replace(BOARD, parts=(), holes=()), 3) > 8.0

    def test_an_underside_is_found_mirrored(self):
        plane = camera(8, 200, 170, 0.85, side="bottom")
        below = replace(BOARD, parts=tuple(replace(p, side="bottom") for p in BOARD.parts))
        placed = place_board(make_motion(plane), below, side="bottom", settings=QUICK)
        assert placed.trusted
        assert np.linalg.det(placed.matrix[:2, :2]) > 0  # two flips: y up to y down, and seen from below
        assert grid_rms(placed.matrix, plane()) < 0.2

    def test_a_symmetric_board_asks_for_marks_by_name(self):
        twins = (Part("U1", x=16, y=22, w=10, h=8), Part("U2", x=46, y=22, w=10, h=8))
        board = Board("symmetric", np.array([[0, 0], [62, 0], [62, 44], [0, 44]]), parts=twins)
        picture = paint(camera(0, 0, 20, 0.85), replace(board, parts=()), {}, bench=-0.9)
        placed = place_board(still(picture + np.random.default_rng(0).normal(0, 0.03, SHAPE)), board, settings=QUICK)
        assert not placed.trusted
        assert "180 degrees" in placed.reason
        assert "(0, 44)" in placed.reason

    def test_the_bare_side_of_a_board_with_parts_on_the_other_asks_which_way_up_it_lies(self):
        board = Board(
            "parts below", Board.rectangle(62, 44).outline_mm, parts=(Part("U1", 16, 22, 10, 8, side="bottom"),)
        )
        picture = paint(camera(6, 90, 12, 0.85), replace(board, parts=()), {}, bench=-0.9)
        placed = place_board(still(picture + np.random.default_rng(0).normal(0, 0.03, SHAPE)), board, settings=QUICK)
        assert not placed.trusted
        assert "180 degrees" in placed.reason

    def test_a_size_alone_lies_as_in_the_picture(self):
        board = Board.rectangle(62, 44)
        plane = camera(6, 90, 12, 0.85)
        picture = paint(plane, board, {}, bench=-0.9)
        placed = place_board(still(picture + np.random.default_rng(0).normal(0, 0.03, SHAPE)), board, settings=QUICK)
        assert (placed.method, placed.trusted) == ("outline", True)
        assert grid_rms(placed.matrix, plane(), board) < 0.3

    def test_an_empty_picture_is_not_trusted(self):
        rng = np.random.default_rng(2)
        placed = place_board(still(23 + rng.normal(0, 0.05, SHAPE)), BOARD, settings=QUICK)
        assert not placed.trusted
        assert "marks" in placed.reason

    def test_marks_of_the_wrong_side_are_not_believed(self):
        x, y = zip(*[(m.x_px, m.y_px) for m in corner_marks(TILTED, BOARD, CLICK_ERRORS)], strict=True)
        mirrored = [
            replace(m, x_px=79 - a, y_px=b)
            for m, a, b in zip(corner_marks(TILTED, BOARD, CLICK_ERRORS), x, y, strict=True)
        ]
        placed = place_board(make_motion(TILTED), BOARD, marks=mirrored)
        assert not placed.trusted
        assert "side" in placed.reason

    def test_marks_on_one_spot_leave_it_to_the_outline(self):
        marks = [Mark(5.0, 5.0, 20.0, 20.0)] * 4
        placed = place_board(make_motion(TILTED), BOARD, marks=marks, settings=QUICK)
        assert "too close together" in placed.reason


def test_vuong_statistic_is_the_mean_over_its_standard_error():
    # Vuong, Econometrica 1989, for non-nested models: a one-sample t statistic of the differences.
    rng = np.random.default_rng(0)
    a, b = rng.normal(0.2, 1, 200), rng.normal(0, 1, 200)
    # returned as the normal value that is as rare
    rare = ttest_1samp(a - b, 0, alternative="greater").pvalue
    assert vuong_z(a, b) == pytest.approx(norm.isf(rare), rel=0.01)


@pytest.mark.parametrize("blocks", [6, 12, 30])
def test_vuong_statistic_of_few_blocks_is_as_rare_as_the_normal_value(blocks):
    rng = np.random.default_rng(blocks)
    a, b = rng.normal(1.2, 1, blocks), rng.normal(0, 1, blocks)
    rare = ttest_1samp(a - b, 0, alternative="greater").pvalue
    assert vuong_z(a, b) == pytest.approx(norm.isf(rare), rel=0.02)
    assert vuong_z(b, a) == pytest.approx(-vuong_z(a, b))


def drawn(seed):
    """Return a camera over the board and a recording by it: faint parts, one that is much hotter than all others."""
    rng = np.random.default_rng(seed)
    plane = camera(rng.uniform(0, 18), rng.uniform(0, 360), rng.uniform(0, 360), rng.uniform(0.68, 0.86))
    faint = {ref: 0.4 * rng.uniform(0.5, 1.5) * np.sign(v) for ref, v in CONTRAST.items()}
    hot = {**dict.fromkeys(HEAT, 0.2), rng.choice(list(HEAT)): 20.0}
    reference = 23 + paint(plane, BOARD, faint, bench=-0.5)
    change = paint(plane, BOARD, hot, bench=-0.2)
    return plane, still(reference + rng.normal(0, 0.03, SHAPE), change + rng.normal(0, 0.03, SHAPE))


def test_a_board_is_found_in_any_pose_beside_one_hot_part():
    cases = [drawn(seed) for seed in range(6)]
    placed = [place_board(motion, BOARD, settings=QUICK) for _, motion in cases]
    errors = [grid_rms(p.matrix, plane()) for p, (plane, _) in zip(placed, cases, strict=True)]
    right = [e < 1.0 for e in errors]
    assert sum(r and p.trusted for r, p in zip(right, placed, strict=True)) >= 5, errors
    assert not any(p.trusted and not r for r, p in zip(right, placed, strict=True)), errors


@pytest.mark.parametrize("seed", range(3))
def test_a_hand_beside_a_cold_board_is_not_taken_for_the_board(seed):
    rng = np.random.default_rng(seed)
    plane = camera(6, 40, 35 + 90 * seed, 0.62)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    hand = 12.0 * ((x > 64) & (abs(y - 25) < 10 + 0.2 * (x - 64)))
    reference = 23 + paint(plane, BOARD, CONTRAST, bench=0.8) + hand
    motion = still(reference + rng.normal(0, 0.03, SHAPE), hand + rng.normal(0, 0.03, SHAPE))
    placed = place_board(motion, BOARD, settings=QUICK)
    assert grid_rms(placed.matrix, plane()) < 1.0 or not placed.trusted
    for candidate in find_candidates(make_scene(motion), BOARD, side="top", settings=QUICK):
        at = map_points(candidate.view.homography(), board_points(BOARD))
        assert np.mean(((at > -2) & (at < np.array(SHAPE[::-1]) + 1)).all(axis=1)) > QUICK.seen_share


def test_only_strong_contrast_is_compressed():
    channel = np.array([[-300.0, -0.1, 0.0, 0.1, 300.0]])
    out = softened(Scene(channel[None], np.ones(channel.shape, bool)), 3.0).channels[0, 0]
    assert np.allclose(out[1:4], channel[0, 1:4], rtol=1e-3)
    assert np.allclose(np.abs(out[[0, 4]]), 3.0 * np.log(2 * 100.0), rtol=1e-3)  # arsinh of large numbers


def test_a_made_board_whose_outline_alone_leads_astray_is_found():
    options = CaseOptions(
        resolution=(160, 120),
        goods=0,
        marks=True,
        tilt_deg=15.5,
        rotation_deg=110.0,
        before_s=1.0,
        on_s=2.0,
        after_s=0.4,
        frame_rate_hz=5.0,
    )
    case = draw_case(5, options=options)
    recording, board = case.faulty.recording, case.board
    camera_state = measure_camera(recording)
    motion = follow_motion(recording, camera_state)
    placed = place_board(motion, board, side=recording.facts.side, camera=camera_state)
    points = board_points(board)
    found = map_points(motion.matrices[0] @ placed.matrix, points)
    error = np.sqrt(np.mean(np.sum((found - case.faulty.truth.to_px(0, points)) ** 2, axis=1)))
    assert placed.trusted
    assert error < 1.0


@pytest.mark.parametrize(("columns", "error_px", "trusted"), [(160, 1.2, False), (640, 1.2, True), (640, 2.0, False)])
def test_the_error_of_following_that_is_trusted_grows_with_large_pictures(columns, error_px, trusted):
    motion = SimpleNamespace(doubt="", followed_px=error_px, reference=np.zeros((120, columns)))
    placed = doubted(Placement(np.eye(3), 0.2, "marks"), motion, settings=SETTINGS)
    assert placed.trusted == trusted
    assert trusted or "could be followed to" in placed.reason
