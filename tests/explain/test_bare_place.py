"""Doubts that belong to the picture: stray paths of strong heat, heat beneath a body, shorts that do not show."""

from dataclasses import replace

import numpy as np
import pytest

from thermscan.explain.bare_fault import at_pads
from thermscan.explain.bare_place import bare_places
from thermscan.explain.power_tree import grow_tree
from thermscan.explain.reason import reasons_for, shared_place
from thermscan.explain.scene import set_scene
from thermscan.explain.suspect import explain, look_at, prepare
from thermscan.model.board import Part
from thermscan.model.evidence import Priors
from thermscan.model.quantity import Measured
from thermscan.model.result import HeatSource, Hotspot, Suspect
from thermscan.model.settings import ExplainSettings

SETTINGS = ExplainSettings()


@pytest.fixture(scope="module")
def case(made_case):
    return made_case(3, "short")


@pytest.mark.parametrize("blocks", [1, 1000])
def test_a_strong_difference_leaves_room_near_it_and_far_off_no_more_than_bare_board_shows(case, blocks):
    settings = replace(SETTINGS, stray_blocks=blocks, stray_mm=8.0)
    scene = set_scene(case.evidence, case.board, settings=settings)
    plain = set_scene(case.evidence, case.board, settings=replace(settings, stray_share=0.0))
    size = np.abs(plain.excess_k[:, -1])
    bare = np.array([r is None for r in plain.refs])
    most = settings.stray_share * size[plain.is_seen].max()
    added = np.sqrt(scene.noise_k[:, -1] ** 2 - plain.noise_k[:, -1] ** 2)
    hottest = int(np.argmax(np.where(plain.is_seen, size, 0.0)))
    away = np.hypot(plain.x_mm - plain.x_mm[hottest], plain.y_mm - plain.y_mm[hottest])
    far = away > 2.5 * settings.stray_mm
    assert far.any()
    assert np.allclose(added[far], most if blocks == 1000 else min(most, np.median(size[bare])), rtol=1e-6)
    assert added[hottest] == pytest.approx(most)


def test_no_joint_heats_beside_a_part_that_passes_no_direct_current(case):
    cap = next(p for p in case.board.parts if p.kind == "capacitor")
    lineup = lineup_of(case)
    warm = replace(lineup.scene, own_k=np.full_like(lineup.scene.own_k, 5.0))
    shares = at_pads(cap, replace(lineup, scene=warm))
    assert shares["joint"] < 0.25 * shares["bridge"]
    fuse = next(p for p in case.board.parts if p.kind == "fuse")
    assert at_pads(fuse, lineup)["joint"] > at_pads(fuse, lineup)["bridge"]


def lineup_of(case, board=None):
    board = board or case.board
    scene = set_scene(case.evidence, board, settings=SETTINGS)
    return prepare(case.evidence, scene, board, grow_tree(board), priors=Priors(), settings=SETTINGS)[0]


def source_at(x, y):
    depth = {"surface": 0.2, "under_part": 0.6, "far_side": 0.2}
    watts = Measured(0.5, 0.3, 0.7)
    return HeatSource(None, x, y, 0.5, watts, np.zeros(3), 1.0, "under_part", depth, (), {"": 0.9})


def test_a_free_source_beneath_a_body_is_heat_under_it_and_nothing_else(case):
    part = max(case.board.parts_on(case.evidence.side), key=lambda p: p.w * p.h)
    evidence = replace(case.evidence, hotspots=(), sources=(source_at(part.x, part.y),))
    scene = set_scene(evidence, case.board, settings=SETTINGS)
    place = bare_places(evidence, scene, case.board, settings=SETTINGS)[0]
    assert (place.under, place.owners) == (part.ref, ())
    lineup, _ = prepare(evidence, scene, case.board, grow_tree(case.board), priors=Priors(), settings=SETTINGS)
    assert {h.fault for h in lineup.hypotheses if h.where == "@0"} == {"hidden_source"}


def test_a_free_source_just_inside_the_edge_of_a_body_may_be_at_its_pads(case):
    part = max(case.board.parts_on(case.evidence.side), key=lambda p: p.w * p.h)
    evidence = replace(case.evidence, hotspots=(), sources=(source_at(part.x + part.w / 2 - 0.3, part.y),))
    scene = set_scene(evidence, case.board, settings=SETTINGS)
    lineup, _ = prepare(evidence, scene, case.board, grow_tree(case.board), priors=Priors(), settings=SETTINGS)
    assert lineup.bare[0].under == part.ref
    at_pads = [h for h in lineup.hypotheses if h.where == part.ref and h.at == 0]
    assert {"short", "bridge", "joint"} <= {h.fault for h in at_pads}
    assert "at the edge of the body" in reasons_for(part.ref, [at_pads[0]], lineup, evidence)[-1]


def test_heat_through_the_board_belongs_mostly_to_the_part_on_its_other_side(case):
    x, y = 35.0, 25.0
    far = Part("R99", "resistor", x + 0.8, y, 1.6, 0.8, 0, 0.5, side="bottom", nets=("+5V", "GND"))
    board = replace(case.board, parts=(*case.board.parts, far))
    evidence = replace(case.evidence, hotspots=(), sources=(source_at(x, y),))
    scene = set_scene(evidence, board, settings=SETTINGS)
    lineup, _ = prepare(evidence, scene, board, grow_tree(board), priors=Priors(), settings=SETTINGS)
    at_place = {h.where: h for h in lineup.hypotheses if h.at == 0 and h.fault == "hidden_source"}
    assert at_place["R99"].views == at_place["@0"].views
    assert at_place["R99"].prior / at_place["@0"].prior == pytest.approx(4.0)
    assert "R99 sits" in reasons_for("R99", [at_place["R99"]], lineup, evidence)[-1]


