"""Source map: dissipated power per area behind a rise or an excess, sharper than the temperature picture."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np

from thermscan.find.source_data import FitData, bin_means, prepare, switching_matrix
from thermscan.find.source_template import Option, TemplateMaker
from thermscan.model.board import Board
from thermscan.model.film import BoardGrid, Excess
from thermscan.model.settings import SourceMapSettings, SourceSettings
from thermscan.model.surface import Surface
from thermscan.physics.plate import Plate

DEFAULTS = SourceMapSettings()
FIT_DEFAULTS = SourceSettings()


@dataclass(frozen=True)
class SourceMap:
    """Dissipated power per area.

    Attributes
    ----------
    grid : BoardGrid
    mw_per_mm2 : ndarray of shape (rows, columns), mW/mm2
        Mean while on; NaN outside the board.
    stages_mw_per_mm2 : ndarray of shape (stages, rows, columns), mW/mm2
        The same in successive stages of equal time with power on.
    stages_s : ndarray of shape (stages + 1,), s
        Where the stages begin and end, seconds since power-on.
    signed : bool
        True where less than on good boards is allowed (an excess over good boards), else the map is non-negative.
    penalty_k : float
        Amount of regularisation that was chosen.
    misfit : float
        Mean squared residual over its variance at that amount; the criterion aims at one.
    criterion : str
    """

    grid: BoardGrid
    mw_per_mm2: np.ndarray
    stages_mw_per_mm2: np.ndarray
    stages_s: np.ndarray
    signed: bool
    penalty_k: float
    misfit: float
    criterion: str


@dataclass(frozen=True)
class _Problem:
    """Weighted data and the linear map from cosine coefficients of the source in each stage to the pictures."""

    target: np.ndarray
    weight: np.ndarray
    gain: np.ndarray  # (stages, bins, waves_x, waves_y), K per W/mm2, without blur
    make: tuple[np.ndarray, np.ndarray]
    eyes: tuple[np.ndarray, np.ndarray]
    area: float

    def forward(self, source: np.ndarray) -> np.ndarray:
        """Return the pictures (bins, rows, columns), K, of a source (stages, rows, columns), W/mm2."""
        waves = [self.make[0].T @ stage.T @ self.make[1] * self.area for stage in source]
        seen = sum(gain * wave for gain, wave in zip(self.gain, waves, strict=True))
        return np.stack([self.eyes[1] @ one.T @ self.eyes[0].T for one in seen])

    def backward(self, pictures: np.ndarray) -> np.ndarray:
        """Return the transpose of ``forward`` on pictures: ndarray (stages, rows, columns)."""
        seen = np.stack([self.eyes[0].T @ picture.T @ self.eyes[1] for picture in pictures])
        waves = (self.gain * seen).sum(axis=1)
        return np.stack([(self.make[0] @ wave @ self.make[1].T).T * self.area for wave in waves])


def map_sources(
    excess: Excess,
    board: Board,
    plate: Plate,
    *,
    side: str,
    runs_s: tuple[tuple[float, float | None], ...] | None = None,
    surfaces: tuple[Surface, ...] = (),
    settings: SourceMapSettings = DEFAULTS,
) -> SourceMap | None:
    """Map where heat is made, stage by stage, from all seconds together.

    Returns
    -------
    SourceMap or None
        None where kelvin or the second of power-on are not known.

    Notes
    -----
    Minimises ``sum w (forward(source) - excess)^2 / 2 + penalty x sum |source|`` by accelerated proximal gradient
    (Beck and Teboulle, SIAM J. Imaging Sci. 2 (2009) 183-202), non-negative unless good boards were subtracted. The
    penalty is the largest whose misfit is what the noise explains (Morozov's discrepancy principle). All heat is taken
    to be made on the seen face with a power that is constant within a stage: what is made inside parts or on the other
    face appears wider and later.
    """
    if excess.film.unit != "celsius" or excess.film.clock != "power_on":
        return None
    fit = replace(FIT_DEFAULTS, most_cells=settings.most_cells, most_bins=settings.most_bins)
    data = prepare(excess, board, side=side, runs_s=runs_s, surfaces=surfaces, settings=fit)
    if not data.known.any():
        return None
    maker = TemplateMaker(data, plate, board, side, fit, surfaces)
    stages_s = stage_edges(data.runs_s, float(data.edges_s[-1]), int(settings.stages))
    problem = _pose(data, maker, board, stage_runs(data.runs_s, stages_s), settings)
    signed = excess.basis != "itself_only"
    source, penalty, misfit = _descend(problem, signed=signed, settings=settings)
    points = data.grid.points_mm()
    inside = board.inside(points[..., 0], points[..., 1])
    text = "discrepancy principle: the strongest regularisation whose misfit the noise explains"
    if misfit > settings.misfit:
        text += f"; not reached, what is left is {misfit:.1f} times the noise"
    stages = np.where(inside, source * 1e3 / data.gain, np.nan)
    return SourceMap(data.grid, stages.mean(axis=0), stages, stages_s, signed, penalty, misfit, text)


def stage_edges(runs_s: tuple[tuple[float, float | None], ...], end_s: float, count: int) -> np.ndarray:
    """Return seconds that cut the time with power on, until ``end_s``, into equal stages, ndarray (count + 1,)."""
    spans = [(on, end_s if off is None else min(off, end_s)) for on, off in runs_s if on < end_s]
    begins, ends = np.array(spans).T
    lasted = np.concatenate([[0.0], np.cumsum(ends - begins)])
    edges = [float(begins[0])]
    for wanted in lasted[-1] * np.arange(1, count) / count:
        run = int(np.searchsorted(lasted, wanted, side="right")) - 1
        edges.append(float(begins[run] + wanted - lasted[run]))
    return np.array([*edges, float(ends[-1])])


def stage_runs(
    runs_s: tuple[tuple[float, float | None], ...], stages_s: np.ndarray
) -> list[tuple[tuple[float, float | None], ...]]:
    """Return the runs within each stage."""
    out = []
    for first, last in itertools.pairwise(stages_s):
        inside = [(max(on, first), last if off is None else min(off, last)) for on, off in runs_s]
        out.append(tuple((on, off) for on, off in inside if off > on))
    return out


def _pose(
    data: FitData,
    maker: TemplateMaker,
    board: Board,
    runs: list[tuple[tuple[float, float | None], ...]],
    settings: SourceMapSettings,
) -> _Problem:
    """Set the linear problem up; ``runs`` holds those of each stage."""
    grid = data.grid
    x = grid.x0_mm + grid.step_mm * np.arange(grid.columns)
    y = grid.y0_mm + grid.step_mm * np.arange(grid.rows)
    across, up = maker.rectangle.cosines(x, y)
    x0, y0, x1, y1 = board.box_mm
    across[(x < x0) | (x > x1)] = 0.0
    up[(y < y0) | (y > y1)] = 0.0
    table = maker.response(Option(plate_conductance(maker.plate), 0.0)).table
    means = bin_means(data.clock_s, data.edges_s)
    gain = np.stack([np.moveaxis(table @ (means @ switching_matrix(data.clock_s, r)).T, -1, 0) for r in runs])
    scale = float(np.quantile(np.abs(data.samples(data.excess)), 0.999))
    variance = data.variance + (settings.model_error * np.abs(data.excess)) ** 2 + (1e-4 * scale) ** 2
    return _Problem(
        np.where(data.known, data.excess, 0.0),
        np.where(data.known, 1 / variance, 0.0),
        gain,
        (across, up),
        maker.eyes,
        grid.step_mm**2,
    )


def plate_conductance(plate: Plate) -> float:
    """Return the middle of a plate's conductance on its logarithmic scale, W/K."""
    c = plate.conductance_w_per_k
    return float(np.sqrt(c.low * c.high))


def _descend(problem: _Problem, *, signed: bool, settings: SourceMapSettings) -> tuple[np.ndarray, float, float]:
    """Lower the penalty step by step, warm-started, until the noise explains what is left."""
    pull = problem.backward(problem.weight * problem.target)
    penalty = float(np.abs(pull).max()) * 0.5
    slope = _largest_slope(problem)
    count = max(1, int((problem.weight > 0).sum()))
    source, misfit = np.zeros_like(pull), np.inf
    for _ in range(int(settings.penalties)):
        source = _fista(problem, source, penalty, slope, signed=signed, steps=int(settings.steps))
        left = problem.forward(source) - problem.target
        before, misfit = misfit, float((problem.weight * left**2).sum()) / count
        # where the plate's own errors are left, a weaker penalty would only copy noise into the map
        if misfit <= settings.misfit or misfit > settings.gain_share * before:
            break
        penalty *= settings.penalty_ratio
    source = _fista(problem, source, penalty, slope, signed=signed, steps=int(settings.last_steps))
    picture = problem.forward(source)
    # the penalty shrinks all power alike: give back what the data ask for as a whole
    scale = float((problem.weight * picture * problem.target).sum() / max((problem.weight * picture**2).sum(), 1e-300))
    return source * max(scale, 0.0), penalty, misfit


def _largest_slope(problem: _Problem) -> float:
    """Return the largest eigenvalue of the normal matrix by power iteration."""
    vector = np.ones((len(problem.gain), *problem.target.shape[1:]))
    value = 1.0
    for _ in range(12):
        vector = problem.backward(problem.weight * problem.forward(vector))
        value = float(np.linalg.norm(vector))
        vector = vector / max(value, 1e-300)
    return 1.1 * value


def _fista(
    problem: _Problem, start: np.ndarray, penalty: float, slope: float, *, signed: bool, steps: int
) -> np.ndarray:
    """Run accelerated proximal gradient steps at one penalty."""
    source = ahead = start
    pace = 1.0
    for _ in range(steps):
        moved = ahead - problem.backward(problem.weight * (problem.forward(ahead) - problem.target)) / slope
        if signed:
            new = np.sign(moved) * np.maximum(np.abs(moved) - penalty / slope, 0.0)
        else:
            new = np.maximum(moved - penalty / slope, 0.0)
        next_pace = (1 + np.sqrt(1 + 4 * pace**2)) / 2
        ahead = new + (pace - 1) / next_pace * (new - source)
        source, pace = new, next_pace
    return source
