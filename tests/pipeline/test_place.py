"""Once a board is placed its switching times are read from it alone: a plate solved exactly, beside a moving thing."""

import numpy as np
import pytest
from scipy.fft import dctn, idctn

from thermscan.model.board import Board
from thermscan.model.pose import map_points
from thermscan.model.recording import Facts, Mark, Recording
from thermscan.model.settings import Settings
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
