"""With Fahrenheit asked for, nothing that people read keeps a kelvin or a degree Celsius."""

import dataclasses
import io
import re
from types import SimpleNamespace

import pypdf
import pytest
from PIL import Image

from thermscan.app.compare_job import print_answer
from thermscan.model.look_report import LookReport
from thermscan.model.quantity import in_fahrenheit
from thermscan.model.timing import Timing
from thermscan.show.content import report_content
from thermscan.show.curve import draw_curves
from thermscan.show.fahrenheit import with_fahrenheit
from thermscan.show.look_words import look_lines
from thermscan.show.overlay import draw_overlay, draw_side_by_side
from thermscan.show.pdf import report_pdf
from thermscan.show.report import report_html

LEFT = re.compile(r"\d ?(°C|C|K|K/s|K/min)(?![\w/])")


@pytest.mark.parametrize(
    ("text", "turned"),
    [
        # NIST SP 811, appendix B.9: 25 °C is 77 °F, a difference of 1 K is 1.8 degrees Fahrenheit
        ("C14 reached 65 °C (41 to 89) inside", "C14 reached 149 °F (106 to 192) inside"),
        ("C14 is 18 K warmer, by -2.5 K (-3.7 to -1.3)", "C14 is 32 °F diff. warmer, by -4.5 °F diff. (-6.7 to -2.3)"),
        ("rises at +4.40 K/s, drifts by 0.50 K/min", "rises at +7.92 °F/s, drifts by 0.90 °F/min"),
        ("from 20.0 to 25.0 °C; 100 C", "from 68.0 to 77.0 °F; 212 °F"),
        ("±2 C or ±2 %, +-0.5 K", "±4 °F diff. or ±2 %, +-0.9 °F diff."),
        ("1e-3 K", "0.0018 °F diff."),
        ("3.29 mJ/(mm2 K), 17 W/(m2 K), 36 mW/K, 40 K/W", "3.29 mJ/(mm2 K), 17 W/(m2 K), 36 mW/K, 40 K/W"),
        ("2 C14, 3 Kinds, R12 K, 4k7, 77.0 °F", "2 C14, 3 Kinds, R12 K, 4k7, 77.0 °F"),
        ("its limit of 85 °C (limit)", "its limit of 185 °F (limit)"),
    ],
)
def test_sentences_are_turned(text, turned):
    assert in_fahrenheit(text) == turned


def test_records_are_turned_but_for_what_stays():
    pair = dataclasses.make_dataclass("Pair", [("name", str), ("lines", tuple)], frozen=True)("10 K", ("10 K", 3, None))
    turned = with_fahrenheit(pair, but=("name",))
    assert (turned.name, turned.lines) == ("10 K", ("18 °F diff.", 3, None))


@pytest.fixture(scope="module")
def wordy(result):
    """A result whose sentences hold kelvins and degrees Celsius everywhere."""
    first = dataclasses.replace(result.suspects[0], reasons=("C14 is 18 K (17 to 19) warmer, at 4.4 K/s",))
    return dataclasses.replace(
        result,
        suspects=(first, *result.suspects[1:]),
        warnings=("C14 reached 65 °C (41 to 89) inside; its limit of 85 °C lies in that range",),
        next_steps=("warm it to 30 K above the room",),
        moved_by=("23 C of air: moves nothing",),
        settings={"rate.least_k": "0.5"},
    )


def test_report_page_and_pdf_hold_no_kelvin(wordy, maps, board, pictures):
    content = report_content(wordy, board, fahrenheit=True)
    text = repr(dataclasses.replace(content, settings=()))
    assert LEFT.findall(text) == []
    assert "C14 is 32 °F diff. (31 to 34) warmer, at 7.9 °F/s" in text
    assert content.tables[-1] == report_content(wordy, board).tables[-1]  # names of files stay
    assert LEFT.search(repr(report_content(wordy, board)))
    html = report_html(wordy, maps, board, pictures=pictures, fahrenheit=True)
    assert LEFT.findall(re.sub(r"<style>.*?</style>|<script.*?</script>|data:image/png;base64,[^\"]*", "", html)) == []
    pdf = pypdf.PdfReader(io.BytesIO(report_pdf(wordy, pictures, board, fahrenheit=True)))
    assert LEFT.findall(" ".join(page.extract_text() for page in pdf.pages)) == []


def test_an_uncertainty_of_a_temperature_is_a_difference(wordy):
    parts = tuple(
        dataclasses.replace(
            p,
            temperature_budget=tuple(
                dataclasses.replace(t, value=23.0, standard_uncertainty=2.0, unit="C") for t in p.temperature_budget
            ),
        )
        for p in wordy.parts
    )
    rows = report_content(dataclasses.replace(wordy, parts=parts), fahrenheit=True).table("budget").rows
    assert rows[0][1:3] == ("73 °F", "4 °F diff.")


@pytest.mark.parametrize("draw", [draw_overlay, draw_side_by_side])
def test_pictures_say_fahrenheit(wordy, maps, board, draw):
    facts = Image.open(io.BytesIO(draw(wordy, maps, board, fahrenheit=True))).text
    assert "°F diff." in facts["Scale"]
    curves = Image.open(io.BytesIO(draw_curves(wordy, maps, fahrenheit=True))).text
    assert "°F diff." in curves["Scale"]


def test_the_command_line_says_fahrenheit(wordy, board, capsys, tmp_path):
    print_answer(SimpleNamespace(result=wordy, board=board), tmp_path, fahrenheit=True)
    said = capsys.readouterr()
    assert LEFT.findall((said.out + said.err).replace(str(tmp_path), "")) == []
    assert "reached 149 °F (106 to 192) inside; its limit of 185 °F" in said.err
    print_answer(SimpleNamespace(result=wordy, board=board), tmp_path)
    assert "65 °C (41 to 89)" in capsys.readouterr().err


def test_a_look_says_fahrenheit():
    event = SimpleNamespace(text="the picture stepped by 0.35 K")
    place = SimpleNamespace(x_px=3, y_px=4, value=42.0, rise=19.0)
    report = LookReport(
        name="faulty", path="", sha256="", frames=9, rows=3, columns=4, unit="celsius", first_s=0.0, last_s=1.0,
        frame_rate_hz=9.0, lowest=22.0, highest=42.0, noise=0.06, moved_px=None, is_tripod=True, timing=Timing(),
        events=(event,), hottest=(place,), warnings=(), notes=(), usable=True, why={},
    )  # fmt: skip
    lines = look_lines(report, fahrenheit=True)
    assert LEFT.findall(" ".join(lines)) == []
    assert "camera: the picture stepped by 0.63 °F diff." in lines
