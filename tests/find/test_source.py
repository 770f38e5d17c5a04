"""Sources found on boards run by the grid solver, which knows uneven copper that the inversion does not."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import ndimage

from thermscan.find.excess import rise_of
from thermscan.find.part_reading import read_parts
from thermscan.find.source import find_sources
from thermscan.find.source_data import bin_means, join_bins, switching_matrix
from thermscan.find.source_limit import board_limit_w, cover_limits, limit_sentence, with_limits
from thermscan.find.source_report import depth_shares, said_depth
from thermscan.find.source_search import Columns, LinearFit, gains, sweep
from thermscan.find.source_template import Option
from thermscan.model.board import Board, Part
from thermscan.model.film import BoardGrid, Excess, Film
from thermscan.model.quantity import watts_words
from thermscan.model.settings import DetectionSettings, ExcessSettings, SourceSettings
from thermscan.physics.plate import cut_into_layers, default_plate
from thermscan.physics.plate_grid import GridPlate, Lump, run

WIDTH, HEIGHT = 50, 36
PLATE = default_plate(1.6)
FEW = SourceSettings(most_sources=3)


def drawn_board(random):
    parts = []
    kinds = [
        ("capacitor", 1.6, 0.8, 0.8),
        ("resistor", 2.0, 1.25, 0.5),
        ("chip", 5.0, 5.0, 1.0),
        ("regulator", 3.0, 3.0, 1.0),
    ]
    while len(parts) < 14:
        kind, w, h, tall = kinds[int(random.integers(4))]
        x, y = random.uniform(5, WIDTH - 5), random.uniform(5, HEIGHT - 5)
        if all(abs(x - p.x) > (w + p.w) / 2 + 1 or abs(y - p.y) > (h + p.h) / 2 + 1 for p in parts):
            parts.append(Part(f"P{len(parts)}", kind, x, y, w, h, 0, tall))
    outline = np.array([[0, 0], [WIDTH, 0], [WIDTH, HEIGHT], [0, HEIGHT]], float)
    return Board("made", outline, 1.6, parts=tuple(parts))


def solver_for(board, random):
    """The grid plate of a board with copper that differs by half from place to place."""
    layers = cut_into_layers(
        PLATE, conductance_w_per_k=float(np.exp(random.uniform(np.log(0.01), np.log(0.04)))), inner_share=0.5
    )
    rough = ndimage.gaussian_filter(random.normal(size=(5, HEIGHT, WIDTH)), (0, 4, 4))
    copper = np.exp(0.4 * rough / rough.std())
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH] + 0.5
    lumps = []
    for part in board.parts:
        cells = np.flatnonzero(part.contains(x, y).ravel())
        cells = cells if cells.size else np.array([int(part.y) * WIDTH + int(part.x)])
        area = part.w * part.h
        lumps.append(Lump(cells, 0, area / random.uniform(80, 600), area * part.height_mm * 2.1e-3))
    return GridPlate(1.0, layers, copper, tuple(lumps))


def filmed(board, solver, watts, times, *, spot=None):
    """Mean rise in each bin as a camera with some blur sees it; ``spot`` is (layer, x, y, watts)."""
    power = np.zeros(solver.nodes)
    power[solver.copper.size :] = watts
    if spot is not None:
        layer, x, y, w = spot
        power[layer % 5 * HEIGHT * WIDTH + int(y) * WIDTH + int(x)] += w
    rise = run(solver, power, times, substeps=2).rise_k
    seen = rise[:, : HEIGHT * WIDTH].copy()
    for i, (part, lump) in enumerate(zip(board.parts, solver.lumps, strict=True)):
        cover = min(1.0, part.w * part.h / len(lump.cells))
        own = rise[:, solver.copper.size + i]
        seen[:, lump.cells] = cover * own[:, None] + (1 - cover) * seen[:, lump.cells]
    seen = ndimage.gaussian_filter(seen.reshape(-1, HEIGHT, WIDTH), (0, 0.6, 0.6))
    return (seen + np.concatenate([np.zeros((1, HEIGHT, WIDTH)), seen[:-1]])) / 2


def case(seed, *, watts=0.0, at=0, spot=None, noise=0.02):
    """Board and excess: part ``at`` makes ``watts`` too much, or heat is made at a spot."""
    random = np.random.default_rng(seed)
    board = drawn_board(random)
    solver = solver_for(board, random)
    times = np.linspace(0, 6, 19)[1:]
    healthy = np.where(random.random(14) < 0.4, random.uniform(0.05, 0.3, 14), 0.0)
    good = filmed(board, solver, healthy * random.normal(1, 0.05, 14), times)
    faulty = healthy * random.normal(1, 0.05, 14)
    faulty[at] += watts
    bad = filmed(board, solver, faulty, times, spot=spot)
    excess = bad - good + random.normal(size=bad.shape) * noise
    grid = BoardGrid(0.5, 0.5, 1.0, WIDTH, HEIGHT)
    everywhere = np.ones((HEIGHT, WIDTH), bool)
    film = Film(
        grid, np.concatenate([[0.0], times]), "power_on", bad, np.full(18, 3), np.zeros((HEIGHT, WIDTH)), 60,
        np.full((HEIGHT, WIDTH), noise), 0.28, 0.02, everywhere, everywhere, 1.0, blur_mm=0.5,
        flags=frozenset({"surfaces_corrected"}),
    )  # fmt: skip
    spread = 0.07 * good + 0.01
    return board, Excess(film, excess, np.full((1, 1, 1), noise), spread, "good_boards", 1, good, "cold_frames")


@pytest.fixture(scope="module")
def answers():
    """Four boards, each with one part that makes too much."""
    out = []
    for seed in range(4):
        watts = float(np.random.default_rng([seed, 5]).uniform(0.15, 1.5))
        board, excess = case(seed, watts=watts, at=seed % 14)
        out.append((f"P{seed % 14}", watts, find_sources(excess, board, PLATE, side="top", settings=FEW)))
    return out


def test_the_right_part_comes_first(answers):
    assert all(bool(fit.sources) and fit.sources[0].ref == ref for ref, _, fit in answers)


def test_power_is_near_and_inside_its_interval(answers):
    found = [(w, next((s.power_w for s in fit.sources if s.ref == ref), None)) for ref, w, fit in answers]
    # a source that is missed is off by all of it, and not inside anything
    error = [1.0 if p is None else abs(p.value / w - 1) for w, p in found]
    held = [p is not None and p.low <= w <= p.high for w, p in found]
    assert np.median(error) < 0.35
    assert max(error) < 0.6
    assert np.mean(held) >= 0.8


def test_watts_on_a_board_whose_parts_are_not_listed_are_less_sure():
    board, excess = case(2, spot=(0, 25, 18, 0.6))
    other = Part("P0", "resistor", 4.0, 4.0, 2.0, 1.0)
    widths = []
    for parts in ((), (other,)):
        fit = find_sources(excess, replace(board, parts=parts), PLATE, side="top", settings=FEW)
        source = next(s for s in fit.sources if np.hypot(s.x_mm - 25, s.y_mm - 18) < 3)
        widths.append(np.log(source.power_w.high / source.power_w.low))
    # the 95 % interval of a logarithm is 2 x 1.96 of its standard error wide
    assert widths[0] > 2 * 1.96 * SourceSettings().power_unlisted_error
    assert widths[0] > widths[1] + 0.5


def test_no_source_on_a_board_without_fault():
    listed = 0
    for seed in (21, 22):
        board, excess = case(seed)
        listed += sum(abs(s.power_w.value) > 0.08 for s in find_sources(excess, board, PLATE, side="top").sources)
    assert listed == 0


def test_heat_on_the_other_face_is_said_to_be_there():
    found = []
    for seed in (31, 32):
        board, excess = case(seed, spot=(-1, 25, 18, 0.8))
        fit = find_sources(excess, board, PLATE, side="top")
        first = fit.sources[0]
        found.append(first.depth == "far_side" and np.hypot(first.x_mm - 25.5, first.y_mm - 18.5) < 3)
    assert all(found)


def test_limits_follow_the_noise():
    board, quiet = case(41, noise=0.02)
    _, loud = case(41, noise=0.1)
    low, high = (find_sources(e, board, PLATE, side="top") for e in (quiet, loud))
    assert np.nanmedian(high.detection_limit_w) > 1.5 * np.nanmedian(low.detection_limit_w)
    assert set(low.part_limit_w) == {p.ref for p in board.parts}
    worst = max(low.part_limit_w, key=lambda ref: low.part_limit_w[ref])
    assert "would have been seen on nine tenths of the board" in low.limit_text
    assert f"in {worst} nothing below" in low.limit_text


def test_one_limit_is_stated_for_the_board_and_why_parts_differ():
    places = np.linspace(0.001, 0.1, 101).reshape(1, 101)
    places[0, -1] = np.inf
    stated = board_limit_w(places)
    assert stated == pytest.approx(np.quantile(places[0, :-1], 0.9))
    said = limit_sentence(places, {"U1": 0.4, "U2": 0.2, "C1": 0.003}, {})
    assert said == (
        f"a source above {watts_words(stated)} would have been seen on nine tenths of the board, in half of the parts"
        " one above 200 mW, for healthy parts differ in heat of their own; in U1 nothing below 400 mW"
    )
    assert "half of the parts" not in limit_sentence(places, {"U1": 0.01}, {})
    assert board_limit_w(None) is None
    assert board_limit_w(np.full((2, 2), np.inf)) is None


def test_a_shield_raises_the_limits_under_it_and_is_named():
    board, excess = case(41)
    x, y = next((p.x, p.y) for p in board.parts if p.kind == "chip")
    under = tuple(replace(p, covered_by="SH1") if abs(p.x - x) < 6 and abs(p.y - y) < 6 else p for p in board.parts)
    shielded = replace(board, parts=(*under, Part("SH1", "shield", x, y, 12, 12, 0, 3.0)))
    open_, closed = (find_sources(excess, b, PLATE, side="top") for b in (board, shielded))
    covered = [p.ref for p in under if p.covered_by]
    for ref in covered:
        assert closed.part_limit_w[ref] > 1.3 * open_.part_limit_w[ref]
    worst = max(closed.part_limit_w[ref] for ref in covered)
    assert (
        cover_limits(closed.detection_limit_w, closed.grid, closed.part_limit_w, shielded, side="top")["SH1"] >= worst
    )
    assert "under SH1 nothing below" in closed.limit_text
    assert "SH1" not in open_.limit_text


def test_every_part_has_a_limit_or_the_reason_for_none():
    board, excess = case(41)
    board = replace(
        board,
        parts=(
            *(replace(p, fitted=False) if p.ref == "P0" else p for p in board.parts),
            Part("SH1", "shield", 40, 30, 6, 6, 0, 3.0),
        ),
    )
    rise = rise_of(excess.film, settings=ExcessSettings())
    readings = read_parts(excess, rise, board, side="top", surfaces=(), settings=DetectionSettings())
    said = {r.ref: r for r in with_limits(readings, find_sources(excess, board, PLATE, side="top"), board)}
    assert all(0 < r.detection_limit_w < 1.0 for ref, r in said.items() if ref not in ("P0", "SH1"))
    assert said["P0"].detection_limit_w is None
    assert "not fitted" in said["P0"].why["detection_limit_w"]
    assert said["SH1"].detection_limit_w is None
    assert "no heat of its own" in said["SH1"].why["detection_limit_w"]
    nothing = find_sources(replace(excess, film=replace(excess.film, clock="recording")), board, PLATE, side="top")
    for reading in with_limits(readings, nothing, board):
        assert reading.detection_limit_w is None
        assert "power-on is not known" in reading.why["detection_limit_w"]


def test_a_limit_beyond_what_boards_draw_is_none():
    board, excess = case(41, noise=0.02)
    every = find_sources(excess, board, PLATE, side="top").part_limit_w
    cut = float(np.median(list(every.values())))
    few = find_sources(excess, board, PLATE, side="top", settings=SourceSettings(most_limit_w=cut)).part_limit_w
    assert few == {ref: limit for ref, limit in every.items() if limit < cut}


def test_a_limit_sentence_says_where_nothing_would_be_seen():
    limit = np.array([[0.05, 0.06], [0.05, np.inf]])
    said = limit_sentence(limit, {"C1": 0.4}, {"SH1": np.inf, "HS1": 0.8})
    assert "above 60 mW" in said or "above 58 mW" in said
    assert "in C1 nothing below 400 mW" in said
    assert "under SH1 nothing at all" in said
    assert "under HS1 nothing below 800 mW" in said
    assert "nothing of the board is readable" in limit_sentence(limit * np.inf, {}, {})


def test_a_part_that_is_warm_by_itself_has_a_higher_limit():
    board, excess = case(41)
    cold = replace(excess, own_heat=np.zeros_like(excess.own_heat))
    warm, idle = (find_sources(e, board, PLATE, side="top").part_limit_w for e in (excess, cold))
    random = np.random.default_rng(41)
    drawn_board(random), solver_for(board, random)
    healthy = np.where(random.random(14) < 0.4, random.uniform(0.05, 0.3, 14), 0.0)
    hottest = int(np.argmax(healthy))
    assert warm[f"P{hottest}"] > idle[f"P{hottest}"] + 2 * 0.05 * healthy[hottest]  # boards differ by 5 %


@pytest.mark.parametrize(
    ("change", "words"),
    [({"unit": "count"}, "watts need kelvin"), ({"clock": "recording"}, "power-on is not known")],
)
def test_says_why_there_are_no_watts(change, words):
    board, excess = case(51)
    fit = find_sources(replace(excess, film=replace(excess.film, **change)), board, PLATE, side="top")
    assert fit.sources == ()
    assert words in fit.why["sources"]


def test_course_follows_a_power_that_doubles():
    random = np.random.default_rng(71)
    board = drawn_board(random)
    solver = solver_for(board, random)
    times = np.linspace(0, 6, 19)[1:]
    watts = np.zeros(14)
    watts[3] = 0.4
    step = filmed(board, solver, watts, times)
    later = np.concatenate([np.zeros((9, *step.shape[1:])), step[:9]])
    _, excess = case(71)
    excess = replace(excess, excess=step + later + random.normal(size=step.shape) * 0.02, own_heat=np.zeros_like(step))
    source = find_sources(excess, board, PLATE, side="top", settings=SourceSettings(most_sources=1)).sources[0]
    first, second = source.course_w[2:8].mean(), source.course_w[-6:].mean()
    assert 1.5 < second / first < 2.7
    assert np.average(source.course_w) == pytest.approx(source.power_w.value, rel=0.05)


def test_several_runs_give_no_course():
    board, excess = case(51, watts=0.5)
    runs = ((0.0, 2.0), (3.0, None))
    fit = find_sources(excess, board, PLATE, side="top", runs_s=runs, settings=SourceSettings(most_sources=1))
    assert fit.sources
    assert all(source.course_w is None for source in fit.sources)


def test_inputs_are_not_changed():
    board, excess = case(61, watts=0.5)
    for array in (excess.excess, excess.noise, excess.spread, excess.own_heat):
        array.setflags(write=False)
    find_sources(excess, board, PLATE, side="top")


def test_linear_fit_is_bayes_rule_on_one_column():
    # one amplitude with a Gaussian prior: mean = v s / (v + 1/n), textbook (Gelman et al., Bayesian Data Analysis, 2.5)
    y = np.array([1.0, 3.0])
    fit = LinearFit.of(y, np.ones(2), Columns(np.ones((1, 2)), np.array([2.0])))
    assert fit.mean[0] == pytest.approx(4 / (2 + 0.25))
    assert fit.covariance[0, 0] == pytest.approx(1 / 2.25)
    b, g = fit.project(np.array([[1.0, -1.0]]))
    assert b[0] / g[0] == pytest.approx(-1.0)


def test_gain_is_the_ratio_of_two_normal_densities():
    from scipy.stats import norm

    b, g, s = np.array([3.0]), np.array([2.0]), 0.7
    seen = b / g
    exact = norm.logpdf(seen, 0, np.sqrt(1 / g + s**2)) - norm.logpdf(seen, 0, np.sqrt(1 / g))
    assert gains(b, g, (s,)) == pytest.approx(exact)


def test_sweep_equals_the_plain_sums():
    random = np.random.default_rng(0)
    residual, weight = random.normal(size=(2, 7, 8)), random.uniform(size=(2, 7, 8))
    kernel = random.normal(size=(2, 3, 3))
    b, g = sweep(residual, weight, kernel)
    window = np.s_[:, 2:5, 3:6]
    assert b[3, 4] == pytest.approx((residual[window] * weight[window] * kernel).sum())
    assert g[3, 4] == pytest.approx((weight[window] * kernel**2).sum())


def test_bins_and_switching():
    assert join_bins(np.arange(-2.0, 4.0), 9) == [(2, 3), (3, 4), (4, 5)]
    groups = join_bins(np.arange(31.0), 5)
    assert len(groups) == 5
    assert groups[0][1] - groups[0][0] < groups[-1][1] - groups[-1][0]
    clock = np.linspace(0, 10, 41)
    assert bin_means(clock, np.array([0.0, 2.0, 5.0])) @ clock == pytest.approx([1.0, 3.5], abs=1e-6)
    # a ramp switched off at 4 s stays at 4
    ramp = switching_matrix(clock, ((0.0, 4.0),)) @ clock
    assert ramp[[8, 16, 40]] == pytest.approx([2.0, 4.0, 4.0])


def test_depth_is_said_where_it_is_nearly_sure_and_unknown_between():
    settings = SourceSettings()
    assert said_depth({"surface": 0.8, "under_part": 0.2}, is_behind=False, settings=settings) == "surface"
    assert said_depth({"surface": 0.5, "under_part": 0.5}, is_behind=False, settings=settings) == "unknown"
    assert said_depth({"surface": 0.05, "far_side": 0.95}, is_behind=False, settings=settings) == "far_side"
    assert said_depth({"surface": 0.6, "far_side": 0.4}, is_behind=True, settings=settings) == "far_side"


def test_the_likelihood_of_a_depth_counts_with_its_power_over_the_prior():
    prior = {"surface": 0.8, "under_part": 0.1, "far_side": 0.1}
    options = [Option(1.0, 0.0, depth=d, log_prior=float(np.log(p / 2))) for d, p in prior.items() for _ in range(2)]
    raw = np.repeat([0.04, 0.16, 0.80], 2) / 2
    found = SimpleNamespace(options=options, weights=raw)
    whole = depth_shares(found, replace(SourceSettings(), depth_evidence=1.0))
    assert whole == pytest.approx({"surface": 0.04, "under_part": 0.16, "far_side": 0.80})
    calm = depth_shares(found, SourceSettings())
    power = SourceSettings().depth_evidence
    assert sum(calm.values()) == pytest.approx(1.0)
    # likelihood ratio of far side to surface: (0.80 / 0.1) / (0.04 / 0.8) = 160
    assert calm["far_side"] / calm["surface"] == pytest.approx(160**power * 0.1 / 0.8)
