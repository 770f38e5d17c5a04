"""Source maps: transpose against forward, total power, and two small parts that merge in temperature."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import ndimage

from thermscan.find.source import find_sources
from thermscan.find.source_data import prepare
from thermscan.find.source_map import _pose, map_sources, stage_edges, stage_runs
from thermscan.find.source_template import TemplateMaker
from thermscan.model.board import Board, Part
from thermscan.model.film import BoardGrid, Excess, Film
from thermscan.model.settings import SourceMapSettings, SourceSettings
from thermscan.physics.plate import cut_into_layers, default_plate
from thermscan.physics.plate_grid import GridPlate, run

PLATE = default_plate(1.6)
BOARD = Board.rectangle(30, 24)
STEP = 0.5


def two_spots(*, apart_mm=3.0, watts=(0.3, 0.3), noise=0.03, basis="itself_only"):
    """A film of two spots of 1 x 0.5 mm on the grid solver, seen with the blur of a pixel of 0.7 mm."""
    rows, columns = int(24 / STEP), int(30 / STEP)
    layers = cut_into_layers(PLATE)
    plate = GridPlate.even(layers, STEP, (rows, columns))
    power = np.zeros((5, rows, columns))
    for sign, w in zip((-1, 1), watts, strict=True):
        column = int((15 + sign * apart_mm / 2) / STEP)
        power[0, rows // 2, column - 1 : column + 1] += w / 2
    times = np.linspace(0, 4, 13)[1:]
    rise = run(plate, power.ravel(), times, substeps=3).rise_k[:, : rows * columns].reshape(-1, rows, columns)
    rise = ndimage.gaussian_filter(rise, (0, 0.6 / STEP, 0.6 / STEP))
    rise = (rise + np.concatenate([np.zeros((1, rows, columns)), rise[:-1]])) / 2
    random = np.random.default_rng(4)
    seen = rise + random.normal(size=rise.shape) * noise
    grid = BoardGrid(STEP / 2, STEP / 2, STEP, columns, rows)
    yes = np.ones(grid.shape, bool)
    film = Film(grid, np.concatenate([[0.0], times]), "power_on", seen, np.full(12, 3), np.zeros(grid.shape), 100,
                np.full(grid.shape, noise), 0.0, 0.0, yes, yes, 0.7, blur_mm=0.57,
                flags=frozenset({"surfaces_corrected"}))  # fmt: skip
    return Excess(film, seen, np.full((1, 1, 1), noise), np.zeros(1), basis, 0, np.zeros_like(seen), "cold_frames")


def peaks(row):
    """Local maxima above a third of the largest."""
    inner = row[1:-1]
    return np.flatnonzero((inner > row[:-2]) & (inner >= row[2:]) & (inner > row.max() / 3)) + 1


def test_backward_is_the_transpose_of_forward():
    settings = SourceSettings()
    data = prepare(two_spots(), BOARD, side="top", settings=settings)
    runs = stage_runs(data.runs_s, stage_edges(data.runs_s, 4.0, 2))
    problem = _pose(data, TemplateMaker(data, PLATE, BOARD, "top", settings), BOARD, runs, SourceMapSettings())
    random = np.random.default_rng(1)
    source, pictures = random.normal(size=(2, *data.grid.shape)), random.normal(size=data.excess.shape)
    assert (problem.forward(source) * pictures).sum() == pytest.approx(
        (source * problem.backward(pictures)).sum(), rel=1e-4
    )


def test_two_small_parts_3_mm_apart_are_told_apart():
    excess = two_spots(noise=0.1)
    last = excess.excess[-4:].mean(axis=0)
    answer = map_sources(excess, BOARD, PLATE, side="top")
    row = np.nan_to_num(answer.mw_per_mm2).max(axis=0)
    assert len(peaks(row)) == 2
    # the dip between them is deeper than in the temperature picture
    middle, warm = row.size // 2, last.max(axis=0)
    assert row[middle] / row.max() < warm[middle] / warm.max() - 0.1


def test_power_adds_up_and_is_not_negative():
    answer = map_sources(two_spots(watts=(0.4, 0.2)), BOARD, PLATE, side="top")
    total = np.nansum(answer.mw_per_mm2) * answer.grid.step_mm**2
    assert total == pytest.approx(600, rel=0.2)
    assert np.nanmin(answer.mw_per_mm2) >= 0
    assert not answer.signed
    assert "discrepancy" in answer.criterion


def test_missing_heat_is_negative_where_good_boards_were_subtracted():
    answer = map_sources(two_spots(watts=(0.4, -0.3), basis="good_boards"), BOARD, PLATE, side="top")
    assert answer.signed
    half = answer.mw_per_mm2.shape[1] // 2
    assert np.nansum(answer.mw_per_mm2[:, :half]) > 0 > np.nansum(answer.mw_per_mm2[:, half:])


def test_stages_show_when_the_heat_was_made():
    steady = two_spots()
    late = np.concatenate([np.zeros((6, *steady.excess.shape[1:])), two_spots(noise=0.0).excess[:6]])
    answer = map_sources(replace(steady, excess=late + np.random.default_rng(5).normal(size=late.shape) * 0.03), BOARD,
                         PLATE, side="top")  # fmt: skip
    first, second = np.nansum(answer.stages_mw_per_mm2, axis=(1, 2)) * answer.grid.step_mm**2
    assert first < 60
    assert second == pytest.approx(600, rel=0.25)
    assert np.allclose(answer.stages_s, [0, 2, 4])
    assert np.nansum(answer.mw_per_mm2) * answer.grid.step_mm**2 == pytest.approx((first + second) / 2)


def test_stages_share_the_time_with_power_on():
    runs = ((0.0, 1.0), (3.0, None))
    edges = stage_edges(runs, 6.0, 2)
    assert np.allclose(edges, [0.0, 4.0, 6.0])
    assert stage_runs(runs, edges) == [((0.0, 1.0), (3.0, 4.0)), ((4.0, 6.0),)]


def test_a_board_that_hides_its_heat_everywhere_gives_no_sources_and_the_reason():
    sink = Part("HS1", "heatsink", x=15, y=12, w=40, h=40)
    board = replace(Board.rectangle(30, 24), parts=(sink,))
    assert map_sources(two_spots(), board, PLATE, side="top") is None
    fit = find_sources(two_spots(), board, PLATE, side="top")
    assert fit.sources == ()
    assert "nothing of the board can be read" in fit.why["sources"]
