"""Foreseen detection limits: scaling laws that hold for any camera, and refused input."""

from dataclasses import replace

import numpy as np
import pytest

from thermscan.model.errors import InputError
from thermscan.model.settings import ForeseeSettings
from thermscan.physics.foresee import DEFAULTS, Setup, foresee
from thermscan.physics.plate import default_plate

SECONDS = np.array([1.0, 3.0, 10.0])
PLAN = Setup(noise_k=0.06, columns=160, rows=120, view_mm=110.0, part_mm=(1.6, 0.8))


def limit(*, settings=DEFAULTS, **changes):
    return foresee(replace(PLAN, **changes), default_plate(1.6), SECONDS, settings=settings)


def test_longer_films_show_smaller_sources():
    answer = limit()
    assert np.all(np.diff(answer.smallest_w) < 0)
    assert np.all(answer.smallest_95_w[:, 0] <= answer.smallest_w)
    assert np.all(answer.smallest_95_w[:, 1] >= answer.smallest_w)
    # tens of milliwatts in a few seconds for a camera of 60 mK: common practice, no source
    assert 1e-4 < answer.smallest_w[1] < 0.1


def test_what_is_said_of_a_second_hardly_depends_on_the_longest_one():
    wanted = [0.5, 1.0, 2.0]
    short = foresee(PLAN, default_plate(1.6), np.array(wanted))
    longer = foresee(PLAN, default_plate(1.6), np.array([*wanted, 20.0, 100.0, 600.0]))
    np.testing.assert_allclose(longer.smallest_w[:3], short.smallest_w, rtol=0.05)
    np.testing.assert_allclose(longer.peak_k_per_w[:3], short.peak_k_per_w, rtol=0.05)
    assert np.all(np.diff(longer.peak_k_per_w) > 0)


def test_limit_scales_as_noise_and_root_of_repeats():
    # matched filter (any text on detection): proportional to the noise, to the square root of variance over repeats
    noise_only = ForeseeSettings(board_floor_k=0.0)
    one = limit(settings=noise_only).smallest_w
    assert limit(settings=noise_only, noise_k=0.12).smallest_w == pytest.approx(2 * one)
    assert limit(settings=noise_only, repeats=4).smallest_w == pytest.approx(one / 2)
    # noise of one good board counts as much as that of the faulty one
    assert limit(settings=noise_only, good_boards=1000).smallest_w == pytest.approx(one / np.sqrt(2), rel=1e-3)


def test_differences_between_boards_do_not_average_out():
    quiet = limit(noise_k=1e-4, repeats=100)
    # what is left is the floor in deviations over the rise of the warmest pixel
    deviations = quiet.smallest_w * quiet.peak_k_per_w / (0.03 * np.sqrt(2))
    assert deviations == pytest.approx(np.full(3, deviations[0]), rel=1e-3)
    assert 4 < deviations[0] < 7


def test_coarse_cameras_are_warned_about():
    answer = limit(columns=32, rows=24)
    assert answer.pixels_on_part < 1
    assert any("below three" in w for w in answer.warnings)
    assert np.all(answer.smallest_w > limit().smallest_w)


@pytest.mark.parametrize(
    ("changes", "line"),
    [
        ({"noise_k": 0.0}, "foresee: noise_k: 0 is not above zero; give a positive number"),
        ({"part_mm": (1.0, -1.0)}, "foresee: part_mm: -1 is not above zero; give a positive number"),
    ],
)
def test_impossible_plans_are_refused(changes, line):
    with pytest.raises(InputError) as caught:
        limit(**changes)
    assert str(caught.value) == line


def test_seconds_must_increase():
    with pytest.raises(InputError, match="not increasing"):
        foresee(PLAN, default_plate(1.6), np.array([2.0, 1.0]))
