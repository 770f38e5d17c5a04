"""An automatic accessibility checker on every page that is written, in headless Chromium without network.

The checker is axe-core (its rules follow WCAG 2.x; github.com/dequelabs/axe-core), as the package axe-core-python
ships it: one script, put into the page by the test and into nothing that is written.
"""

import html as markup
import importlib.util
import json
import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

from thermscan.model.case_record import Criterion, PlaceChange, Verification
from thermscan.show.before_after import draw_before_after
from thermscan.show.mark_page import mark_page, thermal_picture
from thermscan.show.report import report_html
from thermscan.show.sheet import Block, Sheet, sheet_html
from thermscan.show.verification_sheet import verification_sheet

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
RULES = importlib.util.find_spec("axe_core_python")
needs_checker = pytest.mark.skipif(
    CHROMIUM is None or RULES is None, reason="needs the chromium browser and the package axe-core-python"
)
SERIOUS = ("serious", "critical")
FAULTY = (
    '<!DOCTYPE html><html lang="en"><head><title>faulty</title></head><body><main><h1>A page with two faults</h1>'
    '<img src="data:,"><p style="color:#999;background:#fff">pale words</p></main></body></html>'
)
SHEET = Sheet(
    "Bench sheet", "fan control no. 12", "Open: C14 leads with 83 %.", "opened 2026-03-01", "open",
    (Block("To be settled", "warning", ("one entry is not weighed yet",)), Block("Safety", "caution", ("caution",)),
     Block("Intake", facts=(("device", "fan control"), ("symptom", "dead"))),
     Block("Readings", heads=("where", "reads"), rows=(("+3V3", "1.41 V"),))), "9",
)  # fmt: skip
RUN = """<script>%s</script><script>
axe.run(document, {resultTypes: ["violations"]}).then(function (found) {
  const parts = function (v) { return v.nodes.map(function (n) { return n.html; }); };
  const said = found.violations.map(function (v) { return [v.id, v.impact, parts(v)]; });
  parent.postMessage({page: %s, rules: found.passes.length, said: said}, "*");
}, function (error) { parent.postMessage({page: %s, error: String(error)}, "*"); });
</script></body>"""
COLLECT = """<!DOCTYPE html><html lang="en"><head><title>pages</title></head><body><pre id="found"></pre><script>
const found = [];
addEventListener("message", function (event) {
  if (event.data.page) { found.push(event.data); document.getElementById("found").textContent = JSON.stringify(found); }
});
</script>%s</body></html>"""


@pytest.fixture(scope="module")
def pages(result, maps, board, pictures, bare):
    """Every kind of page by its name, and one with known faults."""
    verification = Verification(
        "gone", "The fault is gone (C14).", (Criterion("cold starts", "2 cold starts seen", "1", "not_done"),),
        (PlaceChange("C14", "gone", (12.0, 11.6, 12.4), (0.1, -0.2, 0.4), 8.0, "C14 was hot"),),
        (("after", "a.tiff", "ab" * 32), ("before", "b.tiff", "cd" * 32)), "invented", "top", ("one good board",), "9",
    )  # fmt: skip
    picture = draw_before_after(maps, maps, board, verification)
    return {
        "report": report_html(result, maps, board, pictures=pictures),
        "report that knows little": report_html(bare, maps, None, pictures=pictures),
        "verification": sheet_html(verification_sheet(verification, picture=picture)),
        "sheet of a case": sheet_html(SHEET),
        "marking a board": mark_page(
            thermal_picture(np.random.default_rng(0).normal(23, 1, (60, 90))), title="t", file_name="board.json"
        ),
        "faulty": FAULTY,
    }


def check(pages, folder):
    """Return what axe-core says of each page: {name: [(rule, impact, elements), ...]}."""
    rules = (Path(RULES.origin).parent / "axe.min.js").read_text(encoding="utf-8").replace("</script>", "<\\/script>")
    frames = []
    for name, page in pages.items():
        # The pages forbid scripts that are not their own; the checker is let in for this test.
        free, said = re.sub(r'<meta http-equiv="Content-Security-Policy"[^>]*>', "", page), json.dumps(name)
        checked = free[: free.rindex("</body>")] + RUN % (rules, said, said)
        frames.append(f'<iframe title="{name}" width="1280" height="900" srcdoc="{markup.escape(checked)}"></iframe>')
    path = folder / "pages.html"
    path.write_text(COLLECT % "".join(frames), encoding="utf-8")
    flags = ["--headless", "--no-sandbox", "--disable-gpu", "--host-resolver-rules=MAP * ~NOTFOUND",
             "--virtual-time-budget=30000", f"--user-data-dir={folder / 'profile'}", "--dump-dom"]  # fmt: skip
    done = subprocess.run([CHROMIUM, *flags, path.as_uri()], capture_output=True, text=True, timeout=150, check=True)
    found = json.loads(markup.unescape(re.search(r'<pre id="found">(.*?)</pre>', done.stdout, re.DOTALL).group(1)))
    assert not [f for f in found if "error" in f]
    assert all(f["rules"] > 10 for f in found if f["page"] != "faulty")
    return {f["page"]: f["said"] for f in found}


@needs_checker
def test_no_page_has_a_serious_fault_of_accessibility(pages, tmp_path):
    found = check(pages, tmp_path)
    assert set(found) == set(pages)
    # the checker sees what it must see
    assert {"image-alt", "color-contrast"} <= {rule for rule, _, _ in found.pop("faulty")}
    assert {n: [s for s in said if s[1] in SERIOUS] for n, said in found.items()} == {name: [] for name in found}
