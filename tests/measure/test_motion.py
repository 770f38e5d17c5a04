"""Motion of the picture, on pictures shipped with scikit-image that are moved by known amounts."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from skimage import data

from thermscan.measure.motion import coarse_shifts, follow_motion
from thermscan.measure.motion_check import bridge, misplaced_px
from thermscan.measure.motion_coarse import CoarseTracker
from thermscan.measure.motion_course import Evidence, Wander, estimate_wander, smooth
from thermscan.measure.motion_fields import Coefficients
from thermscan.measure.motion_pictures import choose_keys, prepare
from thermscan.measure.motion_still import knocked, still_share
from thermscan.measure.noise import measure_camera
from thermscan.model.pose import Motion, map_points
from thermscan.model.recording import Recording
from thermscan.model.settings import MotionSettings

SHAPE = (96, 128)


def moved(texture, matrices, *, shape=SHAPE, contrast_k=0.5, noise_k=0.05, pattern_k=0.0, seed=1):
    """Film a texture: each frame sees it through its matrix (reference to frame), 3 x 3 supersampled."""
    rng = np.random.default_rng(seed)
    rows, columns = shape
    big = cv2.GaussianBlur(
        cv2.resize(texture.astype(np.float32), (columns * 4, rows * 4), interpolation=cv2.INTER_AREA), (0, 0), 1.8
    )
    big = (big - big.mean()) / big.std() * contrast_k
    to_texture = np.array([[3, 0, columns / 2 + 1], [0, 3, rows / 2 + 1], [0, 0, 1.0]])
    to_frame = np.array([[1 / 3, 0, -1 / 3], [0, 1 / 3, -1 / 3], [0, 0, 1.0]])
    pattern = rng.normal(0, pattern_k, shape)
    out = []
    for matrix in matrices:
        seen = cv2.warpPerspective(
            big,
            to_texture @ np.linalg.inv(matrix) @ to_frame,
            (columns * 3, rows * 3),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        )
        frame = cv2.resize(seen, (columns, rows), interpolation=cv2.INTER_AREA)
        out.append(24 + frame + pattern + rng.normal(0, noise_k, shape))
    return np.array(out, np.float32)


def hand(frames, *, seed=3, drift_px=4.0, jitter_px=0.3):
    rng = np.random.default_rng(seed)
    t = np.linspace(0, 2 * np.pi, frames)
    course = np.zeros((frames, 8))
    course[:, 0] = drift_px * np.sin(t) + rng.normal(0, jitter_px, frames)
    course[:, 1] = drift_px / 2 * (1 - np.cos(1.3 * t)) + rng.normal(0, jitter_px, frames)
    course[:, 2] = 0.5 * np.sin(0.7 * t)
    course[:, 3] = 0.3 * np.sin(1.1 * t)
    return Coefficients(SHAPE).to_matrix(course)


def follow(frames, times=None):
    recording = Recording.from_array(frames, np.arange(len(frames)) / 9 if times is None else times)
    return follow_motion(recording, measure_camera(recording))


@pytest.mark.parametrize("shape", [(192, 256), (288, 384)])
def test_a_hand_that_jumps_by_a_twentieth_of_the_picture_from_frame_to_frame_is_followed(shape):
    random, size = np.random.default_rng(5), 0.055 * shape[1]
    at = np.zeros((16, 2))
    for i in range(1, 16):
        by = random.normal(size=2)
        by *= size / np.hypot(*by)
        at[i] = at[i - 1] + np.where(np.abs(at[i - 1] + by) > 0.15 * shape[1], -by, by)
    true = np.broadcast_to(np.eye(3), (16, 3, 3)).copy()
    true[:, :2, 2] = at
    found = follow(moved(data.coins(), true, shape=shape, contrast_k=3.0))
    off = found.matrices[:, :2, 2] - (at - at[0])
    assert np.hypot(*(off - np.median(off, axis=0)).T).max() < 0.5


def errors_px(found, true, frames=slice(None)):
    """Distance over a 5 x 5 grid, rms per frame, after taking off the mean (the reference is anybody's choice)."""
    grid = np.stack(np.meshgrid(np.linspace(15, 112, 5), np.linspace(12, 83, 5)), axis=-1).reshape(-1, 2)
    off = np.array(
        [map_points(f, grid) - map_points(t, grid) for f, t in zip(found[frames], true[frames], strict=True)]
    )
    off -= off.mean(axis=0)
    return np.sqrt((off**2).sum(axis=-1).mean(axis=-1))


def slope_of(found, true):
    centre = np.array([[64.0, 48.0]])
    a = np.array([map_points(m, centre)[0] for m in found])
    b = np.array([map_points(m, centre)[0] for m in true])
    a, b = a - a.mean(axis=0), b - b.mean(axis=0)
    return float((a * b).sum() / (b * b).sum())


def test_coefficients_and_homographies_are_exact_inverses():
    fields = Coefficients(SHAPE)
    course = np.random.default_rng(0).normal(0, 2, (50, 8))
    np.testing.assert_allclose(fields.of_matrix(fields.to_matrix(course)), course, atol=1e-9)


def test_homography_agrees_with_opencv_on_four_points():
    fields = Coefficients(SHAPE)
    matrix = fields.to_matrix(np.array([1, -2, 0.5, 0.3, 0.2, -0.1, 0.3, -0.2]))
    corners = np.array([[0, 0], [127, 0], [127, 95], [0, 95]], np.float32)
    expected = cv2.getPerspectiveTransform(corners, map_points(matrix, corners).astype(np.float32))
    np.testing.assert_allclose(matrix, expected, atol=1e-5)


@pytest.mark.parametrize("name", ["camera", "coins"])
def test_hand_held_motion_is_recovered(name):
    true = hand(40)
    motion = follow(moved(getattr(data, name)(), true))
    error = errors_px(motion.matrices, true)
    assert np.sqrt(np.mean(error**2)) < 0.12
    assert slope_of(motion.matrices, true) == pytest.approx(1.0, abs=0.02)
    assert not motion.is_tripod


def test_still_camera_is_told_and_gives_identities():
    frames = moved(data.camera(), np.broadcast_to(np.eye(3), (40, 3, 3)), pattern_k=0.05)
    motion = follow(frames)
    assert motion.is_tripod
    np.testing.assert_array_equal(motion.matrices, np.broadcast_to(np.eye(3), (40, 3, 3)))


def test_many_still_frames_bound_the_jitter_by_the_fourth_root_of_their_number():
    """Against drawn samples: what the sample variance of n errors may hide of a jitter on top of them."""
    random, settings = np.random.default_rng(0), replace(MotionSettings(), still_least=0.01)
    for frames in (16, 81, 400):
        spread = np.std(random.normal(size=(4000, frames)).var(axis=1, ddof=1))
        assert np.sqrt(spread) == pytest.approx(2**0.25 * still_share(frames, settings), rel=0.05)
    assert still_share(10_000, MotionSettings()) == MotionSettings().still_least


def test_a_camera_that_is_knocked_has_moved_and_stands_still_before_and_after():
    true = np.broadcast_to(np.eye(3), (40, 3, 3)).copy()
    true[24:, :2, 2] = [0.7, -0.5]
    motion = follow(moved(data.camera(), true, pattern_k=0.05))
    assert not motion.is_tripod
    assert np.sqrt(np.mean(errors_px(motion.matrices, true) ** 2)) < 0.1


def test_a_knock_is_told_from_drift_and_from_a_single_frame_that_is_off():
    random = np.random.default_rng(2)
    noise = random.normal(0, 0.02, (60, 2))
    own = np.full(60, 0.02)
    step, ramp, lone = np.zeros((60, 2)), np.zeros((60, 2)), np.zeros((60, 2))
    step[30:] = [0.3, 0.2]
    ramp[:] = np.linspace(0, 0.6, 60)[:, None]
    lone[30] = [0.4, 0.0]
    assert knocked(noise + step, own, settings=MotionSettings())
    assert not any(knocked(noise + some, own, settings=MotionSettings()) for some in (0.0, ramp, lone))


def test_growing_hotspot_does_not_move_a_still_picture():
    frames = moved(data.camera(), np.broadcast_to(np.eye(3), (60, 3, 3)))
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    growth = np.clip(np.arange(60) - 15, 0, None) / 45
    frames += (40 * growth)[:, None, None] * np.exp(-((x - 80) ** 2 + (y - 30) ** 2) / (2 * 2.5**2)).astype(np.float32)
    frames += (10 * growth)[:, None, None] * np.exp(-((x - 80) ** 2 + (y - 30) ** 2) / (2 * 15**2)).astype(np.float32)
    motion = follow(frames.astype(np.float32))
    assert errors_px(motion.matrices, np.broadcast_to(np.eye(3), (60, 3, 3))).max() < 0.2


def test_frozen_frames_are_bridged_with_a_reason_and_a_larger_error():
    true = hand(40)
    frames = moved(data.coins(), true)
    frames[20:23] = frames[19]
    motion = follow(frames)
    assert set(motion.why) == {20, 21, 22}
    assert "frozen" in motion.why[21]
    assert motion.error_px[21] > (motion.error_px[18] + motion.error_px[24]) / 2
    assert errors_px(motion.matrices, true)[21] < 1.0


def test_one_and_two_frames_are_answered():
    for frames in (1, 2):
        motion = follow(moved(data.coins(), np.broadcast_to(np.eye(3), (frames, 3, 3))))
        assert motion.matrices.shape == (frames, 3, 3)
        assert np.isfinite(motion.matrices).all()


def test_smoother_is_the_least_squares_answer():
    # One coefficient at a time the smoother must equal the generalised least-squares solution, solved here directly.
    rng = np.random.default_rng(1)
    n, times = 30, np.sort(rng.uniform(0, 5, 30))
    values, weight = rng.normal(size=(n, 8)), np.zeros((n, 8, 8))
    weight[:] = np.eye(8) * rng.uniform(0.5, 4, (n, 1, 1))
    weight[7] = 0
    wander = Wander(np.full(8, 0.7), np.full(8, 0.2))
    course, covariance = smooth(Evidence(values, weight), times, wander)
    steps = np.diag(1 / (0.7 * np.diff(times)))
    difference = np.diff(np.eye(n), axis=0)
    blocks = np.block(
        [
            [difference.T @ steps @ difference + 1e-4 * np.eye(n)[:, [0]] @ np.eye(n)[[0]], np.zeros((n, n))],
            [np.zeros((n, n)), np.eye(n) / 0.2],
        ]
    )
    own = np.diag(weight[:, 0, 0])
    blocks += np.block([[own, own], [own, own]])
    level_and_jitter = np.linalg.solve(blocks, np.concatenate([own @ values[:, 0]] * 2))
    np.testing.assert_allclose(course[:, 0], level_and_jitter[:n] + level_and_jitter[n:], atol=1e-6)
    both = np.hstack([np.eye(n), np.eye(n)])
    np.testing.assert_allclose(covariance[:, 0, 0], np.diag(both @ np.linalg.inv(blocks) @ both.T), rtol=1e-4)


def test_walk_and_jitter_are_estimated():
    rng = np.random.default_rng(5)
    walk = np.cumsum(rng.normal(0, 0.3, (400, 8)), axis=0)
    values = walk + rng.normal(0, 0.5, (400, 8)) + rng.normal(0, 0.1, (400, 8))
    evidence = Evidence(values, np.broadcast_to(np.eye(8) / 0.01, (400, 8, 8)))
    wander = estimate_wander(evidence, np.arange(400.0), floor=1e-8)
    assert np.sqrt(wander.walk.mean()) == pytest.approx(0.3, rel=0.2)
    assert np.sqrt(wander.jitter.mean()) == pytest.approx(0.5, rel=0.1)


def test_sensor_pattern_neither_pulls_the_motion_nor_stays_in_the_reference():
    true = hand(40, drift_px=2.0)
    motion = follow(moved(data.coins(), true, pattern_k=0.15))
    assert slope_of(motion.matrices, true) == pytest.approx(1.0, abs=0.04)
    assert np.sqrt(np.mean(errors_px(motion.matrices, true) ** 2)) < 0.15
    # the same draw as in `moved`: its first normal numbers are the pattern
    pattern = np.random.default_rng(1).normal(0, 0.15, SHAPE)
    inner = (slice(8, -8), slice(8, -8))
    left = (motion.pattern - pattern)[inner]
    assert left.std() < 0.7 * pattern[inner].std()


def test_heat_that_grows_at_edges_moves_nothing_and_stated_errors_hold():
    # A picture whose contrast grows five times in places while the camera is held by hand.
    true = hand(60)
    cold = moved(data.coins(), true, contrast_k=0.5, noise_k=0.0)
    growth = np.clip(np.arange(60) - 15, 0, None) / 10
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    spot = np.exp(-((x - 50) ** 2 + (y - 40) ** 2) / (2 * 12**2))
    frames = cold.astype(float)
    for i, matrix in enumerate(true):
        seen = cv2.warpPerspective(spot, matrix, SHAPE[::-1], flags=cv2.INTER_LINEAR)
        frames[i] += growth[i] * seen * (1 + cold[i] - 24)
    frames += np.random.default_rng(2).normal(0, 0.05, frames.shape)
    motion = follow(frames.astype(np.float32))
    error = np.sqrt(np.mean(errors_px(motion.matrices, true) ** 2))
    assert error < 0.15
    assert error < 2.5 * np.sqrt(np.mean(motion.error_px**2))


def test_coarse_shifts_follow_a_jump():
    course = np.zeros((12, 8))
    course[6:, 0] = 7.5
    true = Coefficients(SHAPE).to_matrix(course)
    tracker = CoarseTracker(SHAPE, MotionSettings())
    fine = [cv2.GaussianBlur(f, (0, 0), 1.2) for f in moved(data.camera(), true)]
    shifts = [tracker.add(f - cv2.GaussianBlur(f, (0, 0), 3.0)) for f in fine]
    np.testing.assert_allclose(np.array(shifts)[6:, 0], 7.5, atol=0.5)


def test_a_hand_that_passes_does_not_take_the_motion_along():
    # A warm bar two fifths of the picture wide crosses it to the right within ten frames.
    true = hand(30)
    frames = moved(data.coins(), true)
    columns = np.arange(SHAPE[1])
    for i in range(10, 20):
        frames[i][:, np.abs(columns - 18 * (i - 10)) < 26] = 33.0
    free = [*range(10), *range(20, 30)]
    assert np.max(errors_px(follow(frames).matrices, true, free)) < 0.3


@pytest.mark.parametrize(("margin", "is_found"), [(0.1, True), (1.0, False)])
def test_a_shift_that_was_taken_along_is_found_again(margin, is_found):
    true = hand(12)
    settings = MotionSettings(check_margin=margin, check_peak=margin, reach_px=2.0, reach_share=0.0)  # 1: nowhere is
    tracker = CoarseTracker(SHAPE, settings)
    fine = [cv2.GaussianBlur(f, (0, 0), 1.2) for f in moved(data.coins(), true)]
    for i, picture in enumerate(fine):
        if i == 8:
            tracker.last = np.add(tracker.last, [25.0, 12.0])
        shift = tracker.add(picture - cv2.GaussianBlur(picture, (0, 0), 3.0))
    assert (np.abs(shift - true[-1, :2, 2] + true[0, :2, 2]).max() < 1.5) == is_found


@pytest.mark.parametrize(("memories", "is_found"), [(12, True), (0, False)])
@pytest.mark.parametrize("is_kept", [False, True])
def test_a_shift_that_was_taken_along_is_found_again_where_heat_has_changed_the_picture(memories, is_found, is_kept):
    tracker = CoarseTracker(SHAPE, MotionSettings(reach_px=2.0, reach_share=0.0, memories=memories))
    still = np.broadcast_to(np.eye(3), (60, 3, 3))
    cold, warm = moved(data.camera(), still), moved(data.coins(), still, contrast_k=3.0)
    share = np.clip((np.arange(60) - 12) / 15, 0, 1)[:, None, None]
    for i, frame in enumerate(cold + share * (warm - 24)):
        if i == 50:
            tracker.last = np.add(tracker.last, [15.0, 9.0])
            if is_kept and memories:  # a memory was kept there meanwhile
                right = tracker.kept[-1]
                back = np.roll(right.picture, (-9, -15), (0, 1))
                wrong = replace(
                    right, spectrum=tracker.moved_back(right.spectrum, [15.0, 9.0]), picture=back, shift=tracker.last
                )
                tracker.kept.append(wrong)
        fine = cv2.GaussianBlur(frame.astype(np.float32), (0, 0), 1.2)
        shift = tracker.add(fine - cv2.GaussianBlur(fine, (0, 0), 3.0))
    assert (np.abs(shift).max() < 1.5) == is_found


def two_warm_parts(seed):
    """Return 60 frames of a board that stands still: one part cools, another one 14 px away warms far above it.

    Something warm on the bench, half behind the board, cools as well.
    """
    rng, shape = np.random.default_rng(seed), (60, 80)
    y, x = np.mgrid[: shape[0], : shape[1]]
    bench = 2.2 * np.exp(-((x - 10) ** 2 + (y - 35) ** 2) / (2 * 8**2))
    frames = []
    for i in range(60):
        cools, warms = max(0.15, 1 - i / 50), max(0.0, (i - 16) / 40)
        scene = bench * cools
        scene[8:54, 14:68] = -0.9
        for (top, bottom, left, right), heat in (
            ((30, 34, 24, 30), 1.2 * max(0.0, 1 - i / 50)),
            ((42, 46, 17, 23), 0.3 + 0.5 * (i > 20)),
            ((40, 45, 25, 29), 0.6 * (i > 18)),
            ((27, 38, 35, 46), 7 * warms),
            ((27, 36, 60, 72), -1.0),
        ):
            scene[top:bottom, left:right] += heat
        frames.append(cv2.GaussianBlur(20 + scene + rng.normal(0, 0.05, shape), (0, 0), 1.0))
    return np.array(frames, np.float32)


@pytest.mark.parametrize("seed", range(3))
def test_a_part_that_warms_is_not_taken_for_one_that_was_warm_before(seed):
    recording = Recording.from_array(two_warm_parts(seed), np.arange(60) / 15)
    camera, settings = measure_camera(recording), MotionSettings(check_margin=0.02, check_peak=0.4)
    how, keys = prepare(recording, camera, settings), choose_keys(camera.usable, settings.most_keys)
    shifts, _ = coarse_shifts(recording, camera, how, keys, settings)
    assert np.ptp(shifts, axis=0).max() < 1.5
    cold = recording.store.read(0, 12).mean(axis=0)
    assert not misplaced_px(recording, camera, how, np.stack([np.eye(3)] * 60), cold, settings).any()


def turned(seed):
    """Return frames, and their true motion, in which bare parts turn from dark to bright in the middle.

    They mirror somebody who comes. The outline of the board, which is fainter, stays as it is.
    """
    rng = np.random.default_rng(seed)
    true = hand(40, seed=seed)
    board, metal = np.zeros(SHAPE, np.float32), np.zeros(SHAPE, np.float32)
    board[16:80, 24:104] = 1
    for x, y in rng.integers((30, 22), (90, 68), (14, 2)):
        metal[y : y + rng.integers(3, 8), x : x + rng.integers(3, 10)] = 1
    faces = np.clip(np.interp(np.arange(40), [19, 21], [-1, 1]), -1, 1)
    frames = 24 + rng.normal(0, 0.05, (40, *SHAPE))
    for i, matrix in enumerate(true):
        scene = cv2.GaussianBlur(0.6 * board + 1.2 * faces[i] * metal, (0, 0), 0.8)
        frames[i] += cv2.warpPerspective(scene, matrix, SHAPE[::-1], flags=cv2.INTER_LINEAR)
    return frames.astype(np.float32), true


def test_metal_that_turns_from_dark_to_bright_seldom_takes_the_motion_along():
    worst = []
    for seed in range(1, 9):
        frames, true = turned(seed)
        motion = follow(frames)
        assert not motion.doubt
        worst.append(np.max(errors_px(motion.matrices, true)))
    assert sum(e < 0.5 for e in worst) >= 6


def test_motion_that_cannot_be_told_is_not_made_up():
    # Nothing but noise and sensor pattern: no motion is claimed, and the stated error says that little is known.
    rng = np.random.default_rng(4)
    frames = 24 + rng.normal(0, 0.05, SHAPE) + rng.normal(0, 0.05, (30, *SHAPE))
    motion = follow(frames.astype(np.float32))
    assert motion.is_tripod
    np.testing.assert_array_equal(motion.matrices, np.broadcast_to(np.eye(3), (30, 3, 3)))
    assert 1.0 < np.median(motion.error_px) < 10.0


def test_a_motion_that_leads_to_a_wrong_place_is_doubted():
    true = hand(24)
    frames = moved(data.coins(), true)
    recording = Recording.from_array(frames, np.arange(24) / 9)
    camera = measure_camera(recording)
    settings = MotionSettings()
    how, reference = prepare(recording, camera, settings), follow(frames).reference
    assert not follow(frames).doubt
    assert not misplaced_px(recording, camera, how, true, reference, settings).any()
    wrong = true.copy()
    wrong[12:] = np.array([[1, 0, 9.0], [0, 1, -6.0], [0, 0, 1]]) @ wrong[12:]
    away = misplaced_px(recording, camera, how, wrong, reference, settings)
    assert away[-4:] == pytest.approx(np.hypot(9, 6), abs=1.5)
    assert not away[:4].any()


def test_frames_about_a_misplaced_one_lie_on_the_line_between_those_that_fit():
    matrices = np.tile(np.eye(3), (9, 1, 1))
    matrices[:, 0, 2] = [0, 1, 2, 30, 31, 32, 6, 7, 8]
    checked, away = np.array([0, 2, 4, 6, 8]), np.array([0, 0, 27.0, 0, 0])
    found, error, why = bridge(matrices, np.full(9, 0.1), checked, away)
    assert found[:, 0, 2] == pytest.approx(np.arange(9.0))
    assert set(why) == {3, 4, 5}
    assert error[4] > 5 > error[2]


def film_that_warms(matrices):
    """Film a scene of next to no contrast that warms up half-way, with the sensor's own pattern of columns on it."""
    rng = np.random.default_rng(5)
    gain = np.clip(np.linspace(-1, 1, len(matrices)), 0.004, None)[:, None, None]
    scene = moved(data.coins(), matrices, contrast_k=1.5, noise_k=0.0) - 24
    columns = rng.normal(0, 0.05, SHAPE[1])
    return (24 + gain * scene + columns + rng.normal(0, 0.06, scene.shape)).astype(np.float32)


def test_cold_frames_that_show_nothing_do_not_make_a_still_camera_uncertain():
    motion = follow(film_that_warms(np.repeat(np.eye(3)[None], 48, axis=0)))
    assert motion.is_tripod
    assert not motion.clear[:20].any()
    assert motion.clear[-15:].all()
    assert motion.error_px.max() < 0.2
    assert motion.followed_px < 0.2


def test_cold_frames_keep_their_doubt_and_the_warm_ones_none_where_a_hand_holds_the_camera():
    matrices = hand(48, drift_px=2.0)
    motion = follow(film_that_warms(matrices))
    assert not motion.is_tripod
    own = errors_px(motion.matrices, matrices, slice(30, 48))
    assert np.sqrt(np.mean(own**2)) < 0.15
    assert motion.followed_px < 0.3
    assert np.median(motion.error_px[:20]) > 2 * motion.followed_px


def test_a_jump_over_frames_that_do_not_show_where_they_lie_is_no_knock():
    """While a board begins to warm its picture changes, and frames before and after are tied only loosely."""
    random = np.random.default_rng(2)
    shifts, own = random.normal(0, 0.02, (60, 2)), np.full(60, 0.02)
    shifts[30:] += [0.3, 0.2]
    is_joined = np.ones(59, bool)
    assert knocked(shifts, own, is_joined, settings=MotionSettings())
    is_joined[29] = False
    assert not knocked(shifts, own, is_joined, settings=MotionSettings())


def test_errors_are_smaller_where_the_picture_is_sharp_and_hold_there():
    # A textured board in one corner of the picture, nothing else: tilt leaves the far corner open.
    true = hand(60, drift_px=2.0)
    small = np.full(SHAPE, 128, np.float32)
    small[20:60, 10:60] = cv2.resize(data.coins().astype(np.float32), (50, 40), interpolation=cv2.INTER_AREA)
    frames = moved(small, true, contrast_k=0.15)
    motion = follow(frames)
    board, away = ([[x, y] for x in xs for y in ys] for xs, ys in (((30, 55), (35, 55)), ((100, 120), (75, 90))))
    here, there = motion.within(np.array(board)), motion.within(np.array(away))
    assert np.median(here.error_px) < 0.5 * np.median(there.error_px)
    assert np.median(here.error_px) < np.median(motion.error_px)
    places = np.array(board, float)
    wanted = np.array([map_points(t @ np.linalg.inv(true[0]), places) for t in true])
    gaps = np.array([map_points(m, places) for m in motion.matrices]) - wanted
    off = np.sqrt(((gaps - np.median(gaps, axis=0)) ** 2).sum(axis=-1).mean(axis=-1))
    assert np.quantile(off, 0.9) < 2 * np.median(here.error_px)
    assert here.within(np.array(away)) is here


def test_errors_of_a_motion_are_read_between_the_places_that_hold_them():
    shares = np.ones((2, 3, 3))
    shares[:, :, 2] = 3.0
    motion = Motion(
        np.tile(np.eye(3), (2, 1, 1)), np.zeros((21, 41)), np.zeros((0, 21, 41)), np.array([0.1, 0.2]), is_tripod=False,
        shares=shares,
    )  # fmt: skip
    assert motion.within(np.array([[0, 0], [20, 20]])).error_px == pytest.approx([0.1, 0.2])
    assert motion.within(np.array([[40, 10]])).error_px == pytest.approx([0.3, 0.6])
    assert motion.within(np.array([[30, 10]])).error_px == pytest.approx(np.sqrt(5) * np.array([0.1, 0.2]))
