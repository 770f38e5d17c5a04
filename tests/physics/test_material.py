"""Material rules and still-air losses against published numbers."""

import json
from pathlib import Path

import numpy as np
import pytest

from thermscan.model.errors import InputError
from thermscan.model.settings import PlateSettings
from thermscan.physics.material import (
    air_at,
    board_loss,
    foil_thickness_um,
    horizontal_plate_nusselt,
    material_from,
    parallel_conductivity,
    radiation_coefficient,
    rayleigh_number,
    series_conductivity,
    vertical_plate_nusselt,
)

MATERIALS = Path(__file__).parents[2] / "calibration" / "materials.json"


def test_parallel_and_series_rule_on_worked_numbers():
    # pcbway.com, thermal conductivity of printed wiring boards: Kp = 0.8 + 350 ZCu/Z, 0.849 at ZCu/Z = 0.00014;
    # Kn = 1 / (1.69 (1 - x) + 0.0026 x), 0.592
    x = 7 / 50000
    assert parallel_conductivity([x, 1 - x], [350.8, 0.8]) == pytest.approx(0.849, abs=1e-3)
    assert series_conductivity([x, 1 - x], [1 / 0.0026, 1 / 1.69]) == pytest.approx(0.592, abs=1e-3)


def test_two_full_foils_on_a_common_board():
    # 1.6 mm, 2 x 35 um copper at 390, laminate 0.25: 17.302 along, 0.2614 across (parallel and series rule)
    d, k = np.array([0.07, 1.53]), np.array([390, 0.25])
    assert parallel_conductivity(d, k) == pytest.approx(17.302, abs=1e-3)
    assert series_conductivity(d, k) == pytest.approx(0.2614, abs=1e-4)


def test_one_ounce_foil():
    # NIST ounce and foot, 8.89 g/cm3 (IEC 60028): 34.3 um
    assert foil_thickness_um(1.0) == pytest.approx(34.325, abs=1e-3)


def test_vertical_plate_of_worked_example():
    # Bergman, Lavine, Incropera and DeWitt, Introduction to Heat Transfer, 6th ed., example 9.2
    nusselt = vertical_plate_nusselt(0.69 * 2.63e9, 0.69)
    loss = nusselt * 33.8e-3 / 0.71
    assert nusselt == pytest.approx(147.16, abs=0.01)
    assert loss * 0.71 * 1.02 * 209 == pytest.approx(1060, abs=5)


@pytest.mark.parametrize(
    ("celsius", "density", "conductivity", "prandtl"), [(25, 1.1843, 0.026247, 0.7073), (60, 1.0599, 0.02881, 0.70338)]
)
def test_air_against_reference_data(celsius, density, conductivity, prandtl):
    # CoolProp 8.0.0, dry air, 101325 Pa
    air = air_at(celsius)
    assert air.density == pytest.approx(density, rel=1e-3)
    assert air.conductivity == pytest.approx(conductivity, rel=0.01)
    assert air.prandtl == pytest.approx(prandtl, rel=0.01)


def test_small_board_in_still_air():
    # McAdams' coefficients with CoolProp air, 100 x 100 mm, 60 C in 22 C: up 8.62, down 4.31, radiation 6.35 (e = 0.9)
    rayleigh, air = rayleigh_number(38.0, 0.025, ambient_c=22.0)
    assert rayleigh == pytest.approx(44735, rel=0.02)
    up = horizontal_plate_nusselt(rayleigh, facing="up") * air.conductivity / 0.025
    down = horizontal_plate_nusselt(rayleigh, facing="down") * air.conductivity / 0.025
    assert (up, down) == (pytest.approx(8.62, rel=0.01), pytest.approx(4.31, rel=0.01))
    assert radiation_coefficient(38.0, ambient_c=22.0, emissivity=0.9) == pytest.approx(6.352, abs=1e-3)
    both = board_loss(100, 100, rise_k=38.0, ambient_c=22.0)
    assert both.value == pytest.approx(25.6, rel=0.01)
    assert both.low < both.value < both.high


def test_default_loss_lies_within_what_still_air_gives():
    settings = PlateSettings()
    for rise in (3, 40):
        loss = board_loss(90, 60, rise_k=rise)
        low, high = settings.loss_w_per_m2_k / settings.loss_ratio, settings.loss_w_per_m2_k * settings.loss_ratio
        assert low < loss.value < high


def test_shipped_materials_agree_with_the_defaults():
    entries = json.loads(MATERIALS.read_text(encoding="utf-8"))["materials"]
    materials = {name: material_from(name, entry, path="materials.json") for name, entry in entries.items()}
    laminate, settings = materials["woven glass epoxy laminate"], PlateSettings()
    assert laminate.along_w_per_m_k.value == settings.laminate_along_w_per_m_k
    assert laminate.through_w_per_m_k.value == settings.laminate_through_w_per_m_k
    assert laminate.j_per_cm3_k.value == settings.laminate_j_per_cm3_k
    assert materials["copper"].along_w_per_m_k.value == settings.copper_w_per_m_k
    assert all(len(m.source) > 10 for m in materials.values())


def test_bad_material_is_refused_in_one_line():
    entry = {"along_w_per_m_k": 1, "along_w_per_m_k_95": [2, 3], "through_w_per_m_k": 1, "through_w_per_m_k_95": [1, 1],
             "j_per_cm3_k": 2, "j_per_cm3_k_95": [1, 3], "source": "x"}  # fmt: skip
    with pytest.raises(
        InputError, match=r"m.json: material foam: along_w_per_m_k: 1 is outside its own interval 2 to 3"
    ):
        material_from("foam", entry, path="m.json")
    with pytest.raises(InputError, match="is missing"):
        material_from("foam", {"source": "x"}, path="m.json")
