"""Readings: tolerances to the last bit, classes against the good board, and what they move."""

import math
from dataclasses import replace

import pytest

from thermscan.explain.meter import in_tolerance, resistance_class, voltage_class
from thermscan.explain.suspect import explain
from thermscan.model.chances import CURRENT, INRUSH, OHM, STEP, VOLTAGE
from thermscan.model.reading import Reading


def reading(net, quantity, value, *, good=None, power=None):
    unit = {"voltage": "V", "resistance_to_ground": "ohm", "diode_drop": "V", "current": "A"}[quantity]
    state = power or ("off" if quantity in ("resistance_to_ground", "diode_drop") else "on")
    return Reading("", "", net, quantity, value, unit, good, state, "")


# +-5 % of 3.3, 5 and 12 V, limits included: common practice, no source. The ratio form abs(v / 3.3 - 1) <= 0.05
# rejects both limits by rounding.
@pytest.mark.parametrize(
    ("volts", "nominal"),
    [(3.135, 3.3), (3.465, 3.3), (3.29, 3.3), (4.75, 5.0), (5.25, 5.0), (11.4, 12.0), (12.6, 12.0), (-11.4, -12.0)],
)
def test_limits_are_inside(volts, nominal):
    assert in_tolerance(volts, nominal, 5.0)


@pytest.mark.parametrize(("volts", "nominal"), [(3.1349, 3.3), (3.4651, 3.3), (4.749, 5.0), (12.61, 12.0)])
def test_beyond_the_limits_is_outside(volts, nominal):
    assert not in_tolerance(volts, nominal, 5.0)


@pytest.mark.parametrize(
    ("volts", "kind"), [(3.29, "in tolerance"), (2.6, "low"), (0.2, "dead"), (4.1, "high"), (0.0, "dead")]
)
def test_voltage_classes(volts, kind):
    assert voltage_class(volts, 3.3, 5.0) == kind


@pytest.mark.parametrize(
    ("ohm", "good", "kind"),
    [
        (180.0, 200.0, "like the good board"),
        (60.0, 200.0, "low"),
        (0.6, 200.0, "very low"),
        (900.0, 200.0, "high"),
        (math.inf, 200.0, "high"),
        (math.inf, math.inf, "like the good board"),
        (200.0, math.inf, "low"),
    ],
)
def test_resistance_classes(ohm, good, kind):
    assert resistance_class(ohm, good) == kind


@pytest.mark.parametrize("table", [VOLTAGE, OHM, CURRENT, INRUSH, STEP])
def test_chances_add_to_one(table):
    for row in table.values():
        assert sum(row.values()) == pytest.approx(1.0, abs=1e-9)
        assert min(row.values()) > 0  # nothing read can rule a fault out for good


def probability(ranking, refs):
    return sum(s.probability for s in ranking.suspects if s.ref in refs)


def test_a_low_resistance_moves_towards_that_net(made_case, bare_evidence):
    case = made_case(8, "none", goods=1)
    evidence = bare_evidence(case.evidence)
    low = replace(evidence, readings=(reading("+1V8", "resistance_to_ground", 0.6, good=200.0),))
    like = replace(evidence, readings=(reading("+1V8", "resistance_to_ground", 195.0, good=200.0),))
    on_net = {p.ref for p in case.board.parts if "+1V8" in p.nets}
    before, after = explain(evidence, case.board), explain(low, case.board)
    assert probability(after, on_net) > 3 * probability(before, on_net)
    assert explain(like, case.board).no_fault_probability > before.no_fault_probability
    assert len(after.moved_by) == 1
    assert "0.6" in after.moved_by[0] or "600 m" in after.moved_by[0]


def test_resistance_with_power_on_is_refused_with_the_caution(made_case, bare_evidence):
    case = made_case(8, "none", goods=1)
    evidence = replace(
        bare_evidence(case.evidence), readings=(reading("+1V8", "resistance_to_ground", 0.6, good=200.0, power="on"),)
    )
    ranking = explain(evidence, case.board)
    assert ranking.moved_by == ()
    assert any("switch off" in w and "discharge" in w for w in ranking.warnings)


def test_no_reading_is_no_evidence(made_case, bare_evidence):
    case = made_case(8, "none", goods=1)
    evidence = bare_evidence(case.evidence)
    assert explain(evidence, case.board).moved_by == ()


def test_the_last_of_two_readings_counts(made_case, bare_evidence):
    case = made_case(8, "none", goods=1)
    evidence = bare_evidence(case.evidence)
    good = reading("+1V8", "resistance_to_ground", 195.0, good=200.0)
    bad = reading("+1V8", "resistance_to_ground", 0.6, good=200.0)
    both = explain(replace(evidence, readings=(bad, good)), case.board)
    one = explain(replace(evidence, readings=(good,)), case.board)
    assert both.no_fault_probability == pytest.approx(one.no_fault_probability)
