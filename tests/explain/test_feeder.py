"""A part that feeds a net is not accused of its own overload before a meter has seen that net."""

from dataclasses import replace

import numpy as np
import pytest

from thermscan.explain.held_back import feeders_held_back
from thermscan.explain.likelihood import Beside
from thermscan.explain.power_tree import PowerTree, grow_tree
from thermscan.explain.scene import set_scene
from thermscan.explain.suspect import explain, look_at, prepare
from thermscan.model.board import Board, Part, Rail
from thermscan.model.evidence import Priors
from thermscan.model.reading import Reading
from thermscan.model.result import Suspect
from thermscan.model.settings import ExplainSettings
from thermscan.read.prior_file import open_priors

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


def test_a_regulator_of_a_board_without_nets_is_held_back_too():
    warm = replace(suspect("U1", "overload", 0.8, {"overload": 1.0}), net=None)
    found, other = feeders_held_back((warm,), 0.1, PowerTree(), (), SETTINGS, blind=frozenset({"U1"}))
    assert found[0].probability == pytest.approx(0.8 * SETTINGS.decoy_share)
    assert found[0].probability + other == pytest.approx(0.9)
    assert "measure its output" in found[0].reasons[-1]
    assert feeders_held_back((warm,), 0.1, PowerTree(), (), SETTINGS) == ((warm,), 0.1)


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
    makers = {s.maker for s in tree.supplies.values()}
    most = {ref: SETTINGS.most_maker if ref in makers else SETTINGS.most_decoy for ref in feeders}
    wanted = [b for ref in sorted(feeders) if warm[ref] for b in lineup.feeders["feeder", ref, most[ref]]]
    assert feeders
    assert [id(b) for b in look.besides] == [id(b) for b in wanted]
    assert {b.most_of_fault for b in look.besides} <= set(most.values())


def test_what_warms_along_is_bounded_by_the_fault_that_brings_it():
    column = np.full((3, 2), 15.0)
    beside = Beside(column, -0.1, 5.0, may_be_absent=True, most_of_fault=4.0)
    assert beside.most(np.array([0.15, 1.5, 100.0])) == pytest.approx([0.04, 0.4, 5.0])
    assert np.all(Beside(column, -0.1, 5.0).most(np.array([0.15, 100.0])) == 5.0)


def hot_maker(made_case, seed, kelvin):
    """Return a case whose +3V3 regulator is hotter by some kelvin while all that it feeds is cold, and where."""
    case = made_case(seed, "none")
    tree = grow_tree(case.board)
    dark = tree.fed_by("+3V3") - {"U2"}

    def changed(part):
        own = part.rise_course_k - part.excess_course_k
        if part.ref == "U2":
            more = kelvin * np.linspace(0.3, 1.0, len(own))
            return replace(part, excess_course_k=more, rise_course_k=own + more)
        return replace(part, excess_course_k=-own, rise_course_k=0 * own) if part.ref in dark else part

    parts = tuple(changed(p) for p in case.evidence.parts)
    return replace(case.evidence, excess=None, parts=parts), case.board, tree


@pytest.mark.parametrize("seed", [30, 31, 32, 33])
def test_a_supply_that_is_cold_with_its_net_is_dead(made_case, seed):
    evidence, board, _ = hot_maker(made_case, seed, 0.0)
    cold = [
        replace(p, excess_course_k=-(p.rise_course_k - p.excess_course_k), rise_course_k=0 * p.rise_course_k)
        if p.ref == "U2"
        else p
        for p in evidence.parts
    ]
    first = explain(replace(evidence, parts=tuple(cold)), board).suspects[0]
    assert (first.ref, first.fault) == ("U2", "dead_supply")
    assert first.probability > 0.5


def test_a_supply_that_runs_hot_while_its_net_is_dead_is_not_simply_dead(made_case):
    dead = []
    for kelvin in (0.0, 25.0):
        evidence, board, tree = hot_maker(made_case, 30, kelvin)
        ranking = explain(evidence, board)
        shorts = sum(s.probability for s in ranking.suspects if s.ref in tree.fed_by("+3V3"))
        dead.append(sum(s.probability for s in ranking.suspects if s.ref == "U2" and s.fault == "dead_supply"))
        assert shorts > dead[-1]
    assert dead[0] > 1.5 * dead[1] > 0


