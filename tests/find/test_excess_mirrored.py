"""Places that get colder while a board is on mirror somebody; heat, noise, left heat and drift are no mirrors."""

from dataclasses import replace

import numpy as np
import pytest
from made_film import GRID, NOISE_K, film_of, noisy

from thermscan.find.excess_mirrored import without_mirrored
from thermscan.model.film import Rise
from thermscan.model.settings import DetectionSettings

SETTINGS = DetectionSettings()
BINS, WIDTH_S = 24, 0.4
SECONDS = (np.arange(BINS) + 0.5) * WIDTH_S
CAN = (slice(12, 16), slice(20, 26))


def made(change, *, seed=0, **more):
    values = noisy(change, seed=seed)
    film = film_of(values, width_s=WIDTH_S)
    return Rise(film, values, np.full(values.shape, NOISE_K, np.float32), "cold_frames", **more)


def warming():
    """A part that warms like a lumped body, 1 - exp(-t / tau)."""
    change = np.zeros((BINS, *GRID.shape))
    change[:, 4:9, 4:9] = 6.0 * (1 - np.exp(-SECONDS / 3.0))[:, None, None]
    return change


def leaving(kelvin):
    """Bare metal that mirrors somebody until four seconds after power-on."""
    change = warming()
    change[:, *CAN] = -kelvin * np.clip(SECONDS / 4.0, 0, 1)[:, None, None]
    return change


@pytest.mark.parametrize("seed", range(3))
def test_what_mirrors_somebody_who_leaves_is_left_out_for_all_seconds(seed):
    clear, share = without_mirrored(made(leaving(5.0), seed=seed), settings=SETTINGS)
    assert np.isnan(clear.rise[:, *CAN]).all()
    assert np.isfinite(clear.rise[:, 4:9, 4:9]).all()
    assert 24 / 600 <= share <= 80 / 600  # the can is 4 x 6 cells; two pixels around it may go as well


@pytest.mark.parametrize("seed", range(5))
def test_a_board_that_only_warms_keeps_every_place(seed):
    rise = made(warming(), seed=seed)
    assert without_mirrored(rise, settings=SETTINGS) == (rise, 0.0)


def test_left_heat_that_may_go_on_cooling_is_no_mirror():
    doubt = np.zeros((BINS, *GRID.shape), np.float32)
    doubt[:, *CAN] = 2.5
    rise = made(leaving(4.0), left_doubt=doubt, left_error=0 * doubt)
    assert without_mirrored(rise, settings=SETTINGS) == (rise, 0.0)


def test_a_board_that_cools_as_a_whole_is_no_mirror():
    rise = made(np.broadcast_to(-3.0 * (SECONDS / SECONDS[-1])[:, None, None], (BINS, *GRID.shape)))
    assert without_mirrored(rise, settings=SETTINGS) == (rise, 0.0)


@pytest.mark.parametrize("change", [{"clock": "recording"}, {"unit": "count"}])
def test_nothing_is_left_out_where_cold_and_kelvin_are_not_known(change):
    rise = made(leaving(5.0))
    rise = replace(rise, film=replace(rise.film, **change))
    assert without_mirrored(rise, settings=SETTINGS) == (rise, 0.0)
