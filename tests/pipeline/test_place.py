"""Once a board is placed its switching times are read from it alone: a plate solved exactly, beside a moving thing."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.fft import dctn, idctn

from thermscan.measure.placement import TAKEN_UPRIGHT
from thermscan.model.board import Board
from thermscan.model.pose import map_points
from thermscan.model.quantity import Measured
from thermscan.model.recording import Facts, Mark, Recording
from thermscan.model.settings import Settings
from thermscan.model.timing import Timing
from thermscan.pipeline import place
from thermscan.pipeline.place import place_all
from thermscan.pipeline.prepare import prepare

ROWS, COLUMNS, ON_S = 60, 80, 3.4
BOARD = Board.rectangle(36, 40, name="plate beside a pushed thing (invented)")
MATRIX = np.array([[1.0, 0, 6.0], [0, -1.0, 50.0], [0, 0, 1]])
SETTINGS = Settings()


def recording(*, seed):
    """Cosine modes answer a step exactly (Carslaw and Jaeger, Conduction of Heat in Solids); the plate reads warmer."""
    times = np.arange(0.0, 7.0, 0.08)
    y, x = np.mgrid[:ROWS, :COLUMNS]
    inside = (x > 5.5) & (x < 42.5) & (y > 9.5) & (y < 50.5)
    spot = dctn(2.5 * np.exp(-((y - 30) ** 2 + (x - 24) ** 2) / 6.0), norm="ortho")
    rate = 8.0 * ((np.pi * np.arange(ROWS) / ROWS)[:, None] ** 2 + (np.pi * np.arange(COLUMNS) / COLUMNS) ** 2) + 0.025
    since = np.clip(times - ON_S, 0, None)[:, None, None]
    rise = idctn(spot / rate * -np.expm1(-rate * since), axes=(1, 2), norm="ortho")
    row = np.interp(times, [1.2, 1.7, 5.0, 5.5], [15.0, 30.0, 30.0, 45.0])
    thing = 4.0 * np.exp(-((x - 62) ** 2 + (y - row[:, None, None]) ** 2) / 20.0)
    random = np.random.default_rng(seed)
    frames = 24.0 + inside * (1.5 + rise) + thing + random.normal(0, 0.05, rise.shape)
    corners = np.array([[0, 0], [36, 0], [36, 40], [0, 40]], float)
    marks = tuple(Mark(*mm, *px) for mm, px in zip(corners.tolist(), map_points(MATRIX, corners).tolist(), strict=True))
    return Recording.from_array(frames.astype(np.float32), times, name="faulty", facts=Facts(marks=marks))


@pytest.mark.parametrize("seed", range(3))
def test_times_are_read_from_the_board_once_it_is_placed(seed):
    prepared = prepare(recording(seed=seed), settings=SETTINGS)
    (placed,), _ = place_all([prepared], BOARD, side="top", settings=SETTINGS)
    timing = placed.prepared.timing
    assert placed.track.placement.trusted
    assert timing.on_s.low <= ON_S <= timing.on_s.high
    assert timing.off_s is None
    before = prepared.timing
    assert before.on_s is None or before.off_s is not None or not before.on_s.low <= ON_S <= before.on_s.high


def test_what_a_placement_is_trusted_in_spite_of_is_a_warning_of_its_track():
    unmarked = replace(recording(seed=0), facts=Facts())
    as_file = replace(BOARD, outline_is_size_only=False)
    (placed,), _ = place_all([prepare(unmarked, settings=SETTINGS)], as_file, side="top", settings=SETTINGS)
    assert placed.track.placement.trusted
    assert TAKEN_UPRIGHT in placed.track.warnings


@pytest.mark.parametrize(("wide", "kelvin", "glow_k"), [(18.0, 8.0, 4.0), (300.0, 4.0, 2.0)])
def test_a_board_that_warms_from_the_first_frame_on_is_not_timed_by_what_steps_on_it_later(wide, kelvin, glow_k):
    """Heat that goes on coming out of one place, and from 3 s on a glow over half of the board."""
    base = recording(seed=0)
    times = base.times_s
    y, x = np.mgrid[:ROWS, :COLUMNS]
    inside = (x > 5.5) & (x < 42.5) & (y > 9.5) & (y < 50.5)
    part = kelvin * inside * np.exp(-((y - 30) ** 2 + (x - 15) ** 2) / wide) * -np.expm1(-times / 3.0)[:, None, None]
    glow = glow_k * (inside & (x > 24)) * np.clip((times - 3.0) / 0.4, 0, 1)[:, None, None]
    frames = 24.0 + 1.5 * inside + part + glow + np.random.default_rng(1).normal(0, 0.05, (len(times), ROWS, COLUMNS))
    film = Recording.from_array(frames.astype(np.float32), times, name="faulty", facts=base.facts)
    (placed,), _ = place_all([prepare(film, settings=SETTINGS)], BOARD, side="top", settings=SETTINGS)
    assert placed.track.placement.trusted
    assert placed.prepared.timing.on_s is None
    assert placed.prepared.timing.on_why.startswith("on_before_recording")


@pytest.mark.parametrize(("whole_s", "is_kept"), [(3.4, True), (4.4, False)])
def test_a_power_on_that_the_picture_shows_before_the_board_does_is_kept_where_places_warm_between(
    monkeypatch, whole_s, is_kept
):
    def at(moment):
        return Timing(on_s=Measured(moment, moment - 0.2, moment + 0.2))

    monkeypatch.setattr(place, "find_power", lambda *_, **__: at(4.4))
    monkeypatch.setattr(place, "has_warmed", lambda *_, **__: True)
    prepared = replace(prepare(recording(seed=0), settings=SETTINGS), timing=at(whole_s))
    (placed,), _ = place_all([prepared], BOARD, side="top", settings=SETTINGS)
    timing = placed.prepared.timing
    assert (timing.on_s == at(whole_s).on_s) == is_kept
    assert is_kept or timing.on_why.startswith("on_before")
