"""The plate beside finite elements of an independent library (scikit-fem; Gustafsson, McBain, JOSS 5 (2020))."""

import numpy as np
import pytest
from scipy.sparse.linalg import splu
from skfem import Basis, BilinearForm, ElementQuad2, LinearForm, MeshQuad
from skfem.helpers import dot, grad

from thermscan.physics.plate import Layers
from thermscan.physics.plate_response import PlateResponse, Rectangle, blurred_cosines, body_coefficients

WIDTH, HEIGHT, SPREAD = 40.0, 30.0, 1.5
KT, HEAT, LOSS = 0.03, 3.2e-3, 20e-6
AT = np.array([14.0, 11.0])
SEEN = np.array([[14.0, 11.0], [18.0, 11.0], [24.0, 16.0]])
TIMES = [2.0, 6.0, 12.0]


def by_elements(step_s=0.1):
    """One watt over a Gaussian spot of a thin plate with losses: quadratic elements, Crank-Nicolson steps."""
    mesh = MeshQuad.init_tensor(np.linspace(0, WIDTH, 41), np.linspace(0, HEIGHT, 31))
    basis = Basis(mesh, ElementQuad2(), intorder=6)
    conduct = BilinearForm(lambda u, v, _: KT * dot(grad(u), grad(v)) + LOSS * u * v).assemble(basis)
    store = BilinearForm(lambda u, v, _: HEAT * u * v).assemble(basis)

    def spot(v, w):
        away = (w.x[0] - AT[0]) ** 2 + (w.x[1] - AT[1]) ** 2
        return np.exp(-away / (2 * SPREAD**2)) / (2 * np.pi * SPREAD**2) * v

    made = LinearForm(spot).assemble(basis)
    factor = splu((store / step_s + conduct / 2).tocsc())
    rise, out = np.zeros(basis.N), []
    probe = basis.probes(SEEN.T)
    for k in range(1, round(TIMES[-1] / step_s) + 1):
        rise = factor.solve((store / step_s - conduct / 2) @ rise + made)
        if round(k * step_s, 6) in TIMES:
            out.append((probe @ rise, float((store @ rise).sum())))
    return out


def test_series_and_finite_elements_agree():
    layers = Layers(np.array([KT]), np.array([HEAT]), np.zeros(0), np.array([LOSS]))
    rectangle = Rectangle.for_box((0, 0, WIDTH, HEIGHT), 0.8)
    response = PlateResponse.of(layers, rectangle, np.array([0.0, *TIMES]))
    body = body_coefficients(rectangle, AT[None], SPREAD)
    for i, (seen, stored) in enumerate(by_elements(), start=1):
        series = [
            response.over_cells(body, blurred_cosines(rectangle, np.array([x]), np.array([y]), 0.0))[i, 0, 0]
            for x, y in SEEN
        ]
        assert series == pytest.approx(seen, rel=0.005, abs=0.02)
        # energy balance to 0.5 %: stored heat of a lumped plate, since losses are even
        lump = HEAT / LOSS * -np.expm1(-LOSS / HEAT * TIMES[i - 1])
        assert stored == pytest.approx(lump, rel=0.005)
