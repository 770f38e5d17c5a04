"""Symptoms of the power-up: each moves the probabilities, none decides, and good boards alike say nothing."""

from dataclasses import replace

import numpy as np
import pytest

from thermscan.explain.lineup import Hypothesis, Lineup
from thermscan.explain.meter import weigh_readings
from thermscan.explain.power_tree import grow_tree
from thermscan.explain.symptom import weigh_symptoms
from thermscan.model.chances import OUTCOMES
from thermscan.model.evidence import Evidence, Priors
from thermscan.model.quantity import Measured
from thermscan.model.reading import Reading
from thermscan.model.recording import Drive, SupplyPoint
from thermscan.model.settings import ExplainSettings
from thermscan.model.timing import PowerUp, Timing

FAULTS = OUTCOMES[:-2]
STEADY = Timing(restarts=0, power_ups=(PowerUp(Measured(1, 1, 1), None),))


@pytest.fixture
def lineup():
    """One hypothesis a fault, in the order of FAULTS; nothing of the picture is needed."""
    hypotheses = [Hypothesis(f"U{i}", f, "+3V3", 0.1, (), frozenset()) for i, f in enumerate(FAULTS)]
    return Lineup(None, None, grow_tree(None), Priors(), ExplainSettings(), None, (), hypotheses=hypotheses)


def log(amps, step_s=0.1):
    return tuple(SupplyPoint(i * step_s, 12.0, float(a)) for i, a in enumerate(amps))


def tries(starts, run_s):
    ups = tuple(PowerUp(Measured(t, t, t), Measured(t + run_s, t + run_s, t + run_s)) for t in starts)
    return Timing(restarts=len(starts) - 1, power_ups=ups)


def ratios(weight):
    """Likelihood of each outcome over that of no fault, by name."""
    values = np.exp(weight.log - weight.log[-2])
    return dict(zip((*FAULTS, "none", "other"), values, strict=True))


def found(evidence, lineup, word):
    return [w for w in weigh_symptoms(evidence, lineup) if word in w.text]


CALM = [0] * 5 + [1.6, 1.2, 0.9] + [0.5] * 25
LATER = [0] * 5 + [0.3] * 25 + [0.6] * 25


def test_short_tries_speak_for_an_electronic_limit_and_long_ones_for_heat(lineup):
    quick = Evidence(timing=tries([1, 3, 5, 7], 0.3), good_timings=(STEADY,))
    slow = Evidence(timing=tries([1, 9, 17, 25], 5.0), good_timings=(STEADY,))
    (a,), (b,) = found(quick, lineup, "each try runs"), found(slow, lineup, "each try runs")
    assert "0.3 s" in a.text
    assert "good boards run on" in a.text
    assert ratios(a)["short"] > 1 > ratios(a)["heat_path"]
    assert ratios(b)["heat_path"] > 1 > ratios(b)["short"]


def test_tries_like_a_clock_speak_against_a_joint(lineup):
    even = Evidence(timing=tries([1, 3, 5, 7], 0.3), good_timings=(STEADY,))
    uneven = Evidence(timing=tries([1, 2, 6, 7.5], 0.3), good_timings=(STEADY,))
    (a,), (b,) = found(even, lineup, "a try every"), found(uneven, lineup, "a try every")
    assert "2.0 s, like a clock" in a.text
    assert ratios(a)["supply_limit"] > 1 > ratios(a)["joint"]
    assert ratios(b)["joint"] > 1 > ratios(b)["supply_limit"]


def test_tries_as_on_the_good_boards_say_nothing(lineup):
    evidence = Evidence(timing=tries([1, 3, 5, 7], 0.3), good_timings=(tries([1, 3, 5], 0.3),))
    for word in ("each try runs", "a try every"):
        (weight,) = found(evidence, lineup, word)
        assert "as on the good boards" in weight.text
        assert not weight.log.any()


def test_a_plateau_at_the_limit_counts_only_where_good_boards_have_none(lineup):
    at = log([0] * 5 + [2.0] * 30)
    alone = Evidence(supply=at, good_supplies=(log(CALM),), drive=Drive(amps=2.0))
    (weight,) = found(alone, lineup, "at its limit")
    assert "never with the good boards" in weight.text
    assert ratios(weight)["short"] > ratios(weight)["joint"] > 1
    (same,) = found(replace(alone, good_supplies=(at, at)), lineup, "at its limit")
    assert not same.log.any()


