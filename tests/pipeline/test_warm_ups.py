"""Extrapolated warm-ups of parts whose course is known in closed form."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from thermscan.model.board import Board, Part
from thermscan.model.quantity import Measured
from thermscan.model.result import PartReading
from thermscan.model.settings import Settings
from thermscan.physics.closed_form import lumped_rise, lumped_time
from thermscan.pipeline.warm_ups import read_warm_ups
from thermscan.show.words import warm_up_words

SETTINGS = Settings().warm_up
BOARD = replace(Board.rectangle(40, 30), parts=(Part("U1", "chip", 10, 10, 5, 5, max_c=60.0),))


def readings(*, final_k=50.0, tau_s=8.0, seconds=20.0):
    """One part that warms as a lumped body (Incropera and DeWitt, chapter 5) from 23 C."""
    edges = np.linspace(0, seconds, 81)
    centres = (edges[1:] + edges[:-1]) / 2
    rise = lumped_rise(centres, final_k=final_k, time_constant_s=tau_s)
    film = SimpleNamespace(unit="celsius", clock="power_on", edges_s=edges, centres_s=centres, on_for_s=None)
    last = float(rise[-1])
    part = PartReading(
        "U1", "chip", "top", "hot", Measured.normal(last, 0.1), None, None, None, Measured.normal(23 + last, 0.5), None,
        25.0, rise_course_k=rise, noise_course_k=np.full(80, 0.03),
    )  # fmt: skip
    return (part,), SimpleNamespace(film=film)


def test_final_temperature_and_time_to_the_limit():
    parts, excess = readings()
    (found,) = read_warm_ups(parts, excess, BOARD, runs=1, settings=SETTINGS)
    assert found.final_c.low < 73.0 < found.final_c.high
    assert found.time_constant_s.value == pytest.approx(8.0, rel=0.1)
    reached = lumped_time(start_k=0.0, end_k=37.0, surroundings_k=50.0, time_constant_s=8.0)
    assert found.limit_s.low * 0.99 < reached < found.limit_s.high * 1.01
    assert "reaches its limit of 60" in warm_up_words(found)


def test_too_few_seconds_are_said_to_be_too_few():
    parts, excess = readings(tau_s=200.0, seconds=4.0)
    (found,) = read_warm_ups(parts, excess, BOARD, runs=1, settings=SETTINGS)
    assert found.final_rise_k is None
    assert "too few" in found.why["final_rise_k"]
    assert "too few" in warm_up_words(found)


def test_no_single_warm_up_is_not_extrapolated():
    parts, excess = readings()
    (found,) = read_warm_ups(parts, excess, BOARD, runs=3, settings=SETTINGS)
    assert found.final_rise_k is None
    assert "came and went" in found.why["final_rise_k"]
