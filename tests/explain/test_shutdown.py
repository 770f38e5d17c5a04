"""Why it shut down: junction estimate, and when the surface cannot tell."""

from dataclasses import replace

import numpy as np
import pytest

from thermscan.explain.shutdown import junction_c, why_it_shut_down
from thermscan.model.board import Board, Part
from thermscan.model.evidence import Evidence, Priors
from thermscan.model.quantity import Measured
from thermscan.model.result import HeatSource, PartReading
from thermscan.model.timing import Timing

BOARD = Board.rectangle(50, 40)
CHIP = Part("U1", "chip", 20, 20, 8, 8, max_c=105.0)
OFF = Timing(on_s=Measured(1, 1, 1), off_s=Measured(9, 9, 9))


def reading(surface, *, state="hot"):
    temperature = None if surface is None else Measured(surface, surface - 1, surface + 1)
    return PartReading("U1", "chip", "top", state, None, None, None, None, temperature, None, 60.0)


def evidence(surface, *, watts=None, state="hot"):
    sources = ()
    if watts is not None:
        sources = (HeatSource("U1", 20, 20, 1.0, Measured(watts, 0.9 * watts, 1.1 * watts), np.zeros(1), 0.9),)
    return Evidence(parts=(reading(surface, state=state),), sources=sources, timing=OFF)


def said(part, found):
    return " ".join(why_it_shut_down(found, replace(BOARD, parts=(part,)), priors=Priors()))


def test_junction_is_surface_plus_power_times_resistance():
    hot = junction_c(Measured(80, 79, 81), Measured(2.0, 1.8, 2.2), 5.0)
    assert hot.value == pytest.approx(90.0)
    assert hot.low < hot.value < hot.high


def test_below_the_limit_heat_does_not_explain():
    assert "heat does not explain" in said(CHIP, evidence(40.0, watts=0.1))


def test_a_junction_may_be_hotter_than_a_surface_that_has_risen_far():
    found = evidence(95.0)
    warm = replace(found, parts=(replace(found.parts[0], rise_k=Measured(70.0, 69.0, 71.0)),))
    assert "lies in that range" in said(CHIP, warm)
    capacitor = replace(CHIP, kind="capacitor")
    assert "heat does not explain" in said(capacitor, warm)  # it has no junction


def test_above_the_limit_heat_can():
    assert "heat can explain" in said(CHIP, evidence(112.0))


def test_between_it_says_so():
    assert "lies in that range" in said(CHIP, evidence(95.0, watts=2.0))


@pytest.mark.parametrize("part", [replace(CHIP, covered_by="SH1"), CHIP])
def test_covered_or_metal_cannot_tell(part):
    text = said(part, evidence(60.0, state="unreadable"))
    assert "cannot tell" in text
    assert "does not explain" not in text


def test_silent_without_limit_or_power_off():
    assert said(replace(CHIP, max_c=None), evidence(112.0)) == ""
    assert why_it_shut_down(replace(evidence(112.0), timing=Timing()), BOARD, priors=Priors()) == ()
