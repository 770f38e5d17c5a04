"""How well a predicted pattern fits the scene: heavy-tailed, harmless differences taken out, strength left free."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from scipy.special import gammaln

from thermscan.explain.harmless import drifts, heat_of, starts_later, warm_surroundings
from thermscan.explain.pattern import OwnHeat
from thermscan.explain.scene import Scene, tail_of
from thermscan.model.settings import ExplainSettings


@dataclass(frozen=True)
class Body:
    """The part that a heated place belongs to: its surface may be far warmer than the board beneath it.

    Attributes
    ----------
    row : int
        Its place in the scene.
    steps : int
        Shares tried of the surface's rise that the board beneath has: 1, 1/q, 1/q^2 .. with q the ratio of
        neighbouring strengths; equally likely each. 0: none of it reaches the board, whose pattern stays as it is
        whatever the strength.
    courses : ndarray of shape (courses, stages)
        Warm-ups of the body over the board beneath, 1 at the last stage; equally likely each.
    """

    row: int
    steps: int
    courses: np.ndarray


@dataclass(frozen=True)
class Beside:
    """A change that may come along (a regulator that warms, a fuse that carries more).

    ``column`` is one standard deviation of it, K, ndarray (places, stages); ``low`` and ``high`` its bounds in
    standard deviations; ``may_be_absent`` where it is as likely not to happen at all. ``most_of_fault`` bounds its
    largest value in K by the strength of the fault that brings it along, infinite where it does not.
    """

    column: np.ndarray
    low: float
    high: float
    may_be_absent: bool = False
    most_of_fault: float = np.inf

    def most(self, strengths: np.ndarray) -> np.ndarray:
        """Return the largest amount at each strength, in standard deviations, ndarray of their shape."""
        if not np.isfinite(self.most_of_fault):
            return np.full(strengths.shape, self.high)
        return np.minimum(self.high, self.most_of_fault * strengths / max(float(np.abs(self.column).max()), 1e-9))


@dataclass(frozen=True)
class Look:
    """One way in which a fault may look.

    Attributes
    ----------
    pattern : ndarray of shape (places, stages)
        Excess for a strength of 1.
    strengths : ndarray of shape (steps,)
        Strengths to try. With a ``body``: rises of its surface, K, in a geometric series; ``pattern`` is then the
        board's, 1 beneath the body at the last stage.
    fixed : ndarray of shape (places, stages) or None
        Excess that comes along whatever the strength (parts gone dark), K.
    besides : tuple of Beside
        What may happen besides.
    body : Body or None
    error : float or None
        Error of the predicted change at a place, share of it; None: the setting ``pattern_error``.
    """

    pattern: np.ndarray
    strengths: np.ndarray
    fixed: np.ndarray | None = None
    besides: tuple[Beside, ...] = ()
    body: Body | None = None
    error: float | None = None


@dataclass(frozen=True)
class Shared:
    """Changes that many places make together, and how to find their likeliest amounts.

    Attributes
    ----------
    columns : ndarray of shape (places * stages, changes)
        One standard deviation of each.
    solve : ndarray of shape (changes, places * stages)
        Likeliest amounts of a residual (ridge regression with fixed robust weights).
    log_width : float
        Half the logarithm of the determinant: what the freedom costs.
    low, high : ndarray of shape (changes,)
        Ends of what each may be, in standard deviations: own heat and its harmless changes are bounded.
    """

    columns: np.ndarray
    solve: np.ndarray
    log_width: float
    low: np.ndarray
    high: np.ndarray

    def amounts(self, residual: np.ndarray) -> np.ndarray:
        """Return the likeliest amounts within their bounds, ndarray (..., changes), of residuals (..., n)."""
        return np.clip(residual @ self.solve.T, self.low, self.high)


@dataclass(frozen=True)
class Judge:
    """The scene prepared for judging.

    ``shared`` is what healthy boards do together (one part with more power warms its surroundings, all parts a
    little warmer); ``trust`` the robust weight of each place, ndarray (places,), 0 where it is not seen; ``power`` the
    exponent of its likelihood; ``noise2`` the variance that differs from stage to stage, K2, ndarray (places, stages);
    ``tail`` the degrees of freedom; ``own_rows`` the places of the parts whose power may differ harmlessly, the last of
    the shared changes; ``solved`` keeps what was worked out once, with the besides it belongs to. ``odd_share``,
    ndarray (places,), is how often a place differs anyhow on a healthy board too; None where good boards tell what is
    healthy.
    """

    scene: Scene
    shared: Shared
    trust: np.ndarray
    power: np.ndarray
    noise2: np.ndarray
    tail: float
    settings: ExplainSettings
    own_rows: tuple[int, ...] = ()
    odd_share: np.ndarray | None = None
    solved: dict[tuple[int, ...], tuple[tuple[Beside, ...], Shared]] = field(default_factory=dict, repr=False)

    def log_fit(self, look: Look) -> np.ndarray:
        """Return the log likelihood at each strength, ndarray (steps,).

        Changes that may as well be absent are tried both ways, equally likely: a wide freedom that the data do not
        call for would count against the fault otherwise.
        """
        sure = tuple(b for b in look.besides if not b.may_be_absent)
        ways = [self._fit(look, look.besides)]
        if len(sure) < len(look.besides):
            ways.append(self._fit(look, sure))
        return log_mean(np.stack(ways), axis=0)

    def _fit(self, look: Look, besides: tuple[Beside, ...]) -> np.ndarray:
        shared = self._with(besides)
        if look.body is None:
            fits, cost, _ = self._fit_places(look, look.strengths, shared, besides)
            return fits @ self.power - cost
        return self._fit_body(look, look.body, shared, besides)

    def _with(self, besides: tuple[Beside, ...]) -> Shared:
        """Return the shared changes with these besides; looks of parts on one net have the same ones."""
        if not besides:
            return self.shared
        key = tuple(id(b) for b in besides)
        if key not in self.solved:
            extra = np.stack([b.column.reshape(-1) for b in besides], axis=1)
            low, high = np.array([(b.low, b.high) for b in besides]).T
            columns = np.concatenate([self.shared.columns, extra], axis=1)
            bounds = np.concatenate([self.shared.low, low]), np.concatenate([self.shared.high, high])
            weighted = weigh_columns(columns, self.noise2, self.scene.spread_k, self.power * self._trust_with(besides))
            self.solved[key] = besides, solve_shared(columns, weighted, bounds)
        return self.solved[key][1]

    def _trust_with(self, besides: tuple[Beside, ...]) -> np.ndarray:
        """Return the trust where some changes may come along, ndarray (places,).

        A place that stands out from no fault was given little weight; where one of them may be why, it has its own.
        """
        scale = np.hypot(np.sqrt(self.noise2), self.scene.spread_k)
        reached = np.max([(np.abs(b.column) / scale).max(axis=1) for b in besides], axis=0) > 1.0
        return np.where(reached, self.scene.is_seen, self.trust)

    def _fit_places(
        self, look: Look, strengths: np.ndarray, shared: Shared, besides: tuple[Beside, ...]
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return log densities (steps, places); cost (steps,) and size (steps, places, stages) of shared changes."""
        mean = strengths[:, None, None] * look.pattern
        change = mean if look.fixed is None else mean + look.fixed
        flat = (self.scene.excess_k - change).reshape(len(strengths), -1)
        amounts = self._of_what_is_left(shared.amounts(flat), change, shared)
        base = self.shared.columns.shape[1]
        for j, beside in enumerate(besides, start=base):
            amounts[:, j] = np.minimum(amounts[:, j], beside.most(strengths))
        taken = (amounts @ shared.columns.T).reshape(change.shape)
        along = (amounts[:, base:] @ shared.columns[:, base:].T).reshape(change.shape)
        own = self._own_taken(amounts)
        fits = self._log_t(self.scene.excess_k - change - taken, np.hypot(mean, along), look, own=own)
        return fits, self._cost(amounts, shared), taken

    def _of_what_is_left(self, amounts: np.ndarray, change: np.ndarray, shared: Shared) -> np.ndarray:
        """Return the amounts, ndarray (steps, changes), those of parts that make less heat bounded by what is left.

        A part that is dark makes neither a little more nor a little less than usual: without this, what it should
        lose with its supply could be put down to a harmless difference.
        """
        out = amounts.copy()
        own = self.scene.own_k[:, -1]
        for j, row in enumerate(self.own_rows, start=self.shared.columns.shape[1] - len(self.own_rows)):
            left = np.clip(1.0 + change[:, row, -1] / max(own[row], 1e-9), 0.0, 1.0)
            out[:, j] = np.clip(out[:, j], shared.low[j] * left, shared.high[j] * left)
        return out

    def _cost(self, amounts: np.ndarray, shared: Shared) -> np.ndarray:
        return 0.5 * (amounts**2).sum(axis=-1) + shared.log_width

    def _own_taken(self, amounts: np.ndarray) -> np.ndarray:
        """Return what harmless power changes of the parts take at the parts themselves, last stage, (..., places)."""
        out = np.zeros((*amounts.shape[:-1], self.scene.places))
        first = self.shared.columns.shape[1] - len(self.own_rows)
        last = self.shared.columns.reshape(*self.scene.excess_k.shape, -1)[:, -1]
        for j, row in enumerate(self.own_rows, start=first):
            out[..., row] = amounts[..., j] * last[row, j]
        return out

    def _log_t(
        self,
        residual: np.ndarray,
        mean: np.ndarray,
        look: Look,
        row: int | None = None,
        *,
        own: np.ndarray | float = 0.0,
    ) -> np.ndarray:
        """Return the log density at all places, or at the ``row`` of the fault itself, where tails are lighter."""
        rows, tail = (slice(None), self.tail) if row is None else (row, self.settings.tail_at_fault)
        error = (self.settings.pattern_error if look.error is None else look.error) * np.abs(mean)
        if look.fixed is not None:
            error = np.hypot(error, self.settings.dark_error * look.fixed[rows])
        noise2 = self.noise2[rows] + (self.settings.shape_error * error) ** 2
        bound = self._beyond_healthy(residual[..., -1] + own, np.abs(mean[..., -1]), rows)
        fits = log_t(residual, noise2, self.scene.spread_k[rows], error, tail) - bound
        if self.odd_share is None or row is not None:
            return fits
        wide = self.settings.other_widening
        return self._or_odd(fits, log_t(residual, wide**2 * noise2, wide * self.scene.spread_k, error, tail))

    def _or_odd(self, fits: np.ndarray, wild: np.ndarray) -> np.ndarray:
        """Return log densities of places that may be odd without being at fault."""
        if self.odd_share is None:
            return fits
        return np.logaddexp(np.log1p(-self.odd_share) + fits, np.log(self.odd_share) + wild)

    def _beyond_healthy(self, residual: np.ndarray, change: np.ndarray | float, rows: slice | int) -> np.ndarray:
        """Return what a last-stage residual costs where no healthy part could make it, nats, shape of the residual.

        Between good boards the heat of a part varies by a factor near one: a difference that doubles it, or leaves
        nothing of it, is not the tail of that. The logarithm of the factor, beyond what is usual at that place, is
        taken as normal; at places without own heat the floor stands in for it.
        """
        scene, how = self.scene, self.settings
        base = scene.own_k[rows, -1] + change + 3.0 * how.floor_k * scene.floor_scale
        size = np.sign(residual) * np.maximum(np.abs(residual) - 2.0 * scene.noise_k[rows, -1], 0.0)
        factor = np.abs(np.log(np.maximum(1.0 + size / base, 0.05)))
        usual = np.maximum(how.healthy_factor, 1.5 * scene.spread_k[rows, -1] / base)
        return np.minimum(0.5 * (np.maximum(factor - usual, 0.0) / how.healthy_width) ** 2, how.healthy_most_nats)

    def _fit_body(self, look: Look, body: Body, shared: Shared, besides: tuple[Beside, ...]) -> np.ndarray:
        """Average over how much of the surface's rise the board beneath shares, and over the body's lag."""
        scene, strengths = self.scene, look.strengths
        ratio, steps = strengths[1] / strengths[0], max(body.steps, 1)
        beneath = np.concatenate([strengths[0] / ratio ** np.arange(steps - 1, 0, -1), strengths])
        if not body.steps:
            beneath = np.zeros_like(strengths)
        solve = shared.solve.reshape(-1, *scene.excess_k.shape).copy()
        solve[:, body.row] = 0.0
        without = replace(shared, solve=solve.reshape(shared.solve.shape))
        fits, cost, taken = self._fit_places(look, beneath, without, besides)
        elsewhere = scene.is_seen.copy()
        elsewhere[body.row] = False
        others = fits @ np.where(elsewhere, self.power, 0.0) - cost
        at = np.arange(len(strengths))[:, None] + (steps - 1 - np.arange(steps))[None, :]
        if not scene.is_seen[body.row]:
            return log_mean(others[at], axis=1)
        board = beneath[at][..., None, None] * look.pattern[body.row]
        over = (strengths[:, None] - beneath[at])[..., None, None] * body.courses
        mean = board + over
        change = mean if look.fixed is None else mean + look.fixed[body.row]
        residual = scene.excess_k[body.row] - change - taken[at, body.row][:, :, None, :]
        own = self.power[body.row] * self._log_t(residual, mean, look, body.row)
        total = others[at][..., None] + own
        return log_mean(total.reshape(len(strengths), -1), axis=1)

    def log_none(self) -> float:
        """Return the log likelihood of no change at all."""
        fits, cost = self._calm(1.0)
        return float(fits @ self.power - cost)

    def log_other(self) -> float:
        """Return the log likelihood of a fault that is none of those listed: a few places differ, anyhow.

        Each place is, with a small probability (``other_places`` over their number), one whose noise and spread
        are ``other_widening`` times as large. Where healthy places do so as well, that is no fault and no other one.
        """
        if self.odd_share is not None:
            return self.log_none()
        calm, cost = self._calm(1.0)
        wild, _ = self._calm(self.settings.other_widening)
        seen = self.scene.is_seen
        share = min(0.5, self.settings.other_places / max(int(seen.sum()), 1))
        each = np.logaddexp(np.log1p(-share) + self.power * calm, np.log(share) + self.power * wild)
        return float(each[seen].sum() - cost)

    def log_anyhow(self) -> np.ndarray:
        """Return, for each place, what it gains over no fault where it alone differs, anyhow; ndarray (places,)."""
        calm, _ = self._calm(1.0)
        wild, _ = self._calm(self.settings.other_widening)
        return np.where(self.scene.is_seen, self.power * (wild - calm), -np.inf)

    def _calm(self, widened: float) -> tuple[np.ndarray, float]:
        scene = self.scene
        flat = scene.excess_k.reshape(-1)
        amounts = self.shared.amounts(flat)
        residual = (flat - self.shared.columns @ amounts).reshape(1, *scene.excess_k.shape)
        fits = log_t(residual, widened**2 * self.noise2, widened * scene.spread_k, None, self.tail)
        if widened == 1.0:
            own = residual[..., -1] + self._own_taken(amounts)
            fits = fits - self._beyond_healthy(own, 0.0, slice(None))
            if self.odd_share is not None:
                wide = self.settings.other_widening
                wild = log_t(residual, wide**2 * self.noise2, wide * scene.spread_k, None, self.tail)
                fits = self._or_odd(fits, wild)
        return fits[0], float(self._cost(amounts, self.shared))