def test_without_nets_a_cold_feeder_may_be_the_load_that_is_gone(made_case):
    case = made_case(12, "open_or_missing")
    bare = tuple(replace(p, nets=()) for p in case.board.parts)
    board = replace(case.board, parts=bare, rails=())
    scene = set_scene(case.evidence, board, settings=SETTINGS)
    lineup, _ = prepare(case.evidence, scene, board, grow_tree(board), priors=Priors(), settings=SETTINGS)
    look = lineup.looks["open_or_missing", case.ref, "with"]
    relieved = {key[1] for key in lineup.feeders if key[0] == "relieved"}
    assert look.besides
    assert {board.part(r).kind for r in relieved} <= {"regulator", "inductor"}


def test_an_overload_warms_the_board_as_the_part_does_on_good_boards(made_case):
    case = made_case(4, "overload")
    scene = set_scene(case.evidence, case.board, settings=SETTINGS)
    lineup, _ = prepare(case.evidence, scene, case.board, grow_tree(case.board), priors=Priors(), settings=SETTINGS)
    row = scene.refs.index(case.ref)
    pattern = lineup.looks["own", case.ref].pattern
    assert pattern[row, -1] == pytest.approx(1.0)
    wanted = lineup.shares[:, row, None] * scene.own_k
    assert np.allclose(pattern * wanted[row, -1], wanted)


def test_a_part_all_of_whose_nets_are_ground_is_never_shorted_to_ground(made_case):
    case = made_case(30, "none")
    cover = Part("SH1", "shield", 35, 25, 8, 8, nets=("GND",))
    board = replace(case.board, parts=(*case.board.parts, cover))
    scene = set_scene(case.evidence, board, settings=SETTINGS)
    lineup, _ = prepare(case.evidence, scene, board, grow_tree(board), priors=Priors(), settings=SETTINGS)
    assert not any(h.where == "SH1" and h.fault in ("short", "leak") for h in lineup.hypotheses)


@pytest.mark.parametrize("seed", [1, 3, 9])
def test_a_maker_that_the_board_file_leaves_out_may_warm_with_the_short_it_feeds(made_unlisted, seed):
    case = made_unlisted(seed, short_w=0.3, maker_w=1.5, dark=("U4", "U8"))
    first = explain(case.evidence, case.board).suspects[0]
    assert (first.ref, first.fault) == (case.ref, "short")


@pytest.mark.parametrize("seed", [1, 3, 9])
def test_heat_at_a_bare_place_alone_is_not_put_on_a_part_of_an_unfed_net(made_unlisted, seed):
    case = made_unlisted(seed, short_w=0.0, maker_w=1.5, dark=())
    ranking = explain(case.evidence, case.board)
    first = ranking.suspects[0]
    assert first.ref is None or first.fault == "hidden_source" or ranking.verdict == "cannot_tell"
    assert all(s.probability < 0.2 for s in ranking.suspects if s.fault == "short" and s.ref is not None)


def test_without_nets_a_cold_regulator_and_a_cold_chip_leave_both_readings_open(made_case):
    case = made_case(30, "none")
    board = replace(case.board, parts=tuple(replace(p, nets=()) for p in case.board.parts), rails=())
    gone = {"U2", "U4"}

    def cold(part):
        own = part.rise_course_k - part.excess_course_k
        lost = -own if part.ref in gone else 0.0 * own
        return replace(part, excess_course_k=lost, rise_course_k=own + lost)

    evidence = replace(case.evidence, excess=None, parts=tuple(cold(p) for p in case.evidence.parts))
    ranking = explain(evidence, board)
    assert {ranking.suspects[0].ref, ranking.suspects[1].ref} == gone
    assert next(s.fault for s in ranking.suspects if s.ref == "U2") == "dead_supply"


@pytest.mark.parametrize("state", ["cold", "unreadable"])
def test_without_nets_a_supply_is_named_only_where_it_is_seen_to_be_cold_itself(made_case, state):
    case = made_case(1, "dead_supply")
    board = replace(case.board, parts=tuple(replace(p, nets=()) for p in case.board.parts), rails=())
    parts = tuple(replace(p, state=state) if p.ref == case.ref else p for p in case.evidence.parts)
    looked = look_at(replace(case.evidence, parts=parts), board, priors=open_priors(), settings=SETTINGS)
    named = {h.where for h in looked.lineup.hypotheses if h.fault == "dead_supply"}
    assert (case.ref in named) == (state == "cold")
