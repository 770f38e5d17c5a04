"""What the result says of resampling, against white noise brought to a board's grid, and of its recordings."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np

from thermscan.measure.film import Clock, make_film
from thermscan.model.board import Board, Rail
from thermscan.model.camera_events import CameraState
from thermscan.model.film import BoardGrid
from thermscan.model.pose import Placement, Pose, Track
from thermscan.model.reading import Reading
from thermscan.model.recording import Recording
from thermscan.model.settings import FilmSettings
from thermscan.pipeline.answer import _limit_text, all_warnings, report_resampling

PIXEL_NOISE = 0.05
SHAPE = (60, 80)


def film_of(frames, matrix, grid, board):
    count = len(frames)
    camera = CameraState(np.full(SHAPE, PIXEL_NOISE), np.zeros(SHAPE, bool), np.ones(count, bool), np.zeros(count))
    recording = Recording.from_array(frames, np.arange(count) / 8)
    track = Track((Pose(matrix, 0.01),) * count, Placement(matrix, 0.01, "marks"))
    clock = Clock(np.array([0.0, count / 8]), "recording", np.zeros(count, int))
    return make_film(recording, camera, track, clock, grid=grid, board=board, settings=FilmSettings())


def test_noise_and_its_correlation_on_the_grid_are_those_of_white_noise_resampled():
    board = Board.rectangle(30, 20)
    matrix = np.array([[2.0, 0.0, 9.3], [0.0, -2.0, 50.4], [0.0, 0.0, 1.0]])  # half a millimetre a pixel
    grid = BoardGrid.over(board, 0.2)
    random = np.random.default_rng(11)
    frames = (25 + random.normal(0, PIXEL_NOISE, (40, *SHAPE))).astype(np.float32)
    singles = np.stack([film_of(frame[None], matrix, grid, board).mean[0] for frame in frames])
    said = report_resampling(film_of(frames, matrix, grid, board), PIXEL_NOISE)
    inner = singles[:, 10:-10, 10:-10]
    assert abs(said.cell_px - 0.4) < 0.01
    assert abs(inner.std(axis=0).mean() / PIXEL_NOISE / said.noise_share - 1) < 0.05
    # the mean over an area much larger than the kernel carries the pixels' own density of noise
    area = inner.shape[1] * inner.shape[2] * said.cell_px**2
    kernel = 4 * np.pi * said.correlation_px**2
    predicted = said.noise_share * PIXEL_NOISE * np.sqrt(kernel / area)
    assert 0.6 < inner.mean(axis=(1, 2)).std() / predicted < 1.5


def test_without_noise_to_compare_with_nothing_is_said():
    board = Board.rectangle(30, 20)
    matrix = np.array([[2.0, 0.0, 9.3], [0.0, -2.0, 50.4], [0.0, 0.0, 1.0]])
    film = film_of(np.full((2, *SHAPE), 25, np.float32), matrix, BoardGrid.over(board, 0.5), board)
    assert report_resampling(film, 0.0) is None


def warned(name, *said):
    prepared = SimpleNamespace(
        recording=SimpleNamespace(name=name, warnings=()), timing=SimpleNamespace(warnings=("no power-on",))
    )
    return SimpleNamespace(prepared=prepared, track=SimpleNamespace(warnings=said))


def test_a_sentence_about_a_recording_is_said_once_and_with_one_name():
    text = "good_3: neither outline nor pattern places it"
    nothing = SimpleNamespace(warnings=())
    placed = [warned("faulty", text), warned("good_3", text)]
    said = all_warnings(SimpleNamespace(board=None, readings=()), placed, nothing, nothing, nothing)
    assert said == ("faulty: no power-on", text, "good_3: no power-on")


def test_a_reading_of_a_net_that_the_board_file_lacks_is_warned_of():
    nothing = SimpleNamespace(warnings=())
    reading = Reading("", "", "+3V4", "voltage", 1.0, "V", None, "on", "", 4)
    board = replace(Board.rectangle(30, 20), rails=(Rail("+3V3", 3.3),))
    (said,) = all_warnings(SimpleNamespace(board=board, readings=(reading,)), [], nothing, nothing, nothing)
    assert said.startswith("readings, row 4: no net '+3V4' in the board file (nearest is +3V3)")


def test_a_size_that_cannot_be_meant_is_warned_of():
    nothing = SimpleNamespace(warnings=())
    faulty = warned("faulty")
    faulty.prepared.recording.rows, faulty.prepared.recording.columns, faulty.pixel_mm = 120, 160, 7.0
    job = SimpleNamespace(board=Board.rectangle(900, 600), readings=())
    assert any("900 x 600 mm fills 160 x 120" in t for t in all_warnings(job, [faulty], nothing, nothing, nothing))


def test_without_a_good_board_the_limit_is_said_to_be_of_any_heat():
    fit = SimpleNamespace(limit_text="a source above 8 mW would have been seen on nine tenths of the board")
    assert _limit_text(fit, SimpleNamespace(basis="good_boards")) == fit.limit_text
    alone = _limit_text(fit, SimpleNamespace(basis="itself_only"))
    assert alone.startswith(fit.limit_text)
    assert "how much of it is healthy" in alone
    assert _limit_text(SimpleNamespace(limit_text=None), SimpleNamespace(basis="itself_only")) is None
