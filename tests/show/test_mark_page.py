"""The page on which a board is marked: worked in headless Chromium without network."""

import json
import shutil
import subprocess

import numpy as np
import pytest

from thermscan.show.mark_page import mark_page, thermal_picture

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
needs_chromium = pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed")

# Works the page as a user would: five clicks in the picture, lengths typed, a box dragged, names typed.
ACT = """
<script>
function fire(kind, x, y) {
  const m = stage.getScreenCTM();
  const place = { clientX: x * m.a + m.e, clientY: y * m.d + m.f };
  stage.dispatchEvent(new PointerEvent(kind, { ...place, button: 0, pointerId: 1 }));
}
stage.setPointerCapture = () => {};
function type(id, value) { byId(id).value = value; byId(id).dispatchEvent(new Event("input")); }
for (const [x, y] of CORNERS) fire("pointerdown", x, y);
byId("close").click();
type("length", "90"); type("second", SECOND); type("name", "invented board");
fire("pointerdown", BOX[0], BOX[1]); fire("pointermove", BOX[2], BOX[3]); fire("pointerup", BOX[2], BOX[3]);
type("ref", "C14"); type("kind", "capacitor"); type("nets", "+3V3 GND"); type("rails", "+3V3 3.3 U3 +12V");
const answer = document.createElement("pre");
answer.id = "answer";
answer.textContent = JSON.stringify({ board: board(), problems: problems(), enabled: !byId("save").disabled });
document.body.append(answer);
</script>
"""


def work(tmp_path, corners, box, *, second=""):
    picture = thermal_picture(np.random.default_rng(0).normal(23, 1, (600, 900)))
    html = mark_page(picture, title="<script>alert(1)</script>.tiff", file_name="board.json")
    act = (
        ACT.replace("CORNERS", json.dumps(corners))
        .replace("BOX", json.dumps(box))
        .replace("SECOND", json.dumps(second))
    )
    page = tmp_path / "page.html"
    page.write_text(html + act, encoding="utf-8")
    flags = "--headless --no-sandbox --disable-gpu --no-first-run --disable-background-networking --disable-sync"
    flags += " --disable-component-update --window-size=1500,900 --virtual-time-budget=2000 --dump-dom"
    command = [CHROMIUM, *flags.split(), f"--user-data-dir={tmp_path / 'profile'}", page.as_uri()]
    dom = subprocess.run(command, capture_output=True, text=True, timeout=60, check=True).stdout
    return json.loads(dom.split('<pre id="answer">')[1].split("</pre>")[0].replace("&amp;", "&"))


def test_hostile_names_stand_as_text():
    html = mark_page(thermal_picture(np.eye(8)), title="<script>alert(1)</script>", file_name="</script>.json")
    assert "<script>alert(1)" not in html
    assert html.count("</script>") == 2


@needs_chromium
def test_marks_become_millimetres_seen_from_the_top(tmp_path):
    corners = [[100, 500], [820, 500], [820, 20], [100, 20]]  # lower left, lower right, ..: 8 px a millimetre
    got = work(tmp_path, corners, [420, 350, 436, 342])
    assert got["problems"] == []
    assert got["enabled"]
    assert np.allclose(got["board"]["outline_mm"], [[0, 0], [90, 0], [90, 60], [0, 60]], atol=0.02)
    part = got["board"]["parts"][0]
    assert (part["ref"], part["kind"], part["side"], part["nets"]) == ("C14", "capacitor", "top", ["+3V3", "GND"])
    assert [part["x"], part["y"], part["w"], part["h"]] == pytest.approx([41.0, 19.25, 2.0, 1.0], abs=0.02)
    assert got["board"]["rails"] == [{"net": "+3V3", "volts": 3.3, "made_by": "U3", "from": "+12V"}]


@needs_chromium
def test_underside_is_recognised_and_mirrored_back(tmp_path):
    corners = [[820, 500], [100, 500], [100, 20], [820, 20]]
    got = work(tmp_path, corners, [420, 350, 436, 342])
    part = got["board"]["parts"][0]
    assert part["side"] == "bottom"
    assert part["x"] == pytest.approx(90 - 41.0, abs=0.02)


@needs_chromium
def test_oblique_picture_is_squared_up_by_the_second_edge(tmp_path):
    # reference: the homography of the same four corners by OpenCV
    import cv2

    corners = [[120, 520], [800, 480], [760, 60], [180, 40]]
    got = work(tmp_path, corners, [400, 300, 440, 260], second="60")
    h = cv2.getPerspectiveTransform(np.float32(corners), np.float32([[0, 0], [90, 0], [90, 60], [0, 60]]))
    a, b = cv2.perspectiveTransform(np.float32([[[400, 300], [440, 260]]]), h)[0]
    part = got["board"]["parts"][0]
    assert [part["x"], part["y"]] == pytest.approx(((a + b) / 2).tolist(), abs=0.05)
    assert [part["w"], part["h"]] == pytest.approx(np.abs(b - a).tolist(), abs=0.05)
