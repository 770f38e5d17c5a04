"""Closed forms against printed tables and worked examples."""

import numpy as np
import pytest
from scipy import integrate

from thermscan.physics.closed_form import (
    long_fin_heat,
    lumped_rise,
    lumped_time,
    point_pulse,
    point_source_steady,
    point_source_step,
    thick_body_surface,
    well_function,
)

# 20 W/(m K) times 1.6 mm, 1.9e6 J/(m3 K), 20 W/(m2 K), in mm units
PLATE = {"conductance_w_per_k": 0.032, "capacity_j_per_mm2_k": 1.9e-3 * 1.6}
LOSS = 20e-6


@pytest.mark.parametrize(
    ("x", "k0"),
    [(0.1, 2.4270690247), (0.5, 0.9244190712), (1.0, 0.4210244382), (2.0, 0.1138938727), (5.0, 0.0036910983)],
)
def test_point_source_follows_tabulated_bessel_function(x, k0):
    # K0: Abramowitz and Stegun, chapter 9 tables
    length = np.sqrt(0.032 / LOSS)
    rise = point_source_steady(x * length, 2 * np.pi * 0.032, conductance_w_per_k=0.032, loss_w_per_mm2_k=LOSS)
    assert rise == pytest.approx(k0, abs=1e-9)


def test_lost_heat_of_point_source_is_its_power():
    # integral of x K0(x) over x is 1 (DLMF 10.22)
    def ring(r):
        return LOSS * point_source_steady(r, 1.0, conductance_w_per_k=0.032, loss_w_per_mm2_k=LOSS) * 2 * np.pi * r

    assert integrate.quad(ring, 0, 40)[0] + integrate.quad(ring, 40, 1600)[0] == pytest.approx(1.0, abs=1e-8)


@pytest.mark.parametrize(
    ("u", "ratio", "printed"),
    [(0.01, 0.1, 3.8150), (0.1, 0.1, 1.8050), (1, 0.1, 0.2190), (0.001, 0.1, 4.8292), (0.01, 1, 0.8420)],
)
def test_well_function_as_tabulated_for_leaky_aquifers(u, ratio, printed):
    # 3.815 at (0.01, 0.1) stands in the tables of Hantush; the others from the same integral, 4 decimals
    assert well_function(u, ratio) == pytest.approx(printed, abs=5e-5)


@pytest.mark.parametrize(("time_s", "rise"), [(1, 1.1397), (5, 4.0942), (20, 7.1051), (100, 9.977), (1000, 10.9806)])
def test_switched_on_point_source_at_5_mm(time_s, rise):
    assert point_source_step(5.0, time_s, 1.0, loss_w_per_mm2_k=LOSS, **PLATE) == pytest.approx(rise, abs=1e-3)


def test_pulse_keeps_its_energy_and_spreads_as_four_a_t():
    # Carslaw and Jaeger: <r^2> = 4 a t
    time_s, capacity = 0.3, PLATE["capacity_j_per_mm2_k"]
    diffusivity = PLATE["conductance_w_per_k"] / capacity

    def ring(r, power):
        return point_pulse(r, time_s, 2.0, **PLATE) * 2 * np.pi * r**power * capacity

    assert integrate.quad(ring, 0, 50, args=(1,))[0] == pytest.approx(2.0, rel=1e-9)
    assert integrate.quad(ring, 0, 50, args=(3,))[0] / 2 == pytest.approx(4 * diffusivity * time_s, rel=1e-9)


def test_thick_body_under_constant_flux():
    # Incropera and DeWitt, semi-infinite solid with constant flux: 2 q sqrt(a t / pi) / k
    assert thick_body_surface(10.0, 1e4, conductivity=0.3, capacity=1.9e6) == pytest.approx(47.2626, abs=1e-4)


def test_thermocouple_junction_of_worked_example():
    # Incropera and DeWitt, example 5.1: 25 to 199 C in a 200 C stream, time constant 1 s, 5.2 s
    seconds = lumped_time(start_k=25, end_k=199, surroundings_k=200, time_constant_s=1.0)
    assert seconds == pytest.approx(5.2, abs=0.05)
    assert lumped_rise(seconds, final_k=175, time_constant_s=1.0) == pytest.approx(174)


@pytest.mark.parametrize(("conductivity", "watts"), [(398, 8.3), (180, 5.6), (14, 1.6)])
def test_very_long_fin_of_worked_example(conductivity, watts):
    # Incropera and DeWitt, example 3.9: 5 mm rod, h = 100, 75 K
    heat = long_fin_heat(
        loss=100, perimeter=np.pi * 0.005, conductivity=conductivity, section=np.pi * 0.005**2 / 4, excess_k=75
    )
    assert heat == pytest.approx(watts, abs=0.05)
