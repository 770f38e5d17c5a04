"""Reference temperatures against printed tables and another library."""

import numpy as np
import pytest

from thermscan.physics.reference_thermometer import (
    boiling_point_c,
    pt_ohm,
    pt_temperature,
    pt_tolerance_k,
    type_k_mv,
    type_k_temperature,
)

# IEC 60751 as quoted in public Pt100 tables; one web table prints 35.34 ohm at -160 C, a slip for 35.54.
PT100 = {
    -200: 18.52,
    -160: 35.54,
    -100: 60.26,
    0: 100.0,
    50: 119.40,
    100: 138.51,
    200: 175.86,
    300: 212.05,
    850: 390.48,
}
# NIST SRD 60 (ITS-90 reference functions), type K, mV against 0 C.
TYPE_K = {-100: -3.554, 0: 0.0, 25: 1.000, 100: 4.096, 200: 8.138, 500: 20.644, 1000: 41.276}
# thermocouple-its90 1.0.2 (ITS-90 reference functions), mV.
TYPE_K_LIBRARY = {
    -100: -3.5536313365806005, 25: 1.0002423545675625, 50: 2.023077886207025, 100: 4.096230218723254,
    200: 8.138473326486949, 500: 20.644286390043515, 1000: 41.27560645631395,
}  # fmt: skip
# ptcal 0.1.4, Callendar and Van Dusen with the coefficients of IEC 60751, ohm.
PT_LIBRARY = {-200: 18.52008, -100: 60.25584, 50: 119.397125, 100: 138.5055, 300: 212.0515, 850: 390.481125}
# IAPWS-95 by CoolProp 8.0 and IAPWS-IF97 by iapws 1.5: kPa, C.
BOILING = {101.325: 99.9743, 100.0: 99.6059, 95.0: 98.178, 80.0: 93.485}
# IAPWS-IF97 by iapws 1.5.5 alone: kPa, C.
BOILING_IF97 = {60: 85.92577749050952, 70: 89.93151006644666, 90: 96.68703928273942, 105: 100.97556638189764}


@pytest.mark.parametrize(("celsius", "ohm"), PT100.items())
def test_platinum_resistance(celsius, ohm):
    assert pt_ohm(celsius) == pytest.approx(ohm, abs=0.0051)
    assert pt_temperature(pt_ohm(celsius)) == pytest.approx(celsius, abs=1e-4)


def test_platinum_tolerance_and_range():
    assert pt_tolerance_k(100.0) == pytest.approx(0.8)  # class B
    assert pt_tolerance_k(-100.0, grade="A") == pytest.approx(0.35)
    assert np.isnan(pt_temperature(np.array([5.0, 500.0]))).all()
    assert pt_temperature(1194.0, ohm_at_0_c=1000.0) == pytest.approx(50.0, abs=0.01)


@pytest.mark.parametrize(("celsius", "millivolt"), TYPE_K.items())
def test_type_k(celsius, millivolt):
    assert type_k_mv(celsius) == pytest.approx(millivolt, abs=0.001)
    assert type_k_temperature(type_k_mv(celsius)) == pytest.approx(celsius, abs=2e-3)


def test_the_cold_end_adds_its_voltage():
    # 3.000 mV with the ends at 25 C: 97.68 C by another library (thermocouple-its90).
    assert type_k_temperature(3.0, cold_end_c=25.0) == pytest.approx(97.68, abs=0.01)


@pytest.mark.parametrize(("kilopascal", "celsius"), BOILING.items())
def test_boiling_water(kilopascal, celsius):
    assert boiling_point_c(kilopascal) == pytest.approx(celsius, abs=1e-3)


def test_boiling_at_the_verification_values_of_if97():
    # IAPWS-IF97, table 36 (from memory): 0.1 MPa 372.755919 K, 1 MPa 453.035632 K.
    assert boiling_point_c(100.0) + 273.15 == pytest.approx(372.755919, abs=1e-5)
    assert boiling_point_c(1000.0) + 273.15 == pytest.approx(453.035632, abs=1e-5)


@pytest.mark.parametrize(("celsius", "millivolt"), TYPE_K_LIBRARY.items())
def test_type_k_of_another_library(celsius, millivolt):
    assert type_k_mv(celsius) == pytest.approx(millivolt, abs=2e-6)


@pytest.mark.parametrize(("celsius", "ohm"), PT_LIBRARY.items())
def test_platinum_of_another_library(celsius, ohm):
    assert pt_ohm(celsius) == pytest.approx(ohm, abs=1e-6)


@pytest.mark.parametrize(("kilopascal", "celsius"), BOILING_IF97.items())
def test_boiling_water_of_another_library(kilopascal, celsius):
    assert boiling_point_c(kilopascal) == pytest.approx(celsius, abs=1e-6)
