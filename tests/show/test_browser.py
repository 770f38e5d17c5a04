"""The report worked in headless Chromium without network: the numbers of result.json, the readout and the lights."""

import json
import re
import shutil
import subprocess
from html.parser import HTMLParser

import numpy as np
import pytest

from thermscan.show.report import report_html
from thermscan.write.result_file import write_result

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
needs_chromium = pytest.mark.skipif(CHROMIUM is None, reason="needs the chromium browser")
NUMBER = re.compile(r"[-+]?\d+(?:\.\d+)?")

# Points at two places of the map, goes to another second, and lights the first suspect, as a reader would.
ACT = """<script>
(function () {
  const stage = document.getElementById("stage"), box = document.getElementById("heat").getBoundingClientRect();
  const slider = document.getElementById("second"), said = {};
  const point = function (across, down) {
    const place = {clientX: box.left + across * box.width, clientY: box.top + down * box.height, bubbles: true};
    stage.dispatchEvent(new PointerEvent("pointermove", place));
    return document.getElementById("reading").textContent;
  };
  said.hot = point(0.394, 0.53);
  said.calm = point(0.8, 0.3);
  slider.value = "3"; slider.dispatchEvent(new Event("input"));
  said.early = point(0.394, 0.53);
  const lit = function () {
    return Array.from(document.querySelectorAll(".lit")).map(function (e) { return e.dataset.lit; });
  };
  document.querySelector('[data-lights="suspect-1"]').focus();
  said.lit = lit();
  document.activeElement.blur();
  said.dark = lit();
  const answer = document.createElement("pre");
  answer.id = "answer"; answer.textContent = JSON.stringify(said);
  document.body.append(answer);
}());
</script></body>"""


class Cards(HTMLParser):
    """The words of each suspect's card, of each table row, and of the answer of the script above."""

    def __init__(self, page):
        super().__init__()
        self.cards, self.rows, self.answer, self.open = [], [], "", []
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        if tag in ("article", "tr", "pre"):
            self.open.append(tag)
            {"article": self.cards, "tr": self.rows, "pre": []}[tag].append("")

    def handle_endtag(self, tag):
        if self.open and self.open[-1] == tag:
            self.open.pop()

    def handle_data(self, data):
        if self.open and self.open[-1] == "pre":
            self.answer += data
        elif self.open:
            kept = self.cards if self.open[-1] == "article" else self.rows
            kept[-1] += " " + data


def is_shown(value, text):
    """Tell whether a number stands in a text, rounded to the digits that are shown and to no fewer than two."""
    least = min(2, len(f"{abs(value):.3g}".replace(".", "").strip("0")))
    for shown in NUMBER.findall(text):
        digits, places = len(shown.lstrip("+-0.").replace(".", "")), len(shown.partition(".")[2])
        if digits >= least and abs(float(shown) - value) <= 0.5001 * 10**-places:
            return True
    return False


def test_what_counts_as_shown():
    assert is_shown(0.4213, "0.42 W")
    assert is_shown(3.0, "3 %")
    assert not is_shown(0.43, "0.42 W")
    assert not is_shown(12.6, "12.7 K or 14 K")
    assert not is_shown(0.42, "0.4 W")


@pytest.fixture(scope="module")
def worked(result, maps, board, pictures, tmp_path_factory):
    """Return the page's words after a reader worked it, what the readout said, and result.json beside it."""
    folder = tmp_path_factory.mktemp("page")
    write_result(result, folder / "result.json")
    page = report_html(result, maps, board, pictures=pictures)
    path = folder / "report.html"
    path.write_text(page[: page.rindex("</body>")] + ACT, encoding="utf-8")
    flags = ["--headless", "--no-sandbox", "--disable-gpu", "--host-resolver-rules=MAP * ~NOTFOUND",
             "--window-size=1280,1000", "--virtual-time-budget=3000",
             f"--user-data-dir={folder / 'profile'}"]  # fmt: skip
    command = [CHROMIUM, *flags, "--dump-dom", path.as_uri()]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=True)
    cards = Cards(done.stdout)
    return cards, json.loads(cards.answer), json.loads((folder / "result.json").read_text(encoding="utf-8"))


@needs_chromium
def test_every_suspect_shows_the_numbers_of_result_json(worked):
    cards, _, document = worked
    assert len(cards.cards) == len(document["suspects"])
    for text, suspect in zip(cards.cards, document["suspects"], strict=True):
        wanted = [100 * suspect["probability"], suspect["x_mm"], suspect["y_mm"], suspect["place_95_mm"]]
        wanted += [suspect["excess_k"], *suspect["excess_k_95"]]
        if suspect["power_w"] is not None:
            wanted += [suspect["power_w"], *suspect["power_w_95"]]
        for value in wanted:
            assert is_shown(value, text), (value, text)


@needs_chromium
def test_every_part_and_place_shows_the_numbers_of_result_json(worked):
    cards, _, document = worked
    for part in document["parts"]:
        row = next(r for r in cards.rows if r.split()[0] == part["ref"])
        for value in (part["excess_k"], part["rise_k"]):
            assert value is None or is_shown(value, row), (value, row)
    for spot in document["hotspots"]:
        assert any(
            is_shown(spot["x_mm"], r) and is_shown(spot["y_mm"], r) and is_shown(spot["excess_k"], r)
            for r in cards.rows
        ), spot


@needs_chromium
@pytest.mark.parametrize(("name", "frame"), [("hot", -1), ("calm", -1), ("early", 3)])
def test_the_readout_says_the_excess_and_its_interval(worked, maps, name, frame):
    _, said, _ = worked
    found = re.search(
        r"x ([-\d.]+) mm, y ([-\d.]+) mm: ([-\d.]+) K \(([-\d.]+) to ([-\d.]+)\) at ([\d.]+) s", said[name]
    )
    x, y, value, low, high, second = (float(text) for text in found.groups())
    number = int(np.argmin(np.abs(maps.centres_s - second)))
    assert number == (len(maps.centres_s) + frame if frame < 0 else frame)
    points = maps.grid.points_mm()
    row, column = np.unravel_index(np.argmin(np.hypot(points[..., 0] - x, points[..., 1] - y)), points.shape[:2])
    assert value == pytest.approx(maps.excess[number, row, column], abs=0.01)
    half = np.broadcast_to(maps.half_width(), maps.excess.shape)[number, row, column]
    assert (high - low) / 2 == pytest.approx(half, rel=0.02, abs=0.01)


@needs_chromium
def test_a_suspect_lights_up_its_place_and_goes_dark_again(worked):
    _, said, _ = worked
    assert set(said["lit"]) == {"suspect-1"}
    assert len(said["lit"]) >= 2  # its ring and its part
    assert said["dark"] == []
    assert said["hot"].startswith("C14, x ")
