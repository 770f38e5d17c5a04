"""The Sakuma-Hattori equation against the band radiance by the series and against its own inverse and slope."""

import numpy as np
import pytest

from thermscan.physics.radiation import ZERO_C_K, Band, exact_band_radiance
from thermscan.physics.sakuma_hattori import SakumaHattori, fit_sakuma_hattori, start_values

PLACES = np.linspace(-20.0, 150.0, 60)


def test_three_constants_follow_the_long_wave_band_to_three_millikelvin():
    # Independent least squares on the same band gave A 9.33393 um, B 179.068 um K, 2.78 mK at the worst place.
    fitted, residual = fit_sakuma_hattori(PLACES, exact_band_radiance(PLACES + ZERO_C_K))
    assert np.abs(residual).max() < 3.0e-3
    assert fitted.a_um == pytest.approx(9.3339, abs=2e-3)
    assert fitted.b_um_k == pytest.approx(179.07, abs=0.5)


def test_the_short_wave_band_is_harder():
    _, residual = fit_sakuma_hattori(PLACES, exact_band_radiance(PLACES + ZERO_C_K, band=Band(3, 5)), band=Band(3, 5))
    assert 0.02 < np.abs(residual).max() < 0.08


def test_start_values_of_the_long_wave_band():
    assert start_values(Band(8, 14)) == pytest.approx((9.363636, 178.360770), rel=1e-6)


def test_inverse_and_slope():
    curve = SakumaHattori(9.3339, 179.07, 6818.6)
    assert curve.temperature_c(curve.signal(PLACES)) == pytest.approx(PLACES, abs=1e-9)
    steps = (curve.signal(PLACES + 0.01) - curve.signal(PLACES - 0.01)) / 0.02
    assert curve.slope(PLACES) == pytest.approx(steps, rel=1e-6)
    assert np.isnan(curve.temperature_c(np.array([0.0, -1.0]))).all()


@pytest.mark.parametrize("count", [1, 2, 3])
def test_few_references_are_met_exactly(count):
    true_c = np.array([0.5, 60.0, 98.0])[:count]
    _, residual = fit_sakuma_hattori(true_c, 3.1 * exact_band_radiance(true_c + ZERO_C_K, band=Band(7.5, 13)))
    assert np.abs(residual).max() < 1e-6