def log_mean(logs: np.ndarray, weights: np.ndarray | None = None, *, axis: int | None = None) -> np.ndarray:
    """Return the logarithm of the (weighted) mean of numbers given by their logarithms.

    The plain sum of exponentials after taking off the largest; scipy's does the same with checks that cost ten
    times as much on arrays this small.
    """
    if weights is not None:  # the largest must be one that counts, or what counts may all vanish beside it
        logs = np.where(weights > 0, logs, -np.inf)
    top = logs.max(axis=axis, keepdims=True)
    terms = np.exp(logs - top)
    mean = terms.mean(axis=axis) if weights is None else (weights * terms).sum(axis=axis) / weights.sum()
    return np.log(mean) + top.reshape(mean.shape)


def log_t(
    residual: np.ndarray, noise2: np.ndarray, common: np.ndarray, model: np.ndarray | None, tail: float
) -> np.ndarray:
    """Return the log density of a multivariate t over the stages (last axis) of each place, ndarray (..., places).

    The scale matrix of a place is diag(noise2) + common common' + model model' (Sherman-Morrison-Woodbury).
    """
    stages = residual.shape[-1]
    if model is None:
        quad, logdet = _quadratic(residual, noise2, common)
    else:
        quad, logdet = _quadratic_of_two(residual, noise2, common, model)
    constant = gammaln((tail + stages) / 2) - gammaln(tail / 2) - 0.5 * stages * np.log(tail * np.pi)
    return constant - 0.5 * logdet - 0.5 * (tail + stages) * np.log1p(np.maximum(quad, 0.0) / tail)


