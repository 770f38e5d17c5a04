"""A part that feeds a net is not accused of its own overload before a meter has seen that net."""

import numpy as np
import pytest

from thermscan.explain.likelihood import Beside
from thermscan.explain.power_tree import grow_tree
from thermscan.explain.scene import set_scene
from thermscan.explain.suspect import feeders_held_back, prepare
from thermscan.model.board import Board, Part, Rail
from thermscan.model.evidence import Priors
from thermscan.model.reading import Reading
from thermscan.model.result import Suspect
from thermscan.model.settings import ExplainSettings

SETTINGS = ExplainSettings()
PARTS = (
    Part("U1", "regulator", 10, 10, 4, 4, 0, 1, nets=("+12V", "+5V", "GND")),
    Part("C1", "capacitor", 30, 10, 2, 1, 0, 1, nets=("+5V", "GND")),
)
BOARD = Board.rectangle(40, 30)
TREE = grow_tree(
    Board("b", BOARD.outline_mm, 1.6, parts=PARTS, rails=(Rail("+12V", 12.0), Rail("+5V", 5.0, 5.0, "U1", "+12V")))
)


def suspect(ref, fault, probability, faults):
    return Suspect(
        ref, "+5V", "top", fault, "in words", faults, 10.0, 10.0, 0.5, probability, None, None, None, None, ()
    )


def held(*suspects, readings=()):
    return feeders_held_back(suspects, 0.1, TREE, readings, SETTINGS)


def test_the_share_taken_from_a_feeder_goes_to_other_and_all_adds_to_one():
    found, other = held(suspect("U1", "overload", 0.6, {"overload": 0.75, "short": 0.25}),
                        suspect("C1", "short", 0.3, {"short": 1.0}))  # fmt: skip
    assert found[0].probability == pytest.approx(0.6 * SETTINGS.decoy_share)
    assert found[1].probability == 0.3
    assert sum(s.probability for s in found) + other == pytest.approx(1.0)
    assert "feeds +5V" in found[0].reasons[-1]


def test_a_dead_supply_and_parts_that_feed_nothing_keep_theirs():
    dead = suspect("U1", "dead_supply", 0.6, {"dead_supply": 1.0})
    fed = suspect("C1", "overload", 0.3, {"overload": 1.0})
    assert held(dead, fed) == ((dead, fed), 0.1)


@pytest.mark.parametrize(("net", "quantity", "is_held"), [("+5V", "resistance_to_ground", False),
                                                          ("+12V", "resistance_to_ground", True),
                                                          ("+5V", "run_time", True)])  # fmt: skip
def test_a_reading_of_the_net_it_feeds_lifts_it(net, quantity, is_held):
    reading = Reading("", "", net, quantity, 900.0, "ohm", 950.0, "off", "")
    found, _ = held(suspect("U1", "overload", 0.6, {"overload": 1.0}), readings=(reading,))
    assert (found[0].probability < 0.6) == is_held


def test_late_heat_at_a_feeder_is_held_back_too_and_a_lost_heat_path_is_not():
    late = suspect("U1", "hidden_source", 0.6, {"hidden_source": 0.9, "heat_path": 0.1})
    found, _ = held(late)
    assert found[0].probability == pytest.approx(0.6 * (1 - 0.9 * (1 - SETTINGS.decoy_share)))


@pytest.mark.parametrize("seed", [3, 5])
def test_only_feeders_that_are_seen_to_be_warmer_may_warm_along(made_case, seed):
    case = made_case(seed, "short")
    scene = set_scene(case.evidence, case.board, settings=SETTINGS)
    tree = grow_tree(case.board)
    lineup, _ = prepare(case.evidence, scene, case.board, tree, priors=Priors(), settings=SETTINGS)
    warm = dict(zip(scene.refs, scene.significance() > SETTINGS.feeder_sigma, strict=True))
    part = case.board.part(case.ref)
    feeders = set().union(*(tree.path_to(n) for n in tree.supplies_of(part))) - {part.ref}
    look = next(look for key, look in lineup.looks.items() if key[:3] == ("hot", part.ref, "plain"))
    wanted = [b for ref in sorted(feeders) if warm[ref] for b in lineup.feeders["feeder", ref, SETTINGS.most_decoy]]
    assert feeders
    assert [id(b) for b in look.besides] == [id(b) for b in wanted]
    assert all(b.most_of_fault == SETTINGS.most_decoy for b in look.besides)


def test_what_warms_along_is_bounded_by_the_fault_that_brings_it():
    column = np.full((3, 2), 15.0)
    beside = Beside(column, -0.1, 5.0, may_be_absent=True, most_of_fault=4.0)
    assert beside.most(np.array([0.15, 1.5, 100.0])) == pytest.approx([0.04, 0.4, 5.0])
    assert np.all(Beside(column, -0.1, 5.0).most(np.array([0.15, 100.0])) == 5.0)