def test_a_short_that_is_not_seen_is_weighed_with_what_it_does_to_the_supply(case):
    hidden = next(p for p in case.evidence.parts if p.kind == "capacitor" and p.ref != case.ref)
    parts = tuple(p if p.ref != hidden.ref else replace(p, state="unreadable") for p in case.evidence.parts)
    looked = look_at(replace(case.evidence, parts=parts), case.board, priors=Priors(), settings=SETTINGS)
    assert any(h.where == hidden.ref and h.fault == "short" for h in looked.lineup.hypotheses)
    assert np.all((looked.lineup.gives_up >= 0) & (looked.lineup.gives_up <= 1))


def outline_only(case):
    """Return a case whose board file says nothing but the outline."""
    board = replace(case.board, parts=(), rails=())
    return replace(case.evidence, parts=()), board


@pytest.mark.parametrize("seed", range(4))
def test_a_place_that_stays_cold_on_a_board_without_a_part_list_is_a_part_that_makes_no_heat(made_case, seed):
    case = made_case(seed, "open_or_missing")
    part = case.board.part(case.ref)
    ranking = explain(*outline_only(case))
    first = ranking.suspects[0]
    assert first.fault in ("open_or_missing", "dead_supply")
    assert np.hypot(first.x_mm - part.x, first.y_mm - part.y) < 7.0
    assert "cooler" in first.reasons[0]


@pytest.mark.parametrize("seed", range(4))
def test_no_place_of_a_good_board_without_a_part_list_is_accused_of_being_cold(made_case, seed):
    ranking = explain(*outline_only(made_case(seed + 50, "none")))
    assert ranking.verdict != "suspect"


def test_a_dark_part_varies_by_no_more_than_the_heat_that_it_has_left(case):
    lineup, judge = prepare(
        case.evidence,
        set_scene(case.evidence, case.board, settings=SETTINGS),
        case.board,
        grow_tree(case.board),
        priors=Priors(),
        settings=SETTINGS,
    )
    row, first = judge.own_rows[0], judge.shared.columns.shape[1] - len(judge.own_rows)
    amounts = np.full((3, judge.shared.columns.shape[1]), 2.0)
    change = np.zeros((3, *lineup.scene.own_k.shape))
    change[:, row, -1] = lineup.scene.own_k[row, -1] * np.array([0.5, -0.5, -1.0])
    left = judge._of_what_is_left(amounts, change, judge.shared)
    assert left[:, first] == pytest.approx([2.0, min(2.0, 0.5 * judge.shared.high[first]), 0.0])
    assert np.array_equal(np.delete(left, first, axis=1), np.delete(amounts, first, axis=1))


def test_a_short_pulls_the_supply_down_where_no_net_is_known(made_case):
    """One hot place while every other makes a share of its heat: one cause, not ten parts that are missing."""
    right = []
    for seed in range(8):
        case = made_case(seed, "short")
        part = case.board.part(case.ref)
        found = case.evidence.excess
        pulled = found.excess - 0.9 * np.asarray(found.own_heat)
        row, column = (round(float(v)) for v in found.film.grid.to_cell(part.x, part.y))
        if pulled[-1, row, column] < 3.0:
            continue
        evidence = replace(case.evidence, excess=replace(found, excess=pulled))
        first = explain(*outline_only(replace(case, evidence=evidence))).suspects[0]
        near = np.hypot(first.x_mm - part.x, first.y_mm - part.y) < 5.0
        right.append(near and first.ref is None and first.faults.get("short", 0.0) > 0.5)
    assert len(right) >= 5
    assert sum(right) >= len(right) - 1


def test_a_supply_that_stays_dead_takes_the_rest_along_where_no_net_is_known(made_case):
    """The regulator's place and every other one stay cold: one cause, not a short that nowhere shows."""
    right = 0
    for seed in range(6):
        case = made_case(seed, "dead_supply")
        first = explain(*outline_only(case)).suspects[0]
        right += first.fault == "dead_supply"
    assert right >= 5


def suspect_at(ref, x, probability, fault="bridge"):
    return Suspect(ref, None, "top", fault, "", {fault: 1.0}, x, 10.0, 0.4, probability, None, None, None, None, ())


def test_suspects_that_share_one_warm_place_are_added_up_in_words():
    bare = suspect_at(None, 20.4, 0.08, "short")
    three = (suspect_at("C26", 20.0, 0.44), suspect_at("R36", 20.8, 0.38, "joint"), bare)
    (said,) = shared_place(three)
    assert said.startswith("C26, R36 and the bare board between share one warm place, at x 20.0, y 10.0 mm:")
    assert "together 90 %" in said
    assert not shared_place((three[0], suspect_at("R36", 40.0, 0.38)))  # elsewhere
    assert not shared_place((three[0], suspect_at("R36", 20.8, 0.38, "open_or_missing")))  # not warm
    assert not shared_place((three[0], suspect_at("R36", 20.8, 0.02)))


def test_a_small_spot_at_a_bare_place_is_told_by_its_peak(made_case):
    evidence, board = outline_only(made_case(1, "short"))
    first = explain(evidence, board).suspects[0]
    peak = Measured(94.0, 90.0, 98.0)
    spot = Hotspot(1, "hot", first.x_mm, first.y_mm, 0.5, peak, None, 6.0, 0.0, 0.0, 9.0, 1.0)
    told = explain(replace(evidence, hotspots=(spot,)), board).suspects
    assert any("at its peak, is 94 K warmer" in r for s in told for r in s.reasons)
