"""The power tree: given, guessed, and absent."""

from dataclasses import replace

import numpy as np
import pytest

from thermscan.explain.power_tree import grow_tree, is_ground, volts_from_name
from thermscan.model.board import Board, Part, Rail

OUTLINE = np.array([[0, 0], [50, 0], [50, 40], [0, 40]], float)
PARTS = (
    Part("J1", "connector", 3, 3, nets=("+12V", "GND")),
    Part("U1", "regulator", 10, 10, nets=("+12V", "SW1", "GND")),
    Part("L1", "inductor", 15, 10, nets=("SW1", "+5V")),
    Part("U2", "regulator", 20, 10, nets=("+5V", "+3V3", "GND")),
    Part("U3", "chip", 30, 10, nets=("+3V3", "GND")),
    Part("U4", "chip", 40, 10, nets=("+5V", "GND")),
    Part("C1", "capacitor", 30, 20, nets=("+3V3", "GND")),
    Part("R1", "resistor", 35, 20, nets=("+3V3", "RESET")),
)
RAILS = (Rail("+12V", 12.0), Rail("+5V", 5.0, 5.0, "U1", "+12V"), Rail("+3V3", 3.3, 5.0, "U2", "+5V"))


@pytest.mark.parametrize(
    ("name", "volts"),
    [
        ("+3V3", 3.3),
        ("12V", 12.0),
        ("+1V05_CORE", 1.05),
        ("VDD_5V", 5.0),
        ("+3.3V", 3.3),
        ("1.8V", 1.8),
        ("+12.0V", 12.0),
        ("VCC_2.5", 2.5),
        ("+2.5VA", 2.5),
        ("-12V", -12.0),
        ("-5V0", -5.0),
        ("5V_DRIVE", 5.0),
        ("12V_TO_5V", 5.0),
        ("V3P3", 3.3),
        ("VDD_1P8", 1.8),
        ("VCC_1P05_CORE", 1.05),
        ("1P2", 1.2),
        ("PCIE_RX0P1", None),
        ("ADC_2P5", None),
        ("RESET", None),
        ("VIN", None),
        ("IO2", None),
    ],
)
def test_volts_in_a_name(name, volts):
    assert volts_from_name(name) == volts


@pytest.mark.parametrize("name", ["GND", "AGND", "PGND", "VSS", "0V", "gnd"])
def test_grounds(name):
    assert is_ground(name)
    assert not is_ground("+5V")


def test_given_tree():
    tree = grow_tree(Board("b", OUTLINE, parts=PARTS, rails=RAILS))
    assert not tree.is_guess
    assert tree.below("+5V") == ("+5V", "+3V3")
    assert tree.above("+3V3") == ("+5V", "+12V")
    assert tree.path_to("+3V3") >= {"U2", "L1", "U1", "J1"}
    assert tree.fed_by("+5V") >= {"U2", "U3", "U4"}
    assert "U1" not in tree.fed_by("+5V")
    assert tree.made_by("U2") == ("+3V3",)


def test_an_injected_current_passes_coils_but_no_regulator():
    board = Board("b", OUTLINE, parts=(*PARTS, Part("L2", "inductor", 33, 10, nets=("+3V3", "+3V3_A"))), rails=RAILS)
    assert grow_tree(board).conducted("+3V3", board) == {"+3V3", "+3V3_A"}
    assert "+3V3" not in grow_tree(board).conducted("+5V", board)


STAGE = (
    Part("D1", "diode", 12, 12, nets=("GND", "SW1")),
    Part("Q1", "transistor", 8, 12, nets=("+12V", "SW1", "G1")),
    Part("R2", "resistor", 12, 14, nets=("+5V", "FB_5V")),
    Part("R3", "resistor", 13, 14, nets=("FB_5V", "GND")),
    Part("L3", "inductor", 40, 14, nets=("+5V", "NF")),
    Part("C2", "capacitor", 42, 14, nets=("NF", "GND")),
)


def test_what_sits_before_the_coil_or_behind_a_filter_hangs_on_the_supply():
    tree = grow_tree(Board("b", OUTLINE, parts=(*PARTS, *STAGE), rails=RAILS))
    supply = tree.supplies["+5V"]
    assert set(supply.nodes) == {"SW1", "NF"}
    assert {"D1", "C2"} <= set(supply.shunts)
    assert {"Q1", "L1"} <= set(supply.series)
    parts = {p.ref: p for p in STAGE}
    assert tree.supplies_of(parts["D1"]) == tree.supplies_of(parts["C2"]) == ("+5V",)


