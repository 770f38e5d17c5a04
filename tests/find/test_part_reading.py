"""Parts that are smaller than three pixels say so, larger ones do not; the report has the sentence."""

from dataclasses import replace

import numpy as np
import pytest

from thermscan.find.excess import rise_of
from thermscan.find.part_reading import read_parts, with_unclear
from thermscan.model.board import Board, Part
from thermscan.model.film import BoardGrid, Excess, Film
from thermscan.model.flags import sentence
from thermscan.model.quantity import Measured
from thermscan.model.settings import DetectionSettings, ExcessSettings
from thermscan.read.surface_table import open_surfaces


def readings(pixel_mm, *, surfaces=(), more=()):
    """A small, a middling and a large part on an evenly warm board, by a camera of a given pixel."""
    parts = (
        Part("R1", "resistor", 6, 6, 1.0, 0.5, 0, 0.35),
        Part("C1", "capacitor", 14, 6, 3.2, 1.6, 0, 1.0),
        Part("U1", "chip", 22, 12, 8, 8, 0, 1.0),
        *more,
    )
    board = replace(Board.rectangle(30, 20), parts=parts)
    grid = BoardGrid(0.25, 0.25, 0.5, 60, 40)
    yes = np.ones(grid.shape, bool)
    seen = np.full((6, *grid.shape), 2.0)
    film = Film(grid, np.linspace(0, 6, 7), "power_on", 24 + seen, np.full(6, 4), np.full(grid.shape, 24.0), 20,
                np.full(grid.shape, 0.05), 0.3, 0.02, yes, yes, pixel_mm)  # fmt: skip
    own = np.zeros_like(seen)
    excess = Excess(film, seen, np.full((1, 1, 1), 0.05), np.full(1, 0.02), "good_boards", 1, own, "cold_frames")
    rise = rise_of(film, settings=ExcessSettings())
    settings = DetectionSettings()
    return {r.ref: r for r in read_parts(excess, rise, board, side="top", surfaces=surfaces, settings=settings)}


@pytest.mark.parametrize(
    ("pixel_mm", "small"), [(0.15, set()), (0.5, {"R1"}), (0.6, {"R1", "C1"}), (2.7, {"R1", "C1", "U1"})]
)
def test_parts_below_three_pixels_are_flagged(pixel_mm, small):
    found = readings(pixel_mm)
    assert {ref for ref, r in found.items() if "below_resolution" in r.flags} == small
    assert found["U1"].pixels == pytest.approx(64 / pixel_mm**2)
    assert "three camera pixels" in sentence("below_resolution")


def test_a_shield_is_bare_metal_unless_its_surface_is_named():
    cans = (Part("SH1", "shield", 8, 14, 6, 6), Part("SH2", "shield", 15, 14, 5, 5, surface="painted steel"))
    found = readings(0.5, surfaces=open_surfaces(), more=cans)
    assert found["SH1"].state == "unreadable"
    assert "reflects" in found["SH1"].why["state"]
    assert found["SH2"].state != "unreadable"


def test_a_part_whose_interval_leaves_zero_out_is_unclear_whatever_was_said_before():
    found = tuple(readings(0.5).values())
    like = tuple(replace(p, state="like_good", excess_k=Measured(v, v - 1.0, v + 1.0))
                 for p, v in zip(found, (-9.0, 0.4, 2.0), strict=True))  # fmt: skip
    assert [p.state for p in with_unclear(like)] == ["unclear", "like_good", "unclear"]
    hot = tuple(replace(p, state="hot") for p in like)
    assert with_unclear(hot) == hot
