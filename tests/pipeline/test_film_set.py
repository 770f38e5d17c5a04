"""Recordings of several power-ups on their way to a film: averaged where they repeat, one course where they do not."""

from dataclasses import replace

import numpy as np
import pytest

from thermscan.measure.film_average import single_run
from thermscan.measure.power_on import find_power
from thermscan.model.board import Board
from thermscan.model.camera_events import CameraState
from thermscan.model.pose import Motion, Placement, Pose, Track
from thermscan.model.recording import Recording
from thermscan.model.settings import Settings
from thermscan.pipeline.film_set import Placed, make_films
from thermscan.pipeline.prepare import Prepared

SETTINGS = Settings()
BOARD = Board.rectangle(24, 16)
MATRIX = np.array([[1.0, 0, 3.0], [0, -1.0, 19.0], [0, 0, 1]])


def placed(name, runs, *, tau_s, seed):
    """A spot of first order, switched on and off, as found by the timing itself."""
    times = np.arange(0.0, runs[-1][1] + 3.0, 0.125)
    level = np.zeros(len(times))
    for moments in runs:
        for moment, sign in zip(moments, (1, -1), strict=True):
            level += sign * 5.0 * -np.expm1(-np.clip(times - moment, 0, None) / tau_s)
    y, x = np.mgrid[:22, :30]
    frames = 24.0 + level[:, None, None] * np.exp(-((x - 14) ** 2 + (y - 10) ** 2) / 8.0)
    frames = frames + np.random.default_rng(seed).normal(0, 0.05, frames.shape)
    recording = Recording.from_array(frames.astype(np.float32), times, name=name)
    shape = frames.shape[1:]
    camera = CameraState(np.full(shape, 0.05), np.zeros(shape, bool), np.ones(len(times), bool), 0 * times)
    eyes = np.repeat(np.eye(3)[None], len(times), axis=0)
    motion = Motion(eyes, np.zeros(shape), np.zeros((0, *shape)), 0 * times, is_tripod=True)
    track = Track((Pose(MATRIX, 0.05),) * len(times), Placement(MATRIX, 0.05, "marks"))
    timing = find_power(recording, camera, motion, settings=SETTINGS.timing)
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