@pytest.mark.parametrize(("net", "is_supply"), [("FB_5V", False), ("3V3_EN", False), ("3V3_ADC", True)])
def test_a_net_that_carries_a_signal_about_a_supply_is_none(net, is_supply):
    parts = (Part("R2", "resistor", 12, 14, nets=("+5V", net)), Part("R3", "resistor", 13, 14, nets=(net, "GND")))
    assert (net in grow_tree(Board("b", OUTLINE, parts=(*PARTS, *parts), rails=RAILS)).supplies) == is_supply


def test_a_diode_behind_a_coil_feeds_the_higher_supply_made_with_it():
    step_up = (
        Part("U5", "regulator", 20, 30, nets=("+5V", "LX1", "GND")),
        Part("L4", "inductor", 24, 30, nets=("+5V", "LX1")),
        Part("D4", "diode", 28, 30, nets=("LX1", "+20V")),
        Part("Q4", "transistor", 24, 33, nets=("LX1", "GND", "G4")),
    )
    rails = (*RAILS, Rail("+20V", 20.0, 5.0, "U5", "+5V"))
    tree = grow_tree(Board("b", OUTLINE, parts=(*PARTS, *step_up), rails=rails))
    assert "D4" in tree.supplies["+20V"].series
    assert "Q4" in tree.supplies["+5V"].users  # a short of it takes the lower supply down


@pytest.mark.parametrize(("end", "clamp"), [("SW_A", ()), ("N7", (Part("D1", "diode", 12, 12, nets=("GND", "N7")),))])
def test_a_chip_of_no_stated_kind_that_drives_a_coil_makes_what_lies_behind_it(end, clamp):
    driving = {"U1": ("+12V", end, "GND", "EN1"), "L1": (end, "+5V")}
    parts = tuple(replace(p, nets=driving.get(p.ref, p.nets), kind="chip" if p.ref == "U1" else p.kind) for p in PARTS)
    tree = grow_tree(Board("b", OUTLINE, parts=(*parts, *clamp)))
    assert tree.supplies["+5V"].maker == "U1"
    assert tree.supplies["+5V"].from_net == "+12V"
    assert tree.is_guess


def test_what_a_chip_makes_through_a_coil_may_have_no_volts_and_goes_before_what_a_module_may_make():
    driving = {"U1": ("+12V", "N7", "GND", "FB1"), "L1": ("N7", "VCORE")}
    parts = tuple(replace(p, nets=driving.get(p.ref, p.nets), kind="chip" if p.ref == "U1" else p.kind) for p in PARTS)
    parts = (*parts, Part("U9", "module", 40, 30, nets=("VCORE", "+5V", "GND")))
    parts = (*parts, Part("C9", "capacitor", 41, 30, nets=("VCORE", "GND")))
    supply = grow_tree(Board("b", OUTLINE, parts=parts)).supplies["VCORE"]
    assert (supply.maker, supply.from_net, supply.series) == ("U1", "+12V", ("L1",))


@pytest.mark.parametrize(
    ("name", "regulator_nets"), [("+5V_SW", ("+5V", "+5V_SW", "GND")), ("VINT", ("VINT", "+5V", "GND"))]
)
def test_a_regulator_between_two_supplies_makes_the_one_that_nothing_else_makes(name, regulator_nets):
    more = (Part("U7", "regulator", 40, 30, nets=regulator_nets), Part("U8", "chip", 45, 30, nets=(name, "GND")))
    parts = (*PARTS, *more, Part("C8", "capacitor", 45, 35, nets=(name, "GND")))
    rails = () if name != "VINT" else (Rail("VINT", None),)
    tree = grow_tree(Board("b", OUTLINE, parts=parts, rails=rails))
    assert (tree.supplies[name].maker, tree.supplies[name].from_net) == ("U7", "+5V")
    assert tree.supplies["+5V"].maker == "U1"


def test_a_chip_behind_a_filter_makes_nothing():
    parts = (
        Part("J1", "connector", 3, 3, nets=("+3V3", "GND")),
        Part("L1", "inductor", 15, 10, nets=("+3V3", "NF")),
        Part("C1", "capacitor", 16, 12, nets=("NF", "GND")),
        Part("U1", "chip", 20, 10, nets=("NF", "+5V", "GND", "A0")),
        Part("J2", "connector", 3, 30, nets=("+5V", "GND")),
    )
    assert grow_tree(Board("b", OUTLINE, parts=parts)).supplies["+3V3"].maker is None


def test_a_pull_up_carries_no_supply():
    tree = grow_tree(Board("b", OUTLINE, parts=PARTS, rails=RAILS))
    assert "R1" not in tree.supplies["+3V3"].series
    assert "L1" in tree.supplies["+5V"].series


