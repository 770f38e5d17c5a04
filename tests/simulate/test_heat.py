"""Heat network against closed forms: lumped warm-up, point source on a thin plate, energy balance."""

import numpy as np
import pytest
from scipy import sparse
from scipy.integrate import quad
from scipy.special import k0

from thermscan.model.board import Board, Part
from thermscan.simulate.heat import HeatNet, run_heat, steady_heat, step_lengths
from thermscan.simulate.stack import CellGrid, build_unit, even_stack


def single_node(capacity_j_k, area_m2, convection, *, power=0.0):
    return HeatNet(
        np.array([capacity_j_k]),
        sparse.csc_array((1, 1)),
        np.array([area_m2]),
        np.array([convection]),
        np.array([0.0]),
        power,
    )


def run(net, source, duration_s, *, ambient=20.0, switches=(0.0,), keep=None):
    nodes = len(net.capacity)
    return run_heat(
        net,
        np.full(nodes, ambient),
        source,
        duration_s=duration_s,
        switches_s=np.array(switches, float),
        ambient_c=lambda _: ambient,
        keep=np.arange(nodes) if keep is None else keep,
    )


def test_lumped_body_warms_exponentially():
    # Lumped capacitance, any heat-transfer textbook: theta = P/(h A) (1 - exp(-t/tau)), tau = C/(h A).
    net = single_node(0.5, 1e-3, 10.0)
    film = run(net, lambda _: np.array([0.2]), 150.0)
    for time in (0.5, 10.0, 50.0, 149.0):
        exact = 0.2 / 0.01 * (1 - np.exp(-time / 50.0))
        assert film.at(time)[0] - 20.0 == pytest.approx(exact, rel=1e-4, abs=1e-6)


def test_lumped_body_cools_after_the_switch():
    net = single_node(0.5, 1e-3, 10.0)
    film = run(net, lambda t: np.array([0.2 if t < 20.0 else 0.0]), 60.0, switches=(0.0, 20.0))
    peak = 20.0 * (1 - np.exp(-20.0 / 50.0))
    assert film.at(20.0)[0] - 20.0 == pytest.approx(peak, rel=1e-4)
    assert film.at(45.0)[0] - 20.0 == pytest.approx(peak * np.exp(-25.0 / 50.0), rel=1e-4)


def test_natural_convection_grows_with_the_quarter_power():
    # Steady state of P = A c theta^(5/4).
    net = single_node(0.05, 1e-3, 4.0, power=0.25)
    film = run(net, lambda _: np.array([0.1]), 120.0)
    assert film.at(120.0)[0] - 20.0 == pytest.approx((0.1 / 4e-3) ** 0.8, rel=2e-3)


def test_thermocouple_example():
    # Incropera and DeWitt, Example 5.1 (recomputed): D = 0.706 mm, h = 400, 25 to 199 C in a 200 C stream: 5.2 s.
    d = 6 * 400 * 1 / (8500 * 400)
    area, capacity = np.pi * d**2, 8500 * 400 * np.pi * d**3 / 6
    net = single_node(capacity, area, 400.0)
    film = run_heat(
        net,
        np.array([25.0]),
        lambda _: np.zeros(1),
        duration_s=8.0,
        switches_s=np.zeros(1),
        ambient_c=lambda _: 200.0,
        keep=np.arange(1),
    )
    fine = np.linspace(0, 8, 4001)
    reached = fine[np.argmax([film.at(t)[0] >= 199.0 for t in fine])]
    assert reached == pytest.approx(5.2, abs=0.05)


