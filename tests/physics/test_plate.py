"""The plate by cosine series and on the grid: against closed forms, against each other, and the energy books."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import special
from scipy.optimize import brentq

from thermscan.model.quantity import Measured
from thermscan.physics.closed_form import point_source_steady, point_source_step, thick_body_surface
from thermscan.physics.plate import Layers, cut_into_layers, default_plate
from thermscan.physics.plate_grid import GridPlate, Lump, run, steady
from thermscan.physics.plate_response import (
    Package,
    PlateResponse,
    Rectangle,
    blurred_cosines,
    body_coefficients,
    flow_from_packages,
    superpose,
)

THIN = Layers(np.array([0.032]), np.array([1.9e-3 * 1.6]), np.zeros(0), np.array([20e-6]))


def rise_of_point(layers, times_s, at_mm, *, box=(-200, -200, 200, 200), finest=1.0, spread=0.0, made_in=0):
    rectangle = Rectangle.for_box(box, finest)
    response = PlateResponse.of(layers, rectangle, np.asarray(times_s, float), made_in=made_in)
    body = body_coefficients(rectangle, np.zeros((1, 2)), spread)
    return response.over_cells(body, blurred_cosines(rectangle, np.atleast_1d(at_mm), np.zeros(1), 0.0))[:, 0, :]


def test_series_follows_the_closed_forms():
    # thin plate with losses: switched on (leaky-aquifer well function) and in balance (K0)
    times = [1.0, 5.0, 20.0, 100.0]
    rise = rise_of_point(THIN, [*times, 1e6], [5.0, 20.0])
    for i, t in enumerate(times):
        exact = point_source_step(
            5.0, t, 1.0, conductance_w_per_k=0.032, capacity_j_per_mm2_k=3.04e-3, loss_w_per_mm2_k=20e-6
        )
        assert rise[i, 0] == pytest.approx(exact, abs=0.03)
    exact = point_source_steady(np.array([5.0, 20.0]), 1.0, conductance_w_per_k=0.032, loss_w_per_mm2_k=20e-6)
    assert rise[-1] == pytest.approx(exact, rel=3e-3)


def test_many_layers_become_a_thick_body():
    # semi-infinite body under constant flux (Incropera and DeWitt, case 2): k = 0.3, rho c = 1.9e6, 1e4 W/m2
    count, depth = 160, 16.0
    step = depth / count
    layers = Layers(np.zeros(count), np.full(count, 1.9e-3 * step), np.full(count - 1, 0.3e-3 / step), np.zeros(count))
    rectangle = Rectangle(0, 0, 10, 10, 1, 1)
    table = PlateResponse.of(layers, Rectangle(0, 0, 10, 10, 2, 2), np.array([0.0, 5.0, 10.0])).table[0, 0]
    exact = thick_body_surface(np.array([5.0, 10.0]), 1e4, conductivity=0.3, capacity=1.9e6)
    # the first node lies half a layer deep
    drop = 1e4 * step / 2 * 1e-3 / 0.3
    assert rectangle.waves_x == 1
    assert table[1:] * 1e-2 + drop == pytest.approx(exact, rel=2e-3)


def test_face_runs_ahead_of_the_mean_as_in_a_slab():
    # slab under constant flux, far face insulated: face minus mean becomes q L / (3 k) (Carslaw and Jaeger,
    # Conduction of Heat in Solids, 3.8: q L / k (1/3) in the long run)
    plate = replace(default_plate(1.6), loss_w_per_mm2_k=Measured(1e-12, 1e-12, 1e-12))
    flux = 1e-3
    layers = cut_into_layers(plate)
    table = PlateResponse.of(layers, Rectangle(0, 0, 10, 10, 2, 2), np.array([0.0, 30.0])).table[0, 0]
    capacity = plate.capacity_j_per_mm2_k.value
    ahead = flux * table[1] - flux * 30 / capacity
    assert ahead == pytest.approx(flux * 1.6 / (3 * plate.through_w_per_mm_k), rel=0.05)
    assert layers.capacity_j_per_mm2_k.sum() == pytest.approx(capacity)
    assert layers.conductance_w_per_k.sum() == pytest.approx(plate.conductance_w_per_k.value)


def test_one_cell_source_reads_like_a_fifth_of_a_cell_away():
    # Peaceman, SPE J. 1978: r = exp(-gamma) / (2 sqrt 2) dx = 0.1985 dx
    plate = GridPlate.even(THIN, 1.0, (301, 301))
    power = np.zeros(plate.nodes)
    power[150 * 301 + 150] = 1.0
    rise = steady(plate, power)
    peak = rise[150 * 301 + 150]
    radius = brentq(lambda r: special.k0(r / 40) / (2 * np.pi * 0.032) - peak, 1e-6, 2.0)
    assert radius == pytest.approx(np.exp(-np.euler_gamma) / (2 * np.sqrt(2)), rel=0.01)
    assert (rise * 20e-6).sum() == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize("made_in", [0, -1])
def test_grid_and_series_agree_on_a_layered_board(made_in):
    layers = cut_into_layers(default_plate(1.6), conductance_w_per_k=0.02, inner_share=0.5, count=4)
    plate = GridPlate.even(layers, 1.0, (41, 61))
    power = np.zeros(plate.nodes)
    power[(0 if made_in == 0 else 3 * 41 * 61) + 20 * 61 + 30] = 1.0
    times = np.array([0.5, 1.0, 2.0, 4.0, 8.0])
    grid = run(plate, power, times, substeps=6).rise_k[:, 20 * 61 + 30 : 20 * 61 + 61]
    box = (-30.5, -20.5, 30.5, 20.5)
    series = rise_of_point(layers, times, np.arange(31.0), box=box, finest=0.5, spread=12**-0.5, made_in=made_in)
    far = slice(3, None)
    assert np.abs(grid[:, far] - series[:, far]).max() < 0.03 * grid[:, 3].max()


def test_books_close_with_bent_loss_and_parts():
    # energy made = stored + lost, to 0.5 %
    layers = cut_into_layers(default_plate(1.6), count=4)
    even = GridPlate.even(layers, 1.0, (30, 40))
    copper = np.exp(np.random.default_rng(3).normal(size=even.copper.shape) * 0.5)
    lump = Lump(np.array([400, 401, 440, 441]), 0, 0.05, 0.02)
    plate = GridPlate(1.0, layers, copper, (lump,), loss=lambda rise: 6e-6 * rise + 2e-6 * np.abs(rise) ** 0.25 * rise)
    power = np.zeros(plate.nodes)
    power[-1] = 2.0
    made, stored, lost = run(plate, power, np.arange(1.0, 61.0), substeps=2).energy_j[-1]
    assert made == pytest.approx(120.0)
    assert stored + lost == pytest.approx(made, rel=0.005)
    assert lost > 0.1 * made


def test_package_on_a_cold_board_is_a_lump():
    # C dT/dt = P - T / R: the lumped solution
    times = np.arange(61) * 0.1
    flow = flow_from_packages(np.zeros(61), 0.1, (Package(10.0, 0.1), Package(20.0, 0.2)))
    assert flow[0] == pytest.approx(1 - np.exp(-times), abs=1e-3)
    assert flow[1] == pytest.approx(1 - np.exp(-times / 4), abs=1e-3)
    # the response of an integrator to that flow is its integral
    assert superpose(flow[0]) @ times == pytest.approx(times - 1 + np.exp(-times), abs=1e-3)


def test_package_on_the_grid_and_in_the_series():
    layers = cut_into_layers(default_plate(1.6), conductance_w_per_k=0.015, count=4)
    under = np.array([r * 40 + c for r in range(13, 17) for c in range(18, 22)])
    plate = GridPlate(1.0, layers, np.ones((4, 30, 40)), (Lump(under, 0, 0.05, 0.08),))
    power = np.zeros(plate.nodes)
    power[-1] = 1.0
    times = np.linspace(0, 6, 49)
    grid = run(plate, power, times[1:], substeps=4).rise_k
    rectangle = Rectangle.for_box((0, 0, 40, 30), 0.5)
    response = PlateResponse.of(layers, rectangle, times)
    x, y = np.meshgrid(np.arange(18.5, 22), np.arange(13.5, 17))
    body = body_coefficients(rectangle, np.column_stack([x.ravel(), y.ravel()]), 12**-0.5)
    package = Package(20.0, 0.08)
    flow = flow_from_packages(response.at_body(body), times[1], (package,))[0]
    part = superpose(flow) @ response.at_body(body) + package.resistance_k_per_w * flow
    assert part[[8, 24, 48]] == pytest.approx(grid[[7, 23, 47], -1], rel=0.02)


def test_default_plate_says_what_it_rests_on():
    known, guessed = default_plate(1.6, copper_um=70), default_plate(None)
    assert known.basis == ("defaults", "copper_given")
    assert "thickness assumed 1.6 mm" in guessed.sentence
    # parallel rule on 70 um: 390 x 0.07 + 0.8 x 1.53 W/K per 1000
    assert known.conductance_w_per_k.value == pytest.approx((390 * 0.07 + 0.8 * 1.53) * 1e-3)
    width_known = known.conductance_w_per_k.high / known.conductance_w_per_k.low
    assert guessed.conductance_w_per_k.high / guessed.conductance_w_per_k.low > 3 * width_known
    assert guessed.capacity_j_per_mm2_k.standard_error > known.capacity_j_per_mm2_k.standard_error
