"""Placement against drawn pictures with known poses, and against OpenCV and scikit-image."""

from dataclasses import replace
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from scipy.ndimage import gaussian_filter
from scipy.stats import norm, ttest_1samp
from skimage import data, transform

from thermscan.measure import placement_match
from thermscan.measure.motion import follow_motion
from thermscan.measure.noise import measure_camera
from thermscan.measure.placement import doubted, place_board
from thermscan.measure.placement_fit import Fit
from thermscan.measure.placement_layout import draw_layout, polygon_cover, rectangle_cover
from thermscan.measure.placement_marks import fit_marks
from thermscan.measure.placement_match import match_placements, place_by_pattern
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
    find_starts,
    is_steady,
    settle,
    vuong_z,
)
from thermscan.model.board import Board, Hole, Part
from thermscan.model.pose import Motion, Placement, map_points
from thermscan.model.recording import Mark
from thermscan.model.settings import PlacementSettings
from thermscan.simulate import CaseOptions, draw_case

SETTINGS = PlacementSettings()
QUICK = replace(SETTINGS, search_px=40.0, search_starts=10, search_kept=4, scale_step=0.08, turn_step_deg=6.0)
SHAPE = (60, 80)
BOARD = Board(
    "invented test board",
    np.array([[0, 0], [62, 0], [62, 30], [52, 30], [52, 44], [0, 44]], float),
    holes=(Hole(3.5, 3.5, 3.2), Hole(58, 3.5, 3.2)),
    parts=(
        Part("U1", x=15, y=30, w=12, h=10, height_mm=1.5),
        Part("U2", x=40, y=12, w=9, h=9, height_mm=1.2),
        Part("J1", x=30, y=40, w=14, h=6, height_mm=9.0),
        Part("C1", x=27, y=14, w=6, h=3, rotation=90, height_mm=1.0),
        Part("L1", x=54, y=20, w=7, h=7, height_mm=4.0),
        Part("Q1", x=9, y=12, w=6, h=5, height_mm=1.5),
    ),
)
CONTRAST = {"U1": 0.9, "U2": -0.6, "J1": 0.5, "C1": -0.9, "L1": 0.7, "Q1": -0.5}
HEAT = {"U1": 3.0, "U2": 1.0, "J1": 0.0, "C1": 0.0, "L1": 2.0, "Q1": 1.5}


def camera(tilt_deg, toward_deg, roll_deg, scale, shape=SHAPE, side="top"):
    """Projection matrices by height: a pinhole camera built from scratch, rotation by Rodrigues' formula."""
    focal = 1.5 * shape[1]
    flip = np.diag([1.0, -1, -1]) if side == "top" else np.diag([-1.0, -1, 1])
    axis = np.array([np.cos(np.radians(toward_deg)), np.sin(np.radians(toward_deg)), 0])
    tilt = cv2.Rodrigues(axis * np.radians(tilt_deg))[0]
    roll = cv2.Rodrigues(np.array([0, 0, np.radians(roll_deg)]))[0]
    rotation = tilt @ roll @ flip
    inner = np.array([[focal, 0, (shape[1] - 1) / 2], [0, focal, (shape[0] - 1) / 2], [0, 0, 1]])
    shift = np.array([0.5, -0.3, focal / scale]) - rotation @ np.array([31.0, 22.0, 0.0])
    toward = 1.0 if side == "top" else -1.0

    def plane(height=0.0):
        matrix = inner @ np.column_stack([rotation[:, 0], rotation[:, 1], shift + rotation[:, 2] * toward * height])
        return matrix / matrix[2, 2]

    return plane


def paint(plane, board, contrast, *, bench, shape=SHAPE, fine=5, spots=()):
    """Paint a board seen by a camera, sample by sample on a fine grid, then blur and average; no shared code."""
    rows, columns = shape
    y, x = np.mgrid[0 : rows * fine, 0 : columns * fine]
    pixels = np.stack([(x + 0.5) / fine - 0.5, (y + 0.5) / fine - 0.5], axis=-1)
    ground = map_points(np.linalg.inv(plane()), pixels)
    on_board = board.inside(ground[..., 0], ground[..., 1])
    surface = 0.02 * ground[..., 0]
    for x_mm, y_mm, kelvin, reach in spots:
        surface = surface + kelvin * np.exp(-np.hypot(ground[..., 0] - x_mm, ground[..., 1] - y_mm) / reach)
    picture = np.where(on_board, surface, bench)
    for hole in board.holes:
        distance = np.hypot(ground[..., 0] - hole.x, ground[..., 1] - hole.y)
        picture = np.where(distance < hole.d, surface - 0.5, picture)
        picture = np.where(distance < hole.d / 2, bench, picture)
    for part in board.parts:
        if part.ref not in contrast:
            continue
        for height in (0.0, part.height_mm / 2, part.height_mm):
            place = map_points(np.linalg.inv(plane(height)), pixels)
            covered = part.contains(place[..., 0], place[..., 1])
            picture = np.where(covered, surface + contrast[part.ref], picture)
    picture = gaussian_filter(picture, 0.6 * fine)
    return picture.reshape(rows, fine, columns, fine).mean(axis=(1, 3))


