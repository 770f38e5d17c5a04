import struct
import zlib

import pytest

from thermscan.model.errors import InputError
from thermscan.show.picture import (
    PictureFacts,
    legible,
    new_figure,
    nice_length,
    png_of,
    save_bytes,
    text_size_px,
    wrap_lines,
    write_text,
)

# Chunk layout, tEXt (Latin-1) and iTXt (UTF-8): W3C PNG specification, section 11.3.4, layout from memory.
SIGNATURE = b"\x89PNG\r\n\x1a\n"


def text_fields(png):
    assert png[:8] == SIGNATURE
    fields, at = {}, 8
    while at < len(png):
        (length,) = struct.unpack(">I", png[at : at + 4])
        kind, body = png[at + 4 : at + 8], png[at + 8 : at + 8 + length]
        (crc,) = struct.unpack(">I", png[at + 8 + length : at + 12 + length])
        assert zlib.crc32(kind + body) == crc
        if kind == b"tEXt":
            key, text = body.split(b"\0", 1)
            fields[key.decode("latin-1")] = text.decode("latin-1")
        elif kind == b"iTXt":
            key, rest = body.split(b"\0", 1)
            fields[key.decode("latin-1")] = rest[2:].split(b"\0", 2)[2].decode("utf-8")
        at += 12 + length
    return fields


def test_facts_stand_in_the_text_fields():
    facts = PictureFacts("Excess of 板 board", "-5 to 5 K", "top side", "14.8 s", (("faulty", "ab" * 32),), "0.1.0")
    fields = text_fields(png_of(new_figure(1, 1), facts))
    assert fields["Title"] == "Excess of 板 board"
    assert fields["Scale"] == "-5 to 5 K"
    assert fields["Side"] == "top side"
    assert fields["Second"] == "14.8 s"
    assert "ab" * 32 in fields["Source-SHA256"]
    assert fields["Software"] == "thermscan 0.1.0"
    assert "14.8 s" in fields["Description"]


def test_same_figure_gives_the_same_bytes():
    def draw():
        figure = new_figure(2, 1)
        write_text(figure, (0.1, 0.9), "same $x_1$ text")
        return png_of(figure, PictureFacts("same"))

    assert draw() == draw()


def test_text_is_made_drawable():
    assert legible("C14\nnext\tline") == "C14 next line"
    assert legible("板 °±µΩ") == "□ °±µΩ"


def test_lines_fit_their_width_and_say_what_was_cut():
    figure = new_figure(4, 1)
    lines = wrap_lines(figure, "one two three four five six seven " * 6, 2.0, size=9, most=3)
    assert len(lines) == 3
    assert lines[-1].endswith("…")
    assert all(text_size_px(figure, line, size=9)[0] <= 2.0 * figure.dpi for line in lines)
    (single,) = wrap_lines(figure, "x" * 300, 2.0, size=9, most=1)
    assert text_size_px(figure, single, size=9)[0] <= 2.0 * figure.dpi


@pytest.mark.parametrize(("span", "length"), [(22.5, 20), (10, 10), (9.9, 5), (0.7, 0.5), (3.0, 2), (199, 100)])
def test_scale_bars_are_round(span, length):
    assert nice_length(span) == pytest.approx(length)


def test_unwritable_path_is_refused_in_one_line(tmp_path):
    with pytest.raises(InputError, match="cannot be written"):
        save_bytes(b"", tmp_path / "missing" / "a.png")
