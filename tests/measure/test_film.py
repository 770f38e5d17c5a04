"""Resampling to the board grid: places, noise and peaks against truth and reference libraries."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from scipy import ndimage
from skimage import data, transform

from thermscan.measure.film import (
    choose_edges,
    choose_grid,
    fill_bad,
    make_film,
    pixel_size_mm,
    set_clock,
    spline_gain,
)
from thermscan.measure.film_curve import follow_places, points_on
from thermscan.model.board import Board, Part
from thermscan.model.camera_events import CameraState
from thermscan.model.film import BoardGrid
from thermscan.model.pose import NoPose, Placement, Pose, Track
from thermscan.model.quantity import Measured
from thermscan.model.recording import Recording
from thermscan.model.settings import FilmSettings
from thermscan.model.timing import PowerUp, Timing

SETTINGS = FilmSettings()
BOARD = Board.rectangle(60, 40)


def upright(scale=2.0, left=10.0, top=5.0, height=40.0):
    """Pose of a board seen straight: x_px = left + scale x, y_px = top + scale (height - y)."""
    return np.array([[scale, 0, left], [0, -scale, top + scale * height], [0, 0, 1]], float)


def clear_camera(frames, shape, noise=0.05):
    return CameraState(np.full(shape, noise), np.zeros(shape, bool), np.ones(frames, bool), np.zeros(frames))


def made_film(frames, times=None, matrix=None, timing=None, grid=None, noise=0.05, edges=None, top=None):
    times = 0.1 * np.arange(len(frames)) if times is None else times
    recording = replace(Recording.from_array(frames, times), saturated_at=top)
    matrix = upright() if matrix is None else matrix
    pose = Pose(matrix, 0.05)
    track = Track((pose,) * len(frames), Placement(matrix, 0.05, "marks"))
    camera = clear_camera(len(frames), frames.shape[1:], noise)
    timing = timing or Timing()
    edges = choose_edges(times, timing, until_s=None, settings=SETTINGS) if edges is None else edges
    clock = set_clock(recording, camera.usable, timing, edges, settings=SETTINGS)
    grid = grid or choose_grid(BOARD, pixel_size_mm(matrix, BOARD), settings=SETTINGS)
    return make_film(recording, camera, track, clock, grid=grid, board=BOARD, settings=SETTINGS), clock


def test_pixel_size_is_that_of_the_homography():
    assert pixel_size_mm(upright(scale=2.5), BOARD) == pytest.approx(0.4)


def test_resampling_equals_the_reference_library_on_a_real_texture():
    # Texture: data.camera() as shipped with scikit-image; reference: skimage.transform.warp, bicubic.
    picture = data.camera()[100:228, 100:292].astype(np.float32) / 10
    matrix = np.array([[2.0, 0.3, 12.0], [0.2, -2.1, 100.0], [1e-4, -2e-4, 1.0]])
    film, _ = made_film(picture[None].repeat(2, 0), matrix=matrix)
    points = film.grid.points_mm()
    xy = Pose(matrix, 0).to_px(points)
    want = transform.warp(picture.astype(float), np.moveaxis(xy[..., ::-1], -1, 0), order=3, mode="edge")
    # the library clips to the range of the picture, which cuts the spline's overshoot at hard edges
    assert np.sqrt(np.mean((film.mean[0] - want)[film.inside] ** 2)) < 0.02 * picture.std()


def test_a_ramp_in_millimetres_comes_back_exactly():
    rows, columns = np.mgrid[:100, :150].astype(np.float32)
    ramp = (columns - 10) / 2 + 100 * (5 + 80 - rows) / 2
    film, _ = made_film(ramp[None].repeat(3, 0))
    x, y = np.moveaxis(film.grid.points_mm(), -1, 0)
    np.testing.assert_allclose(film.mean[0][film.inside], (x + 100 * y)[film.inside], atol=0.02)


def test_the_top_of_the_range_is_a_lower_bound_and_a_glint_is_not_one():
    frames = np.full((100, 100, 150), 23.0, np.float32)
    frames[50:, 40:46, 60:66] = np.linspace(30, 200, 50)[:, None, None]  # hot from 5 s on, full from about 7 s on
    frames[60, 20:30, 100:110] = 400.0  # one glint
    timing = Timing(on_s=Measured(5.0, 4.95, 5.05), power_ups=(PowerUp(Measured(5, 5, 5), None),))
    film, _ = made_film(np.minimum(frames, 100.0), timing=timing, top=100.0)
    x, y = np.moveaxis(film.grid.points_mm(), -1, 0)
    row, column = np.unravel_index(np.argmin(np.hypot(x - 26.2, y - 21.2)), film.grid.shape)
    assert film.readable[row, column]
    assert film.saturated[row, column]
    assert film.mean[-1, row, column] == pytest.approx(100.0, abs=2.0)
    glint = np.hypot(x - 47.2, y - 30.2) < 1.5
    assert film.readable[glint].all()
    assert not film.saturated[glint].any()
    always = np.full((20, 100, 150), 23.0, np.float32)
    always[:, 40:46, 60:66] = 100.0
    assert not made_film(always, top=100.0)[0].readable[row, column]


def test_noise_after_resampling_is_predicted():
    rng = np.random.default_rng(0)
    frames = (23 + rng.normal(0, 0.05, (400, 100, 150))).astype(np.float32)
    timing = Timing(on_s=Measured(20.0, 19.95, 20.05), power_ups=(PowerUp(Measured(20, 20, 20), None),))
    film, clock = made_film(frames, timing=timing)
    assert film.cold_frames == int((clock.bin_of_frame == -1).sum()) > 150
    one = film.mean - film.cold
    predicted = film.noise * np.sqrt(1 / film.frames[0] + 1 / film.cold_frames)
    ratio = one.std(axis=0)[film.inside] / predicted[film.inside]
    # the cold mean is shared by all bins, so the scatter between bins lacks it
    lacking = np.sqrt((1 / film.frames[0]) / (1 / film.frames[0] + 1 / film.cold_frames))
    assert np.median(ratio) == pytest.approx(lacking, rel=0.06)


def test_correlation_length_predicts_noise_of_a_mean_over_an_area():
    rng = np.random.default_rng(1)
    frames = rng.normal(0, 1.0, (300, 100, 150)).astype(np.float32)
    film, _ = made_film(frames, noise=1.0, edges=np.linspace(0, 30, 301))
    box = film.mean[:, 40:60, 40:60].mean(axis=(1, 2))
    area = (20 * film.grid.step_mm) ** 2
    kernel = 4 * np.pi * film.correlation_mm**2
    predicted = np.median(film.noise[40:60, 40:60]) * np.sqrt(kernel / (area + kernel))
    # resampled noise is less than pixel noise, its correlation longer: the pixel's own density of noise remains
    assert box.std() == pytest.approx(predicted, rel=0.35)


def test_a_part_one_pixel_wide_keeps_its_peak():
    kept = []
    for shift in np.linspace(0, 0.9, 10):
        rows, columns = np.mgrid[:100, :150].astype(float)
        spot = np.exp(-((columns - 60 - shift) ** 2 + (rows - 45) ** 2) / (2 * 0.8**2)).astype(np.float32)
        film, _ = made_film(spot[None].repeat(2, 0))
        kept.append(float(film.mean[0].max()))
    assert min(kept) > 0.85
    bilinear = cv2.remap(spot, np.full((1, 1), 60.5, np.float32), np.full((1, 1), 45.5, np.float32), cv2.INTER_LINEAR)
    assert bilinear.max() < min(kept)


def test_spline_gain_is_the_variance_of_interpolated_noise():
    # reference: scipy.ndimage.shift of order 3 on white noise
    noise = np.random.default_rng(5).normal(size=200_000)
    for fraction in (0.0, 0.25, 0.5, 0.8):
        moved = ndimage.shift(noise, fraction, order=3)
        assert spline_gain(np.array(fraction)) == pytest.approx(moved.var(), rel=0.01)


def test_bad_pixels_are_filled_from_their_neighbours_and_the_frame_is_not_changed():
    frame = np.full((20, 20), 23.0, np.float32)
    frame[5, 5] = np.nan
    frame[8, 8] = 900
    bad = np.zeros((20, 20), bool)
    bad[8, 8] = True
    before = frame.copy()
    np.testing.assert_allclose(fill_bad(frame, bad), 23.0, rtol=1e-6)
    np.testing.assert_array_equal(frame, before)


def test_frames_near_power_on_count_neither_as_cold_nor_as_warm():
    times = 0.1 * np.arange(60)
    recording = Recording.from_array(np.zeros((60, 4, 4)), times)
    timing = Timing(on_s=Measured(2.0, 1.8, 2.1), power_ups=(PowerUp(Measured(2.0, 1.8, 2.1), None),))
    edges = choose_edges(times, timing, until_s=None, settings=SETTINGS)
    clock = set_clock(recording, np.ones(60, bool), timing, edges, settings=SETTINGS)
    assert times[clock.bin_of_frame == -1].max() < 1.8
    assert times[clock.bin_of_frame >= 0].min() >= 2.0


def test_bins_end_at_power_off_and_go_on_into_the_cooling():
    times = 0.1 * np.arange(200)
    run = PowerUp(Measured(2.0, 1.9, 2.1), Measured(12.0, 11.9, 12.1))
    timing = Timing(on_s=run.on_s, off_s=run.off_s, power_ups=(run,))
    edges = choose_edges(times, timing, until_s=None, settings=SETTINGS)
    assert np.isclose(edges, 10.0).any()
    assert edges[-1] > 15


def test_curves_follow_a_part_and_frames_without_pose_are_unknown():
    part = Part("C1", x=30, y=20, w=6, h=4)
    frames = np.zeros((5, 100, 150), np.float32)
    frames[:, 45 - 4 : 45 + 5, 70 - 6 : 70 + 7] = np.arange(5)[:, None, None]
    recording = Recording.from_array(frames, 0.1 * np.arange(5))
    poses = [Pose(upright(), 0.1)] * 5
    poses[3] = NoPose("out of view")
    track = Track(tuple(poses), Placement(upright(), 0.1, "marks"))
    curve = follow_places(recording, clear_camera(5, (100, 150)), track, [points_on(part)])[0]
    np.testing.assert_allclose(curve[[0, 1, 2, 4]], [0, 1, 2, 4], atol=1e-5)
    assert np.isnan(curve[3])


def test_curves_follow_a_tall_part_to_where_a_tilted_view_shows_it():
    part = Part("C1", x=30, y=20, w=6, h=4, height_mm=10.0)
    frames = np.zeros((3, 100, 150), np.float32)
    frames[:, 45 - 4 : 45 + 5, 80 - 6 : 80 + 7] = 7.0  # 10 px, 5 mm, to the right of its footprint
    recording = Recording.from_array(frames, 0.1 * np.arange(3))
    placement, lean = Placement(upright(), 0.1, "marks"), np.array([0.5, 0.0, 0.0])  # mm sideways a mm of height
    track = Track((Pose(upright(), 0.1),) * 3, placement, lean=lean)
    args = recording, clear_camera(3, (100, 150)), track, [points_on(part)]
    np.testing.assert_allclose(follow_places(*args, heights_mm=[part.height_mm])[0], 7.0, atol=1e-5)
    np.testing.assert_allclose(follow_places(*args)[0], 0.0, atol=1e-5)


def test_grid_covers_the_outline_and_maps_back():
    grid = BoardGrid.over(BOARD, 0.7, margin_mm=2.0)
    x, y = np.moveaxis(grid.points_mm(), -1, 0)
    assert x.min() <= -1.5
    assert x.max() >= 61.5
    row, column = grid.to_cell(x, y)
    np.testing.assert_allclose(row, np.arange(grid.rows)[:, None] + 0 * x, atol=1e-9)
    np.testing.assert_allclose(column, np.arange(grid.columns)[None] + 0 * x, atol=1e-9)
