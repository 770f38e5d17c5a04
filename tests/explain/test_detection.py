"""What the picture could have seen, and what is said where it saw nothing."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad

from thermscan.explain.bare_place import edge_distance_mm
from thermscan.explain.detection import silent_shares, typical_limit_w, visible_share, watts_to_see
from thermscan.explain.next_capture import injection_step
from thermscan.explain.power_tree import grow_tree
from thermscan.explain.scene import set_scene
from thermscan.explain.suspect import explain, prepare
from thermscan.model.board import Part
from thermscan.model.evidence import Priors
from thermscan.model.reading import Reading
from thermscan.model.settings import ExplainSettings

SETTINGS = ExplainSettings()


def lineup_of(case, evidence):
    scene = set_scene(evidence, case.board, settings=SETTINGS)
    return prepare(evidence, scene, case.board, grow_tree(case.board), priors=Priors(), settings=SETTINGS)[0]


def noisier(evidence, kelvin):
    parts = tuple(replace(p, noise_course_k=np.full(len(p.excess_course_k), kelvin)) for p in evidence.parts)
    return replace(evidence, parts=parts)


def test_noise_hides_faults_and_forbids_a_clean_bill(made_case, bare_evidence):
    case = made_case(24, "none")
    evidence = bare_evidence(case.evidence)
    clear, blind = lineup_of(case, evidence), lineup_of(case, noisier(evidence, 20.0))
    assert typical_limit_w(blind) > 3 * typical_limit_w(clear)
    assert visible_share(clear, silent_shares(clear)) > 0.7
    assert visible_share(blind, silent_shares(blind)) < 0.5
    ranking = explain(noisier(evidence, 20.0), case.board)
    assert ranking.verdict == "cannot_tell"
    assert ranking.next_steps
    assert any("would have stood out" in w for w in ranking.warnings)
    alone = explain(replace(noisier(evidence, 20.0), basis="itself_only", good_boards=0), case.board)
    assert not any("would have stood out" in w for w in alone.warnings)  # what is healthy is not known


def test_a_limit_that_is_stated_already_is_not_told_another_way(made_case, bare_evidence):
    case = made_case(24, "none")
    evidence = replace(noisier(bare_evidence(case.evidence), 20.0), limit_is_stated=True)
    warnings = explain(evidence, case.board).warnings
    assert not any("would have stood out" in w for w in warnings)
    assert any(w.startswith("of the faults weighed about ") for w in warnings)


def test_the_limit_is_that_of_a_plate(made_case, bare_evidence):
    # a Gaussian source in a plate, seen over a body of its own size: the instantaneous source (Carslaw and Jaeger,
    # 10.3) of variance 2 s2 + 2 a t, one watt summed over the seconds on, 1.9 MJ/m3K and 1.6 mm
    case = made_case(24, "none")
    lineup = lineup_of(case, bare_evidence(case.evidence))
    scene, a = lineup.scene, lineup.own.diffusivity
    row = scene.index(case.board.parts[0].ref)
    size = scene.radius_mm[row]
    per_watt, _ = quad(lambda t: 1 / (1.9e-3 * 1.6 * 2 * np.pi * (2 * size**2 + 2 * a * t)), 0, scene.times_s[-1])
    kelvin = 3.0 * np.hypot(scene.noise_k[row, -1], scene.spread_k[row, -1])
    assert watts_to_see(lineup)[row] == pytest.approx(kelvin / per_watt, rel=1e-3)


def test_no_accusation_comes_without_a_next_step(made_case, bare_evidence):
    for seed in (23, 25):
        case = made_case(seed, "none")
        nets = [r.net for r in case.board.rails]
        readings = tuple(
            Reading("", "", net, quantity, value, unit, value, power, "")
            for net in nets
            for quantity, value, unit, power in (("resistance_to_ground", 500.0, "ohm", "off"),)
        )
        ranking = explain(replace(bare_evidence(case.evidence), readings=readings), case.board)
        assert ranking.verdict != "suspect"
        assert ranking.next_steps


@pytest.mark.parametrize(("volts", "most"), [(0.9, "0.9 V"), (3.3, "1 V"), (12.0, "1 V")])
def test_injection_advice_stays_below_the_net(volts, most):
    text = injection_step("+X", volts)
    assert f"at most {most}" in text
    for caution in ("never above the net's own volts", "capacitors discharged", "current limit low"):
        assert caution in text


@pytest.mark.parametrize(
    ("x", "y", "apart"), [(0.0, 0.0, -1.0), (0.9, 1.9, -0.1), (0.0, 3.0, 1.0), (3.0, 0.0, 2.0), (4.0, 6.0, 5.0)]
)
def test_distance_to_a_turned_body(x, y, apart):
    # 4 x 2 mm turned by a right angle: half extents 1 and 2; from (4, 6) the corner is 3 and 4 away (3-4-5)
    part = Part("U1", kind="chip", x=0.0, y=0.0, w=4.0, h=2.0, rotation=90)
    assert edge_distance_mm(part, x, y) == pytest.approx(apart, abs=1e-9)
