import dataclasses

import pytest

from thermscan.model.quantity import Measured
from thermscan.show.words import (
    answer,
    basis_words,
    called,
    colour_words,
    excess_label,
    is_of_surface,
    result_cautions,
    say,
    say_excess,
    say_place,
    say_share,
)


@pytest.mark.parametrize(
    ("measured", "suffix", "fahrenheit", "words"),
    [
        (Measured(0.42, 0.37, 0.47), "w", False, "0.42 W (0.37 to 0.47)"),
        (Measured(12.6, 12.2, 13.0), "k", False, "12.6 K (12.2 to 13.0)"),
        # NIST SP 811, appendix B.9: a difference of 1 K is 1.8 degrees Fahrenheit, 25 °C is 77 °F.
        (Measured(10.0, 9.0, 11.0), "k", True, "18.0 °F diff. (16.2 to 19.8)"),
        (Measured(25.0, 24.0, 26.0), "c", True, "77.0 °F (75.2 to 78.8)"),
        (Measured(150.0, 100.0, 200.0), "k", False, "150 K (100 to 200)"),
        (None, "w", False, "not known: counts only"),
    ],
)
def test_digits_fit_the_interval(measured, suffix, fahrenheit, words):
    assert say(measured, suffix, fahrenheit=fahrenheit, why="counts only") == words


@pytest.mark.parametrize(("share", "words"), [(0.0, "under 1 %"), (0.83, "83 %"), (1.0, "over 99 %"), (0.006, "1 %")])
def test_a_probability_is_never_said_as_certainty(share, words):
    assert say_share(share) == words


def test_answers(result, bare):
    assert answer(result) == "Most likely C14 on +3V3: short (83 %)."
    assert answer(bare) == "This recording cannot tell. The nearest suspect is C14 with 30 %."
    misplaced = dataclasses.replace(bare, flags=(*bare.flags, "placement_untrusted"))
    assert "look which body really is warm" in answer(misplaced)
    good = dataclasses.replace(result, verdict="like_good", no_fault_probability=0.93)
    assert answer(good) == (
        "No fault found: this board behaves like 2 good boards within the detection limit, "
        "12 mW on nine tenths of the board (93 %)."
    )


def test_places_without_millimetres_are_fractions(result):
    without = dataclasses.replace(result, picture_px=(100, 50))
    assert say_place(result.hotspots[0], result) == "x 35.7 mm, y 28.4 mm, within 0.6 mm"
    assert say_place(result.hotspots[0], without).startswith("0.36 across, 0.43 down")


def test_counts_and_basis(bare, result):
    assert say_excess(bare.hotspots[0], bare) == "+210 counts"
    assert basis_words(bare) == "itself only (no good board)"
    assert basis_words(dataclasses.replace(result, good_boards=1)) == "1 good board"


def test_bare_places_are_called_by_their_number_where_they_have_one(result):
    lone = dataclasses.replace(result.suspects[2], x_mm=30.2, y_mm=21.9)
    far = dataclasses.replace(lone, x_mm=80.0)
    assert called(result.suspects[0], result) == "C14"
    assert called(lone, result) == "bare place, no. 3"
    assert called(far, result) == "bare place"


def test_colours_are_explained_by_what_was_compared(result, bare):
    assert colour_words(result) == "blue colder, red warmer than 2 good boards"
    assert "no good board" in colour_words(bare)


def test_a_hot_place_of_a_board_without_parts_is_warned_of(result, board):
    hot = dataclasses.replace(result.hotspots[0], excess_k=Measured(94.0, 90.0, 98.0))
    for place, is_hot in ((hot, True), (dataclasses.replace(hot, excess_k=Measured(5.0, 4.0, 6.0)), False)):
        bare = dataclasses.replace(result, parts=(), hotspots=(place,))
        assert ("hot" in {caution.name for caution in result_cautions(bare, board)}) == is_hot


def with_surface(result, *refs):
    """The result as if the surfaces of some parts were known, so that theirs is the excess given."""
    parts = tuple(dataclasses.replace(p, excess_drawn_k=p.excess_k) if p.ref in refs else p for p in result.parts)
    return dataclasses.replace(result, parts=parts)


def test_an_excess_is_of_the_surface_or_as_seen(result):
    corrected = with_surface(result, "C14")
    c14, u3, bare_place = corrected.suspects
    assert is_of_surface(c14, corrected)
    assert not is_of_surface(c14, result)
    assert not is_of_surface(u3, corrected)
    assert not is_of_surface(bare_place, corrected)
    assert [is_of_surface(spot, corrected) for spot in corrected.hotspots] == [True, False, False]
    assert (excess_label(of_surface=True), excess_label(of_surface=False)) == ("excess of the surface", "excess seen")
