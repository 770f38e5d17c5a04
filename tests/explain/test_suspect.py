"""The ranking as a whole: sums to one, finds faults, leaves good boards alone, says what is missing."""

from dataclasses import replace

import numpy as np
import pytest

from thermscan.explain.held_back import not_cleared, one_good_held_back, quiet_held_back
from thermscan.explain.posterior import brier_score
from thermscan.explain.power_tree import grow_tree
from thermscan.explain.scene import set_scene
from thermscan.explain.suspect import explain, prepare
from thermscan.model.evidence import Evidence, Priors, Swap
from thermscan.model.quantity import Measured
from thermscan.model.reading import Reading
from thermscan.model.recording import Drive
from thermscan.model.result import FAULTS, VERDICTS, HeatSource
from thermscan.model.settings import ExplainSettings
from thermscan.model.timing import PowerUp, Timing

POPULATION = [
    (seed, word) for word in ("short", "leak", "overload", "open_or_missing", "dead_supply") for seed in (1, 2)
]
GOOD_BOARDS = [(seed, "none") for seed in range(23, 27)]


@pytest.fixture(scope="module")
def answers(made_case):
    return [
        (case, explain(case.evidence, case.board)) for case in (made_case(s, w) for s, w in POPULATION + GOOD_BOARDS)
    ]


def is_right(case, suspect):
    return suspect.ref is not None and suspect.ref == case.ref


def test_probabilities_add_to_one(answers):
    for _, ranking in answers:
        total = sum(s.probability for s in ranking.suspects) + ranking.no_fault_probability + ranking.other_probability
        assert total == pytest.approx(1.0, abs=1e-9)
        values = [s.probability for s in ranking.suspects]
        assert values == sorted(values, reverse=True)
        assert len({(s.ref, s.x_mm, s.y_mm) for s in ranking.suspects}) == len(ranking.suspects)


def test_records_are_whole(answers):
    for _, ranking in answers:
        assert ranking.verdict in VERDICTS
        for suspect in ranking.suspects:
            assert suspect.fault in FAULTS
            assert sum(suspect.faults.values()) == pytest.approx(1.0)
            assert suspect.fault == max(suspect.faults, key=suspect.faults.get)
            assert suspect.x_mm is not None
            assert np.isfinite(suspect.x_mm)
            assert suspect.reasons
            assert all("nan" not in r.lower() for r in suspect.reasons)


def test_faults_are_found_and_good_boards_left_alone(answers):
    faulty = [(c, r) for c, r in answers if c.word != "none"]
    first = [bool(r.suspects) and is_right(c, r.suspects[0]) for c, r in faulty]
    three = [any(is_right(c, s) for s in r.suspects[:3]) for c, r in faulty]
    assert np.mean(first) >= 0.7
    assert np.mean(three) >= 0.8
    assert all(r.verdict != "suspect" for c, r in answers if c.word == "none")


def test_probabilities_are_calibrated(answers):
    # Brier score of the first suspect under half of the base rate's (always saying the share of right ones)
    stated = np.array([r.suspects[0].probability if r.suspects else 0.0 for _, r in answers])
    right = np.array([bool(r.suspects) and is_right(c, r.suspects[0]) for c, r in answers], float)
    base = brier_score(np.full(len(right), right.mean()), right)
    assert brier_score(stated, right) < 0.5 * base


def test_verdict_follows_the_design(answers):
    for _, ranking in answers:
        lead = ranking.suspects[0].probability if ranking.suspects else 0.0
        expected = "suspect" if lead >= 0.5 else ("like_good" if ranking.no_fault_probability >= 0.5 else "cannot_tell")
        assert ranking.verdict == expected


