"""Hot and cold places on films made by hand: places, significance, false discoveries, parts."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import ndimage, stats

from thermscan.find.hotspot import (
    find_hotspots,
    null_width,
    prominent_peaks,
    readable_first,
    refine_peak,
    smooth_known,
)
from thermscan.find.part_reading import footprint, mean_over, read_parts, with_unclear
from thermscan.model.board import Board, Part
from thermscan.model.film import BoardGrid, Excess, Film, Rise
from thermscan.model.settings import DetectionSettings
from thermscan.model.surface import Surface

SETTINGS = DetectionSettings()
GRID = BoardGrid(0.25, 0.25, 0.5, 120, 80)
PARTS = (
    Part("C1", kind="capacitor", x=20.0, y=15.0, w=1.6, h=0.8),
    Part("U1", kind="chip", x=40.0, y=25.0, w=8.0, h=8.0),
    Part("U2", kind="chip", x=20.0, y=30.0, w=6.0, h=6.0, surface="bare_tin"),
    Part("C9", kind="capacitor", x=10.0, y=10.0, w=1.6, h=0.8, side="bottom"),
)
BOARD = Board("made", np.array([[0, 0], [60, 0], [60, 40], [0, 40]]), parts=PARTS)


def made(heat_map, *, bins=8, noise=0.05, spread=0.0, seed=0, count=2):
    """An excess that grows to ``heat_map`` over the bins, with camera noise of one pixel per 0.5 mm cell."""
    rng = np.random.default_rng(seed)
    growth = np.sqrt((np.arange(bins) + 0.5) / bins)
    excess = growth[:, None, None] * heat_map + noise * rng.normal(size=(bins, *GRID.shape))
    film = Film(
        grid=GRID, edges_s=np.arange(bins + 1.0), clock="power_on", mean=excess.astype(np.float32) + 23,
        frames=np.ones(bins, int), cold=np.full(GRID.shape, 23.0), cold_frames=20, noise=np.full(GRID.shape, noise),
        correlation_mm=0.5 / np.sqrt(4 * np.pi), position_error_mm=0.02, inside=np.ones(GRID.shape, bool),
        readable=np.ones(GRID.shape, bool), pixel_mm=0.5,
    )  # fmt: skip
    full = np.full((bins, *GRID.shape), noise, np.float32)
    wide = np.full((bins, *GRID.shape), spread, np.float32)
    return Excess(film, excess.astype(np.float32), full, wide, "good_boards", count, np.zeros_like(full), "cold_frames")


def spot(x, y, height, width=1.5):
    points = GRID.points_mm()
    return height * np.exp(-((points[..., 0] - x) ** 2 + (points[..., 1] - y) ** 2) / (2 * width**2))


@pytest.mark.parametrize(("x", "y"), [(20.0, 15.0), (33.3, 8.1), (50.2, 31.7)])
def test_a_hot_place_is_found_where_it_is(x, y):
    found = find_hotspots(made(spot(x, y, 1.0)), BOARD, side="top", settings=SETTINGS)
    assert found[0].kind == "hot"
    assert np.hypot(found[0].x_mm - x, found[0].y_mm - y) < max(found[0].place_95_mm, 0.3)
    assert found[0].excess_k.low < 1.0 * np.sqrt(7.5 / 8) < found[0].excess_k.high + 0.1


def test_the_part_under_a_place_is_named():
    found = find_hotspots(made(spot(20.0, 15.0, 1.0)), BOARD, side="top", settings=SETTINGS)
    assert found[0].parts == ("C1",)
    assert "below_resolution" in found[0].flags


def test_hot_and_cold_places_stand_in_one_order_of_significance():
    found = find_hotspots(made(spot(12, 30, 1.0) - spot(45, 10, 2.0)), BOARD, side="top", settings=SETTINGS)
    assert [h.kind for h in found[:2]] == ["cold", "hot"]
    assert [h.rank for h in found] == list(range(1, len(found) + 1))


def test_two_places_apart_by_several_pixels_are_two():
    found = find_hotspots(made(spot(20, 20, 1.0) + spot(27, 20, 0.8)), BOARD, side="top", settings=SETTINGS)
    assert len([h for h in found if h.kind == "hot"]) == 2


def test_noise_alone_gives_few_false_places():
    # Benjamini and Hochberg 1995: with nothing there, any discovery is false, so at most 5 in 100 recordings.
    accused = sum(
        bool(find_hotspots(made(spot(0, 0, 0.0), seed=s), BOARD, side="top", settings=SETTINGS)) for s in range(40)
    )
    assert accused <= 5


def test_a_place_within_the_spread_of_good_boards_is_not_listed():
    assert not find_hotspots(made(spot(40, 25, 1.0), spread=0.5), BOARD, side="top", settings=SETTINGS)


def test_published_example_of_false_discovery_control():
    # Benjamini and Hochberg, J. Royal Statistical Society B 57(1), 1995: 15 p-values, 4 discoveries at 0.05.
    p = [
        0.0001,
        0.0004,
        0.0019,
        0.0095,
        0.0201,
        0.0278,
        0.0298,
        0.0344,
        0.0459,
        0.3240,
        0.4262,
        0.5719,
        0.6528,
        0.7590,
        1.0,
    ]
    adjusted = stats.false_discovery_control(p)
    assert (adjusted <= 0.05).sum() == 4
    assert adjusted[3] == pytest.approx(0.035625)


def test_null_width_is_one_for_a_unit_normal_and_robust():
    z = np.random.default_rng(0).normal(size=(60, 60))
    z[:5] += 40
    assert null_width(z, np.ones(z.shape, bool)) == pytest.approx(1.0, abs=0.15)
    assert null_width(3 * z, np.ones(z.shape, bool)) == pytest.approx(3.2, abs=0.4)


def test_peaks_need_their_prominence():
    ridge = np.zeros((9, 30))
    ridge[4, 5], ridge[4, 6:20], ridge[4, 20] = 2.0, 1.9, 2.0
    one = prominent_peaks(ridge, np.full(ridge.shape, 0.5), np.ones(ridge.shape, bool))
    two = prominent_peaks(ridge, np.full(ridge.shape, 0.05), np.ones(ridge.shape, bool))
    assert (len(one), len(two)) == (1, 2)


def test_refined_peak_of_a_sampled_gaussian():
    rows, columns = np.mgrid[:11, :11]
    value = np.exp(-((rows - 5.3) ** 2 + (columns - 4.8) ** 2) / (2 * 2.0**2))
    r, c = refine_peak(value, 5, 5)
    assert (r, c) == pytest.approx((5.3, 4.8), abs=0.03)


def test_smoothing_over_known_cells_equals_the_library_where_all_are_known():
    field = np.random.default_rng(1).normal(size=(40, 50))
    smooth = smooth_known(field, np.ones(field.shape, bool), 1.5)
    want = ndimage.gaussian_filter(field, 1.5, truncate=3)
    np.testing.assert_allclose(smooth[6:-6, 6:-6], want[6:-6, 6:-6], atol=1e-9)


def read(excess, **kwargs):
    rise = Rise(excess.film, excess.excess, excess.noise, "cold_frames")
    readings = read_parts(
        excess,
        rise,
        BOARD,
        side="top",
        surfaces=(Surface("tin", 0.07, 0.04, 0.1, readable=False, words=("tin",)),),
        settings=SETTINGS,
        **kwargs,
    )
    return {r.ref: r for r in readings}


def test_part_states():
    parts = read(made(spot(20, 15, 1.0) - spot(40, 25, 2.0, width=3) - spot(20, 30, 3.0)))
    assert parts["C1"].state == "hot"
    assert parts["U1"].state == "cold"
    assert parts["U2"].state == "unreadable"
    assert "tape" in parts["U2"].why["state"]
    assert parts["C9"].state == "unknown"
    assert parts["C9"].excess_k is None


def test_a_part_whose_interval_leaves_zero_out_is_not_called_like_the_good_ones():
    """Between two standard deviations and what tells one part of many: neither like the good ones nor hot."""
    alone = read(made(np.zeros(GRID.shape)))["C1"]
    assert abs(alone.significance) < 2
    error = (alone.excess_k.high - alone.excess_k.low) / 3.92
    for size, state in ((0.0, "like_good"), (3.0, "unclear"), (6.0, "hot"), (-3.0, "unclear"), (-6.0, "cold")):
        excess = made(np.zeros(GRID.shape))
        moved = replace(excess, excess=excess.excess + np.float32(size * error - alone.excess_k.value))
        (part,) = with_unclear((read(moved)["C1"],))
        assert part.state == state
        assert (part.excess_k.low < 0 < part.excess_k.high) == (state == "like_good")


def test_part_interval_covers_the_truth():
    points, covered = GRID.points_mm(), 0
    body = PARTS[1].contains(points[..., 0], points[..., 1])
    heat = spot(40, 25, 2.0, width=3)
    for seed in range(40):
        reading = read(made(heat, seed=seed))["U1"]
        truth = heat[body].mean() * np.sqrt(7.5 / 8)
        covered += reading.excess_k.low <= truth <= reading.excess_k.high
    assert covered >= 34


def test_footprints_weigh_to_one_and_small_parts_still_have_one():
    for part in PARTS:
        assert footprint(part, GRID, pixel_mm=0.5).weights.sum() == pytest.approx(1.0)
    tiny = footprint(Part("C2", x=20.2, y=15.1, w=0.2, h=0.1), GRID, pixel_mm=0.5)
    assert mean_over(np.ones((1, *GRID.shape)), tiny)[0] == pytest.approx(1.0)


def test_a_mirror_is_numbered_after_what_can_be_read():
    """U2 is tinned: what differs there is the room in it, however much that is."""
    excess = made(spot(20, 15, 1.0) - spot(20, 30, 6.0))
    found = find_hotspots(excess, BOARD, side="top", settings=SETTINGS)
    assert found[0].parts[0] == "U2"
    ordered = readable_first(found, tuple(read(excess).values()))
    assert [h.parts[:1] for h in ordered[:1]] == [("C1",)]
    assert [h.rank for h in ordered] == list(range(1, len(found) + 1))
    last = next(h for h in ordered if h.parts[:1] == ("U2",))
    assert "unreadable" in last.flags
    assert all("unreadable" not in h.flags for h in ordered if h.parts[:1] != ("U2",))
