"""The state of a search for sources: data, what varies between good boards, and what has been found."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from thermscan.find.source_candidate import POWER_SCALES_W, Candidate
from thermscan.find.source_data import FitData
from thermscan.find.source_search import Columns, LinearFit, gains
from thermscan.find.source_template import Option, Place, TemplateMaker
from thermscan.model.settings import SourceSettings

SEEN_FROM = 0.01  # square of a source's rise over the variance from which a sample counts in comparing hypotheses


@dataclass(frozen=True)
class Found:
    """A chosen source: the hypotheses about it, best first.

    Attributes
    ----------
    place : Place
    options : tuple of Option
    templates : ndarray of shape (options, samples), K/W
    weights : ndarray of shape (options,)
    power_seen : float
        Power of the best hypothesis as seen (surface not corrected), W.
    gain : float
        Log Bayes factor of the source against none.
    rivals : dict of refdes ('' for a free spot) to probability
        Where the heat may be made instead.
    surely_warmer : bool
        The part's own heat alone, in the shape that good boards show, is more than chance allows.
    """

    place: Place
    options: tuple[Option, ...]
    templates: np.ndarray
    weights: np.ndarray
    power_seen: float
    gain: float
    rivals: dict[str, float] = field(default_factory=dict)
    surely_warmer: bool = False

    @property
    def template(self) -> np.ndarray:
        """Template of the best hypothesis, ndarray (samples,), K/W."""
        return self.templates[0]


@dataclass
class Search:
    """What the greedy search knows.

    Attributes
    ----------
    data : FitData
    maker : TemplateMaker
    nuisance : Columns
        What varies between good boards.
    owners : tuple of str
        Refdes of each nuisance column, empty for those of no part.
    plates : tuple of Option
        Plates to be tried.
    candidates : list of Candidate
    base_variance : ndarray of shape (samples,), K2
    runs_s : tuple of (on, off), s
        Stretches with power.
    own_w : dict of refdes to W
        What each part makes on good boards, as seen.
    found : list of Found
    made : dict of Place to (options, templates)
        Hypotheses about places that were asked about last.
    """

    data: FitData
    maker: TemplateMaker
    nuisance: Columns
    owners: tuple[str, ...]
    plates: tuple[Option, ...]
    candidates: list[Candidate]
    base_variance: np.ndarray
    runs_s: tuple[tuple[float, float | None], ...]
    own_w: dict[str, float] = field(default_factory=dict)
    found: list[Found] = field(default_factory=list)
    made: dict[Place, tuple[tuple[Option, ...], np.ndarray]] = field(default_factory=dict, repr=False)

    @property
    def settings(self) -> SourceSettings:
        """Settings of the search."""
        return self.maker.settings

    @property
    def middle(self) -> Option:
        """The plate's middle, copper on the faces."""
        return Option(self.maker.plate.conductance_w_per_k.value, 0.0)

    @property
    def y(self) -> np.ndarray:
        """Excess, ndarray (samples,), K."""
        return self.data.samples(self.data.excess)

    def refs(self, *, but: int | None = None) -> set[str]:
        """Return the refdes that are taken, without that of source ``but``."""
        return {f.place.part.ref for i, f in enumerate(self.found) if f.place.part is not None and i != but}

    def log_odds(self, place: Place) -> float:
        """Return the log prior odds of a source at a place."""
        odds = self.settings.prior_odds
        if place.part is None:
            x0, y0, x1, y1 = self.maker.board.box_mm
            odds /= max(1.0, (x1 - x0) * (y1 - y0) / self.settings.free_area_mm2)
        return float(np.log(odds))

    def own_evidence(self, fit: LinearFit, place: Place) -> float:
        """Return the log evidence that a part's own heat differs from the good boards' by more than chance; 0 for less.

        The amplitude that a fit gives the part's own heat, over its spread between boards, is one number: unlike errors
        of templates it does not hang together with anything. How wide boards spread is known from few of them, so that
        Student's density stands for the normal one: ``(n + 1) / 2 log(1 + z^2 / n)``.
        """
        if place.part is None or place.part.ref not in self.owners:
            return 0.0
        index = self.owners.index(place.part.ref)
        z = max(float(fit.mean[index] / self.nuisance.sigma[index]), 0.0)
        count = self.settings.spread_freedom
        return float((count + 1) / 2 * np.log1p(z**2 / count))

    def is_possible(self, place: Place, power_w: np.ndarray) -> np.ndarray:
        """Tell which powers (seen, W) a place can have: heat can be missing only where good boards make it."""
        own = 0.0 if place.part is None else self.own_w.get(place.part.ref, 0.0)
        return np.asarray(power_w) > -self.settings.missing_ratio * own

    def scores(self, place: Place, b: np.ndarray, g: np.ndarray) -> np.ndarray:
        """Return log Bayes factors of hypotheses about a place, minus infinity where the power is impossible."""
        return np.where(self.is_possible(place, b / g), gains(b, g, POWER_SCALES_W), -np.inf)

    def weight(self) -> np.ndarray:
        """Return inverse variances with the part of the plate's error that has no shape.

        A part that plainly misses heat misses it everywhere that it warms: how its warmth divides over the board is as
        wrong there as the template of a source.
        """
        variance = self.base_variance.copy()
        share = self.settings.error_cells * self.settings.loose_error**2
        for missing, sigma, owner in zip(self.nuisance.templates, self.nuisance.sigma, self.owners, strict=True):
            if owner and sigma >= self.settings.freed_share:
                variance += share * missing**2
        for found in self.found:
            variance += share * (found.power_seen * found.template) ** 2
        return 1 / variance

    def fit_with(self, found: list[Found]) -> LinearFit:
        """Fit what varies between good boards and some of the found sources together."""
        return LinearFit.of(self.y, self.weight(), self._columns(found, found))

    def fit_without(self, index: int, *, own_heat: bool = True, own_errors: bool = False) -> LinearFit:
        """Fit all but one found source.

        ``own_heat`` False leaves out what that part's own heat may vary by; ``own_errors`` True keeps the ways in
        which that source's template may be wrong.
        """
        others = [f for i, f in enumerate(self.found) if i != index]
        part = self.found[index].place.part
        skip = "" if own_heat or part is None else part.ref
        errors = self.found if own_errors else others
        return LinearFit.of(self.y, self.weight(), self._columns(others, errors, without=skip))

    def _columns(self, found: list[Found], wrong: list[Found], *, without: str = "") -> Columns:
        """Return what varies between good boards, errors of templates ``wrong``, and the sources ``found`` (last)."""
        keep = np.array([not without or o != without for o in self.owners])
        columns = Columns(self.nuisance.templates[keep], self.nuisance.sigma[keep])
        for f in wrong:
            columns = columns.with_more(*self.error_columns(f))
        if found:
            columns = columns.with_more(
                np.stack([f.template for f in found]), np.full(len(found), POWER_SCALES_W[-1] * 3)
            )
        return columns

    def error_columns(self, found: Found) -> tuple[np.ndarray, np.ndarray]:
        """Return how a template may be wrong, ndarray (columns, samples), and the standard deviation of each.

        The true board has uneven copper and parts that the plate does not know, so that heat goes more to one side or
        along one axis, or stays nearer than it should: the template times smooth factors of direction and distance,
        the latter without adding heat at the end. What comes through the board depends on more copper: twice as wrong.
        """
        seen = found.template * found.power_seen
        x, y, t = self.samples_at
        dx, dy = x - found.place.x_mm, y - found.place.y_mm
        r = np.hypot(dx, dy)
        c, s = dx / np.maximum(r, 1e-6), dy / np.maximum(r, 1e-6)
        away = r / (r + self.settings.error_reach_mm)
        last = found.template * (t == t.max())
        further = away - float(last @ away) / (float(last.sum()) or 1.0)
        factors = [away * c, away * s, away * (c**2 - s**2), away * 2 * c * s, further]
        deep = 2.0 if found.options[0].depth == "far_side" else 1.0
        return np.stack(factors) * seen, np.full(len(factors), deep * self.settings.model_error)

    def weigh_alike(
        self, fit: LinearFit, templates: np.ndarray, powers_w: np.ndarray, log_prior: np.ndarray
    ) -> np.ndarray:
        """Return the probability of hypotheses about one source, ndarray (hypotheses,).

        Parameters
        ----------
        fit : LinearFit
            Without the source.
        templates : ndarray of shape (hypotheses, samples), K/W
        powers_w : ndarray of shape (hypotheses,), W
            Best power of each, as seen.
        log_prior : ndarray of shape (hypotheses,)

        Notes
        -----
        What a template leaves over is mostly its own error, of unknown size and hanging together over millimetres and
        seconds, not noise. With the size integrated out, the likelihood goes as ``S^(-n/2)`` (Gelman et al., Bayesian
        Data Analysis, 3.2), S the weighted sum of squares where the source is seen and n the number of its errors that
        are independent of one another (``alike_errors``).
        """
        weighted = templates * fit.weight
        cross = weighted @ fit.columns.templates.T
        share = cross @ fit.covariance
        size = np.einsum("ij,ij->i", weighted, templates) - np.einsum("ij,ij->i", cross, share)
        best = int(np.argmax(log_prior + powers_w * (weighted @ fit.residual - 0.5 * powers_w * size)))
        seen = (powers_w[best] * templates[best]) ** 2
        near = seen > SEEN_FROM * self.base_variance  # elsewhere the weight is next to nothing: speed
        left = fit.residual[near] - powers_w[:, None] * (templates[:, near] - share @ fit.columns.templates[:, near])
        weight = (fit.weight * seen / (seen + self.base_variance))[near]
        squares = np.maximum(left**2 @ weight, 1e-12)
        score = log_prior - 0.5 * self.settings.alike_errors * np.log(squares / squares.min())
        out = np.exp(score - score.max())
        return out / out.sum()

    def gain_alike(self, fit: LinearFit, template: np.ndarray, power_w: float) -> float:
        """Return the log evidence of a source where what is left over is errors of templates, of unknown size.

        Parameters
        ----------
        fit : LinearFit
            Without the source.
        template : ndarray of shape (samples,), K/W
        power_w : float
            Its best power, as seen.

        Notes
        -----
        As in ``weigh_alike``: the sum of squares where the source is seen, with it and without it.
        """
        seen = (power_w * template) ** 2
        weight = fit.weight * seen / (seen + self.base_variance)
        cross = (template * fit.weight) @ fit.columns.templates.T
        explained = template - (cross @ fit.covariance) @ fit.columns.templates
        without = float(fit.residual**2 @ weight)
        left = float((fit.residual - power_w * explained) ** 2 @ weight)
        return 0.5 * self.settings.alike_errors * float(np.log(max(without, 1e-12) / max(left, 1e-12)))

    @property
    def samples_at(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return place and time of each sample, three ndarrays (samples,), mm, mm, s."""
        points = self.data.grid.points_mm()
        edges = self.data.edges_s
        shape = self.data.variance.shape
        centres = (edges[1:] + edges[:-1]) / 2
        x = np.broadcast_to(points[..., 0], shape)
        y = np.broadcast_to(points[..., 1], shape)
        t = np.broadcast_to(centres[:, None, None], shape)
        return self.data.samples(x), self.data.samples(y), self.data.samples(t)
