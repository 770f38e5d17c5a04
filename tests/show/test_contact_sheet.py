import numpy as np
import pytest

from thermscan.show.contact_sheet import SheetFacts, SheetFrame, _warmest, choose_frames, draw_contact_sheet


@pytest.mark.parametrize(("frames", "wanted"), [(225, (18, 180)), (3, ()), (1, (0,)), (40, tuple(range(30)))])
def test_chosen_frames_are_in_order_and_hold_the_wanted_ones(frames, wanted):
    chosen = choose_frames(frames, wanted=wanted)
    assert list(chosen) == sorted(set(chosen))
    assert len(chosen) == min(12, frames)
    assert set(wanted[:12]) <= set(chosen)


def test_sheet_is_drawn_in_either_unit_with_bad_pixels():
    picture = np.full((12, 16), 25.0)
    picture[3, 4] = np.nan
    frames = [SheetFrame(i, picture + i, i / 9, "power-on" if i == 2 else "") for i in range(5)]
    facts = SheetFacts("a <b> $x$.tiff", lines=("5 frames",), hottest=((4, 5),), sha256="ab" * 32)
    assert draw_contact_sheet(frames, facts, fahrenheit=True)[:4] == b"\x89PNG"
    empty = [SheetFrame(0, np.full((24, 32), np.nan))]
    assert draw_contact_sheet(empty, SheetFacts("blank", unit="count"))[:4] == b"\x89PNG"


def test_places_are_drawn_where_they_are_hottest():
    cool, warm = np.full((12, 16), 25.0), np.full((12, 16), 25.0)
    warm[5, 4] = 60.0
    frames = [SheetFrame(0, cool), SheetFrame(1, warm), SheetFrame(2, cool)]
    assert _warmest(frames, ((4, 5),)) == 1
    assert _warmest(frames, ()) == 2
    assert _warmest(frames, ((99, 99),)) == 2
