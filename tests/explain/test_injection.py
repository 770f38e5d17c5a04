"""Copper against IEC 60028 and the sums made from it."""

import pytest

from thermscan.explain.injection import copper_ohm_m, sheet_ohm, trace_ohm


def test_copper_of_the_standard():
    # IEC 60028 (1925): 1/58 ohm mm2/m at 20 C, temperature coefficient 0.00393 /K.
    assert copper_ohm_m(20.0) == pytest.approx(1.7241379e-8, rel=1e-7)
    assert copper_ohm_m(85.0) / copper_ohm_m(20.0) == pytest.approx(1.25545, abs=1e-5)


@pytest.mark.parametrize(("thickness_um", "mohm"), [(35.0, 0.4926), (34.3, 0.5027)])
def test_sheet_resistance(thickness_um, mohm):
    # resistivity over thickness with the standard's resistivity
    assert sheet_ohm(thickness_um) * 1e3 == pytest.approx(mohm, abs=2e-4)


def test_trace_resistance_and_loss():
    # 50 mm x 0.25 mm x 35 um: 98.52 mohm at 20 C, 114.01 at 60 C; at 2 A 0.394 W (R = rho l / A, P = I2 R)
    cold, warm = trace_ohm(50.0, 0.25), trace_ohm(50.0, 0.25, celsius=60.0)
    assert cold == pytest.approx(98.52e-3, abs=1e-5)
    assert warm == pytest.approx(114.01e-3, abs=1e-5)
    assert 2.0**2 * cold == pytest.approx(0.39408, abs=1e-4)
