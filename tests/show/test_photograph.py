"""Photographs in sheets: upright, small, and without what a telephone writes into them."""

import io

import numpy as np
from PIL import Image, PngImagePlugin

from thermscan.show.photograph import shown_photograph


def saved(picture, kind, **more):
    buffer = io.BytesIO()
    picture.save(buffer, kind, **more)
    return buffer.getvalue()


def test_a_photograph_becomes_smaller_and_forgets_place_and_device():
    picture = Image.fromarray(np.random.default_rng(0).integers(0, 255, (900, 2800, 3), dtype=np.uint8))
    exif = Image.Exif()
    exif[0x010F] = "invented maker"  # EXIF 2.32, tag Make
    content = saved(picture, "JPEG", exif=exif)
    assert b"invented maker" in content
    shown = shown_photograph(content)
    assert Image.open(io.BytesIO(shown)).size == (1400, 450)
    assert b"invented maker" not in shown


def test_a_photograph_is_turned_upright():
    pixels = np.zeros((40, 80, 3), np.uint8)
    pixels[:, :40] = 255
    exif = Image.Exif()
    exif[0x0112] = 6  # EXIF 2.32, tag Orientation: the first row is the right-hand side
    shown = Image.open(io.BytesIO(shown_photograph(saved(Image.fromarray(pixels), "JPEG", exif=exif))))
    assert shown.size == (40, 80)
    upright = np.asarray(shown.convert("L"), float)
    assert upright[:30].mean() > 240
    assert upright[50:].mean() < 15


def test_a_small_png_stays_as_it_is_with_its_text_fields():
    facts = PngImagePlugin.PngInfo()
    facts.add_text("Title", "end of the run")
    content = saved(Image.new("RGB", (40, 30)), "PNG", pnginfo=facts)
    assert shown_photograph(content) is content


def test_what_is_no_picture_is_not_shown():
    assert shown_photograph(b"") is None
    assert shown_photograph(b"\x89PNG not really") is None
    assert shown_photograph(b"<script>alert(1)</script>") is None
