"""What healthy boards do differently together: loads that start sooner or later, parts of the far side."""

from dataclasses import replace

import numpy as np
import pytest

from tests.explain.conftest import POWER_W, evidence_of, run_plate
from tests.explain.test_late_load import late, with_load
from thermscan.explain.harmless import heat_of, starts_later
from thermscan.explain.pattern import OwnHeat
from thermscan.explain.scene import Scene
from thermscan.explain.suspect import explain
from thermscan.model.settings import ExplainSettings

SETTINGS = ExplainSettings()
TIMES_S = np.array([0.5, 1.0, 1.8, 2.5])
FRAMES, SECONDS = 24, 6.0


def scene_of(own_k, *, is_seen=None):
    """Places in a row, 3 mm apart, with their own heat, ndarray (places, stages) K."""
    n = len(own_k)
    seen = np.ones(n, bool) if is_seen is None else np.asarray(is_seen)
    spread = np.full(own_k.shape, 0.1)
    return Scene(
        tuple(f"U{i}" for i in range(n)), ("chip",) * n, 3.0 * np.arange(n), np.zeros(n), np.full(n, 2.0),
        np.zeros_like(own_k), own_k, spread, spread, TIMES_S, seen,
    )  # fmt: skip


@pytest.mark.parametrize("delay_s", [0.6, 1.2])
def test_a_load_that_starts_late_may_start_a_quarter_of_its_delay_sooner(delay_s):
    course = np.maximum(TIMES_S - delay_s, 0.0)
    found = starts_later(scene_of(course[None]), course[None], SETTINGS)
    sooner = np.maximum(TIMES_S - 0.75 * delay_s, 0.0)
    assert found[0, -1] == pytest.approx(sooner[-1] - course[-1], rel=0.1)


@pytest.mark.parametrize("course", [np.sqrt(TIMES_S), TIMES_S, 1 - np.exp(-TIMES_S / 0.4), np.full(4, 0.5)])
def test_heat_from_power_on_on_has_no_start_that_varies(course):
    assert starts_later(scene_of(course[None]), course[None], SETTINGS) is None


def test_what_a_part_of_the_far_side_warms_is_smooth_where_single_places_are_not():
    own = np.array([[0.2, 0.5, 0.9, 1.2]]) * np.array([[0.4], [1.0], [0.4], [1.9], [0.2]])  # a mirror at the fourth
    own[3] += 0.3
    shares = np.zeros((5, 5))
    shares[:, 1] = 1.0
    scene = scene_of(own, is_seen=[True, False, True, True, True])
    found = heat_of(scene, OwnHeat(shares, 3.0), 1)
    assert found[0] == pytest.approx(found[2], rel=1e-6)  # as far from it
    assert found[2, -1] > found[3, -1] > found[4, -1]
    assert np.all(np.diff(found, axis=1) > 0)
    seen = replace(scene, is_seen=np.ones(5, bool))
    np.testing.assert_allclose(heat_of(seen, OwnHeat(shares, 3.0), 1), own)


def started(seed, *, good_frames, faulty_frames, load_w=0.3):
    """Return board and evidence of a healthy board whose Q1 starts some frames after power-on, sooner or later."""
    random = np.random.default_rng(seed)
    board, refs = with_load(random)
    base = np.array([random.uniform(*POWER_W.get(p.kind, (0, 0))) for p in board.parts])
    base[refs.index("Q1")] = 0.0
    alone = np.array([load_w * (ref == "Q1") for ref in refs])
    runs = []
    for is_good in (False, True, True):
        unit = base * np.exp(random.normal(0, 0.1, len(base)))
        grid, film, tops = run_plate(board, unit, seconds=SECONDS, frames=FRAMES)
        _, load_film, load_tops = run_plate(board, alone, seconds=SECONDS, frames=FRAMES)
        wait = good_frames if is_good else faulty_frames
        runs.append((grid, film + late(load_film, wait), tops + late(load_tops, wait)))
    return board, evidence_of(board, runs, random, noise_k=0.05, seconds=SECONDS)


def test_a_load_that_starts_a_little_sooner_is_no_fault():
    sure = replace(SETTINGS, late_from_s=10.0)  # every start repeats to the moment
    for seed in range(4):
        board, evidence = started(seed, good_frames=6, faulty_frames=4)
        assert explain(evidence, board).verdict == "like_good"
        assert explain(evidence, board, settings=sure).suspects[0].ref == "Q1"
