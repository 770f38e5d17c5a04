"""Warm places of a board of which no part is known, told apart by their slope."""

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.special import softmax

from thermscan.explain.bare_place import Bare
from thermscan.explain.lineup import Hypothesis
from thermscan.explain.steepness import shared_by_steepness
from thermscan.model.quantity import Measured
from thermscan.model.result import Hotspot, RiseRate

SLOPES = (20.0, 4.0)  # K/s


def spot(rank, x_mm, k_per_s):
    rate = RiseRate(Measured(k_per_s, 0.9 * k_per_s, 1.1 * k_per_s), 0.5, 0.0)
    rise = Measured(10.0, 9.0, 11.0)
    return Hotspot(rank, "hot", x_mm, 20.0, 1.0, rise, None, 5.0, 1e-9, 1e-9, 9.0, 4.0, rise_rate=rate)


def lineup(refs=(None, None)):
    faults = [Hypothesis(f"@{n}", fault, None, 0.1, (), at=n) for n in (0, 1) for fault in ("short", "joint")]
    scene = SimpleNamespace(refs=refs, x_mm=np.array([20.0, 60.0]), y_mm=np.array([20.0, 20.0]))
    bare = tuple(Bare(x, 20.0, 1.0, ()) for x in (20.0, 60.0))
    return SimpleNamespace(hypotheses=faults, bare=bare, scene=scene)


EVIDENCE = SimpleNamespace(hotspots=(spot(1, 20.0, SLOPES[0]), spot(2, 60.0, SLOPES[1])))
PRIOR = np.log(np.array([0.1, 0.1, 0.1, 0.1, 0.3, 0.3]))
HEAT = np.array([2.0, 1.0, 9.0, 7.0, 0.0, 1.0])  # the flat, wide place has most heat


def test_places_share_what_they_have_together_by_their_slopes():
    before, after = softmax(PRIOR + HEAT), softmax(PRIOR + shared_by_steepness(EVIDENCE, lineup(), PRIOR, HEAT))
    assert after[:4].sum() == pytest.approx(before[:4].sum())
    np.testing.assert_allclose(after[4:], before[4:])
    assert after[:2].sum() / after[2:4].sum() == pytest.approx(SLOPES[0] / SLOPES[1])
    assert after[0] / after[1] == pytest.approx(before[0] / before[1])  # rival faults of one place stay as they were


def test_listed_parts_are_judged_by_their_kind_instead():
    np.testing.assert_array_equal(shared_by_steepness(EVIDENCE, lineup(("U1", None)), PRIOR, HEAT), HEAT)
