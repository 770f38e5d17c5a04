"""The picture of the suspects over time, and a frame as a picture: facts stay in the file."""

import io

import numpy as np
from PIL import Image

from thermscan.model.case_record import Candidate, Standing, Step
from thermscan.show.heat_picture import HeatFacts, draw_heat, frame_scale
from thermscan.show.standing_picture import draw_standing, leading_names


def step(number, c14, u3):
    rest = 1 - c14 - u3
    standing = Standing((Candidate("C14", c14), Candidate("U3", u3)), rest / 2, rest / 2)
    return Step(number, "t", "swap", standing, "moved")


def test_nothing_to_draw_before_the_first_comparison():
    assert draw_standing([Step(1, "t", "symptom", None, "")]) is None


def test_the_picture_says_what_it_shows():
    png = draw_standing([step(3, 0.8, 0.1), step(5, 0.2, 0.6)], device="$x$ <b>", version="9.9")
    picture = Image.open(io.BytesIO(png))
    assert picture.text["Title"] == "Probabilities of the suspects of $x$ <b>"
    assert picture.text["Software"] == "thermscan 9.9"
    named = draw_standing([step(3, 0.8, 0.1)], sources=(("case log", "ab" * 32),))
    assert Image.open(io.BytesIO(named)).text["Source-SHA256"] == f"case log {'ab' * 32}"
    assert np.asarray(picture.convert("L")).std() > 5
    assert draw_standing([step(3, 0.8, 0.1), step(5, 0.2, 0.6)], device="$x$ <b>", version="9.9") == png


def test_leaders_are_those_that_ever_led():
    assert leading_names([step(1, 0.8, 0.1), step(2, 0.1, 0.85)], 1) == ["U3"]
    assert leading_names([step(1, 0.8, 0.1)], 5) == ["C14", "U3"]


def test_a_heat_picture_keeps_caption_scale_side_second_and_hash():
    frame = np.random.default_rng(0).normal(30, 2, (60, 80))
    frame[3, 4] = np.nan
    facts = HeatFacts("end of run <b>", "faulty", 57, 9.5, "bottom", "celsius", "ab" * 32, (20.0, 40.0), "9.9")
    picture = Image.open(io.BytesIO(draw_heat(frame, facts)))
    said = picture.text
    assert (said["Title"], said["Side"]) == ("end of run <b>", "bottom")
    assert said["Scale"] == "20 to 40 °C"
    assert said["Second"].startswith("9.50 s")
    assert said["Source-SHA256"] == f"faulty {'ab' * 32}"
    fahrenheit = Image.open(io.BytesIO(draw_heat(frame, facts, fahrenheit=True))).text
    assert fahrenheit["Scale"] == "68 to 104 °F"  # 20 and 40 °C; NIST SP 811, appendix B


def test_a_frame_without_numbers_still_has_a_scale():
    assert frame_scale(np.full((3, 3), np.nan)) == (0.0, 1.0)
