"""The verification as a sheet, a picture and a file: the same answer everywhere."""

import dataclasses
import io
import json

import numpy as np
import pypdf
import pytest
from PIL import Image

from thermscan.model.case_record import Criterion, PlaceChange, Verification
from thermscan.show.before_after import common_scale, draw_before_after
from thermscan.show.colour import excess_scale
from thermscan.show.sheet import sheet_html
from thermscan.show.sheet_pdf import sheet_pdf
from thermscan.show.verification_sheet import answer_words, verification_sheet
from thermscan.write.verification_file import verification_text

MET = Criterion("restarts", "no restart in any run", "none in 2 recordings", "met")
OPEN = Criterion("cold starts", "2 cold starts seen", "1 of 1 recordings", "not_done")
BAD = Criterion("rail +3V3", "3.135 to 3.465 V", "2.9 V", "not_met")
GONE = PlaceChange("C14", "gone", (12.0, 11.6, 12.4), (0.1, -0.2, 0.4), 8.0, "C14 was +12.0 K, is +0.1 K")


def made(outcome="gone", criteria=(MET,), places=(GONE,)):
    inputs = (("after", "after.tiff", "ab" * 32), ("before", "<b>.tiff", "cd" * 32))
    return Verification(
        outcome, "The fault is gone (C14).", tuple(criteria), places, inputs, "invented", "top", (), "9.9"
    )


@pytest.mark.parametrize(
    ("verification", "words", "passed", "tone"),
    [
        (made(), "Verified: The fault is gone (C14).", True, "good"),
        (made(criteria=(MET, OPEN)), "The fault is gone (C14). Not yet verified: 1 check not done.", False, "open"),
        (made(criteria=(MET, BAD)), "Not verified: rail +3V3 not met. The fault is gone (C14).", False, "open"),
        (made("still_there"), "The fault is gone (C14).", False, "bad"),
        (made("cannot_tell"), "The fault is gone (C14).", False, "open"),
    ],
)
def test_only_what_is_complete_is_called_verified(verification, words, passed, tone):
    sheet = verification_sheet(verification)
    assert (answer_words(verification), verification.passed, sheet.state) == (words, passed, tone)
    assert sheet.answer == words


def test_page_and_pdf_hold_what_the_file_holds():
    verification = made(criteria=(MET, OPEN))
    document = json.loads(verification_text(verification))
    assert document["not_done"] == ["cold starts"]
    assert (document["places"][0]["before_k"], document["places"][0]["after_k_95"]) == (12.0, [-0.2, 0.4])
    sheet = verification_sheet(verification)
    html = sheet_html(sheet)
    pdf = " ".join(" ".join(p.extract_text() for p in pypdf.PdfReader(io.BytesIO(sheet_pdf(sheet))).pages).split())
    for text in (html, pdf):
        assert "+12.00 K (+11.60 to +12.40)" in text
        assert "cold starts: not done (wanted: 2 cold starts seen)" in text
    assert "&lt;b&gt;.tiff" in html


def test_unknown_values_have_a_reason():
    place = PlaceChange("U1", "unknown", None, (1.0, 0.5, 1.5), None, "U1")
    (row,) = json.loads(verification_text(made(places=(place,))))["places"]
    assert row["before_k"] is None
    assert {"before_k", "before_k_95", "at_s"} == set(row["why"])


def test_before_and_after_share_scale_and_second(maps, board):
    calm = dataclasses.replace(maps, excess=0.02 * maps.excess)
    assert common_scale(calm, maps) == excess_scale(maps)
    assert common_scale(maps, calm) == excess_scale(maps)
    both = Image.open(io.BytesIO(draw_before_after(calm, maps, board, made())))
    limit = excess_scale(maps).limit
    assert both.text["Scale"] == f"{-limit:.3g} to {limit:.3g} K"
    assert both.text["Second"] == "14.8 s after power-on"
    assert "before cd" in both.text["Source-SHA256"]
    pixels = np.asarray(both.convert("RGB"), float)
    half = pixels.shape[1] // 2
    red = (pixels[..., 0] - pixels[..., 2])[: int(0.75 * pixels.shape[0])]
    assert np.percentile(red[:, :half], 99.5) > 60  # the faulty half is warm
    assert np.percentile(red[:, half:], 99.5) < 30  # the repaired half is pale
    alone = Image.open(io.BytesIO(draw_before_after(calm, None, board, made())))
    assert alone.width < both.width
