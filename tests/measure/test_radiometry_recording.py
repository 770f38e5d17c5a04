"""What the camera applied is undone once: recordings made with different settings become the same."""

import numpy as np
import pytest

from thermscan.measure.radiometry import View, reading_of
from thermscan.measure.radiometry_recording import as_received, without_window
from thermscan.model.recording import Facts, Recording

SURFACE_C = np.linspace(20.0, 95.0, 120).reshape(1, 10, 12)


def film(applied, **facts):
    shown = reading_of(SURFACE_C, View(0.9, 24.0), applied=applied)
    return Recording.from_array(shown.astype(np.float32), None, facts=Facts(**facts))


def test_two_settings_of_one_camera_become_the_same():
    bare = film(View())
    told = film(View(0.95, 23.0, 0.97, 22.0), emissivity=0.95, reflected_c=23.0, transmission=0.97, ambient_c=22.0)
    a, b = as_received(bare), as_received(told)
    assert a is bare
    assert b.store.read(0, 1) == pytest.approx(a.store.read(0, 1), abs=3e-3)


def test_undoing_twice_changes_nothing():
    once = as_received(film(View(0.95, 23.0), emissivity=0.95, reflected_c=23.0))
    assert as_received(once) is once
    assert once.facts.emissivity is None
    assert once.facts.reflected_c == 23.0


def test_an_unstated_reflected_temperature_is_assumed_and_said():
    once = as_received(film(View(0.95, 23.0), emissivity=0.95, ambient_c=22.5))
    assert once.warnings == (
        "the camera applied emissivity 0.95, and its reflected temperature is not stated: the air's temperature, "
        "22.5 C, is taken; differences hardly depend on it",
    )
    other = as_received(film(View(0.95, 23.0), emissivity=0.95, reflected_c=26.0))
    spread = lambda r: np.ptp(r.store.read(0, 1))  # noqa: E731
    assert spread(once) == pytest.approx(spread(other), rel=2e-3)


def test_counts_and_bare_recordings_are_left_alone():
    counts = Recording.from_array(np.ones((1, 4, 4)), None, unit="count", facts=Facts(emissivity=0.9))
    assert as_received(counts) is counts


def test_the_top_of_the_range_moves_along():
    told = film(View(0.9, 23.0), emissivity=0.9, reflected_c=23.0)
    object.__setattr__(told, "saturated_at", float(told.store.read(0, 1).max()))
    once = as_received(told)
    assert once.saturated_at == pytest.approx(once.store.read(0, 1).max(), abs=2e-3)


def test_a_window_that_the_camera_applied_is_undone_and_said():
    told = film(View(1.0, 23.0, 0.9, 22.0), reflected_c=23.0, transmission=0.9, ambient_c=22.0)
    once = as_received(told)
    assert once.warnings == (
        "the camera applied transmission 0.9, which is undone; if a window stood there, say so with --transmission 0.9",
    )


def test_a_window_is_taken_off():
    window = View(1.0, 22.0, 0.85, 22.0)
    through = reading_of(SURFACE_C, window).astype(np.float32)
    cleared = without_window(Recording.from_array(through, None), window)
    assert cleared.store.read(0, 1) == pytest.approx(SURFACE_C, abs=3e-3)
    counts = Recording.from_array(np.ones((1, 4, 4)), None, unit="count")
    assert without_window(counts, window) is counts
