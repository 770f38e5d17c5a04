"""What a watt looks like on a board with idle bodies and a rim, against the lag of one body in closed form."""

from dataclasses import replace

import numpy as np
import pytest

from thermscan.find.source_data import prepare
from thermscan.find.source_template import Option, Place, TemplateMaker, follow_lag_s
from thermscan.model.board import Board, Part
from thermscan.model.film import BoardGrid, Excess, Film
from thermscan.model.settings import SourceSettings
from thermscan.physics.plate import default_plate

SETTINGS = SourceSettings()
PLATE = default_plate(1.6)
OPTION = Option(PLATE.conductance_w_per_k.value, 0.0)


def maker_for(*parts, inside=None, shape=(24, 30)):
    """A maker of templates for a board of 1 mm cells."""
    board = replace(Board.rectangle(shape[1], shape[0]), parts=parts)
    grid = BoardGrid(0.5, 0.5, 1.0, shape[1], shape[0])
    yes = np.ones(grid.shape, bool)
    seen = np.zeros((12, *grid.shape))
    film = Film(grid, np.linspace(0, 12, 13), "power_on", seen, np.full(12, 3), np.zeros(grid.shape), 100,
                np.full(grid.shape, 0.03), 0.0, 0.0, yes if inside is None else inside, yes, 1.0, blur_mm=0.6,
                flags=frozenset({"surfaces_corrected"}))  # fmt: skip
    excess = Excess(film, seen, np.full((1, 1, 1), 0.03), np.zeros(1), "itself_only", 0, np.zeros_like(seen), "cold")
    data = prepare(excess, board, side="top", settings=SETTINGS)
    return TemplateMaker(data, PLATE, board, "top", SETTINGS)


def test_an_idle_tall_body_shows_the_board_late():
    tall = Part("J1", "connector", 20, 12, 8, 8, 0, 9.0)
    bare, covered = maker_for(), maker_for(tall)
    source = Place(10.0, 12.0)
    plain, seen = (m.templates(source, (OPTION,))[0] for m in (bare, covered))
    assert seen[-1, 12, 20] < 0.4 * plain[-1, 12, 20]
    assert seen[:, 12, 5] == pytest.approx(plain[:, 12, 5], rel=1e-5)  # nothing stands there
    lag = follow_lag_s(tall, SETTINGS)
    # a first-order body under a ramp reads r (t - lag (1 - exp(-t / lag))): the board under it warms about like one
    t = covered.data.edges_s[-1]
    ramp = 1 - (lag / t) * (1 - np.exp(-t / lag))
    assert seen[-1, 12, 20] / plain[-1, 12, 20] < 1.5 * ramp


def test_flat_bodies_and_the_bare_template_show_the_board_itself():
    low, tall = Part("R1", "resistor", 20, 12, 2, 1.25, 0, 0.3), Part("J1", "connector", 20, 12, 8, 8, 0, 9.0)
    source = Place(10.0, 12.0)
    plain = maker_for().templates(source, (OPTION,))
    assert maker_for(low).templates(source, (OPTION,)) == pytest.approx(plain, rel=0.02)
    bare = (maker_for(*parts).templates(source, (OPTION,), bare=True) for parts in ((), (tall,)))
    assert next(bare) == pytest.approx(next(bare), rel=1e-5)


def test_a_body_is_no_follower_of_its_own_heat():
    chip = Part("U1", "chip", 15, 12, 6, 6, 0, 1.6)
    maker = maker_for(chip)
    with_package = maker.templates(Place(15.0, 12.0, chip), (replace(OPTION, depth="surface"),))[0]
    without = replace(chip, height_mm=0.01)
    alone = maker_for(without).templates(Place(15.0, 12.0, without), (replace(OPTION, depth="surface"),))[0]
    assert with_package[-1, 12, 15] == pytest.approx(alone[-1, 12, 15], rel=0.02)


def test_the_rim_shows_some_of_the_cold_bench():
    shape = (24, 30)
    maker = maker_for()
    shown = maker.data.shown
    assert shown.shape == shape
    assert shown[12, 15] == pytest.approx(1.0, abs=1e-3)
    assert 0.6 < shown[12, 0] < 0.95
    assert shown[0, 0] == pytest.approx(shown[12, 0] * shown[0, 15], rel=1e-3)  # a corner loses on two sides
    source = Place(2.0, 12.0)
    rim = maker.templates(source, (OPTION,))[0]
    assert rim[:, 12, 0] == pytest.approx(maker.templates(source, (OPTION,), bare=True)[0][:, 12, 0] * shown[12, 0])
