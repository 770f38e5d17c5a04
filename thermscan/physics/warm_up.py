"""Where a warm-up is heading: final rise and time constants from its first seconds, or why they cannot be told."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import optimize

from thermscan.model.quantity import Measured
from thermscan.model.settings import WarmUpSettings

DEFAULTS = WarmUpSettings()
MISFIT = 4.0  # mean square of the residuals over their errors from which a course is no warm-up: twice the errors
BENT = 2.0  # time constants after which the slope has fallen to a seventh: the bend is seen; judgement
OPEN_END = 0.02  # share of the posterior at the longest constants from which the end of a curve is not seen


@dataclass(frozen=True)
class OneExponential:
    """Least squares fit of ``final (1 - exp(-rate t))``: values, standard errors and residual standard deviation."""

    final_k: float
    rate_per_s: float
    final_error_k: float
    rate_error_per_s: float
    residual_k: float


def fit_one_exponential(times_s: np.ndarray, rise_k: np.ndarray) -> OneExponential:
    """Fit one exponential warm-up by unweighted least squares.

    The final rise is linear and eliminated, the rate is searched on a logarithmic ladder and polished; standard
    errors are the usual linear ones.
    """
    t, y = np.asarray(times_s, float), np.asarray(rise_k, float)

    def residual(log_rate: float) -> float:
        shape = -np.expm1(-np.exp(log_rate) * t)
        return float(((y - shape * (shape @ y) / (shape @ shape)) ** 2).sum())

    ladder = np.linspace(np.log(1e-4 / t.max()), np.log(50 / t.max()), 200)
    at = int(np.argmin([residual(v) for v in ladder]))
    low, high = ladder[max(0, at - 1)], ladder[min(len(ladder) - 1, at + 1)]
    best = optimize.minimize_scalar(residual, bounds=(low, high), method="bounded", options={"xatol": 1e-12})
    rate = float(np.exp(best.x))
    shape = -np.expm1(-rate * t)
    start = np.array([(shape @ y) / (shape @ shape), rate])
    scale = np.abs(start)
    fit = optimize.least_squares(
        lambda p: p[0] * scale[0] * -np.expm1(-p[1] * scale[1] * t) - y,
        start / scale, xtol=1e-15, ftol=1e-15, gtol=1e-15, method="lm",
    )  # fmt: skip
    values = fit.x * scale
    degrees = max(1, len(t) - 2)
    spread = float(np.sqrt((fit.fun**2).sum() / degrees))
    covariance = np.linalg.pinv(fit.jac.T @ fit.jac) * spread**2
    errors = np.sqrt(np.diag(covariance)) * scale
    return OneExponential(float(values[0]), float(values[1]), float(errors[0]), float(errors[1]), spread)


@dataclass(frozen=True)
class WarmUp:
    """Extrapolation of a warm-up.

    Attributes
    ----------
    final_k : Measured or None
        Rise in balance; None where it cannot be told, then ``why`` says why.
    time_constant_s : Measured or None
        Of the slower part of the curve.
    fast_s : Measured or None
        Of the faster part, where two are needed.
    at_least_k : float
        The final rise is at least this (97.5 %).
    limit_s : Measured or None
        Seconds since power-on at which the limit asked for is reached.
    why : dict of key to sentence
    """

    final_k: Measured | None
    time_constant_s: Measured | None
    fast_s: Measured | None
    at_least_k: float | None
    limit_s: Measured | None
    why: dict[str, str]


@dataclass(frozen=True)
class _Lattice:
    """Posterior over pairs of time constants: weights, amplitudes, and the final rise with its error at each."""

    fast_s: np.ndarray
    slow_s: np.ndarray
    amplitudes: np.ndarray
    final_error: np.ndarray
    weight: np.ndarray
    pays_two: bool


def extrapolate(
    times_s: np.ndarray,
    rise_k: np.ndarray,
    error_k: np.ndarray | float,
    *,
    limit_k: float | None = None,
    board_s: float | None = None,
    settings: WarmUpSettings = DEFAULTS,
) -> WarmUp:
    """Extrapolate a warm-up to balance.

    Parameters
    ----------
    times_s : ndarray of shape (samples,), s
        Since power-on; samples at or before zero are ignored.
    rise_k : ndarray of shape (samples,), K
    error_k : ndarray or float, K
        Standard error of each sample, independent.
    limit_k : float, optional
        Rise for which the time is asked.
    board_s : float, optional
        Time constant of the board that the body sits on: a share of the warm-up as slow as that may hide behind the
        faster ones, as far as a straight line beside them is not ruled out.
    settings : WarmUpSettings

    Returns
    -------
    WarmUp

    Notes
    -----
    Sum of two warm-ups with non-negative finals; both time constants have flat priors in their logarithm, from the
    sampling step to ``longest_ratio`` times the seconds seen, and are integrated out on a lattice. An error share of
    ``shape_error`` stands for curves that are not exponentials. Refused where the interval of the final rise is wider
    than ``widest`` times the rise, or where the longest constants thought of are not ruled out. Not valid where power
    changes while on.
    """
    t, y, e = _clean(times_s, rise_k, error_k)
    if len(t) < settings.fewest_samples:
        return _refused(f"{len(t)} samples with power on; {int(settings.fewest_samples)} are needed")
    if abs(y[-max(1, len(y) // 5) :].mean()) < 4 * np.median(e) / np.sqrt(max(1, len(y) // 5)):
        return _refused("no rise above the noise")
    e = np.hypot(e, settings.shape_error * np.abs(y))
    lattice = _weigh(t, y, e, settings)
    low, middle, high = _final(lattice)
    slow = _quantiles(lattice.slow_s, lattice.weight)
    fast = _quantiles(lattice.fast_s, lattice.weight) if lattice.pays_two else None
    is_told = _is_told(lattice, (low, middle, high), float(t[-1]), settings)
    if board_s is not None:
        hidden = _hidden_rise(t, y, e, lattice, board_s)
        low, high = low + min(hidden, 0.0), high + max(hidden, 0.0)
    if not _is_told(lattice, (low, middle, high), float(t[-1]), settings):
        noise = 1.96 * float(np.median(np.sqrt(np.maximum(e**2 - (settings.shape_error * y) ** 2, 0.0))))
        why = _why_not((t, y, e), lattice, noise, board_s=board_s if is_told else None)
        return WarmUp(None, None, None, float(min(low, high)), None, {"final_k": why, "time_constant_s": why})
    limit, reason = _time_to(limit_k, lattice)
    if limit is None and limit_k is not None and abs(limit_k) < abs(high):
        reason = "the limit may be reached later than these seconds can tell"
    why = {"limit_s": reason} if reason else {}
    return WarmUp(
        Measured(middle, low, high),
        Measured(slow[1], slow[0], slow[2]),
        Measured(fast[1], fast[0], fast[2]) if fast else None,
        low,
        limit,
        why,
    )


def _is_told(lattice: _Lattice, final_k: tuple[float, float, float], seen_s: float, settings: WarmUpSettings) -> bool:
    """Tell whether the final rise is known well enough: its interval, and an end that not the prior alone sets."""
    low, middle, high = final_k
    longest = settings.longest_ratio * seen_s
    is_open = float(lattice.weight[lattice.slow_s >= 0.5 * longest].sum()) > OPEN_END
    return not is_open and high - low <= settings.widest * abs(middle)


def _why_not(
    seen: tuple[np.ndarray, np.ndarray, np.ndarray],
    lattice: _Lattice,
    noise_k: float,
    *,
    board_s: float | None,
) -> str:
    """Say why a final rise cannot be told: another course, a slow share of the board, noise, or too few seconds.

    ``seen`` are times, rise and errors; ``noise_k`` is the noise of a sample with 95 %. ``board_s`` is given where only
    the slow share of the board stands against it. Noise is the reason where the simplest curve that fits has bent.
    """
    t, y, e = seen
    whole = f"{t[-1]:.3g} s"
    if board_s is not None:
        slow = f"{whole} are too few to rule out that the board beneath goes on warming slowly"
        return f"{slow}; film {_rounded(board_s)} s or more"
    curve, constant_s = _simplest(t, y, lattice)
    if float(np.mean(((y - curve) / e) ** 2)) > MISFIT:
        return (
            f"the course over {whole} is no warm-up at one power: that changed, or its start is not known well enough"
        )
    if t[-1] >= BENT * constant_s:
        rise = float(np.abs(curve[-1]))
        return (
            f"noise of ± {noise_k:.2g} K beside a rise of {rise:.2g} K in {whole} leaves open what is still to come;"
            " film closer, or longer"
        )
    need = max(2 * float(t[-1]), float(_quantiles(lattice.slow_s, lattice.weight)[1]))
    return f"{whole} are too few to see where the curve bends; film {_rounded(need)} s or more"


def _simplest(t: np.ndarray, y: np.ndarray, lattice: _Lattice) -> tuple[np.ndarray, float]:
    """Return the simplest curve that fits, ndarray (samples,), and its slowest time constant: one, or two that pay."""
    if not lattice.pays_two:
        one = fit_one_exponential(t, y)
        return -one.final_k * np.expm1(-one.rate_per_s * t), 1 / one.rate_per_s
    best = int(np.argmax(lattice.weight))
    (a, b), fast, slow = lattice.amplitudes[:, best], lattice.fast_s[best], lattice.slow_s[best]
    return -a * np.expm1(-t / fast) - b * np.expm1(-t / slow), float(slow)


def _rounded(value: float) -> str:
    """Return a number with two digits that count, without a power of ten."""
    return f"{float(f'{value:.2g}'):g}"


def _final(lattice: _Lattice) -> tuple[float, float, float]:
    """Return the 2.5, 50 and 97.5 % points of the final rise."""
    return _mixture(lattice.amplitudes.sum(axis=0), lattice.final_error, lattice.weight)


def _clean(times_s: np.ndarray, rise_k: np.ndarray, error_k: np.ndarray | float) -> tuple[np.ndarray, ...]:
    """Return times, values and errors of the finite samples with power on."""
    t, y = np.asarray(times_s, float), np.asarray(rise_k, float)
    e = np.broadcast_to(np.asarray(error_k, float), y.shape)
    use = np.isfinite(t) & np.isfinite(y) & np.isfinite(e) & (t > 0) & (e > 0)
    return t[use], y[use], e[use]


def _refused(why: str) -> WarmUp:
    return WarmUp(None, None, None, None, None, {"final_k": why, "time_constant_s": why})


def _weigh(t: np.ndarray, y: np.ndarray, e: np.ndarray, settings: WarmUpSettings) -> _Lattice:
    """Weigh pairs of time constants, first on the whole range, then twice on the part that carries weight."""
    shortest = max(float(np.min(np.diff(t))) / 2, t[-1] * 2e-3)
    longest = settings.longest_ratio * t[-1]
    fast = slow = np.geomspace(shortest, longest, int(settings.rungs))
    lattice = _weigh_pairs(t, y, e, fast, slow)
    for _ in range(2):
        fast, slow = (_closer(v, lattice.weight, shortest, longest) for v in (lattice.fast_s, lattice.slow_s))
        lattice = _weigh_pairs(t, y, e, fast, slow)
    return lattice


def _closer(values: np.ndarray, weight: np.ndarray, shortest: float, longest: float) -> np.ndarray:
    """Return a finer ladder over the rungs that carry weight, one rung wider at both ends."""
    rungs = np.unique(values)
    mass = np.bincount(np.searchsorted(rungs, values), weights=weight, minlength=len(rungs))
    held = np.flatnonzero(mass > 1e-5 * mass.max())
    low, high = rungs[max(0, held[0] - 1)], rungs[min(len(rungs) - 1, held[-1] + 1)]
    return np.geomspace(max(low, shortest), min(high, longest), len(rungs))


def _weigh_pairs(t: np.ndarray, y: np.ndarray, e: np.ndarray, fast: np.ndarray, slow: np.ndarray) -> _Lattice:
    """Solve for the two amplitudes at each pair of time constants; the first amplitude zero is one constant alone."""
    quick, late = (-np.expm1(-t[None, :] / ladder[:, None]) / e for ladder in (fast, slow))
    sign = 1.0 if y[-1] >= 0 else -1.0
    target = sign * y / e
    rows, columns = (v.ravel() for v in np.meshgrid(np.arange(len(fast)), np.arange(len(slow)), indexing="ij"))
    a = np.einsum("ij,ij->i", quick, quick)[rows]
    d = np.einsum("ij,ij->i", late, late)[columns]
    c, p, q = (quick @ late.T).ravel(), (quick @ target)[rows], (late @ target)[columns]
    det = np.maximum(a * d - c**2, 1e-9 * a * d)
    first, second = (d * p - c * q) / det, (a * q - c * p) / det
    two = (fast[rows] < 0.8 * slow[columns]) & (first > 0) & (second > 0)
    alone = np.maximum(q, 0) / d
    first, second = np.where(two, first, 0.0), np.where(two, second, alone)
    chi2 = target @ target - first * p - second * q
    error = np.sqrt(np.where(two, (a + d - 2 * c) / det, 1 / d))
    score = -0.5 * (chi2 - chi2.min())
    weight = np.exp(score - score.max())
    weight /= weight.sum()
    amplitudes = sign * np.stack([first, second])
    pays = bool(0.5 * (chi2[~two].min(initial=np.inf) - chi2.min()) > np.log(len(t)))
    return _Lattice(fast[rows], slow[columns], amplitudes, error, weight, pays)


def _quantiles(values: np.ndarray, weight: np.ndarray) -> tuple[float, float, float]:
    """Return the 2.5, 50 and 97.5 % points of weighted values."""
    order = np.argsort(values, kind="stable")
    total = np.cumsum(weight[order])
    at = np.minimum(np.searchsorted(total, [0.025 * total[-1], 0.5 * total[-1], 0.975 * total[-1]]), len(values) - 1)
    low, middle, high = values[order][at]
    return float(low), float(middle), float(high)


def _mixture(mean: np.ndarray, error: np.ndarray, weight: np.ndarray) -> tuple[float, float, float]:
    """Return the 2.5, 50 and 97.5 % points of a mixture of normals."""
    from scipy.special import ndtri

    keep = weight > 1e-5 * weight.max()
    z = ndtri((np.arange(21) + 0.5) / 21)
    values = (mean[keep, None] + error[keep, None] * z).ravel()
    return _quantiles(values, np.repeat(weight[keep], len(z)))


def _hidden_rise(t: np.ndarray, y: np.ndarray, e: np.ndarray, lattice: _Lattice, board_s: float) -> float:
    """Return the further rise in balance that a slow share of the warm-up may hold (97.5 %), 0 where none is left.

    Beside the best two exponentials, both free to change their constants a little, a straight line is fitted: the
    first seconds of the slow share. Its steepest slope that is not ruled out goes on for the board's time constant.
    """
    best = int(np.argmax(lattice.weight))
    sign = 1.0 if y[-1] >= 0 else -1.0
    columns = [t]
    for constant in {float(lattice.fast_s[best]), float(lattice.slow_s[best])}:
        if constant > board_s:
            return 0.0
        columns += [-np.expm1(-t / constant), t / constant * np.exp(-t / constant)]
    design = np.stack(columns, axis=1) / e[:, None]
    scale = np.linalg.norm(design, axis=0)
    covariance = np.linalg.pinv((design / scale).T @ (design / scale), rcond=1e-12)
    slope = float((covariance @ ((design / scale).T @ (sign * y / e)))[0] / scale[0])
    error = float(np.sqrt(covariance[0, 0]) / scale[0])
    return float(sign * max(0.0, slope + 1.96 * error) * max(0.0, board_s - t[-1]))


def _time_to(limit_k: float | None, lattice: _Lattice) -> tuple[Measured | None, str]:
    """Return when the limit is reached, or why that cannot be said."""
    if limit_k is None:
        return None, ""
    keep = lattice.weight > 1e-4 * lattice.weight.max()
    reached, weight = [], []
    for fast, slow, (a, b), w in zip(
        lattice.fast_s[keep], lattice.slow_s[keep], lattice.amplitudes[:, keep].T, lattice.weight[keep], strict=True
    ):
        if abs(a + b) <= abs(limit_k):
            reached.append(np.inf)
        else:
            reached.append(_crossing(limit_k, a, b, fast, slow))
        weight.append(w)
    low, middle, high = _quantiles(np.array(reached), np.array(weight))
    if not np.isfinite(middle):
        return None, "the limit is more likely not reached at all"
    if not np.isfinite(high):
        return None, f"the limit may not be reached; if it is, not before {low:.3g} s"
    return Measured(middle, low, high), ""


def _crossing(limit: float, a: float, b: float, fast: float, slow: float) -> float:
    """Return when two warm-ups together pass the limit."""

    def over(t: float) -> float:
        return abs(-a * np.expm1(-t / fast) - b * np.expm1(-t / slow)) - abs(limit)

    end = slow
    while over(end) < 0 and end < 1e7:
        end *= 2
    return float(optimize.brentq(over, 0, end)) if over(end) > 0 else np.inf
