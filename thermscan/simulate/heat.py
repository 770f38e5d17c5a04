"""Transient heat in a layered board with parts: finite volumes, two-stage implicit steps, factors reused.

The board is a stack of layers over square cells. Each layer of each cell is one volume with its own in-plane
conductance (uneven copper included) and capacity; parts are one or two further volumes each. Both faces and the
parts lose heat by natural convection (McAdams' one-quarter power of the temperature difference) and radiation, so
the loss grows with temperature. Time: the L-stable two-stage SDIRK method of second order (Alexander 1977), one
sparse factor per step length; what the loss departs from its linear part is carried explicitly from the last step.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from scipy import sparse
from scipy.sparse import linalg

from thermscan.simulate.material import STEFAN_BOLTZMANN

GAMMA = 1.0 - 1.0 / np.sqrt(2.0)
# After each switching the step grows through these lengths; a few, because each costs a factorisation. Against steps
# of 5 ms this ladder is off by 0.03 K at most where the hottest place rises by 55 K.
STEP_LADDER_S = ((0.02, 4), (0.1, 10), (0.3, 10**9))


@dataclass(frozen=True)
class HeatNet:
    """Volumes and what joins them: the board of one unit, ready to be run.

    Attributes
    ----------
    capacity : ndarray of shape (nodes,), J/K
    link : scipy sparse array of shape (nodes, nodes), W/K
        Conductance Laplacian: symmetric, rows add to zero.
    area : ndarray of shape (nodes,), m2
        Surface that meets the air.
    convection : ndarray of shape (nodes,), W m-2 K^-(1 + power)
    emissivity : ndarray of shape (nodes,)
        Total, for the loss.
    power : float
        Exponent of the temperature difference in the convection coefficient; 0 for a constant one.
    """

    capacity: np.ndarray
    link: sparse.csc_array
    area: np.ndarray
    convection: np.ndarray
    emissivity: np.ndarray
    power: float = 0.25

    def loss_w(self, celsius: np.ndarray, ambient_c: float) -> np.ndarray:
        """Return the heat that each node gives to the surroundings, ndarray (nodes,), W."""
        over = celsius - ambient_c
        flux = self.convection * np.abs(over) ** self.power * over
        ambient_k = ambient_c + 273.15
        flux += self.emissivity * STEFAN_BOLTZMANN * ((celsius + 273.15) ** 4 - ambient_k**4)
        return self.area * flux

    def linear_loss_w_k(self, ambient_c: float, over_k: float) -> np.ndarray:
        """Return the loss conductance at a typical temperature difference ``over_k``, ndarray (nodes,), W/K."""
        radiation = 4.0 * STEFAN_BOLTZMANN * (ambient_c + 273.15 + over_k / 2) ** 3
        return self.area * (self.convection * over_k**self.power + self.emissivity * radiation)


@dataclass
class _Stepper:
    """Factors of the implicit matrix, one a step length."""

    net: HeatNet
    linear: np.ndarray
    factors: dict[float, linalg.SuperLU] = field(default_factory=dict)

    def factor(self, step_s: float) -> linalg.SuperLU:
        if step_s not in self.factors:
            diagonal = self.net.capacity / (GAMMA * step_s) + self.linear
            matrix = (self.net.link + sparse.diags_array(diagonal)).tocsc()
            self.factors[step_s] = linalg.splu(
                matrix, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True}
            )
        return self.factors[step_s]

    def flow(self, celsius: np.ndarray, source_w: np.ndarray, ambient_c: float) -> np.ndarray:
        """Return dT/dt of each node, K/s, from the full loss."""
        return (source_w - self.net.link @ celsius - self.net.loss_w(celsius, ambient_c)) / self.net.capacity

    def advance(self, celsius: np.ndarray, step_s: float, source_w: np.ndarray, ambient_c: float) -> np.ndarray:
        """Return temperatures one step later; the source is constant over the step."""
        factor, capacity = self.factor(step_s), self.net.capacity

        def stage(base: np.ndarray, near: np.ndarray) -> np.ndarray:
            bent = self.linear * near - self.net.loss_w(near, ambient_c)
            return factor.solve(capacity / (GAMMA * step_s) * base + source_w + bent)

        first = stage(celsius, celsius)
        # slope of the first stage, carried into the second
        base = celsius + (1.0 - GAMMA) / GAMMA * (first - celsius)
        return stage(base, first)


@dataclass(frozen=True)
class HeatFilm:
    """Temperatures of the kept nodes at the steps, and their slopes: cubic in between.

    Attributes
    ----------
    times_s : ndarray of shape (steps,), s, increasing
    celsius : ndarray of shape (steps, kept)
    slope : ndarray of shape (steps, 2, kept), K/s
        Just before and just after each step's time; the two differ where the power jumps.
    energy_j : ndarray of shape (steps, 3), J
        Made, stored and lost since the start.
    """

    times_s: np.ndarray
    celsius: np.ndarray
    slope: np.ndarray
    energy_j: np.ndarray

    def at(self, time_s: float) -> np.ndarray:
        """Return temperatures of the kept nodes at a time, ndarray (kept,), degrees Celsius."""
        i = int(np.clip(np.searchsorted(self.times_s, time_s) - 1, 0, len(self.times_s) - 2))
        step = self.times_s[i + 1] - self.times_s[i]
        u = float(np.clip((time_s - self.times_s[i]) / step, 0.0, 1.0))
        low, high = self.celsius[i], self.celsius[i + 1]
        rise = (u**3 - 2 * u**2 + u) * step * self.slope[i, 1] + (u**3 - u**2) * step * self.slope[i + 1, 0]
        return (2 * u**3 - 3 * u**2 + 1) * low + (3 * u**2 - 2 * u**3) * high + rise


def step_lengths(duration_s: float, switches_s: np.ndarray) -> list[tuple[float, float]]:
    """Divide a run into steps that are short after each switching.

    Parameters
    ----------
    duration_s : float
    switches_s : ndarray, s
        When sources jump; a step ends exactly there.

    Returns
    -------
    list of (start, length), s
    """
    stops = np.unique(np.concatenate([switches_s[(switches_s > 0) & (switches_s < duration_s)], [duration_s]]))
    steps: list[tuple[float, float]] = []
    now = 0.0
    for stop in stops:
        for size, count in (*STEP_LADDER_S, (0.1, 9), (0.02, 9)):
            for _ in range(count):
                if stop - now < size - 1e-9:
                    break
                steps.append((now, size))
                now += size
        if stop - now > 1e-6:  # only where a switch is off the grid of the shortest step
            steps.append((now, round(stop - now, 6)))
        now = float(stop)
    return steps


def steady_heat(net: HeatNet, source_w: np.ndarray, *, ambient_c: float) -> np.ndarray:
    """Return the temperatures at which losses equal sources.

    Parameters
    ----------
    net : HeatNet
    source_w : ndarray of shape (nodes,), W
    ambient_c : float

    Returns
    -------
    ndarray of shape (nodes,), degrees Celsius
        Power balance within 1e-6 of the sources.
    """
    celsius = np.full(len(net.capacity), ambient_c + 5.0)
    for _ in range(60):
        linear = net.linear_loss_w_k(ambient_c, float(np.maximum(celsius.mean() - ambient_c, 0.5)))
        rest = source_w - net.link @ celsius - net.loss_w(celsius, ambient_c)
        if abs(rest).sum() <= 1e-6 * abs(source_w).sum():
            break
        matrix = (net.link + sparse.diags_array(linear)).tocsc()
        celsius = celsius + linalg.splu(
            matrix, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True}
        ).solve(rest)
    return celsius


def run_heat(
    net: HeatNet,
    start_c: np.ndarray,
    source_w: Callable[[float], np.ndarray],
    *,
    duration_s: float,
    switches_s: np.ndarray,
    ambient_c: Callable[[float], float],
    keep: np.ndarray,
) -> HeatFilm:
    """Run the board through time.

    Parameters
    ----------
    net : HeatNet
    start_c : ndarray of shape (nodes,), degrees Celsius
    source_w : callable
        Seconds to ndarray (nodes,), W; asked in the middle of each step.
    duration_s : float
    switches_s : ndarray, s
        Times at which the sources jump.
    ambient_c : callable
        Seconds to degrees Celsius.
    keep : ndarray of int
        Nodes to remember.

    Returns
    -------
    HeatFilm

    Notes
    -----
    Second order in the step for smooth sources. Not valid with forced air: the convection is natural.
    """
    stepper = _Stepper(net, net.linear_loss_w_k(ambient_c(0.0), 10.0))
    celsius = np.array(start_c, float)
    times, kept, slopes, books = [0.0], [celsius[keep]], [], [np.zeros(3)]
    before = np.zeros(len(keep))
    start = celsius.copy()
    made = lost = 0.0
    for now, step in step_lengths(duration_s, switches_s):
        source, ambient = source_w(now + step / 2), ambient_c(now + step / 2)
        after = stepper.flow(celsius, source, ambient)[keep]
        slopes.append((before if times[-1] > 0 else after, after))
        loss_before = net.loss_w(celsius, ambient).sum()
        celsius = stepper.advance(celsius, step, source, ambient)
        before = stepper.flow(celsius, source, ambient)[keep]
        made += step * float(source.sum())
        lost += step * 0.5 * float(loss_before + net.loss_w(celsius, ambient).sum())
        times.append(now + step)
        kept.append(celsius[keep])
        books.append(np.array([made, float(net.capacity @ (celsius - start)), lost]))
    slopes.append((before, before))
    return HeatFilm(np.array(times), np.array(kept), np.array(slopes), np.array(books))