def test_a_small_rise_at_a_cold_part_beats_a_large_one_at_a_warm_chip(made_case, bare_evidence):
    case = made_case(30, "none")
    evidence = bare_evidence(case.evidence)
    chip = max(evidence.parts, key=lambda p: (p.rise_course_k - p.excess_course_k)[-1] if p.kind == "chip" else -1.0)
    own = (chip.rise_course_k - chip.excess_course_k)[-1]
    cold = min(
        (p for p in evidence.parts if p.kind == "capacitor"), key=lambda p: (p.rise_course_k - p.excess_course_k)[-1]
    )

    def warmed(part, kelvin):
        extra = kelvin * np.linspace(0.4, 1.0, len(part.excess_course_k))
        return replace(
            part,
            excess_course_k=extra,
            rise_course_k=part.rise_course_k - part.excess_course_k + extra,
            spread_course_k=np.full(len(extra), np.hypot(0.05, 0.1 * own) if part is chip else 0.05),
        )

    parts = tuple(
        warmed(p, 0.1 * own) if p is chip else warmed(p, 1.0) if p is cold else warmed(p, 0.0) for p in evidence.parts
    )
    ranking = explain(replace(evidence, parts=parts), case.board)
    assert ranking.suspects[0].ref == cold.ref
    chance = {s.ref: s.probability for s in ranking.suspects}
    assert chance[cold.ref] > 10 * chance.get(chip.ref, 0.002)


def test_nothing_to_judge_is_cannot_tell():
    ranking = explain(Evidence(), None)
    assert ranking.verdict == "cannot_tell"
    assert ranking.suspects == ()
    assert ranking.no_fault_probability + ranking.other_probability == pytest.approx(1.0)
    assert ranking.next_steps


def test_without_board_parts_still_rank(made_case, bare_evidence):
    case = made_case(1, "leak")
    ranking = explain(bare_evidence(case.evidence), None)
    assert ranking.suspects
    assert any("no nets" in w for w in ranking.warnings)


def test_one_good_board_is_said_to_be_weak(made_case, bare_evidence):
    case = made_case(1, "leak", goods=1)
    ranking = explain(bare_evidence(case.evidence), case.board)
    assert any("one good board" in w for w in ranking.warnings)


def test_no_good_board_is_said_to_be_weaker(made_case, bare_evidence):
    case = made_case(1, "leak")
    evidence = bare_evidence(case.evidence)
    alone = tuple(
        replace(p, excess_course_k=p.rise_course_k, spread_course_k=0 * p.rise_course_k) for p in evidence.parts
    )
    ranking = explain(replace(evidence, parts=alone, basis="itself_only", good_boards=0), case.board)
    assert any("no good board" in w for w in ranking.warnings)
    assert any("known-good" in s for s in ranking.next_steps)
    with_good = explain(evidence, case.board)
    assert max((s.probability for s in ranking.suspects), default=0) <= with_good.suspects[0].probability


THIN = [
    {"flags": frozenset({"placement_untrusted"})},
    {"clock_is_power_on": False},
    {"flags": frozenset({"no_cold_frames"}), "good_boards": 1},
]


@pytest.mark.parametrize("changes", THIN)
def test_suspects_are_held_back_where_heat_alone_is_thin(made_case, bare_evidence, changes):
    case = made_case(2, "overload")
    evidence = bare_evidence(case.evidence)
    sure = explain(replace(evidence, **({"good_boards": 1} if "good_boards" in changes else {})), case.board)
    held = explain(replace(evidence, **changes), case.board)
    assert held.suspects[0].ref == sure.suspects[0].ref
    assert held.suspects[0].probability == pytest.approx(0.5 * sure.suspects[0].probability, rel=0.1)
    assert held.next_steps


@pytest.mark.parametrize(
    ("reading", "kept"),
    [
        # in tolerance: nothing that bears a suspect out; nor does what cannot be compared
        (Reading("", "", "+3V3", "voltage", 3.3, "V", None, "on", ""), 0.5),
        (Reading("", "", "+1V8", "resistance_to_ground", 270.0, "ohm", None, "off", ""), 0.5),
        (Reading("", "", "", "current", 2.0, "A", 1.0, "on", ""), 1.0),
    ],
)
def test_a_reading_lifts_the_doubt_only_where_it_bears_the_suspect_out(made_case, bare_evidence, reading, kept):
    case = made_case(2, "overload")
    evidence = replace(bare_evidence(case.evidence), readings=(reading,))
    sure, held = explain(evidence, case.board), explain(replace(evidence, clock_is_power_on=False), case.board)
    assert held.suspects[0].ref == sure.suspects[0].ref == case.ref
    assert held.suspects[0].probability == pytest.approx(kept * sure.suspects[0].probability, rel=0.1)