def test_guessed_tree_says_so():
    tree = grow_tree(Board("b", OUTLINE, parts=PARTS))
    assert tree.is_guess
    assert tree.supplies["+3V3"].maker == "U2"
    assert tree.supplies["+3V3"].from_net == "+5V"
    assert "guessed" in tree.sentence


@pytest.mark.parametrize("node", ["SW1", "SW+3V3", "N$12"])
def test_a_switching_regulator_makes_the_net_behind_its_inductor(node):
    parts = (
        Part("U7", "regulator", 10, 10, 4, 4, nets=("VIN", node, "GND")),
        Part("L7", "inductor", 20, 10, 5, 5, nets=(node, "+3V3")),
        Part("C7", "capacitor", 30, 10, 2, 1, nets=("+3V3", "GND")),
        Part("U8", "chip", 40, 10, 6, 6, nets=("+3V3", "GND")),
    )
    board = Board("b", Board.rectangle(60, 30).outline_mm, 1.6, parts=parts, rails=(Rail("VIN", 12.0),))
    tree = grow_tree(board)
    assert set(tree.supplies) == {"VIN", "+3V3"}
    made = tree.supplies["+3V3"]
    assert (made.maker, made.from_net, made.series) == ("U7", "VIN", ("L7",))
    assert "+3V3 made by U7" in tree.sentence
    assert tree.fed_by("VIN") >= {"U7", "L7", "U8", "C7"}


def test_what_a_net_feeds_is_not_taken_for_its_maker_where_only_its_source_is_named():
    rails = (Rail("+12V", 12.0), Rail("+5V", 5.0, from_net="+12V"), Rail("+3V3", 3.3))
    parts = (PARTS[3], *PARTS[:3], *PARTS[4:])  # the regulator that the net feeds stands first
    tree = grow_tree(Board("invented", OUTLINE, parts=parts, rails=rails))
    assert tree.supplies["+5V"].maker == "U1"
    assert tree.supplies["+3V3"].maker == "U2"
    assert tree.fed_by("+5V") >= {"U2", "U3", "U4"}


def test_an_input_of_unknown_volts_may_be_what_a_net_is_made_from():
    parts = tuple(Part(p.ref, p.kind, p.x, p.y, nets=tuple(n.replace("+12V", "VBAT") for n in p.nets)) for p in PARTS)
    tree = grow_tree(Board("invented", OUTLINE, parts=parts))
    assert (tree.supplies["+5V"].maker, tree.supplies["+5V"].from_net) == ("U1", "VBAT")
    assert tree.supplies["+3V3"].from_net == "+5V"


@pytest.mark.parametrize(("others", "maker"), [((), "U2"), (("+5V", "+3V3", "GND"), None),
                                               (("+5V", "+3V3", "GND", "DATA"), "U2")])  # fmt: skip
def test_a_chip_with_two_supplies_and_no_signal_is_a_regulator_if_it_alone_is(others, maker):
    parts = tuple(Part(p.ref, "chip" if p.ref == "U2" else p.kind, p.x, p.y, nets=p.nets) for p in PARTS)
    parts += (Part("U9", "chip", 45, 30, nets=others),) if others else ()
    assert grow_tree(Board("invented", OUTLINE, parts=parts)).supplies["+3V3"].maker == maker


def test_parts_that_no_supply_is_known_to_feed_are_told_from_those_that_one_does():
    loose = Part("Q9", "transistor", 45, 30, nets=("N1", "N2", "GND"))
    tree = grow_tree(Board("invented", OUTLINE, parts=(*PARTS, loose), rails=RAILS))
    assert tree.known() >= {"U1", "U2", "U3", "L1", "C1"}
    assert "Q9" not in tree.known()


def test_what_leads_on_to_the_next_supply_does_not_feed_the_first():
    parts = (
        Part("J7", "connector", 5, 10, 8, 8, nets=("VIN_RAW", "GND")),
        Part("F7", "fuse", 15, 10, 3, 2, nets=("VIN_RAW", "VIN")),
        Part("U7", "chip", 30, 10, 4, 4, nets=("VIN", "GND")),
    )
    tree = grow_tree(Board("b", Board.rectangle(60, 30).outline_mm, 1.6, parts=parts))
    assert tree.path_to("VIN_RAW") == {"J7"}
    assert tree.path_to("VIN") == {"J7", "F7"}
    assert tree.above("VIN") == ("VIN_RAW",)


def test_no_nets_no_tree():
    tree = grow_tree(Board("b", OUTLINE, parts=(Part("U1", "chip", 5, 5),)))
    assert tree.supplies == {}
    assert "no nets" in tree.sentence


def test_a_loop_of_rails_ends():
    loop = (Rail("A", 5.0, 5.0, "U1", "B"), Rail("B", 5.0, 5.0, "U2", "A"))
    tree = grow_tree(Board("b", OUTLINE, parts=PARTS, rails=loop))
    assert set(tree.below("A")) == {"A", "B"}
    assert set(tree.above("A")) == {"A", "B"}