def _total(values: np.ndarray) -> np.ndarray:
    """Sum over the last axis, by adding slices: over a handful of stages numpy's own sum takes far longer."""
    out = values[..., 0].copy()
    for i in range(1, values.shape[-1]):
        out += values[..., i]
    return out


def _quadratic(residual: np.ndarray, noise2: np.ndarray, common: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    weight = 1.0 / noise2
    a11 = 1.0 + _total(common**2 * weight)
    c1 = _total(common * residual * weight)
    quad = _total(residual**2 * weight) - c1**2 / a11
    return quad, _total(np.log(noise2)) + np.log(a11)


def _quadratic_of_two(
    residual: np.ndarray, noise2: np.ndarray, common: np.ndarray, model: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    weight = 1.0 / noise2
    a11 = 1.0 + _total(common**2 * weight)
    a22 = 1.0 + _total(model**2 * weight)
    a12 = _total(common * model * weight)
    c1 = _total(common * residual * weight)
    c2 = _total(model * residual * weight)
    det = a11 * a22 - a12**2
    quad = _total(residual**2 * weight) - (a22 * c1**2 - 2 * a12 * c1 * c2 + a11 * c2**2) / det
    return quad, _total(np.log(noise2)) + np.log(det)


def prepare_judge(
    scene: Scene, own: OwnHeat, *, good_boards: int, settings: ExplainSettings, odd_share: np.ndarray | None = None
) -> Judge:
    """Work out the harmless shared differences of a scene.

    Columns: everything warmer in proportion, drifts, loads that start sooner or later, and each of the parts that make
    most heat with more or less power: all that it warms follows, as far and as late as it does on the good boards.
    ``odd_share`` as in ``Judge``.
    """
    columns = [settings.common_share * scene.own_k, *drifts(scene, settings)]
    if odd_share is not None:
        columns += warm_surroundings(scene, own, settings)
    warm = _is_warm(scene, settings)
    usual = float(np.median(scene.spread_k[warm, -1] / scene.own_k[warm, -1])) if warm.any() else settings.share_one
    brings = (own.shares * np.where(scene.is_seen, scene.own_k[:, -1], 0.0)[:, None]).max(axis=0)
    least_k = settings.warm_own_k * scene.floor_scale
    most_heat = np.argsort(-brings)[: settings.most_shared]
    own_rows = [int(i) for i in most_heat if scene.refs[i] is not None and brings[i] >= least_k]
    heats = [heat_of(scene, own, i) for i in own_rows]
    columns += [c for c in (starts_later(scene, heat, settings) for heat in heats) if c is not None]
    per_part: list[float] = []
    for i, heat in zip(own_rows, heats, strict=True):
        share = scene.spread_k[i, -1] / scene.own_k[i, -1] if scene.is_seen[i] and scene.own_k[i, -1] > 0 else usual
        per_part.append(min(share, settings.most_power_share))
        columns.append(per_part[-1] * heat)
    columns_flat = np.stack([c.reshape(-1) for c in columns], axis=1)
    tail = tail_of(good_boards, settings)
    noise2 = scene.noise_k**2 + (settings.shape_error * scene.spread_k) ** 2
    y = scene.excess_k.reshape(-1)
    trust = scene.is_seen.astype(float)
    is_part = np.array([r is not None for r in scene.refs])
    power = trust * np.where(is_part, settings.part_power, settings.board_power)
    most = np.full(columns_flat.shape[1], settings.most_shared_sigma)
    least = -np.array([_least_amount(c, settings) for c in per_part]) if per_part else np.zeros(0)
    least = np.concatenate([-most[: len(most) - len(least)], least])
    for _ in range(6):
        shared = solve_shared(
            columns_flat, weigh_columns(columns_flat, noise2, scene.spread_k, power * trust), (least, most)
        )
        left = (y - shared.columns @ shared.amounts(y)).reshape(scene.excess_k.shape)
        quad, _ = _quadratic(left, noise2, scene.spread_k)
        trust = scene.is_seen * (tail + left.shape[1]) / (tail + quad)
    return Judge(scene, shared, trust, power, noise2, tail, settings, tuple(own_rows), odd_share)


def _least_amount(share: float, settings: ExplainSettings) -> float:
    """Return how far a part's power may fall, in its standard deviations: its logarithm varies, so it never ends."""
    return (1.0 - float(np.exp(-settings.most_shared_sigma * share))) / max(share, 1e-9)


def weigh_columns(columns: np.ndarray, noise2: np.ndarray, common: np.ndarray, trust: np.ndarray) -> np.ndarray:
    """Multiply columns, ndarray (places * stages, n), by each place's inverse scale matrix and its trust."""
    shaped = columns.reshape(*noise2.shape, -1)
    scaled = shaped / noise2[..., None]
    common_scaled = (common / noise2)[..., None]
    lowered = (common[..., None] * scaled).sum(axis=1, keepdims=True)
    scaled = scaled - common_scaled * lowered / (1.0 + (common**2 / noise2).sum(axis=1))[:, None, None]
    return (trust[:, None, None] * scaled).reshape(columns.shape)


def _is_warm(scene: Scene, settings: ExplainSettings) -> np.ndarray:
    return scene.is_seen & (scene.own_k[:, -1] > settings.warm_own_k * scene.floor_scale)


def solve_shared(columns: np.ndarray, weighted: np.ndarray, bounds: tuple[np.ndarray, np.ndarray]) -> Shared:
    """Prepare ridge regression on columns of one standard deviation each; ``weighted`` are they times their weights.

    Both are ndarray (n, changes).
    """
    normal = np.eye(columns.shape[1]) + columns.T @ weighted
    _, logdet = np.linalg.slogdet(normal)
    return Shared(columns, np.linalg.solve(normal, weighted.T), 0.5 * float(logdet), *bounds)
