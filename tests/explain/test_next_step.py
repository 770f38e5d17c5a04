"""What to do next stands in one list, by expected information, and says where that cannot be worked out."""

from dataclasses import replace

import numpy as np
import pytest

from thermscan.explain.next_capture import Step, captures, injection_bits, sharper_bits
from thermscan.explain.next_step import next_steps
from thermscan.explain.posterior import Weighing
from thermscan.explain.suspect import look_at
from thermscan.model.evidence import Priors
from thermscan.model.settings import ExplainSettings

SETTINGS = ExplainSettings()


@pytest.fixture(scope="module")
def looked(made_case, bare_evidence):
    case = made_case(1, "short", goods=1)
    evidence = bare_evidence(case.evidence)
    return evidence, look_at(evidence, case.board, priors=Priors(), settings=SETTINGS)


def weighing_of(looked, heat):
    lineup = looked.lineup
    return Weighing(tuple(lineup.hypotheses), looked.log_prior, np.asarray(heat), {}, 0.0, 1.0)


def only(looked, wanted):
    """A weighing in which the hypotheses that are wanted are equally likely, and nothing else is."""
    rows = np.array([*(wanted(h) for h in looked.lineup.hypotheses), False, False])
    return weighing_of(looked, np.where(rows, -looked.log_prior, -500.0))


def is_cap_short(net):
    return lambda h: h.fault == "short" and h.net == net and h.where.startswith("C")


def test_feeding_a_net_tells_its_places_apart_as_published(looked):
    # four places on one net, each found at 0.95 * 0.8, else current without a place: an erasure channel, whose
    # information is the share that comes through times the entropy (Cover and Thomas, Elements of Information Theory)
    _, found = looked
    weighing = only(found, is_cap_short("+3V3"))
    p = weighing.probabilities()
    places = {h.where for h in found.lineup.hypotheses if is_cap_short("+3V3")(h)}
    assert len(places) == 4
    bits = injection_bits("+3V3", p, weighing, found.lineup)
    assert bits == pytest.approx(0.95 * SETTINGS.finds_place * 2.0, abs=0.02)


def test_feeding_a_net_tells_little_where_the_suspects_lie_elsewhere(looked):
    _, found = looked
    weighing = only(found, is_cap_short("+5V"))
    assert injection_bits("+3V3", weighing.probabilities(), weighing, found.lineup) == pytest.approx(0.0, abs=1e-6)


def test_less_spread_tells_more_and_the_same_spread_nothing(looked):
    _, found = looked
    weighing = weighing_of(found, found.log_heat)
    assert sharper_bits(weighing, 1.0) == pytest.approx(0.0, abs=1e-12)
    assert sharper_bits(weighing, 1.5) >= 0.0


def test_one_list_best_first(looked):
    evidence, found = looked
    weighing = weighing_of(found, 0.3 * found.log_heat)
    texts = next_steps(weighing, found.lineup, evidence)
    bits = [float(t.rsplit("expected: ", 1)[1].removeprefix("under ").split()[0]) for t in texts if "(expected: " in t]
    rest = ["not ranked in bits" in t for t in texts]
    assert len(bits) >= 2
    assert bits == sorted(bits, reverse=True)
    assert rest == sorted(rest)
    assert len(bits) + sum(rest) == len(texts)


def test_what_cannot_be_put_in_bits_says_why(looked):
    evidence, found = looked
    weighing = weighing_of(found, 0.3 * found.log_heat)
    steps = captures(weighing, found.lineup, replace(evidence, flags=frozenset({"no_cold_frames"})))
    again = next(s for s in steps if s.text.startswith("film again"))
    assert again.bits is None
    assert "not in this picture" in again.sentence
    goods = next(s for s in steps if "more known-good boards" in s.text)
    assert goods.bits is not None
    assert Step("x", None, "y").rank() > goods.rank()


def test_how_long_to_film_before_power_on_fits_the_frame_rate(looked):
    evidence, found = looked
    weighing = weighing_of(found, found.log_heat)
    for rate, words in ((9.0, "two seconds"), (0.8, "5 seconds (4 frames at 0.8 frames/s)")):
        lacking = replace(evidence, clock_is_power_on=False, frame_rate_hz=rate)
        texts = [step.text for step in captures(weighing, found.lineup, lacking)]
        assert f"film again from {words} before power-on, with the board cold" in texts
