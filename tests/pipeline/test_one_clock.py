"""Good boards without a power-on are left out where others show theirs, and named."""

from types import SimpleNamespace

import pytest

from thermscan.pipeline.compare import Job, _on_one_clock


def placed(name, on_s):
    timing = SimpleNamespace(on_s=on_s, on_why="" if on_s else "not_seen: nothing stands out")
    return SimpleNamespace(prepared=SimpleNamespace(timing=timing, recording=SimpleNamespace(name=name)))


def one_clock(*on_s, before=None):
    names = ["faulty", *(f"good_{i}" for i in range(1, len(on_s)))]
    everyone = [placed(n, s) for n, s in zip(names, on_s, strict=True)]
    job = Job(faulty="faulty", goods=() if before else tuple(names[1:]), before=before)
    used, job, said = _on_one_clock(everyone, job)
    return [p.prepared.recording.name for p in used], job.goods, said


def test_a_good_board_without_power_on_is_left_out_and_named():
    used, goods, said = one_clock(1.0, None, 2.0)
    assert used == ["faulty", "good_2"]
    assert goods == ("good_2",)
    assert len(said) == 1
    assert said[0].startswith("good_1 is left out")
    assert "nothing stands out" in said[0]


@pytest.mark.parametrize("on_s", [(1.0, 2.0, 2.0), (None, 1.0, 2.0), (1.0, None, None), (1.0,)])
def test_all_are_kept_where_leaving_out_would_not_help(on_s):
    used, goods, said = one_clock(*on_s)
    assert len(used) == len(on_s)
    assert len(goods) == len(on_s) - 1
    assert said == ()


def test_the_same_board_before_is_never_left_out():
    used, _, said = one_clock(1.0, None, before="old")
    assert (len(used), said) == (2, ())
