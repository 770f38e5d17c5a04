import dataclasses

import numpy as np
import pytest

from thermscan.show.curve import chosen_courses, draw_curves, event_seconds


def test_suspects_come_first_and_each_part_once(result, maps):
    names = [course.name for course in chosen_courses(result, maps)]
    assert names == ["C14", "U3", "U5"]


def test_place_without_a_part_takes_its_own_cell(result, maps):
    spot = dataclasses.replace(result.hotspots[0], rank=4, x_mm=70.0, y_mm=8.0, parts=())
    lone = dataclasses.replace(result, suspects=(), hotspots=(spot,))
    (course,) = chosen_courses(lone, maps)
    row, column = (round(float(v)) for v in maps.grid.to_cell(70.0, 8.0))
    assert course.name == "place 4"
    np.testing.assert_array_equal(course.excess, maps.excess[:, row, column])
    # 95 % of a normal distribution lies within 1.96 standard deviations.
    expected = 1.959964 * np.hypot(maps.noise[0, row, column], maps.spread[:, row, column])
    np.testing.assert_allclose(course.half, expected, rtol=1e-6)


def test_events_move_to_seconds_since_power_on(result, maps):
    ((second, kind),) = event_seconds(result, maps)
    assert second == pytest.approx(7.2 - 1.92)
    assert kind == "offset_step"
    assert event_seconds(dataclasses.replace(result, power_on_s=None), maps) == ()


def test_curves_are_drawn_with_little_to_show(result, bare, maps):
    assert draw_curves(result, maps) == draw_curves(result, maps)
    single = dataclasses.replace(
        maps,
        excess=maps.excess[:1],
        faulty=maps.faulty[:1],
        good=None,
        spread=np.zeros(()),
        edges_s=np.array([0.0, 0.1]),
        clock="recording",
        power_off_s=None,
        shown_bin=0,
    )
    assert draw_curves(bare, single)[:4] == b"\x89PNG"
    assert draw_curves(dataclasses.replace(bare, hotspots=(), suspects=()), single, fahrenheit=True)[:4] == b"\x89PNG"