def still(reference, *change):
    frames = 4
    return Motion(
        np.tile(np.eye(3), (frames, 1, 1)),
        reference,
        np.array(change) if change else np.empty((0, *reference.shape)),
        np.full(frames, 0.01),
        is_tripod=True,
    )


def make_motion(plane, seed=0, *, bench=-0.8, noise=0.03, spots=(), shape=SHAPE):
    rng = np.random.default_rng(seed)
    reference = 23 + paint(plane, BOARD, CONTRAST, bench=bench, shape=shape)
    change = paint(plane, BOARD, HEAT, bench=-1.0, spots=((15, 30, 2.0, 8.0), *spots), shape=shape)
    return still(reference + rng.normal(0, noise, shape), change + rng.normal(0, noise, shape))


def corner_marks(plane, board, errors):
    x0, y0, x1, y1 = board.box_mm
    corners = np.array([[x0, y1], [x1, y1], [x1, y0], [x0, y0]])
    return tuple(Mark(*mm, *px) for mm, px in zip(corners, map_points(plane(), corners) + errors, strict=True))


def grid_rms(first, second, board=BOARD):
    x0, y0, x1, y1 = board.box_mm
    points = np.stack(np.meshgrid(np.linspace(x0, x1, 5), np.linspace(y0, y1, 5)), axis=-1).reshape(-1, 2)
    return float(np.sqrt(np.mean(np.sum((map_points(first, points) - map_points(second, points)) ** 2, axis=1))))


TILTED = camera(14, 40, 63, 0.82)
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


class TestMatch:
    def test_good_and_faulty_agree_with_a_40_k_hotspot_in_view(self):
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

    def test_a_good_board_placed_upside_down_is_put_right_or_flagged(self):
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
    def test_a_good_board_that_marks_bind_is_not_sought_elsewhere(self, monkeypatch, is_marked):
        sought = []
        monkeypatch.setattr(placement_match, "pattern_starts", lambda *_, **__: sought.append(1) or [])
        other = camera(5, 250, -100, 0.9)
        own = Placement(other(), 1.0, "marks", is_marked=is_marked)
        blank = still(23 + np.random.default_rng(4).normal(0, 0.05, SHAPE))  # nothing in it tells where the board lies
        match = match_placements(make_motion(TILTED, 1), [blank], Placement(TILTED(), 0.2, "layout"), [own], BOARD)
        assert bool(sought) != is_marked
        assert match.goods[0].trusted
        assert grid_rms(match.goods[0].matrix, other()) < 1.96 * match.goods[0].error_px < 4.0

    def test_a_board_of_unknown_place_is_placed_by_the_other_recording_if_its_layout_agrees(self):
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
    def test_a_place_borrowed_from_a_good_board_is_no_surer_than_that_board(self, monkeypatch, lender_stays):
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

    def test_textures_of_scikit_image_are_registered_without_a_board(self):
        # skimage.data.camera(), cropped and turned by scikit-image's own warp.
        picture = transform.rescale(data.camera()[100:420, 60:460].astype(float), 0.2, anti_aliasing=True)
        known = transform.SimilarityTransform(scale=1.1, rotation=np.deg2rad(21), translation=(22.0, -14.0))
        turned = transform.warp(picture, known.inverse, output_shape=picture.shape, cval=np.nan)
        match = place_by_pattern(still(picture), [still(turned)], settings=QUICK)
        assert match.faulty.method == "frame"
        inner = Board("middle", np.array([[20, 15], [60, 15], [60, 48], [20, 48]], float))
        assert match.goods[0].trusted
        assert grid_rms(match.goods[0].matrix, known.params, inner) < 0.2

    def test_two_unlike_pictures_are_not_trusted(self):
        rng = np.random.default_rng(4)
        one, two = (gaussian_filter(rng.normal(0, 1, SHAPE), 2.0) for _ in range(2))
        assert not place_by_pattern(still(one), [still(two)], settings=QUICK).goods[0].trusted


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