def test_point_source_on_a_thin_plate():
    # theta = P/(2 pi k t) K0(r/L), L = sqrt(k t/h) (Carslaw and Jaeger, thin plate with surface loss).
    board = Board.rectangle(180.0, 180.0)
    grid = CellGrid.over(board, 2.0)
    stack = even_stack(grid, copper_um=(35.0, 35.0, 35.0, 35.0))
    stack.vias[:] = 100.0  # thin in the sense of the closed form: no drop through the board
    unit = build_unit(board, grid, stack, np.random.default_rng(0), air=(40.0, 30.0), convection_power=0.0)
    unit.net.emissivity[:] = 0.0
    weight = np.zeros((grid.rows, grid.columns))
    weight[grid.rows // 2, grid.columns // 2] = 1.0
    celsius = steady_heat(unit.net, 0.5 * unit.cell_source(weight, 1), ambient_c=20.0)
    theta = np.zeros(grid.inside.shape)
    theta[grid.inside] = celsius[unit.cell_node[0][grid.inside]] - 20.0
    kt = 0.85 * 1.6e-3 + 395.0 * 4 * 35e-6
    xx, yy = grid.centres
    r = np.hypot(xx - xx[0, grid.columns // 2], yy - yy[grid.rows // 2, 0]) * 1e-3
    ring = (r > 8e-3) & (r < 28e-3)
    exact = 0.5 / (2 * np.pi * kt) * k0(r[ring] / np.sqrt(kt / 70.0))
    assert theta[ring] == pytest.approx(exact, rel=0.015)
    assert 70.0 * theta.sum() * (grid.cell_mm * 1e-3) ** 2 == pytest.approx(0.5, rel=0.005)


def test_warm_up_round_a_point_source():
    # theta = P/(4 pi k t) W(u, r/L), u = r^2/(4 alpha time): the heat equation of a thin plate with linear loss is that
    # of a leaky aquifer, W(u, B) = integral of exp(-y - B^2/(4 y))/y from u on (Hantush and Jacob 1955).
    board = Board.rectangle(120.0, 120.0)
    grid = CellGrid.over(board, 2.0)
    stack = even_stack(grid, copper_um=(35.0, 35.0, 35.0, 35.0))
    stack.vias[:] = 100.0
    unit = build_unit(board, grid, stack, np.random.default_rng(0), air=(40.0, 30.0), convection_power=0.0)
    unit.net.emissivity[:] = 0.0
    weight = np.zeros((grid.rows, grid.columns))
    weight[grid.rows // 2, grid.columns // 2] = 1.0
    source = 0.5 * unit.cell_source(weight, 1)
    keep = unit.cell_node[0][grid.rows // 2, grid.columns // 2 + np.array([3, 5])]
    film = run(unit.net, lambda _: source, 21.0, keep=keep)
    kt, heat = 0.85 * 1.6e-3 + 395.0 * 140e-6, 2.05e6 * 1.6e-3 + 3.44e6 * 140e-6
    for time_s in (5.0, 20.0):
        for k, r in enumerate(np.array([3, 5]) * grid.cell_mm * 1e-3):
            u, b = r**2 * heat / (4 * kt * time_s), r / np.sqrt(kt / 70.0)
            well = quad(lambda y, b=b: np.exp(-y - b * b / (4 * y)) / y, u, np.inf)[0]
            exact = 0.5 / (4 * np.pi * kt) * well
            assert film.at(time_s)[k] - 20.0 == pytest.approx(exact, rel=0.02)


def test_run_ends_at_the_steady_state():
    net = single_node(0.05, 1e-3, 4.0, power=0.25)
    steady = steady_heat(net, np.array([0.1]), ambient_c=20.0)
    assert steady[0] - 20.0 == pytest.approx((0.1 / 4e-3) ** 0.8, rel=1e-5)


def test_energy_is_balanced_on_a_board_with_parts():
    parts = (
        Part("U1", "chip", 15, 12, 7, 7, height_mm=1.2),
        Part("C1", "capacitor", 25, 20, 1.6, 0.8, height_mm=0.8),
        Part("HS1", "heatsink", 15, 12, 10, 10, height_mm=8.0),
    )
    outline = np.array([[0, 0], [40, 0], [40, 30], [0, 30]], float)
    board = Board("even", outline, 1.6, parts=parts)
    grid = CellGrid.over(board, 1.0)
    unit = build_unit(board, grid, even_stack(grid), np.random.default_rng(1))
    column = np.zeros(len(unit.net.capacity))
    column[unit.heat_node["U1"]], column[unit.heat_node["C1"]] = 1.5, 0.3
    film = run(unit.net, lambda t: column * (t < 12.0), 20.0, switches=(0.0, 12.0))
    made, stored, lost = film.energy_j[-1]
    assert made == pytest.approx(1.8 * 12.0, rel=1e-6)
    assert stored + lost == pytest.approx(made, rel=0.005)
    assert lost > 0.05 * made


def test_steps_end_at_every_switch():
    steps = step_lengths(5.0, np.array([0.0, 1.24, 3.0]))
    starts = np.array([s for s, _ in steps])
    assert starts[0] == 0.0
    assert np.abs(starts - 1.24).min() < 1e-6
    assert np.abs(starts - 3.0).min() < 1e-6
    assert starts[-1] + steps[-1][1] == pytest.approx(5.0)
    assert len({round(length, 6) for _, length in steps}) <= 3