@pytest.mark.parametrize(("changes", "kept"), list(zip(THIN, (0.5, 0.85, 0.85), strict=True)))
def test_a_hot_capacitor_that_good_boards_keep_cold_is_held_back_less(made_case, bare_evidence, changes, kept):
    """No other moment of a good board's run makes a part hot through which no direct current passes; a place may."""
    case = made_case(1, "leak")
    evidence = bare_evidence(case.evidence)
    sure = explain(replace(evidence, **({"good_boards": 1} if "good_boards" in changes else {})), case.board)
    held = explain(replace(evidence, **changes), case.board)
    assert held.suspects[0].ref == sure.suspects[0].ref == case.ref
    assert case.board.part(case.ref).kind == "capacitor"
    assert held.suspects[0].probability == pytest.approx(kept * sure.suspects[0].probability, rel=0.1)


@pytest.mark.parametrize("seed", [23, 24, 25])
def test_a_slope_of_drift_across_the_picture_is_no_fault(made_case, seed):
    case = made_case(seed, "none")
    excess = case.evidence.excess
    x = excess.film.grid.points_mm()[..., 0]
    share = case.evidence.times_s / case.evidence.times_s[-1]

    def shaded(x_mm):
        return 0.25 * (np.asarray(x_mm) - 35.0) / 35.0

    parts = tuple(
        replace(
            p,
            excess_course_k=p.excess_course_k + shaded(case.board.part(p.ref).x) * share,
            rise_course_k=p.rise_course_k + shaded(case.board.part(p.ref).x) * share,
        )
        for p in case.evidence.parts
    )
    drifted = replace(excess, excess=excess.excess + shaded(x) * share[:, None, None])
    before = explain(case.evidence, case.board)
    after = explain(replace(case.evidence, excess=drifted, parts=parts), case.board)
    assert after.verdict != "suspect"
    assert after.no_fault_probability > 0.6 * before.no_fault_probability


@pytest.mark.parametrize(("kelvin", "is_trusted", "verdict"), [(30.0, True, "suspect"), (30.0, False, "cannot_tell")])
def test_a_hot_capacitor_needs_no_good_board_but_a_placing(made_case, bare_evidence, kelvin, is_trusted, verdict):
    case = made_case(30, "none")
    evidence = bare_evidence(case.evidence)
    cap = min((p for p in evidence.parts if p.kind == "capacitor"), key=lambda p: p.rise_course_k[-1])
    heat = kelvin * np.linspace(0.4, 1.0, len(cap.rise_course_k))
    parts = tuple(
        replace(
            p,
            rise_course_k=p.rise_course_k + (heat if p is cap else 0.0),
            excess_course_k=p.rise_course_k + (heat if p is cap else 0.0),
            spread_course_k=0 * heat,
        )
        for p in evidence.parts
    )
    flags = frozenset() if is_trusted else frozenset({"placement_untrusted"})
    alone = replace(evidence, parts=parts, basis="itself_only", good_boards=0, flags=flags)
    ranking = explain(alone, case.board)
    assert ranking.suspects[0].ref == cap.ref
    assert ranking.verdict == verdict


def test_restarts_move_away_from_no_fault(made_case, bare_evidence):
    case = made_case(8, "none", goods=1)
    evidence = bare_evidence(case.evidence)
    ups = tuple(PowerUp(Measured(t, t, t), Measured(t + 0.4, t + 0.4, t + 0.4)) for t in (1.0, 2.0, 3.0))
    restarting = replace(evidence, timing=Timing(power_ups=ups, restarts=2), good_timings=(Timing(restarts=0),))
    before, after = explain(evidence, case.board), explain(restarting, case.board)
    assert after.no_fault_probability < before.no_fault_probability
    assert any("2 restarts" in m for m in after.moved_by)


