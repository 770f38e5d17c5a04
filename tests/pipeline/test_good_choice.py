"""Good boards that say less than the others are left out, and named."""

from itertools import compress
from types import SimpleNamespace

import numpy as np
import pytest

from thermscan.model.quantity import Measured
from thermscan.pipeline.compare import _clock_words
from thermscan.pipeline.good_choice import choose_goods


def placed(name, on_s=1.0, trusted=True):
    on = None if on_s is None else Measured(on_s, on_s - 0.1, on_s + 0.1)
    timing = SimpleNamespace(on_s=on, off_s=None, on_why="" if on_s else "not_seen: nothing stands out")
    placement = SimpleNamespace(trusted=trusted, reason="" if trusted else "two starts fit equally well")
    recording = SimpleNamespace(name=name, times_s=np.arange(0.0, 10.0, 0.1))
    return SimpleNamespace(
        prepared=SimpleNamespace(timing=timing, recording=recording), track=SimpleNamespace(placement=placement)
    )


def chosen(*, is_injection=False, **columns):
    count = len(next(iter(columns.values())))
    rows = [{key: values[i] for key, values in columns.items()} for i in range(count)]
    everyone = [placed("faulty" if i == 0 else f"good_{i}", **row) for i, row in enumerate(rows)]
    used, said = choose_goods(everyone, is_injection=is_injection)
    return [p.prepared.recording.name for p in compress(everyone, used)], said


def test_a_good_board_without_power_on_is_left_out_and_named():
    used, said = chosen(on_s=(1.0, None, 2.0))
    assert used == ["faulty", "good_2"]
    assert len(said) == 1
    assert said[0].startswith("good_1 is left out")
    assert "(nothing stands out)" in said[0]


def test_a_good_board_that_is_not_placed_for_sure_is_left_out_and_named():
    used, said = chosen(trusted=(True, True, False))
    assert used == ["faulty", "good_1"]
    assert len(said) == 1
    assert said[0].startswith("good_2 is left out")
    assert "equally well" in said[0]


def test_what_is_left_after_one_rule_must_do_for_the_other():
    used, said = chosen(on_s=(1.0, None, 2.0), trusted=(True, True, False))
    assert used == ["faulty", "good_1"]
    assert len(said) == 1


@pytest.mark.parametrize(("on_s", "kept"), [((1.0, 2.0), 2), ((1.0, 9.0), 1), ((1.0, None), 1), ((None, 2.0), 2)])
def test_with_one_net_fed_a_good_board_that_shows_no_heat_for_as_long_is_left_out(on_s, kept):
    used, said = chosen(on_s=on_s, is_injection=True)
    assert len(used) == kept
    assert all("no heat from the net that is fed" in text for text in said)


@pytest.mark.parametrize("on_s", [(1.0, 2.0, 2.0), (None, 1.0, 2.0), (1.0, None, None), (1.0,)])
def test_all_are_kept_where_no_power_on_tells_them_apart(on_s):
    used, said = chosen(on_s=on_s)
    assert len(used) == len(on_s)
    assert said == ()


@pytest.mark.parametrize("trusted", [(False, True, False), (True, False, False)])
def test_all_are_kept_where_no_placing_tells_them_apart(trusted):
    used, said = chosen(trusted=trusted)
    assert len(used) == len(trusted)
    assert said == ()


@pytest.mark.parametrize(("share", "goods", "count"), [(True, 2, 0), (False, 2, 1), (False, 0, 0)])
def test_boards_that_share_no_clock_are_said_to_be_compared_without_one(share, goods, count):
    everyone = [placed("faulty"), *(placed("good") for _ in range(goods))]
    said = _clock_words(SimpleNamespace(share_clock=share, goods=("good",) * goods), everyone)
    assert len(said) == count
    assert all("power-on is not seen in every recording" in text for text in said)


def test_a_board_that_does_not_warm_while_good_ones_do_is_said_to_take_no_power_perhaps():
    films = SimpleNamespace(share_clock=False, goods=("good",), faulty=rise_of_at_most(0.2))
    said = _clock_words(films, [placed("faulty", on_s=None), placed("good_1")])
    assert "as good_1 does" in said[1]
    assert len(_clock_words(films, [placed("faulty"), placed("good_1", on_s=None)])) == 1
    assert "film each board from two seconds before" in said[0]
    sparse = placed("good_1", on_s=None)
    sparse.prepared.recording.times_s = np.arange(9) / 0.8
    assert "from 5 seconds (4 frames at 0.8 frames/s) before" in _clock_words(films, [placed("faulty"), sparse])[0]


def test_a_board_that_is_warm_is_not_said_to_take_no_power():
    films = SimpleNamespace(share_clock=False, goods=("good",), faulty=rise_of_at_most(20.0))
    assert len(_clock_words(films, [placed("faulty", on_s=None), placed("good_1")])) == 1


def rise_of_at_most(kelvin):
    yes = np.ones((20, 30), bool)
    rise = np.random.default_rng(0).normal(0, 0.05, (4, 20, 30))
    rise[:, 8:12, 10:14] += kelvin
    rise[3] = np.nan  # frames of the last bin were not usable
    film = SimpleNamespace(inside=yes, readable=yes)
    return SimpleNamespace(rise=rise, error=np.full(rise.shape, 0.05), film=film)
