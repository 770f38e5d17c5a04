"""Temperatures of parts from a film made by hand: what is corrected, what is not, and what is refused."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import erf

from thermscan.find.part_reading import read_parts
from thermscan.measure.radiometry import View, reading_of
from thermscan.model.board import Board, Part
from thermscan.model.errors import InputError
from thermscan.model.film import BoardGrid, Excess, Film, Rise
from thermscan.model.quantity import Measured
from thermscan.model.recording import Facts, Recording
from thermscan.model.result import Hotspot
from thermscan.model.result_maps import ResultMaps
from thermscan.model.settings import DetectionSettings, RadiometrySettings
from thermscan.model.surface import Surface
from thermscan.pipeline.resolution import lost_share
from thermscan.pipeline.temperatures import (
    Seen,
    add_temperatures,
    before_window,
    check_applied,
    hatched,
    own_places,
    rise_drift_k,
)

SURFACES = (
    Surface("ceramic", 0.88, 0.80, 0.95, readable=True, words=("ceramic",)),
    Surface("plastic", 0.92, 0.85, 0.95, readable=True),
    Surface("bare_metal", 0.08, 0.02, 0.2, readable=False, words=("metal",)),
)
ROOM_C, GOOD_C, FAULTY_C = 22.0, 35.0, 60.0


def made_board():
    rectangle = Board.rectangle(30, 20, name="made")
    parts = (
        Part("C1", "capacitor", x=6, y=10, w=4, h=4, surface="ceramic"),
        Part("U1", "chip", x=15, y=10, w=4, h=4),
        Part("X1", "shield", x=24, y=10, w=4, h=4, surface="metal can"),
    )
    return Board(name="made", outline_mm=rectangle.outline_mm, parts=parts)


def made_excess(board, *, emissivity=0.88, unit="celsius"):
    grid = BoardGrid.over(board, 0.5)
    warm, good, cold = (float(reading_of(t, View(emissivity, ROOM_C))) for t in (FAULTY_C, GOOD_C, ROOM_C))
    mean = np.full((2, *grid.shape), cold, float)
    excess, rise = np.zeros_like(mean), np.zeros_like(mean)
    blur = np.sqrt(2) * 0.5 * np.hypot(0.6, 1 / np.sqrt(12))  # optics of 0.6 px and the pixel itself; 0.5 mm a pixel
    x, y = np.moveaxis(grid.points_mm(), -1, 0)
    for part in board.parts:
        sharp = [
            (erf((at + size / 2) / blur) - erf((at - size / 2) / blur)) / 2
            for at, size in ((x - part.x, part.w), (y - part.y, part.h))
        ]
        share = sharp[0] * sharp[1]
        mean += share * (warm - cold)
        excess += share * (warm - good)
        rise += share * (warm - cold)
    ones = np.ones(grid.shape, bool)
    film = Film(
        grid, np.array([0.0, 1.0, 2.0]), "power_on", mean, np.array([10, 10]), np.full(grid.shape, cold), 20,
        np.full(grid.shape, 0.05), 0.3, 0.1, ones, ones, 0.5, unit=unit,
    )  # fmt: skip
    noise = np.full(mean.shape, 0.05)
    whole = Excess(film, excess, noise, np.full(mean.shape, 0.1), "good_boards", 2, rise - excess, "cold_frames")
    return whole, Rise(film, rise, noise, "cold_frames")


def temperatures(*, seen=None, facts=None, **options):
    board = made_board()
    excess, rise = made_excess(board, **options)
    parts = read_parts(excess, rise, board, side="top", surfaces=SURFACES, settings=DetectionSettings())
    recording = Recording.from_array(np.zeros((1, 4, 4)), None, facts=facts or Facts(ambient_c=ROOM_C))
    found = add_temperatures(
        parts, excess, board, recording, seen=seen or Seen(), surfaces=SURFACES, settings=RadiometrySettings()
    )
    return {p.ref: p for p in parts}, {p.ref: p for p in found}


def test_a_named_surface_gets_its_own_temperature_rise_and_excess():
    before, after = temperatures()
    part = after["C1"]
    # what the blur took from 8 x 8 px, 13 %, is put back; within 2 % here
    assert part.temperature_c.value == pytest.approx(FAULTY_C, abs=0.8)
    assert part.excess_k.value == pytest.approx(FAULTY_C - GOOD_C, abs=0.5)
    assert part.rise_k.value == pytest.approx(FAULTY_C - ROOM_C, abs=0.8)
    assert before["C1"].excess_k.value < 0.93 * part.excess_k.value
    # 95 % of the emissivity's range, 0.80 to 0.95 about 0.88, moves 25 K by 8 % each way; blur of 0.67 px on 8 px
    # takes up to 13 % as a rectangle
    emissivity, blur = 25 * 0.075 / 0.88 * 0.95, 1.96 * 0.13 * 25 / np.sqrt(3)
    assert part.excess_k.high - part.excess_k.low == pytest.approx(2 * np.hypot(emissivity, blur), rel=0.2)
    assert "temperature_c" not in part.why
    drawn = part.temperature_drawn_c
    assert drawn.value == pytest.approx(part.temperature_c.value, abs=0.3)
    assert (drawn.low, drawn.high) == pytest.approx((part.temperature_c.low, part.temperature_c.high), abs=0.8)
    drawn = part.excess_drawn_k
    assert drawn.value == pytest.approx(part.excess_k.value, abs=0.2)
    assert (drawn.low, drawn.high) == pytest.approx((part.excess_k.low, part.excess_k.high), abs=0.6)
    assert after["U1"].excess_drawn_k is None  # no surface is named: its excess is apparent


def test_what_the_boards_share_cancels_in_the_excess_only():
    terms = {t.name: t for t in temperatures()[1]["C1"].temperature_budget}
    assert abs(terms["camera offset"].contribution_k) > 1.0 > 20 * abs(terms["camera offset"].difference_k)
    assert terms["reflected temperature"].source == "the air's temperature from the sidecar"


def test_an_unnamed_surface_gets_a_temperature_with_a_wider_interval_and_keeps_its_excess():
    before, after = temperatures()
    assert after["U1"].excess_k == before["U1"].excess_k
    named, unnamed = after["C1"].temperature_c, after["U1"].temperature_c
    assert unnamed.low < FAULTY_C < unnamed.high
    assert unnamed.high - unnamed.low > 0.9 * (named.high - named.low)
    _, given = temperatures(seen=Seen(emissivity=0.88))
    assert given["U1"].temperature_c.value == pytest.approx(FAULTY_C, abs=0.8)
    assert given["U1"].excess_k.value == pytest.approx(FAULTY_C - GOOD_C, abs=0.5)


def test_an_unreadable_surface_has_no_temperature_but_a_reason():
    _, after = temperatures()
    assert after["X1"].temperature_c is None
    assert "reflects its surroundings" in after["X1"].why["temperature_c"]


def test_counts_have_no_temperature():
    _, after = temperatures(unit="count")
    assert after["C1"].temperature_c is None
    assert after["C1"].why["temperature_c"] == "counts without a scale"


@pytest.mark.parametrize(
    ("seen", "line"),
    [
        (
            Seen(emissivity=0.0),
            "--emissivity: emissivity 0 is impossible; emissivity lies above 0 and goes up to 1; for what cannot be "
            "read use tape",
        ),
        (
            Seen(emissivity=1.3),
            "--emissivity: emissivity 1.3 is impossible; emissivity lies above 0 and goes up to 1; for what cannot be "
            "read use tape",
        ),
        (
            Seen(transmission=1.2),
            "--transmission: transmission 1.2 is impossible; transmission lies above 0 and goes up to 1",
        ),
        (
            Seen(reflected_c=95.0),
            "--reflected: 95 C is hotter than anything on the board (56.0 C); the correction would turn its sign; "
            "measure it on crumpled foil",
        ),
    ],
)
def test_impossible_options_are_refused_in_one_line(seen, line):
    with pytest.raises(InputError) as caught:
        temperatures(seen=seen)
    assert str(caught.value) == line


def test_a_window_is_taken_off_and_its_error_kept():
    shown = reading_of(np.full((1, 4, 4), 60.0), View(1.0, ROOM_C, 0.85, ROOM_C))
    recording = Recording.from_array(shown, None, facts=Facts(ambient_c=ROOM_C))
    assert before_window(recording, Seen()) is recording
    cleared = before_window(recording, Seen(transmission=0.85))
    assert cleared.store.read(0, 1) == pytest.approx(60.0, abs=3e-3)
    terms = {t.name: t for t in temperatures(seen=Seen(transmission=0.85))[1]["C1"].temperature_budget}
    # 38 K above the room, known to 0.03 / 1.96 / 0.85: about 0.6 K
    assert abs(terms["transmission"].contribution_k) == pytest.approx(38 * 0.03 / 1.96 / 0.85, rel=0.15)


def test_a_sidecar_that_turns_the_sign_is_refused_in_one_line():
    shown = np.full((3, 4, 4), 40.0)
    check_applied(Recording.from_array(shown, None, facts=Facts(emissivity=0.9, reflected_c=25.0)))
    with pytest.raises(InputError) as caught:
        check_applied(Recording.from_array(shown, None, facts=Facts(emissivity=0.9, reflected_c=60.0)))
    assert str(caught.value) == (
        "made: reflected_c: 60 C is hotter than anything in the picture (40.0 C); the sign would turn; correct the "
        "sidecar, or leave the key out"
    )


def test_where_the_reflected_temperature_comes_from():
    for seen, facts, source in (
        (Seen(reflected_c=24.0), Facts(reflected_c=23.0), "given with --reflected"),
        (None, Facts(reflected_c=23.0, ambient_c=22.0), "as the camera was told"),
        (None, Facts(), "the coolest part of the picture; --reflected sets it"),
    ):
        terms = {t.name: t for t in temperatures(seen=seen, facts=facts)[1]["C1"].temperature_budget}
        assert terms["reflected temperature"].source == source


def test_the_share_lost_to_blur_is_that_of_a_blurred_box():
    # A box of 8 x 8 px under a Gaussian of hypot(0.6, 1/sqrt 12) px, averaged over itself, integrated numerically.
    board = made_board()
    film = made_excess(board)[0].film
    sigma = float(np.hypot(0.6, 1 / np.sqrt(12)))
    x = np.linspace(-4, 4, 4001)
    line = np.mean([0.5 * (erf((4 - v) / (np.sqrt(2) * sigma)) + erf((4 + v) / (np.sqrt(2) * sigma))) for v in x])
    assert lost_share(board.part("C1"), film, settings=RadiometrySettings()) == pytest.approx(1 - line**2, abs=1e-3)


def test_a_drift_that_all_parts_share_widens_every_rise():
    made = temperatures()[0]["C1"]
    cool = [replace(made, ref=f"R{i}", rise_k=Measured.normal(0.6 + 0.01 * i, 0.02)) for i in range(9)]
    assert rise_drift_k([made, *cool]) == pytest.approx(0.61, abs=0.02)
    assert rise_drift_k([made]) == 0.0


def test_places_follow_their_part():
    before, after = temperatures()
    made = before["C1"].excess_k
    places = tuple(
        Hotspot(i + 1, "hot", 6, 10, 0.5, made, None, 1.5, 1e-9, 1e-9, 50.0, 16.0, parts)
        for i, parts in enumerate((("C1",), ("U1",), ()))
    )
    found = own_places(places, tuple(before.values()), tuple(after.values()))
    # the gain of emissivity 0.88 alone: a place is no part whose blur could be put back
    gain = (FAULTY_C - GOOD_C) / float(np.diff(reading_of(np.array([GOOD_C, FAULTY_C]), View(0.88, ROOM_C)))[0])
    assert found[0].excess_k.value == pytest.approx(made.value * gain, rel=0.01)
    assert found[0].excess_k.high - found[0].excess_k.low > 1.1 * (made.high - made.low)
    assert found[1:] == places[1:]


def test_bodies_that_cannot_be_read_are_marked_for_hatching():
    board = made_board()
    excess, _ = made_excess(board)
    film = excess.film
    maps = ResultMaps(
        grid=film.grid, edges_s=film.edges_s, excess=excess.excess, faulty=excess.excess, good=None, noise=excess.noise,
        spread=excess.spread, inside=film.inside, readable=film.readable, photo=film.cold, shown_bin=1,
        clock="power_on", power_off_s=None,
    )  # fmt: skip
    marked = hatched(maps, tuple(temperatures()[1].values()), board)
    rows, columns = (round(float(v)) for v in film.grid.to_cell(24.0, 10.0))
    assert not marked.readable[rows, columns]
    rows, columns = (round(float(v)) for v in film.grid.to_cell(6.0, 10.0))
    assert marked.readable[rows, columns]