def test_a_swap_without_change_lowers_that_part(made_case, bare_evidence):
    case = made_case(1, "leak")
    evidence = bare_evidence(case.evidence)
    before = explain(evidence, case.board)
    swapped = explain(replace(evidence, swaps=(Swap(before.suspects[0].ref, changed=False),)), case.board)
    odds = [s.probability / (1 - s.probability) for r in (before, swapped) for s in r.suspects if s.ref == case.ref]
    assert len(odds) < 2 or odds[1] < 0.5 * odds[0]


def test_injection_accuses_only_what_touches_the_net(made_case, bare_evidence):
    case = made_case(1, "leak")
    evidence = bare_evidence(case.evidence)
    net = case.board.part(case.ref).nets[0]
    alone = tuple(replace(p, excess_course_k=p.rise_course_k) for p in evidence.parts)
    drive = Drive("injection", net, 1.0, 2.0)
    ranking = explain(replace(evidence, parts=alone, basis="itself_only", good_boards=0, drive=drive), case.board)
    for suspect in ranking.suspects:
        assert suspect.ref is None or net in case.board.part(suspect.ref).nets
    assert any("at most 2 W" in w for w in ranking.warnings)


def test_the_priors_count(made_case, bare_evidence):
    case = made_case(8, "none", goods=1)
    evidence = bare_evidence(case.evidence)
    trusting = replace(Priors(), no_fault=0.8)
    usual = explain(evidence, case.board)
    assert explain(evidence, case.board, priors=trusting).no_fault_probability > usual.no_fault_probability


def test_inputs_are_not_changed(made_case):
    case = made_case(1, "short")
    before = case.evidence.excess.excess.copy()
    case.evidence.excess.excess.setflags(write=False)
    explain(case.evidence, case.board)
    assert np.array_equal(case.evidence.excess.excess, before)


def test_same_evidence_same_answer(made_case, bare_evidence):
    case = made_case(2, "short")
    evidence = bare_evidence(case.evidence)
    assert explain(evidence, case.board) == explain(evidence, case.board)


@pytest.mark.parametrize("changes", THIN)
def test_a_board_that_could_not_be_compared_is_not_cleared(made_case, bare_evidence, changes):
    calm = [explain(replace(bare_evidence(made_case(s, "none").evidence), **changes), made_case(s, "none").board)
            for s in (40, 41, 42)]  # fmt: skip
    assert all(r.verdict != "like_good" and r.no_fault_probability < 0.5 for r in calm)
    for ranking in calm:
        total = sum(s.probability for s in ranking.suspects) + ranking.no_fault_probability + ranking.other_probability
        assert total == pytest.approx(1.0)


def test_a_board_with_a_part_that_no_fault_explains_is_not_cleared(made_case):
    case = made_case(41, "none")
    clear = explain(case.evidence, case.board)
    odd = case.evidence.parts[5]
    parts = tuple(replace(p, state="cold") if p is odd else p for p in case.evidence.parts)
    ranking = explain(replace(case.evidence, parts=parts), case.board)
    assert clear.verdict == "like_good"
    assert ranking.verdict == "cannot_tell"
    assert any(w.startswith(f"{odd.ref} differs from the good boards") for w in ranking.warnings)
    total = sum(s.probability for s in ranking.suspects) + ranking.no_fault_probability + ranking.other_probability
    assert total == pytest.approx(1.0)


@pytest.mark.parametrize(("kind", "needed", "is_cleared"), [("capacitor", 1.0, False), ("capacitor", 0.9, True),
                                                            ("chip", 1.0, True)])  # fmt: skip
def test_heat_at_a_part_that_makes_none_clears_no_board(made_case, kind, needed, is_cleared):
    case = made_case(41, "none")
    part = next(p for p in case.board.parts if p.kind == kind)
    heat = HeatSource(
        part.ref, part.x, part.y, 1.0, Measured(0.004, 0.002, 0.008), None, needed,
        depth_probability={"surface": 1.0}, rivals={part.ref: 1.0},
    )  # fmt: skip
    none, other, said = not_cleared(0.8, 0.1, replace(case.evidence, sources=(heat,)), ExplainSettings())
    assert (none == 0.8) == is_cleared
    assert none + other == pytest.approx(0.9)
    assert bool(said) != is_cleared


