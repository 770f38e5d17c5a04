"""Densities and sums of the likelihood against dense reference computations."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import logsumexp
from scipy.stats import multivariate_t

from thermscan.explain.likelihood import log_mean, log_t, solve_shared, weigh_columns
from thermscan.explain.pattern import lag, plate_kernel, source_patterns
from thermscan.explain.scene import Scene
from thermscan.explain.suspect import look_at
from thermscan.model.evidence import Priors
from thermscan.model.settings import ExplainSettings
from thermscan.physics.plate import Layers
from thermscan.physics.plate_response import PlateResponse, Rectangle, blurred_cosines, body_coefficients


def test_log_t_equals_scipys_multivariate_t():
    random = np.random.default_rng(5)
    residual = random.normal(0, 2, (3, 4))
    noise2 = random.uniform(0.1, 1.0, (3, 4))
    common = random.uniform(0.1, 1.0, (3, 4))
    model = random.uniform(0.1, 1.0, (3, 4))
    for extra in (None, model):
        ours = log_t(residual, noise2, common, extra, 4.0)
        for i in range(3):
            shape = np.diag(noise2[i]) + np.outer(common[i], common[i])
            shape += 0.0 if extra is None else np.outer(model[i], model[i])
            assert ours[i] == pytest.approx(multivariate_t(np.zeros(4), shape, df=4.0).logpdf(residual[i]), abs=1e-9)


def test_ridge_equals_dense_least_squares():
    random = np.random.default_rng(6)
    places, stages, n = 5, 3, 2
    noise2, common = random.uniform(0.1, 1.0, (places, stages)), random.uniform(0.1, 1.0, (places, stages))
    columns = random.normal(0, 1, (places * stages, n))
    dense = np.zeros((places * stages, places * stages))
    for i in range(places):
        block = slice(i * stages, (i + 1) * stages)
        dense[block, block] = np.linalg.inv(np.diag(noise2[i]) + np.outer(common[i], common[i]))
    weighted = weigh_columns(columns, noise2, common, np.ones(places))
    assert np.allclose(weighted, dense @ columns, atol=1e-10)
    wide = np.full(n, 1e9)
    shared = solve_shared(columns, weighted, (-wide, wide))
    y = random.normal(0, 1, places * stages)
    expected = np.linalg.solve(np.eye(n) + columns.T @ dense @ columns, columns.T @ dense @ y)
    assert np.allclose(shared.amounts(y), expected, atol=1e-10)


@pytest.mark.parametrize(("distance", "size", "time"), [(0.5, 1.0, 2.0), (4.0, 1.0, 5.0), (8.0, 2.0, 10.0)])
def test_plate_kernel_is_the_summed_instantaneous_source(distance, size, time):
    # Carslaw and Jaeger, Conduction of Heat in Solids, 2nd ed., section 10.3: instantaneous source in a plane,
    # here of Gaussian width, summed over the time since switching on
    a = 3.0
    expected, _ = quad(
        lambda t: 4 * a / (2 * size**2 + 4 * a * t) * np.exp(-(distance**2) / (2 * size**2 + 4 * a * t)), 0, time
    )
    ours = plate_kernel(np.array([distance]), np.array([size]), np.array([time]), a)[0, 0]
    assert ours == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize(("x", "y"), [(30.0, 20.0), (30.0, 4.0), (4.0, 5.0), (56.0, 37.0)])
def test_patterns_in_a_rectangle_are_those_of_its_cosine_series(x, y):
    """Heat piles up at an edge and more so in a corner; the cosine series of the insulated plate says how much."""
    a, radius, times = 12.0, 1.5, np.array([1.0, 4.0, 9.0])
    layers = Layers(np.array([a]), np.array([1.0]), np.zeros(0), np.zeros(1))
    box = Rectangle.for_box((0.0, 0.0, 60.0, 40.0), 0.5)
    response = PlateResponse.of(layers, box, np.r_[0.0, times])
    at_x, at_y = np.array([x, 2.0, 30.0, 58.0, 45.0]), np.array([y, 2.0, 20.0, 38.0, 8.0])
    body = body_coefficients(box, np.array([[x, y]]), radius)
    wanted = np.array([
        response.over_cells(body, blurred_cosines(box, at_x[i : i + 1], at_y[i : i + 1], radius))[1:, 0, 0]
        for i in range(len(at_x))
    ])  # fmt: skip
    n = len(at_x)
    scene = Scene(
        (None,) * n, ("board",) * n, at_x, at_y, np.full(n, radius), np.zeros((n, 3)), np.zeros((n, 3)),
        np.ones((n, 3)), np.ones((n, 3)), times, np.ones(n, bool), box_mm=(0.0, 0.0, 60.0, 40.0),
    )  # fmt: skip
    ours = source_patterns(scene, x, y, radius, diffusivities=(a,))[0]
    np.testing.assert_allclose(ours, wanted / wanted[0, -1], atol=0.012)
    alone = source_patterns(replace(scene, box_mm=None), x, y, radius, diffusivities=(a,))[0]
    near = min(x, y, 60 - x, 40 - y) < 10
    assert (np.abs(alone - wanted / wanted[0, -1]).max() > 0.05) == near


def test_lag_ends_at_one():
    course = lag(np.array([1.0, 2.0, 5.0]), 3.0)
    assert course[-1] == 1.0
    assert np.all(np.diff(course) > 0)


@pytest.mark.parametrize("gap", [0.0, 50.0, 2000.0])
def test_log_mean_is_scipys_also_where_what_counts_vanishes_beside_what_does_not(gap):
    logs = np.array([-3.0, -4.0, gap, 2.0 + gap])
    weights = np.array([0.25, 0.75, 0.0, 0.0])
    assert log_mean(logs, weights) == pytest.approx(logsumexp(logs[:2], b=weights[:2]))
    assert log_mean(logs) == pytest.approx(logsumexp(logs) - np.log(4))


@pytest.mark.parametrize("seed", [2, 3, 5, 6, 8])
def test_a_part_that_lost_its_heat_path_is_predicted_as_hot_as_it_is(made_case, seed):
    """Its surface keeps heat while the board beneath is as before: the fit tells how much."""
    case = made_case(seed, "heat_path")
    looked = look_at(case.evidence, case.board, priors=Priors(), settings=ExplainSettings())
    scene = looked.judge.scene
    look = looked.lineup.looks["surface", case.ref, 0.0]
    fits = looked.judge.log_fit(look)
    excess = scene.excess_k[scene.index(case.ref), -1]
    assert look.strengths[np.argmax(fits)] == pytest.approx(excess, rel=0.6)
    assert fits.max() > fits[0] + 0.5
    assert fits.max() > fits[-1] + 5.0
