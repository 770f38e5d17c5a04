"""Power-ups of one recording averaged: exact first-order courses come back, with less noise, where they repeat."""

import numpy as np
import pytest

from thermscan.measure.film import choose_edges, choose_grid, make_film, pixel_size_mm
from thermscan.measure.film_average import average_runs, is_repeated, run_clocks, single_run
from thermscan.model.board import Board
from thermscan.model.camera_events import CameraState
from thermscan.model.pose import Placement, Pose, Track
from thermscan.model.quantity import Measured
from thermscan.model.recording import Recording
from thermscan.model.settings import FilmSettings
from thermscan.model.timing import PowerUp, Timing

SETTINGS = FilmSettings()
BOARD = Board.rectangle(24, 16)
MATRIX = np.array([[1.0, 0, 3.0], [0, -1.0, 19.0], [0, 0, 1]])
RATE_HZ, TAU_S, NOISE = 8.0, 0.8, 0.05
RUNS = ((2.0, 5.0), (11.0, 14.0), (20.0, 23.0))


def course(times, runs, heats, tau_s=TAU_S):
    """First-order answer to switching on and off, exact by superposition."""
    out = np.zeros(len(times))
    for (on, off), heat in zip(runs, heats, strict=True):
        for moment, sign in ((on, 1.0), (off, -1.0)):
            out += sign * heat * -np.expm1(-np.clip(times - moment, 0, None) / tau_s)
    return out


def averaged(runs=RUNS, heats=(4.0, 4.0, 4.0), tau_s=TAU_S, noise=NOISE):
    times = np.arange(0.0, runs[-1][1] + 3.0, 1 / RATE_HZ)
    y, x = np.mgrid[:22, :30]
    spot = np.exp(-((x - 14) ** 2 + (y - 10) ** 2) / 8.0)
    clean = 24.0 + course(times, runs, heats, tau_s)[:, None, None] * spot
    frames = clean + np.random.default_rng(0).normal(0, noise, clean.shape)
    recording = Recording.from_array(frames.astype(np.float32), times)
    camera = CameraState(np.full(spot.shape, noise), np.zeros(spot.shape, bool), np.ones(len(times), bool), 0 * times)
    track = Track((Pose(MATRIX, 0.05),) * len(times), Placement(MATRIX, 0.05, "marks"))
    ups = tuple(PowerUp(Measured(a, a, a), Measured(b, b, b)) for a, b in runs)
    timing = Timing(ups[0].on_s, ups[0].off_s, power_ups=ups, restarts=len(ups) - 1)
    edges = choose_edges(times[times < runs[1][0]], single_run(timing), until_s=None, settings=SETTINGS)
    grid = choose_grid(BOARD, pixel_size_mm(MATRIX, BOARD), settings=SETTINGS)
    clocks = run_clocks(recording, camera.usable, timing, edges, settings=SETTINGS)
    films = [make_film(recording, camera, track, c, grid=grid, board=BOARD, settings=SETTINGS) for c in clocks]
    return films, average_runs(films, name="board", settings=SETTINGS), timing


def test_three_equal_power_ups_make_one_of_a_third_of_the_variance():
    films, found, timing = averaged()
    assert is_repeated(timing, settings=SETTINGS)
    assert found.numbers == (1, 2, 3)
    assert "1, 2 and 3 are averaged" in found.said[0]
    assert "power_ups_averaged" in found.film.flags
    film = found.film
    np.testing.assert_array_equal(film.frames, 3 * films[0].frames)
    rise = film.mean - film.cold
    x, y = np.moveaxis(film.grid.points_mm(), -1, 0)
    quiet = film.inside & (np.hypot(x - 11.0, y - 9.0) > 8.5)  # the spot has faded to a ten thousandth
    bins = slice(0, 20)
    # the cold picture of the average is that of three, the standard error is what the film says of itself
    error = film.noise * np.sqrt(1 / film.frames[bins].mean() + 1 / film.cold_frames)
    single = films[0].noise * np.sqrt(1 / films[0].frames[bins].mean() + 1 / films[0].cold_frames)
    spread = rise[bins][:, quiet]
    spread = spread - np.median(spread, axis=1, keepdims=True)
    assert spread.std() == pytest.approx(np.median(error[quiet]), rel=0.25)
    assert np.median(error) < 0.7 * np.median(single)


def test_the_average_keeps_the_exact_course():
    _, found, _ = averaged(noise=1e-4)
    film = found.film
    row, column = (int(np.round(v)) for v in film.grid.to_cell(11.0, 9.0))
    rise = (film.mean - film.cold)[:, row, column]
    grid = np.arange(0.0, film.edges_s[-1], 1 / RATE_HZ)
    wanted = course(grid, ((0.0, 3.0),), (4.0,))
    want = [
        wanted[(grid >= a - 1e-9) & (grid < b - 1e-9)].mean()
        for a, b in zip(film.edges_s, film.edges_s[1:], strict=False)
    ]
    peak = rise[:24].max() / max(want[:24])
    np.testing.assert_allclose(rise, peak * np.array(want), atol=0.03)


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({"heats": (4.0, 2.0, 4.0)}, "power-up 2 is not averaged with the first: it made 0.5"),
        ({"tau_s": 6.0}, "of the heat of the run before it was left"),
    ],
)
def test_other_heat_or_heat_left_is_not_averaged_and_said(change, text):
    _, found, _ = averaged(**change)
    assert 2 not in found.numbers
    assert any(text in line for line in found.said)


def test_tries_of_a_supply_are_no_power_ups_to_average():
    runs = ((2.0, 2.4), (3.4, 3.8), (4.8, 5.2))
    ups = tuple(PowerUp(Measured(a, a, a), Measured(b, b, b)) for a, b in runs)
    assert not is_repeated(Timing(ups[0].on_s, ups[0].off_s, power_ups=ups, restarts=2), settings=SETTINGS)