def test_no_meter_lifts_what_is_held_back_since_nobody_knows_where_the_board_lies(made_case):
    case = made_case(2, "short")
    part = case.board.part(case.ref)
    net = next(n for n in part.nets if n != "GND")
    low = Reading("", case.ref, net, "resistance_to_ground", 0.8, "ohm", 900.0, "off", "")
    sure = explain(replace(case.evidence, readings=(low,)), case.board)
    lost = replace(case.evidence, readings=(low,), flags=frozenset({"placement_untrusted"}))
    assert sure.verdict == "suspect"
    assert explain(lost, case.board).verdict == "cannot_tell"


def test_a_part_that_is_not_seen_to_be_warm_is_no_verdict(made_case):
    case = made_case(41, "none")
    settings, tree = ExplainSettings(), grow_tree(case.board)
    scene = set_scene(case.evidence, case.board, settings=settings)
    lineup, _ = prepare(case.evidence, scene, case.board, tree, priors=Priors(), settings=settings)
    found = explain(case.evidence, case.board).suspects[0]
    calm = min((r for r in scene.refs if r), key=lambda r: abs(scene.significance()[scene.index(r)]))
    for fault, is_held in (("hidden_source", True), ("overload", True), ("short", False), ("dead_supply", False)):
        named = replace(found, ref=calm, fault=fault, probability=0.8)
        (held,), none, other = quiet_held_back((named,), 0.1, 0.1, lineup, case.evidence)
        assert held.probability == pytest.approx(0.8 * (settings.alone_share if is_held else 1.0))
        assert held.probability + none + other == pytest.approx(1.0)
    (held,), none, other = quiet_held_back((replace(named, fault="leak"),), 0.4, 0.1, lineup, case.evidence)
    assert none == settings.most_uncleared  # doubt about a suspect clears no board
    assert held.probability + none + other == pytest.approx(1.3)


@pytest.mark.parametrize(("fault", "kind", "is_seen", "is_held"), [
    ("overload", "chip", True, True), ("hidden_source", "chip", True, True),
    ("hidden_source", "connector", True, False),
    ("overload", "chip", False, True), ("hidden_source", "chip", False, False),
])  # fmt: skip
def test_heat_that_the_fit_puts_at_a_calm_part_or_an_unseen_one_is_held_back(made_case, fault, kind, is_seen, is_held):
    """Under a connector heat shows beside the body first; of a part that is not seen only its usual heat is unknown."""
    case = made_case(41, "none")
    settings, tree = ExplainSettings(), grow_tree(case.board)
    scene = set_scene(case.evidence, case.board, settings=settings)
    part = next(p for p in case.board.parts if p.kind == "chip" and scene.is_seen[scene.index(p.ref)])
    row = scene.index(part.ref)
    kinds = tuple(kind if i == row else k for i, k in enumerate(scene.kinds))
    excess = scene.excess_k.copy()
    excess[row] = 0.0
    seen = np.where(np.arange(len(scene.refs)) == row, is_seen, scene.is_seen)
    scene = replace(scene, kinds=kinds, excess_k=excess, is_seen=seen)
    heat = HeatSource(
        part.ref, part.x, part.y, 1.0, Measured(0.1, 0.05, 0.2), None, 1.0,
        depth_probability={"surface": 1.0}, rivals={part.ref: 1.0},
    )  # fmt: skip
    evidence = replace(case.evidence, sources=(heat,))
    lineup, _ = prepare(evidence, scene, case.board, tree, priors=Priors(), settings=settings)
    named = replace(explain(case.evidence, case.board).suspects[0], ref=part.ref, fault=fault, probability=0.8)
    (held,), *_ = quiet_held_back((named,), 0.1, 0.1, lineup, evidence)
    assert held.probability == pytest.approx(0.8 * (settings.alone_share if is_held else 1.0))


