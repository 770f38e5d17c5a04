"""Uncertainty of a computed number: the law of propagation and Monte Carlo, side by side.

Sources: JCGM 100:2008 (GUM), clause 5.1.2 and 5.2.2 for the law of propagation, annex G.4 for effective degrees of
freedom (Welch and Satterthwaite); JCGM 101:2008, clauses 6 and 7 for the propagation of distributions. Clause numbers
from memory; the worked examples of both guides are in the tests.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
from scipy import special, stats

from thermscan.model.budget import Budget, Quantity

NORMAL_95 = 1.959963984540054
# Half width of a distribution over its standard deviation.
HALF_WIDTH = {"rectangular": math.sqrt(3.0), "arcsine": math.sqrt(2.0)}


def sensitivities(
    function: Callable[..., np.ndarray], values: np.ndarray, steps: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Differentiate a function by each of its arguments, by central differences.

    Parameters
    ----------
    function : callable of n numbers
        Returns a number or an ndarray (outputs,).
    values, steps : ndarray of shape (n,)
        Place and half widths of the differences; a step of zero gives a derivative of zero.

    Returns
    -------
    ndarray of shape (outputs,), ndarray of shape (outputs, n)
        Value and derivatives.
    """
    values = np.asarray(values, float)
    centre = np.atleast_1d(np.asarray(function(*values), float))
    slopes = np.zeros((centre.size, values.size))
    for i, step in enumerate(steps):
        if step > 0:
            up, down = values.copy(), values.copy()
            up[i] += step
            down[i] -= step
            slopes[:, i] = np.atleast_1d(function(*up) - np.asarray(function(*down), float)) / (up[i] - down[i])
    return centre, slopes


def propagate_covariance(
    function: Callable[..., np.ndarray], values: np.ndarray, covariance: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Carry a covariance through a function with several outputs, first order (JCGM 100, annex H.2).

    Parameters
    ----------
    function : callable of n numbers returning ndarray (outputs,)
    values : ndarray of shape (n,)
    covariance : ndarray of shape (n, n)

    Returns
    -------
    ndarray of shape (outputs,), ndarray of shape (outputs, outputs)
    """
    spread = np.sqrt(np.diag(covariance))
    centre, slopes = sensitivities(function, values, 0.1 * spread)
    return centre, slopes @ covariance @ slopes.T


def propagate(
    function: Callable[..., float], inputs: Sequence[Quantity], *, correlation: np.ndarray | None = None
) -> Budget:
    """Combine the uncertainties of a function's inputs by the law of propagation.

    Parameters
    ----------
    function : callable
        Of as many numbers as there are inputs, in their order.
    inputs : sequence of Quantity
    correlation : ndarray of shape (n, n), optional
        Correlation coefficients; independent inputs where it is left out.

    Returns
    -------
    Budget
        Its coverage factor is Student's t for the effective degrees of freedom, 95 %.

    Notes
    -----
    Not valid when the function bends strongly within the uncertainties, or one input with a distribution far from
    normal dominates: compare with :func:`monte_carlo`.
    """
    values = np.array([q.value for q in inputs])
    spread = np.array([q.standard_uncertainty for q in inputs])
    centre, slopes = sensitivities(function, values, 0.1 * spread)
    parts = slopes[0] * spread
    together = np.eye(len(parts)) if correlation is None else np.asarray(correlation, float)
    combined = math.sqrt(max(float(parts @ together @ parts), 0.0))
    freedom = effective_freedom(parts, np.array([q.degrees_of_freedom for q in inputs]), combined)
    factor = NORMAL_95 if math.isinf(freedom) else float(stats.t.ppf(0.975, freedom))
    return Budget(float(centre[0]), combined, freedom, factor, tuple(slopes[0].tolist()), tuple(parts.tolist()))


def effective_freedom(contributions: np.ndarray, degrees_of_freedom: np.ndarray, combined: float) -> float:
    """Return the effective degrees of freedom by Welch and Satterthwaite (JCGM 100, G.4.1), ``math.inf`` if none.

    Parameters
    ----------
    contributions, degrees_of_freedom : ndarray of shape (n,)
    combined : float
        Combined standard uncertainty, in the unit of the contributions.
    """
    share = float(np.sum(np.asarray(contributions) ** 4 / degrees_of_freedom))
    return combined**4 / share if share > 0 else math.inf


def draw(quantity: Quantity, uniform: np.ndarray) -> np.ndarray:
    """Turn uniform numbers between 0 and 1 into draws of an input, ndarray of the same shape."""
    if quantity.shape == "rectangular":
        unit = HALF_WIDTH["rectangular"] * (2 * uniform - 1)
    elif quantity.shape == "arcsine":
        unit = HALF_WIDTH["arcsine"] * np.sin(np.pi * (uniform - 0.5))
    elif math.isinf(quantity.degrees_of_freedom):
        unit = special.ndtri(uniform)
    else:
        unit = special.stdtrit(quantity.degrees_of_freedom, uniform)
    return quantity.value + quantity.standard_uncertainty * unit


def monte_carlo(
    function: Callable[..., np.ndarray],
    inputs: Sequence[Quantity],
    *,
    random: np.random.Generator,
    draws: int = 20000,
    correlation: np.ndarray | None = None,
) -> tuple[float, float, float, float]:
    """Propagate the inputs' distributions through a function.

    Parameters
    ----------
    function : callable
        Works on ndarrays (draws,), one an input.
    inputs : sequence of Quantity
    random : numpy.random.Generator
    draws : int
    correlation : ndarray of shape (n, n), optional
        Of the normal scores behind the inputs (a Gaussian copula); exact for normal inputs.

    Returns
    -------
    tuple of float
        Mean, standard uncertainty, and the ends of the probabilistically symmetric 95 % interval. With M draws the
        ends are good to about 4/sqrt(M) standard uncertainties. Draws for which the function has no value (NaN)
        are left out.
    """
    scores = random.standard_normal((len(inputs), draws))
    if correlation is not None:
        scores = np.linalg.cholesky(np.asarray(correlation, float) + 1e-12 * np.eye(len(inputs))) @ scores
    tiny = np.finfo(float).eps
    uniform = np.clip(special.ndtr(scores), tiny, 1 - tiny)
    result = np.asarray(function(*(draw(q, u) for q, u in zip(inputs, uniform, strict=True))), float)
    known = result[np.isfinite(result)]
    low, high = np.quantile(known, [0.025, 0.975])
    return float(known.mean()), float(known.std(ddof=1)), float(low), float(high)
