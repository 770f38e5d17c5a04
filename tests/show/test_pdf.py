import dataclasses
import io

import pypdf
import pytest

from thermscan.show.pdf import report_pdf


def sheets(pdf):
    return [" ".join(page.extract_text().split()) for page in pypdf.PdfReader(io.BytesIO(pdf)).pages]


@pytest.fixture(scope="module")
def pdf(result, pictures, board):
    return report_pdf(result, pictures, board)


def test_numbers_are_read_back_by_another_library(pdf):
    text = " ".join(sheets(pdf))
    for words in ("Most likely C14 on +3V3: short (83 %).", "0.42 W (0.37 to 0.47)", "12.6 K (12.2 to 13.0)",
                  "1.9 K/s (1.7 to 2.1)", "power off, unplugged", "0.14 px", "Not valid when", "still on"):  # fmt: skip
        assert words in text, words


def test_answer_suspects_and_steps_stand_on_the_first_of_two_to_four_sheets(pdf):
    pages = sheets(pdf)
    assert 2 <= len(pages) <= 4
    for words in ("Most likely C14", "2 U3: overload", "What to do next", "licensed practice"):
        assert words in pages[0], words


def test_same_result_gives_the_same_bytes(pdf, result, pictures, board):
    assert report_pdf(result, pictures, board) == pdf


def test_long_results_still_fit_four_sheets(result, pictures, board):
    long = " ".join(["a sentence that goes on and on"] * 20)
    many = dataclasses.replace(
        result,
        suspects=result.suspects * 5,
        hotspots=result.hotspots * 12,
        parts=result.parts * 40,
        sources=result.sources * 12,
        camera_events=result.camera_events * 30,
        inputs=result.inputs * 8,
        registration=result.registration * 4,
        warnings=(long,) * 20,
        next_steps=(long,) * 9,
        settings={f"detection.setting_{i}": long for i in range(40)},
    )
    pages = sheets(report_pdf(many, pictures, board))
    assert len(pages) <= 4
    assert "more in hotspots.csv" in " ".join(pages)


def test_hostile_names_and_unknowns_stand_as_text(hostile, bare, pictures):
    wild, named = hostile
    text = " ".join(sheets(report_pdf(named, pictures, wild)))
    assert '<script>alert("x")</script>' in text
    assert "cannot tell" in " ".join(sheets(report_pdf(bare, pictures, fahrenheit=True)))
