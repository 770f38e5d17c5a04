"""Recordings of several power-ups on their way to a film: averaged where they repeat, one course where they do not."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import ndimage

from thermscan.measure.film_average import single_run
from thermscan.measure.power_cells import sample_cells
from thermscan.measure.power_on import find_power
from thermscan.model.board import Board
from thermscan.model.camera_events import CameraState
from thermscan.model.camera_profile import CameraProfile, OpticsSection
from thermscan.model.pose import Motion, Placement, Pose, Track
from thermscan.model.quantity import Measured
from thermscan.model.recording import Recording
from thermscan.model.settings import Settings
from thermscan.model.timing import Timing
from thermscan.pipeline.film_set import Placed, make_films
from thermscan.pipeline.prepare import Prepared

SETTINGS = Settings()
BOARD = Board.rectangle(24, 16)
MATRIX = np.array([[1.0, 0, 3.0], [0, -1.0, 19.0], [0, 0, 1]])


def placed(name, runs, *, tau_s, seed, mirrored=None):
    """A spot of first order, switched on and off, as found by the timing itself; ``mirrored`` of times is added."""
    times = np.arange(0.0, runs[-1][1] + 3.0, 0.125)
    level = np.zeros(len(times))
    for moments in runs:
        for moment, sign in zip(moments, (1, -1), strict=True):
            level += sign * 5.0 * -np.expm1(-np.clip(times - moment, 0, None) / tau_s)
    y, x = np.mgrid[:22, :30]
    frames = 24.0 + level[:, None, None] * np.exp(-((x - 14) ** 2 + (y - 10) ** 2) / 8.0)
    frames = frames + np.random.default_rng(seed).normal(0, 0.05, frames.shape)
    if mirrored is not None:
        frames = frames + mirrored(times)
    recording = Recording.from_array(frames.astype(np.float32), times, name=name)
    shape = frames.shape[1:]
    camera = CameraState(np.full(shape, 0.05), np.zeros(shape, bool), np.ones(len(times), bool), 0 * times)
    eyes = np.repeat(np.eye(3)[None], len(times), axis=0)
    motion = Motion(eyes, np.zeros(shape), np.zeros((0, *shape)), 0 * times, is_tripod=True)
    track = Track((Pose(MATRIX, 0.05),) * len(times), Placement(MATRIX, 0.05, "marks"))
    cells = sample_cells(recording, camera, motion, settings=SETTINGS.timing)
    timing = find_power(recording, camera, cells, settings=SETTINGS.timing)
    return Placed(Prepared(recording, camera, motion, timing), track, 0.05, 1.0)


def test_power_ups_of_both_boards_are_averaged_and_said():
    faulty = placed("faulty", ((2.0, 5.0), (11.0, 14.0)), tau_s=0.8, seed=1)
    good = placed("good", ((1.5, 4.5), (10.0, 13.0)), tau_s=0.8, seed=2)
    assert len(faulty.prepared.timing.power_ups) == len(good.prepared.timing.power_ups) == 2
    films = make_films(faulty, [good], board=BOARD, settings=SETTINGS)
    assert [line.split(":")[0] for line in films.said] == ["faulty", "good"]
    assert len(films.timing.power_ups) == 1
    assert films.faulty.film.on_for_s == pytest.approx(3.0, abs=0.15)
    difference = films.faulty.rise[4:20] - films.goods[0].rise[4:20]
    inside = films.faulty.film.inside
    assert abs(np.nanmean(difference[:, inside])) < 0.02
    one = faulty.prepared
    alone = replace(faulty, prepared=replace(one, timing=single_run(one.timing)))
    single = make_films(alone, [], board=BOARD, settings=SETTINGS)
    assert np.nanmedian(films.faulty.error[:20]) < 0.85 * np.nanmedian(single.faulty.error[:20])


def test_power_ups_that_do_not_start_cold_stay_one_course():
    warm = placed("faulty", ((2.0, 5.0), (8.0, 11.0)), tau_s=4.0, seed=3)
    films = make_films(warm, [], board=BOARD, settings=SETTINGS)
    assert len(films.timing.power_ups) == 2
    assert films.faulty.film.edges_s[-1] > 9.0
    assert "was left in the warm places" in films.said[0]


def test_what_bare_metal_mirrors_is_taken_off_a_good_board_and_said():
    metal = np.zeros((22, 30))
    for y in (4, 10, 16):
        for x in (5, 10, 18, 23):
            metal[y : y + 2, x : x + 2] = 1.0
    metal = ndimage.gaussian_filter(metal, 0.6)  # optics

    def somebody(times):
        return 2.0 * np.clip(np.minimum(times - 4.0, 7.0 - times) / 0.4, 0, 1)[:, None, None] * metal

    faulty = placed("faulty", ((2.0, 9.0),), tau_s=2.0, seed=1)
    good = placed("good", ((2.0, 9.0),), tau_s=2.0, seed=2, mirrored=somebody)
    good = replace(good, prepared=replace(good.prepared, timing=faulty.prepared.timing))  # what is tested is the film
    films = make_films(faulty, [good], board=BOARD, settings=SETTINGS)
    (line,) = films.said
    assert line.startswith(
        "good: bare metal all over the board mirrors somebody who comes or goes, 2.0 s after power-on"
    )
    off = replace(SETTINGS, reflection=replace(SETTINGS.reflection, most_people=0))
    kept = make_films(faulty, [good], board=BOARD, settings=off)
    inside = films.faulty.film.inside
    now, before = (np.abs(f.goods[0].rise - f.faulty.rise)[20:24, inside] for f in (films, kept))
    assert not kept.said
    assert np.quantile(before, 0.95) > 4 * np.quantile(now, 0.95)


def with_edges(blur_px, *, profile=None, sub=6, seed=3):
    """A recording of warm bodies with sharp edges through optics of known blur, on a board a pixel a millimetre."""
    random = np.random.default_rng(seed)
    y, x = (np.mgrid[: 60 * sub, : 80 * sub] + 0.5) / sub
    rise = np.zeros(x.shape)
    for _ in range(8):
        cx, cy = random.uniform(14, 66), random.uniform(12, 48)
        rise = np.maximum(rise, random.uniform(3, 9) * ((abs(x - cx) < 4) & (abs(y - cy) < 3)))
    seen = ndimage.gaussian_filter(rise, blur_px * sub).reshape(60, sub, 80, sub).mean(axis=(1, 3))
    times = np.arange(0.0, 6.0, 0.125)
    level = np.clip(times - 2.0, 0, None) / 4.0
    frames = 24.0 + level[:, None, None] * seen + random.normal(0, 0.03, (len(times), 60, 80))
    recording = Recording.from_array(frames.astype(np.float32), times, name="edges")
    recording = replace(recording, profile=profile)
    shape = (60, 80)
    camera = CameraState(np.full(shape, 0.03), np.zeros(shape, bool), np.ones(len(times), bool), 0 * times)
    eyes = np.repeat(np.eye(3)[None], len(times), axis=0)
    motion = Motion(eyes, np.zeros(shape), np.zeros((0, *shape)), 0 * times, is_tripod=True)
    matrix = np.array([[1.0, 0, 8.0], [0, -1.0, 50.0], [0, 0, 1]])
    track = Track((Pose(matrix, 0.05),) * len(times), Placement(matrix, 0.05, "marks"))
    timing = Timing(Measured(2.0, 1.95, 2.05), None)
    return Placed(Prepared(recording, camera, motion, timing), track, 0.05, 1.0)


def test_the_blur_is_that_of_the_sharpest_edges_where_no_profile_knows_it():
    board = Board.rectangle(60, 40)
    sharp, soft = (make_films(with_edges(b), [], board=board, settings=SETTINGS).faulty.film for b in (0.7, 1.6))
    assert sharp.blur_basis == soft.blur_basis == "edges"
    assert soft.blur_mm > 1.5 * sharp.blur_mm
    assert sharp.blur_mm == pytest.approx(0.7, rel=0.35)


def test_the_blur_of_a_profile_comes_first():
    profile = CameraProfile("own", "", 60, 80, optics=OpticsSection("2026-01-05", "made", 0.8, 0.1, 3.4))
    film = make_films(
        with_edges(1.6, profile=profile), [], board=Board.rectangle(60, 40), settings=SETTINGS
    ).faulty.film
    assert film.blur_basis == "profile"
    assert film.blur_mm == pytest.approx(0.8)


def test_without_edges_the_blur_stays_unknown():
    film = make_films(
        placed("faulty", ((2.0, 5.0),), tau_s=0.8, seed=1), [], board=BOARD, settings=SETTINGS
    ).faulty.film
    assert (film.blur_mm, film.blur_basis) == (0.0, "")
