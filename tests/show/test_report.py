import dataclasses
import itertools
import re
import shutil
import subprocess
from html.parser import HTMLParser
from pathlib import Path

import pytest

from thermscan.show.content import report_content
from thermscan.show.report import draw_pictures, report_html

STYLE = Path(__file__).parents[2] / "thermscan" / "show" / "templates" / "style.css"
VOID = {"meta", "img", "input", "br", "hr", "link", "polygon", "circle", "path"}


class Page(HTMLParser):
    """Reads a page with the standard library: tags in order, text by tag, and whether tags are closed in order."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.open, self.texts = [], [], []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        if tag in VOID:
            return
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.texts.append((self.open[-1] if self.open else "", data))

    def text(self):
        return " ".join(" ".join(t for tag, t in self.texts if tag not in ("script", "style")).split())


@pytest.fixture(scope="module")
def html(result, maps, board, pictures):
    return report_html(result, maps, board, pictures=pictures)


@pytest.fixture(scope="module")
def page(html):
    return Page(html)


def test_page_holds_the_numbers_of_the_result(page):
    text = page.text()
    for words in (
        "Most likely C14 on +3V3: short (83 %).",
        "0.42 W (0.37 to 0.47)",
        "12.6 K (12.2 to 13.0), at 14.5 s",
        "1.9 K/s (1.7 to 2.1), over 0.5 s",
        "x 35.7 mm, y 28.4 mm, within 0.6 mm",
        "U5 on the same net +3V3 stays cold.",
        "Measure the resistance of +3V3 to ground with power off.",
        "the good boards were filmed 2 K cooler than this one",
        "shutter: the whole picture stepped by 0.35 K",
        "not known: still on",
        "detection.false_discovery_rate",
        "ab" * 32,
        "0.14 px",
        "Not valid when",
    ):
        assert words in text, words


def test_tables_and_cards_say_which_excess_they_give(result):
    plain = report_content(result)
    assert plain.table("hotspots").heads[4] == plain.table("parts").heads[3] == "excess seen"
    assert not any("as seen" in cell for table in plain.tables for row in table.rows for cell in row)
    assert [card.facts[3].label for card in plain.cards] == ["excess seen"] * 3
    parts = tuple(dataclasses.replace(p, excess_drawn_k=p.excess_k) if p.ref == "C14" else p for p in result.parts)
    content = report_content(dataclasses.replace(result, parts=parts))
    assert [card.facts[3].label for card in content.cards] == ["excess of the surface", "excess seen", "excess seen"]
    # what blur takes is put back for parts, not for places
    for name, column, first, blurred in (("hotspots", 4, 2, ", blurred"), ("parts", 3, 0, "")):
        table = content.table(name)
        assert table.heads[column] == f"excess of the surface{blurred}"
        assert "corrected for the surface's emissivity" in table.note
        for row in table.rows:
            is_known = "(" in row[column]
            assert row[column].endswith(", as seen") == (is_known and not row[first].startswith("C14")), row


def test_pictures_and_live_map_say_that_they_show_what_is_seen(page):
    text = page.text()
    assert "Excess seen through time" in text
    assert "Excess on the board as the camera shows it" in text
    assert "Faulty, good and excess seen at one scale" in text


def test_codes_of_reasons_are_said_in_words(result):
    why = {"power_on_s": "on_before_recording: places warm from the first frame on", "power_off_s": "not_seen: nothing"}
    content = report_content(dataclasses.replace(result, power_on_s=None, why=why))
    facts = {fact.label: fact.value for fact in content.facts}
    assert facts["power-on"] == "not known: on before the recording: places warm from the first frame on"
    assert facts["power-off"] == "not known: nothing"


def test_answer_stands_first(page):
    text = page.text()
    order = [
        "Most likely C14",
        "Suspects",
        "What to do next",
        "Pictures",
        "Numbered places",
        "How the board was placed",
    ]
    places = [text.index(words) for words in order]
    assert places == sorted(places)


def test_a_suspect_could_also_be_only_what_it_is_not_said_to_be(result):
    rivals = [card.rivals for card in report_content(result).cards]
    assert rivals == ["leak 19 %, overload 10 %", "short 10 %", ""]


def test_cautions_stand_beside_the_steps(page):
    text = page.text()
    assert text.index("What to do next") < text.index("power off, unplugged") < text.index("Pictures")
    assert "licensed practice" in text


def test_nothing_is_fetched(page, html):
    for tag, attributes in page.tags:
        assert tag not in ("link", "iframe", "object", "embed")
        for name in ("src", "href", "data", "action", "srcset"):
            target = attributes.get(name, "#")
            assert target.startswith(("#", "data:image/png;base64,")), (tag, name)
        assert not any(name.startswith("on") for name in attributes)
    style = re.search(r"<style>(.*?)</style>", html, re.S).group(1)
    assert "url(" not in style
    assert "@import" not in style
    policy = next(a["content"] for t, a in page.tags if a.get("http-equiv") == "Content-Security-Policy")
    assert policy.startswith("default-src 'none'")


def test_page_is_closed_in_order_and_can_be_read_aloud(page):
    assert page.open == []
    levels = [int(tag[1]) for tag, _ in page.tags if re.fullmatch("h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b <= a + 1 for a, b in itertools.pairwise(levels))
    assert page.tags[0] == ("html", {"lang": "en"})
    assert all(a.get("alt") for t, a in page.tags if t == "img")
    identifiers = [a["id"] for _, a in page.tags if "id" in a]
    assert len(identifiers) == len(set(identifiers))
    named = [a[key] for _, a in page.tags for key in ("aria-labelledby", "for") if key in a]
    assert set(named) <= set(identifiers)
    assert all(a.get("scope") for t, a in page.tags if t == "th")
    lit = {a["data-lit"] for _, a in page.tags if "data-lit" in a}
    lights = {a["data-lights"] for _, a in page.tags if "data-lights" in a}
    assert lights <= lit
    assert len(lights) == 6


def test_colours_of_text_have_contrast():
    # WCAG 2.1, definitions of relative luminance and contrast ratio; success criterion 1.4.3 asks for 4.5.
    style = STYLE.read_text()
    colours = dict(re.findall(r"--(\w+): (#[0-9a-f]+)", style))

    def luminance(colour):
        digits = colour[1:] if len(colour) == 7 else "".join(2 * c for c in colour[1:])
        parts = [int(digits[i : i + 2], 16) / 255 for i in (0, 2, 4)]
        r, g, b = (p / 12.92 if p <= 0.03928 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
        return 0.2126 * r + 0.7152 * g + 0.0722 * b

    for text in ("ink", "quiet"):
        for paper in ("paper", "tone"):
            dark, light = sorted((luminance(colours[text]), luminance(colours[paper])))
            assert (light + 0.05) / (dark + 0.05) >= 4.5


def test_hostile_names_stand_as_text(hostile, maps, pictures):
    wild, named = hostile
    html = report_html(named, maps, wild, pictures=pictures, fahrenheit=True)
    page = Page(html)
    assert '<script>alert("x")</script>' in page.text()
    assert sum(tag == "script" for tag, _ in page.tags) == 2
    assert "<script>alert" not in html
    assert "°F diff." in page.text()


def test_result_that_knows_little_says_so(bare, maps, board, pictures):
    text = Page(report_html(bare, maps, None, pictures=pictures)).text()
    assert "This recording cannot tell." in text
    assert "not known: on before the recording" in text
    assert "raw counts without a scale" in text
    assert "No parts are known" in text


@pytest.mark.skipif(shutil.which("chromium") is None, reason="needs the chromium browser")
def test_browser_runs_the_page_and_not_what_stands_in_it(hostile, maps, pictures, tmp_path):
    wild, named = hostile
    path = tmp_path / "report.html"
    path.write_text(report_html(named, maps, wild, pictures=pictures), encoding="utf-8")
    command = ["chromium", "--headless", "--no-sandbox", "--disable-gpu", "--virtual-time-budget=2000",
               f"--user-data-dir={tmp_path / 'profile'}", "--dump-dom", path.as_uri()]  # fmt: skip
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=True)
    assert 'aria-valuetext="14.75 s after power-on (switched off)"' in done.stdout
    assert Page(done.stdout).tags[0][0] == "html"


def test_pictures_are_drawn_once_and_embedded(result, maps, board, pictures):
    again = draw_pictures(result, maps, board)
    assert again == pictures


@pytest.mark.parametrize(
    ("chances", "open_cards"), [((0.98, 0.004, 0.003), 1), ((0.5, 0.3, 0.004), 2), ((0.4, 0.3, 0.2), 3)]
)
def test_suspects_that_are_only_names_stand_behind_a_fold(result, board, chances, open_cards):
    first = result.suspects[0]
    named = tuple(dataclasses.replace(first, ref=p.ref, probability=c)
                  for p, c in zip(board.parts[:3], chances, strict=True))  # fmt: skip
    content = report_content(dataclasses.replace(result, suspects=named), board)
    assert content.open_cards == open_cards
    assert len(content.cards) == 3
