import base64
import dataclasses

import numpy as np
import pytest

from thermscan.model.film import BoardGrid
from thermscan.show.live_map import BLIND, MISSING, live_data, live_frames, live_shapes
from thermscan.show.words import Unit

KELVIN = Unit("K", 1.0, 2)


def _on_board(maps, board):
    points = maps.grid.points_mm()
    return board.inside(points[..., 0], points[..., 1])


def test_values_and_intervals_come_back_within_their_step(maps, board):
    frames = live_frames(maps, _on_board(maps, board), mirrored=False, factor=1.0)
    use = (maps.inside & maps.readable)[::-1]
    values = frames.values * frames.step
    halves = frames.half_low * np.exp(frames.half_rate * frames.codes)
    chosen = [int(np.argmin(np.abs(maps.centres_s - s))) for s in frames.seconds]
    np.testing.assert_allclose(values[:, use], maps.excess[chosen, ::-1][:, use], atol=frames.step)
    np.testing.assert_allclose(halves[:, use], maps.half_width()[chosen, ::-1][:, use], rtol=0.01)
    assert np.all(frames.values[:, ~use] <= BLIND)
    assert frames.seconds[frames.start] == pytest.approx(maps.shown_s)


def test_off_the_board_and_unreadable_are_told_apart(maps, board):
    frames = live_frames(maps, _on_board(maps, board), mirrored=False, factor=1.0)
    assert np.all(frames.values[0][~_on_board(maps, board)[::-1]] == MISSING)
    assert np.all(frames.values[0][~maps.readable[::-1]] == BLIND)


def test_fine_grids_are_thinned_and_keep_the_peak(maps, board):
    rng = np.random.default_rng(4)
    grid = BoardGrid.over(board, 0.2)
    excess = rng.normal(0, 0.05, (20, *grid.shape))
    excess[:, 137, 203] = 30.0
    full = np.ones(grid.shape, bool)
    fine = dataclasses.replace(maps, grid=grid, excess=excess, faulty=excess, good=None, noise=np.array(0.05),
                               spread=np.array(0.0), inside=full, readable=full, edges_s=np.linspace(0, 10, 21),
                               shown_bin=7)  # fmt: skip
    frames = live_frames(fine, full, mirrored=False, factor=1.0)
    assert frames.values[0].size <= 31_000
    assert frames.values.size <= 750_000
    assert np.abs(frames.values * frames.step).max(axis=(1, 2)) == pytest.approx(30.0, abs=frames.step)
    assert frames.seconds[frames.start] == pytest.approx(fine.shown_s)


def test_underside_lies_mirrored_with_its_box(result, maps, board):
    below = dataclasses.replace(result, side="bottom")
    data, mirrored = live_data(result, maps, board, unit=KELVIN), live_data(below, maps, board, unit=KELVIN)

    def frame(d):
        values = np.frombuffer(base64.b64decode(d["values"]), "<i2")
        return values.reshape(-1, d["rows"], d["columns"])

    np.testing.assert_array_equal(frame(data)[:, :, ::-1], frame(mirrored))
    assert mirrored["box"] == [data["box"][2], data["box"][1], data["box"][0], data["box"][3]]


def test_own_picture_is_never_mirrored(result, maps):
    own = dataclasses.replace(result, picture_px=(90, 60))
    below = dataclasses.replace(own, side="bottom")
    assert live_data(own, maps, None, unit=KELVIN)["values"] == live_data(below, maps, None, unit=KELVIN)["values"]
    assert live_shapes(own, maps, None).rings == live_shapes(below, maps, None).rings


def test_every_suspect_and_place_can_be_lit(result, maps, board):
    shapes = live_shapes(result, maps, board)
    keys = {ring.key for ring in shapes.rings}
    assert keys == {"suspect-1", "suspect-2", "suspect-3", "spot-1", "spot-2", "spot-3"}
    assert {shape.ref: shape.key for shape in shapes.shapes if shape.key} == {"C14": "suspect-1", "U3": "suspect-2"}
    assert {"1", "2", "3", "C14", "U3"} <= {word.text for word in shapes.words if word.strong}


def test_map_without_board_has_its_own_frame(result, maps):
    without = dataclasses.replace(result, picture_px=(90, 60))
    shapes = live_shapes(without, maps, None)
    assert shapes.shapes == ()
    assert live_data(without, maps, None, unit=KELVIN)["places"] == "fraction"
