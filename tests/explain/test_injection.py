"""Copper against IEC 60028 and the sums made from it."""

from dataclasses import replace
from types import SimpleNamespace

import pytest

from thermscan.explain.injection import copper_ohm_m, injection_sentences, only_the_path, sheet_ohm, trace_ohm
from thermscan.explain.lineup import Hypothesis
from thermscan.explain.meter import plain
from thermscan.explain.power_tree import PowerTree, grow_tree
from thermscan.model.board import Board, Part, Rail
from thermscan.model.recording import Drive, SupplyPoint
from thermscan.pipeline.fed_net import fed_net_warnings


def test_copper_of_the_standard():
    # IEC 60028 (1925): 1/58 ohm mm2/m at 20 C, temperature coefficient 0.00393 /K.
    assert copper_ohm_m(20.0) == pytest.approx(1.7241379e-8, rel=1e-7)
    assert copper_ohm_m(85.0) / copper_ohm_m(20.0) == pytest.approx(1.25545, abs=1e-5)


@pytest.mark.parametrize(("thickness_um", "mohm"), [(35.0, 0.4926), (34.3, 0.5027)])
def test_sheet_resistance(thickness_um, mohm):
    # resistivity over thickness with the standard's resistivity
    assert sheet_ohm(thickness_um) * 1e3 == pytest.approx(mohm, abs=2e-4)


def test_trace_resistance_and_loss():
    # 50 mm x 0.25 mm x 35 um: 98.52 mohm at 20 C, 114.01 at 60 C; at 2 A 0.394 W (R = rho l / A, P = I2 R)
    cold, warm = trace_ohm(50.0, 0.25), trace_ohm(50.0, 0.25, celsius=60.0)
    assert cold == pytest.approx(98.52e-3, abs=1e-5)
    assert warm == pytest.approx(114.01e-3, abs=1e-5)
    assert 2.0**2 * cold == pytest.approx(0.39408, abs=1e-4)


def sentences(supply):
    drive = Drive("injection", net="+1V", volts=1.0, amps=3.0)
    evidence = SimpleNamespace(drive=drive, supply=supply, sources=())
    return injection_sentences(evidence, SimpleNamespace(tree=PowerTree(), board=None), ())


def test_what_was_set_is_two_limits_and_only_a_log_gives_watts_and_resistance():
    (said,) = sentences(())
    assert "at most 3 W" in said
    assert "ohm seen" not in said
    log = tuple(SupplyPoint(0.1 * i, 1.0, 0.5) for i in range(40))
    (said,) = sentences(log)
    assert "500 mW at 500 mA, 2 ohm seen" in said  # Ohm's law: 1 V over 0.5 A


@pytest.mark.parametrize(
    ("volts", "amps", "seen"),
    [
        # Ohm's law
        (1.0, 1.0 / 58.0, "17.2 mW at 17.2 mA, 58 ohm seen"),
        (0.06, 3.0, "180 mW at 3 A, 20 mohm seen"),
        (5.0, 1e-3, "5 mW at 1 mA, 5 kohm seen"),
    ],
)
def test_the_resistance_has_the_unit_that_fits_its_size(volts, amps, seen):
    (said,) = sentences(tuple(SupplyPoint(0.1 * i, volts, amps) for i in range(40)))
    assert said == f"injection into +1V: {seen}"


def test_a_rounded_value_takes_the_next_prefix():
    assert plain(999.7, "ohm") == "1 kohm"
    assert plain(0.000147, "V") == "147 uV"


@pytest.mark.parametrize(
    ("net", "volts", "said"),
    [
        ("+3V3", 5.0, ("5 V is above the 3.3 V that +3V3 carries: turn it down now",)),
        ("-5V", 6.0, ("6 V is above the -5 V that -5V carries: turn it down now",)),
        ("+3V3", 3.3, ()),
        ("SW", 5.0, ()),
        ("+1V8", 5.0, ("5 V is above the 1.8 V that +1V8 carries: turn it down now",)),  # by its name
    ],
)
def test_more_volts_than_a_net_carries_are_warned_of(net, volts, said):
    rails = (Rail("+3V3", 3.3), Rail("-5V", -5.0))
    board = replace(Board.rectangle(50, 40), rails=rails)
    assert fed_net_warnings(Drive("injection", net=net, volts=volts, amps=1.0), board) == said
    assert fed_net_warnings(Drive("board", net=net, volts=volts, amps=1.0), board) == ()
    assert fed_net_warnings(None, board) == ()
    assert fed_net_warnings(Drive("injection", net="VCC", volts=volts), None) == ()


def left(board, net):
    """Refdes of what is still suspected of ``board`` with a supply fed into ``net``."""
    hypotheses = [Hypothesis(p.ref, "short", None, 0.1, ()) for p in board.parts]
    lineup = SimpleNamespace(board=board, tree=grow_tree(board), hypotheses=hypotheses)
    only_the_path(SimpleNamespace(drive=Drive("injection", net=net, volts=1.0, amps=1.0)), lineup)
    return [h.where for h in lineup.hypotheses]


def test_what_the_current_reaches_is_suspected_through_a_coil_too():
    parts = (
        Part("L1", "inductor", 10, 10, nets=("+12V", "+12V_A")),
        Part("C1", "capacitor", 15, 10, nets=("+12V", "GND")),
        Part("C2", "capacitor", 20, 10, nets=("+12V_A", "GND")),
        Part("C3", "capacitor", 25, 10, nets=("+5V", "GND")),
        Part("U1", "regulator", 30, 10, nets=("+12V", "+5V", "GND")),
    )
    board = replace(Board.rectangle(50, 40), parts=parts)
    assert left(board, "+12V") == ["L1", "C1", "C2", "U1"]
    bare = replace(board, parts=tuple(replace(p, nets=()) for p in parts))
    assert left(bare, "+12V") == [p.ref for p in parts]  # no nets: nothing can be left out