def tree_with(first, second):
    """Return the tree of the board with an indicator behind two resistors of these nets."""
    more = (
        Part("R2", "resistor", 36, 20, nets=first),
        Part("R3", "resistor", 37, 20, nets=second),
        Part("D1", "diode", 38, 20, nets=(second[1], "GND")),
    )
    return grow_tree(Board("b", OUTLINE, parts=PARTS + more, rails=RAILS))


def test_an_indicator_behind_its_resistors_goes_dark_with_the_supply():
    tree = tree_with(("+3V3", "N1"), ("N1", "N2"))
    assert set(tree.supplies["+3V3"].strings) == {"R3", "D1"}
    assert {"R2", "R3", "D1"} <= tree.fed_by("+3V3")
    assert {"R3", "D1"} <= tree.fed_by("+5V")


def test_what_two_supplies_reach_hangs_on_neither():
    tree = tree_with(("+3V3", "N1"), ("+5V", "N1"))
    assert not any(s.strings for s in tree.supplies.values())


def test_a_chip_behind_a_pull_up_is_not_fed_by_it():
    more = (Part("U5", "chip", 36, 20, nets=("RESET", "VX", "GND")),)
    tree = grow_tree(Board("b", OUTLINE, parts=PARTS + more, rails=RAILS))
    assert "U5" not in tree.fed_by("+3V3")


@pytest.mark.parametrize("name", ["VM", "RAW_IN", "N$7"])
def test_what_regulators_take_their_power_from_is_a_supply_whatever_it_is_called(name):
    parts = tuple(replace(p, nets=tuple(name if n == "+12V" else n for n in p.nets)) for p in PARTS)
    bypass = Part("C9", "capacitor", 8, 8, nets=(name, "GND"))
    tree = grow_tree(Board("b", OUTLINE, parts=(*parts, bypass)))
    assert (tree.supplies["+5V"].maker, tree.supplies["+5V"].from_net) == ("U1", name)
    assert tree.supplies[name].maker is None
    assert tree.supplies[name].series == ("J1",)


def test_a_regulator_with_two_nets_of_unknown_use_tells_no_input():
    parts = tuple(replace(p, nets=(*p.nets, "AUX1", "AUX2")) if p.ref == "U1" else p for p in PARTS)
    parts = tuple(replace(p, nets=tuple(n for n in p.nets if n != "+12V")) for p in parts)
    caps = tuple(Part(f"C{n}", "capacitor", n, 8, nets=(f"AUX{n}", "GND")) for n in (1, 2))
    assert not {"AUX1", "AUX2"} & set(grow_tree(Board("b", OUTLINE, parts=(*parts, *caps))).supplies)


def test_a_regulator_behind_a_coil_goes_before_a_module_that_touches_two_supplies():
    module = Part("M1", "module", 40, 30, nets=("+12V", "+5V", "GND", "SDA"))
    assert grow_tree(Board("b", OUTLINE, parts=(module, *PARTS))).supplies["+5V"].maker == "U1"


@pytest.mark.parametrize("node", ["+5V_LX", "LX_5V", "5V_PHASE"])
def test_the_node_before_a_coil_is_no_supply_and_the_input_is_not_made_from_it(node):
    parts = tuple(replace(p, nets=tuple(node if n == "SW1" else n for n in p.nets)) for p in PARTS)
    given = (Rail("+12V", 12.0), Rail("+5V", 5.0, 5.0, "U1", "+12V"))
    for rails in (given, ()):
        tree = grow_tree(Board("b", OUTLINE, parts=parts, rails=rails))
        assert node not in tree.supplies
        assert tree.made_by("U1") == ("+5V",)
        assert tree.supplies["+12V"].maker is None


def test_what_makes_a_supply_of_the_input_does_not_make_the_input():
    parts = (*PARTS[:1], Part("U1", "regulator", 10, 10, nets=("+12V", "VX", "GND")), *PARTS[3:])
    rails = (Rail("+12V", 12.0), Rail("VX", None, 5.0, "U1", "+12V"))
    assert grow_tree(Board("b", OUTLINE, parts=parts, rails=rails)).supplies["+12V"].maker is None


@pytest.mark.parametrize("name", ["3V3_SW", "+5V_SWITCHED"])
def test_a_switched_supply_is_one(name):
    parts = (*PARTS, Part("U9", "chip", 5, 5, nets=(name, "GND")), Part("C9", "capacitor", 6, 6, nets=(name, "GND")))
    assert name in grow_tree(Board("b", OUTLINE, parts=parts, rails=RAILS)).supplies