def test_a_surge_that_is_cut_speaks_for_a_supply_at_its_limit(lineup):
    flat = log([0] * 5 + [0.5] * 30)
    (weight,) = found(Evidence(supply=flat, good_supplies=(log(CALM), log(CALM))), lineup, "surge")
    assert "low" in weight.text
    assert ratios(weight)["supply_limit"] > ratios(weight)["heat_path"]
    (like,) = found(Evidence(supply=log(CALM), good_supplies=(log(CALM),)), lineup, "surge")
    assert ratios(like)["supply_limit"] < 1
    assert not found(Evidence(supply=flat, good_supplies=(flat,)), lineup, "surge")


def test_a_step_that_does_not_come_speaks_for_a_supply_that_never_starts(lineup):
    never = log([0] * 5 + [0.3] * 50)
    (weight,) = found(Evidence(supply=never, good_supplies=(log(LATER),)), lineup, "steps of")
    assert "0 steps" in weight.text
    assert "missing" in weight.text
    assert ratios(weight)["dead_supply"] > ratios(weight)["leak"] > 0.9
    (more,) = found(Evidence(supply=log(LATER), good_supplies=(never,)), lineup, "steps of")
    assert ratios(more)["overload"] > ratios(more)["dead_supply"]


def test_times_and_shapes_never_decide_alone(lineup):
    cases = [
        Evidence(timing=tries([1, 3, 5, 7], 0.3), good_timings=(STEADY,)),
        Evidence(timing=tries([1, 9, 14, 25], 3.0), good_timings=(STEADY,)),
        Evidence(supply=log([0] * 5 + [0.5] * 30), good_supplies=(log(CALM),)),
        Evidence(supply=log(LATER), good_supplies=(log([0] * 5 + [0.3] * 50),)),
    ]
    for evidence in cases:
        for word in ("each try runs", "a try every", "surge", "steps of"):
            for weight in found(evidence, lineup, word):
                assert np.ptp(weight.log) < np.log(5.0)
                assert np.ptp(weight.log) > 0.1


def test_chances_are_the_files(lineup):
    even = Evidence(timing=tries([1, 3, 5, 7], 0.3), good_timings=(STEADY,))
    table = {k: dict(v) for k, v in Priors().symptoms.items()}
    table["quick_tries"]["joint"] = 0.9
    changed = replace(lineup, priors=replace(Priors(), symptoms=table))
    (a,), (b,) = found(even, lineup, "each try runs"), found(even, changed, "each try runs")
    joint = FAULTS.index("joint")
    assert b.log[joint] == pytest.approx(np.log(0.9))
    assert a.log[joint] == pytest.approx(np.log(Priors().symptoms["quick_tries"]["joint"]))


def noted(quantity, value, good=None):
    unit = "A" if quantity == "inrush_current" else "s"
    return Reading("", "supply", "", quantity, value, unit, good, "on", "")


def test_what_was_noted_by_hand_moves_as_what_was_filmed(lineup):
    rows = (noted("run_time", 0.3), noted("retry_period", 2.0), noted("inrush_current", 0.5, 1.6))
    (run, retry, surge), refused = weigh_readings(rows, lineup)
    assert refused == []
    assert ratios(run)["short"] > 1 > ratios(run)["heat_path"]
    assert ratios(retry)["supply_limit"] > 1 > ratios(retry)["joint"]
    assert ratios(surge)["supply_limit"] > ratios(surge)["heat_path"]
    ((long,), _), ((same,), _) = (weigh_readings((noted("run_time", 6.0, g),), lineup) for g in (None, 5.5))
    assert ratios(long)["heat_path"] > 1
    assert not same.log.any()
    assert "good board" in weigh_readings((noted("inrush_current", 0.5),), lineup)[1][0]


def test_what_was_noted_is_not_weighed_twice(lineup):
    evidence = Evidence(timing=tries([1, 3, 5, 7], 0.3), good_timings=(STEADY,))
    both = replace(evidence, readings=(noted("run_time", 0.3), noted("retry_period", 2.0)))
    assert found(evidence, lineup, "each try runs")
    assert not found(both, lineup, "each try runs")
    assert not found(both, lineup, "a try every")
