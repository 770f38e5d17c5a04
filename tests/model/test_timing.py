"""Why moments are not known, and how long to film, in words that fit the frame rate."""

import numpy as np
import pytest

from thermscan.model.timing import before_words, rate_of, reason_words, too_few_words


@pytest.mark.parametrize(
    ("why", "words"),
    [
        ("not_seen: 9 frames are too few", "9 frames are too few"),
        ("not_seen", "not seen"),
        ("still_on: nothing begins to cool", "still on: nothing begins to cool"),
        ("still_on", "still on"),
        ("on_before_recording: places warm from the first frame on",
         "on before the recording: places warm from the first frame on"),
        ("the board is not powered", "the board is not powered"),
        ("", ""),
    ],
)  # fmt: skip
def test_no_code_is_said_to_people(why, words):
    assert reason_words(why) == words


@pytest.mark.parametrize(
    ("rate", "words"),
    [
        (9.0, "two seconds"),
        (2.0, "two seconds"),
        (None, "two seconds"),
        (0.858, "5 seconds (4 frames at 0.86 frames/s)"),
        (0.1, "40 seconds (4 frames at 0.1 frames/s)"),
    ],
)
def test_seconds_before_switching_on_give_enough_frames(rate, words):
    assert before_words(rate) == words


def test_too_few_frames_say_how_long_to_film():
    times = np.arange(9) / 0.858
    assert rate_of(times) == pytest.approx(0.858)
    assert rate_of(times[:1]) is None
    said = too_few_words(times, 12)
    assert said == "9 frames are too few to show a change in time: 12 are needed, 14 s at 0.86 frames/s"
    assert too_few_words(times[:1], 12) == "1 frame is too few to show a change in time: 12 are needed"
