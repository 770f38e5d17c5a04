"""Emissivity by tape, reflected temperature by foil, and a board's map, on made data by the standards' balance."""

import numpy as np
import pytest

from thermscan.calibrate.surface import calibrate_surface, emissivity_map, reflected_from_foil, temperature_from_tape
from thermscan.measure.radiometry import View, reading_of
from thermscan.model.budget import Quantity
from thermscan.model.errors import InputError
from thermscan.model.settings import CalibrationSettings

SETTINGS = CalibrationSettings()


def known(name, value, error=0.0):
    return Quantity(name, value, error, unit="C")


def test_the_procedure_of_e1933_returns_the_emissivity():
    # 60 C, emissivity 0.62, surroundings 22 C read 46.8883 C at emissivity 1 (independent series).
    found = calibrate_surface(
        known("shown", 46.88830869129657), known("true", 60.0), known("reflected", 22.0), settings=SETTINGS
    )
    assert found.emissivity.value == pytest.approx(0.62, abs=1e-4)


def test_tape_gives_the_true_temperature():
    shown = float(reading_of(60.0, View(0.95, 22.0)))
    found = temperature_from_tape(known("tape", shown), Quantity("e", 0.95, 0.01), known("reflected", 22.0, 1.0))
    assert found.value == pytest.approx(60.0, abs=2e-3)
    assert 0.3 < found.standard_uncertainty < 0.5  # 0.01 of 0.95 over 38 K


def test_intervals_of_the_emissivity_cover_the_truth():
    # 300 made measurements with errors of camera, contact thermometer and foil.
    random = np.random.default_rng(6)
    hits = 0
    for _ in range(300):
        e, true_c, room = random.uniform(0.3, 0.97), random.uniform(50, 80), random.uniform(18, 26)
        shown = float(reading_of(true_c, View(e, room))) + random.normal(0, 0.2)
        foil = reflected_from_foil(known("foil", room + random.normal(0, 0.5), 0.5))
        found = calibrate_surface(
            known("shown", shown, 0.2), known("true", true_c + random.normal(0, 0.5), 0.5), foil, settings=SETTINGS
        ).emissivity.measured
        hits += found.low <= e <= found.high
    assert 0.92 <= hits / 300 <= 0.98


@pytest.mark.parametrize(
    ("shown", "true", "reflected", "line"),
    [
        (
            30.0,
            25.0,
            60.0,
            "r.tiff: reflected: the surroundings (60.0 C) are hotter than the surface (25.0 C); the sign turns and the "
            "error grows; warm the surface well above them",
        ),
        (
            24.0,
            25.0,
            22.0,
            "r.tiff: surface and surroundings are only 3.0 K apart; warm the surface to 10 K above them or more",
        ),
        (
            90.0,
            60.0,
            22.0,
            "r.tiff: the emissivity would be 2.008, which cannot be; check which box is which, and that the camera was "
            "set to emissivity 1",
        ),
    ],
)
def test_impossible_surfaces_are_refused_in_one_line(shown, true, reflected, line):
    with pytest.raises(InputError) as caught:
        calibrate_surface(
            known("shown", shown), known("true", true), known("reflected", reflected), path="r.tiff", settings=SETTINGS
        )
    assert str(caught.value) == line


def test_a_board_at_two_temperatures_gives_its_map():
    random = np.random.default_rng(7)
    e = np.full((30, 40), 0.9)
    e[5:12, 5:15], e[18:25, 20:34] = 0.2, 0.95
    reflected = 21.0 + 4.0 * random.random((30, 40))  # uneven surroundings, the same both times

    def shown(true_c):
        from thermscan.physics.radiation import band_radiance, radiance_temperature

        return radiance_temperature(e * band_radiance(true_c) + (1 - e) * band_radiance(reflected))

    noise = 0.01
    cold, warm = (shown(t) + random.normal(0, noise, e.shape) for t in (24.0, 54.0))
    found = emissivity_map(
        cold, warm, (known("cold", 24.0, 0.1), known("warm", 54.0, 0.1)), noise_k=noise, settings=SETTINGS
    )
    assert np.nanmax(np.abs(found.emissivity - e)) < 0.005
    assert np.isfinite(found.emissivity).all()
    with pytest.raises(InputError, match=r"only 5\.0 K apart"):
        emissivity_map(cold, warm, (known("cold", 24.0), known("warm", 29.0)), noise_k=noise, settings=SETTINGS)