@pytest.mark.parametrize(("goods", "times", "is_held"), [(1, 1.0, True), (1, 3.0, False), (2, 1.0, False)])
def test_a_chip_behind_the_board_may_make_as_much_more_as_one_good_board_shows(made_case, goods, times, is_held):
    case = made_case(41, "none")
    settings, tree = ExplainSettings(), grow_tree(case.board)
    scene = set_scene(case.evidence, case.board, settings=settings)
    part = next(p for p in case.board.parts if p.kind == "chip" and scene.is_seen[scene.index(p.ref)])
    row = scene.index(part.ref)
    seen = scene.is_seen & (np.arange(len(scene.refs)) != row)
    scene = replace(scene, excess_k=times * scene.own_k, is_seen=seen)
    evidence = replace(case.evidence, good_boards=goods)
    lineup, _ = prepare(evidence, scene, case.board, tree, priors=Priors(), settings=settings)
    assert lineup.shares[seen, row].max() > 0
    named = replace(explain(case.evidence, case.board).suspects[0], ref=part.ref, fault="hidden_source")
    (held,), *_ = quiet_held_back((replace(named, probability=0.8),), 0.1, 0.1, lineup, evidence)
    assert held.probability == pytest.approx(0.8 * (settings.alone_share if is_held else 1.0))


@pytest.mark.parametrize(("goods", "kept"), [(1, 0.37 * 4 / (0.37 * 4 + 1)), (2, 0.8)])
def test_one_good_board_lowers_the_odds_and_clears_nothing(made_case, goods, kept):
    case = made_case(1, "short")
    found = replace(explain(case.evidence, case.board).suspects[0], probability=0.8)
    evidence, settings = replace(case.evidence, good_boards=goods), ExplainSettings()
    (held,), none, other = one_good_held_back((found,), 0.15, 0.05, evidence, settings)
    assert held.probability == pytest.approx(kept)
    assert none <= settings.most_uncleared
    assert held.probability + none + other == pytest.approx(1.0)
    _, none, _ = one_good_held_back((replace(found, probability=0.4),), 0.55, 0.05, evidence, settings)
    assert none == pytest.approx(0.55)
    backed = frozenset({found.ref})
    (held,), none, other = one_good_held_back((found,), 0.15, 0.05, evidence, settings, backed=backed)
    assert (held.probability, none, other) == pytest.approx((0.8, 0.15, 0.05))


def test_a_part_that_keeps_most_of_its_heat_is_not_open(made_case):
    case = made_case(41, "none")
    part = next(p for p in case.evidence.parts if p.kind == "chip")
    for left, is_open in ((0.62, False), (0.02, True)):
        own = part.rise_course_k - part.excess_course_k
        lost = replace(part, rise_course_k=left * own, excess_course_k=(left - 1) * own)
        parts = tuple(lost if p is part else p for p in case.evidence.parts)
        ranking = explain(replace(case.evidence, parts=parts), case.board)
        found = next((s for s in ranking.suspects if s.ref == part.ref), None)
        share = 0.0 if found is None else found.probability * found.faults.get("open_or_missing", 0.0)
        assert (share > 0.3) == is_open


def test_a_part_not_seen_in_the_first_seconds_is_still_read(answers):
    checked = 0
    for case, ranking in answers:
        lead = ranking.suspects[0] if ranking.suspects else None
        if ranking.verdict != "suspect" or lead.ref is None or not is_right(case, lead):
            continue

        def blanked(part, ref=lead.ref):
            if part.ref != ref:
                return part
            gap = np.where(np.arange(len(part.excess_course_k)) < len(part.excess_course_k) // 5, np.nan, 0.0)
            return replace(part, excess_course_k=part.excess_course_k + gap)

        some = replace(case.evidence, parts=tuple(blanked(p) for p in case.evidence.parts))
        again = explain(some, case.board)
        assert again.suspects[0].ref == lead.ref
        assert not any("cannot be read" in reason for reason in again.suspects[0].reasons)
        checked += 1
        if checked == 3:
            break
    assert checked
