"""Sheets and the zip: the same numbers everywhere, hashes that a standard tool checks, names shown as text."""

import dataclasses
import io
import json
import shutil
import subprocess
import sys
import zipfile
from html.parser import HTMLParser

import pypdf
import pytest

from thermscan.case.export import case_files, sheet_files, sums_text, view_case, zip_bytes
from thermscan.case.folder import digest_of, keep_file, open_case
from thermscan.case.sheets import make_sheet
from thermscan.case.state import state_of
from thermscan.model.errors import InputError
from thermscan.show.words import say_share

HOSTILE = '<script>alert("x")</script>'


def view(case, board):
    return view_case(open_case(case.path), board, version="9.9")


@pytest.fixture
def full(bench, board):
    """A case with something of every kind."""
    case = bench.compare(bench.open(lithium=True))
    for text in ("does not start", HOSTILE):
        case = bench.add(case, "symptom", text=text, word="")
    volts = {"where": "", "net": "+3V3", "quantity": "voltage", "value": 1.41, "unit": "V", "good_value": 3.31,
             "power": "on", "note": HOSTILE, "typed": "1.41"}  # fmt: skip
    case = bench.add(case, "reading", **volts)
    case = bench.add(case, "finding", text="brown spot", where="C14")
    case = bench.add(case, "swap", ref="C14", action="swapped", change="gone", note="")
    case = bench.add(case, "answer", question="lithium", text="taken out")
    money = {"sale": 100.0, "donor_value": 10.0, "parts": 2.0, "currency": "EUR"}
    return bench.add(case, "conclusion", decision="repair", reason="C14 was shorted", cause="C14", fault="short",
                     money=money)  # fmt: skip


class Text(HTMLParser):
    """The words of a page, without scripts and styles."""

    def __init__(self, html):
        super().__init__()
        self.words, self.skip, self.tags = [], 0, []
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.skip += tag in ("script", "style")

    def handle_endtag(self, tag):
        self.skip -= tag in ("script", "style")

    def handle_data(self, data):
        if not self.skip:
            self.words.append(data)

    def text(self):
        return " ".join(" ".join(self.words).split())


def test_page_pdf_and_result_hold_the_same_numbers(full, board, document):
    files = sheet_files(view(full, board), ("bench",))
    page = Text(files["bench.html"].decode()).text()
    pdf = " ".join(" ".join(p.extract_text() for p in pypdf.PdfReader(io.BytesIO(files["bench.pdf"])).pages).split())
    for text in (page, pdf):
        for suspect in document["suspects"]:
            assert say_share(suspect["probability"]) in text
        first = document["suspects"][0]
        assert f"{first['power_w']:.3g} W ({first['power_w_95'][0]:.3g} to {first['power_w_95'][1]:.3g})" in text
        assert first["reasons"][0] in text
        assert "1.41 V" in text
        assert "C14 swapped, fault gone: everything but C14 times 0.1" in text
        assert "Repaired. Cause: C14." in text


@pytest.mark.parametrize("kind", ["bench", "customer", "donor"])
def test_names_stand_as_text_and_pages_are_whole(full, board, kind):
    files = sheet_files(view(full, board), (kind,))
    html = files[f"{kind}.html"].decode()
    assert HOSTILE not in html
    assert "script" not in Text(html).tags
    assert 1 <= len(pypdf.PdfReader(io.BytesIO(files[f"{kind}.pdf"])).pages) <= 4
    assert "Local electrical codes" in html
    assert sheet_files(view(full, board), (kind,)) == files


@pytest.mark.skipif(shutil.which("chromium") is None, reason="needs the chromium browser")
def test_browser_without_network_shows_the_numbers(full, board, document, tmp_path):
    page = tmp_path / "bench.html"
    page.write_bytes(sheet_files(view(full, board), ("bench",))["bench.html"])
    flags = ["--headless", "--no-sandbox", "--disable-gpu", "--host-resolver-rules=MAP * ~NOTFOUND", "--dump-dom"]
    command = ["chromium", *flags, f"--user-data-dir={tmp_path / 'profile'}", page.as_uri()]
    text = Text(subprocess.run(command, capture_output=True, text=True, timeout=120, check=True).stdout).text()
    for suspect in document["suspects"]:
        assert say_share(suspect["probability"]) in text
    assert HOSTILE in text


def test_customer_sheet_never_calls_an_unverified_repair_verified(full, board, bench):
    sheet = make_sheet("customer", view(full, board))
    assert sheet.answer == "Repaired; not verified by a recording afterwards."
    left = next(b for b in sheet.blocks if b.title == "What was not tested")
    assert any("cold starts" in line for line in left.lines)
    document = {"outcome": "gone", "sentence": "The fault is gone (C14).", "passed": False, "criteria": [
        {"name": "cold starts", "wanted": "2", "found": "1", "state": "not_done"},
        {"name": "restarts", "wanted": "none", "found": "none", "state": "met"}]}  # fmt: skip
    for passed, words in ((False, "the verification is not complete"), (True, "Repaired and verified.")):
        content = json.dumps(document | {"passed": passed}).encode()
        name, digest = keep_file(full, content, "verification.json", under="results")
        case = bench.add(full, "verification", path=name, sha256=digest, outcome="gone", passed=passed)
        assert words in make_sheet("customer", view(case, board)).answer
    content = json.dumps(document | {"outcome": "like_good"}).encode()
    name, digest = keep_file(full, content, "verification.json", under="results")
    case = bench.add(full, "verification", path=name, sha256=digest, outcome="like_good", passed=False)
    answers = [make_sheet(kind, view(case, board)).answer for kind in ("bench", "customer")]
    assert all("The board behaves like the good ones; the verification is not" in answer for answer in answers)
    assert not any("fault is gone" in answer for answer in answers)
    left = next(b for b in make_sheet("customer", view(case, board)).blocks if b.title == "What was not tested")
    assert "cold starts: not done (wanted: 2)" in left.lines


def test_a_criterion_that_is_not_met_is_no_repair(full, board, bench):
    document = {"outcome": "gone", "sentence": "The fault is gone (C14).", "passed": False, "criteria": [
        {"name": "rail +3V3", "wanted": "3.14 to 3.47 V", "found": "1.41 V", "state": "not_met"}]}  # fmt: skip
    name, digest = keep_file(full, json.dumps(document).encode(), "verification.json", under="results")
    case = bench.add(full, "verification", path=name, sha256=digest, outcome="gone", passed=False, failed=["rail +3V3"])
    for kind in ("bench", "customer"):
        sheet = make_sheet(kind, view(case, board))
        assert "Verification failed: rail +3V3 not met." in sheet.answer
        assert "Repaired" not in sheet.answer or kind == "bench"


def test_a_rail_measured_after_the_work_is_not_called_unmeasured(full, board, bench):
    volts = {"where": "", "net": "+3V3", "quantity": "voltage", "value": 3.29, "unit": "V", "good_value": None,
             "power": "on", "note": "", "typed": "3.29"}  # fmt: skip
    case = bench.add(full, "reading", **volts)
    rails = [{"name": f"rail {net}", "wanted": "in tolerance", "found": "not measured", "state": "not_done"}
             for net in ("+12V", "+3V3")]  # fmt: skip
    document = {"outcome": "gone", "sentence": "s", "passed": False, "criteria": rails}
    name, digest = keep_file(full, json.dumps(document).encode(), "verification.json", under="results")
    case = bench.add(case, "verification", path=name, sha256=digest, outcome="gone", passed=False)
    left = next(b for b in make_sheet("customer", view(case, board)).blocks if b.title == "What was not tested")
    assert "rail +12V: not done (wanted: in tolerance)" in left.lines
    assert any(line.startswith("rail +3V3: measured after the work, 3.29 V, yet not given") for line in left.lines)


def test_donor_sheet_sorts_parts_by_what_was_shown(full, board, document):
    sheet = make_sheet("donor", view(full, board))
    lists = {b.title.rsplit(" (", 1)[0]: b.lines[0].split(", ") for b in sheet.blocks if b.lines and "(" in b.title}
    assert lists["Warmed as on the good boards"] == ["U7", "Q1"]
    # what is at C14 now is another part: what the comparison saw of the old one does not count
    assert lists["Taken off or swapped already"] == ["C14"]
    listed = [ref for refs in lists.values() for ref in refs]
    assert sorted(listed) == sorted(set(listed))
    assert set(listed) == {p.ref for p in board.parts}
    assert lists["Stayed colder than on the good boards, perhaps never powered: not shown to work"] == ["U5"]
    assert {"L2", "R20"} <= set(lists["Not readable or not seen: nothing is known"])
    rails = next(b for b in sheet.blocks if b.title == "Rails")
    assert dict((row[0], row[3]) for row in rails.rows) == {  # noqa: C402
        "+12V": "never measured with power on", "+3V3": "not like the good board"
    }  # fmt: skip


def test_donor_sheet_does_not_pass_on_a_part_that_differs_a_little(full, board, bench, document):
    parts = [part | ({"state": "unclear"} if part["ref"] == "U7" else {}) for part in document["parts"]]
    case = bench.compare(full, document | {"parts": parts})
    lists = {b.title.rsplit(" (", 1)[0]: b.lines[0].split(", ") for b in make_sheet("donor", view(case, board)).blocks
             if b.lines and "(" in b.title}  # fmt: skip
    assert lists["Warmed as on the good boards"] == ["Q1"]
    assert "U7" in lists["Not like the good boards, or suspected: do not reuse without a test"]


def test_customer_sheet_sets_readings_before_and_after_the_work_side_by_side(full, board, bench):
    volts = {"where": "", "net": "+3V3", "quantity": "voltage", "value": 3.29, "unit": "V", "good_value": None,
             "power": "on", "note": "", "typed": "3.29"}  # fmt: skip
    case = bench.add(full, "reading", **volts)
    amps = {**volts, "net": "+12V", "quantity": "current", "value": 0.14, "unit": "A", "typed": "0.14"}
    case = bench.add(case, "reading", **amps)
    block = next(b for b in make_sheet("customer", view(case, board)).blocks if b.title == "Readings")
    assert block.heads[2:4] == ("before the work", "after the work")
    assert block.rows == (
        ("+3V3", "voltage", "1.41 V", "3.29 V", "3.31 V"),
        ("+12V", "current", "not measured", "140 mA", "not measured"),
    )
    rails = next(b for b in make_sheet("donor", view(case, board)).blocks if b.title == "Rails")
    assert rails.rows[0][3] == "powered, its voltage not measured"


def test_a_suspect_that_was_not_taken_off_is_not_to_be_reused(bench, board):
    case = bench.compare(bench.open())
    lists = {b.title.rsplit(" (", 1)[0]: b.lines[0].split(", ") for b in make_sheet("donor", view(case, board)).blocks
             if b.lines and "(" in b.title}  # fmt: skip
    assert "C14" in lists["Not like the good boards, or suspected: do not reuse without a test"]
    assert "Taken off or swapped already" not in lists


def test_customer_sheet_lists_a_net_once_wherever_on_it_was_measured(full, board, bench):
    volts = {"where": "C5", "net": "+3V3", "quantity": "voltage", "value": 3.29, "unit": "V", "good_value": None,
             "power": "on", "note": "", "typed": "3.29"}  # fmt: skip
    ohms = {**volts, "quantity": "resistance_to_ground", "value": 3300.0, "unit": "ohm", "power": "off", "typed": "3k3"}
    amps = {**volts, "net": "+12V", "quantity": "current", "value": 0.14, "unit": "A", "typed": "0.14"}
    case = bench.add(bench.add(full, "reading", **volts), "reading", **ohms)
    for where in ("J1", "F1"):
        case = bench.add(case, "reading", **{**amps, "where": where})
    block = next(b for b in make_sheet("customer", view(case, board)).blocks if b.title == "Readings")
    assert [row[:4] for row in block.rows] == [
        ("+3V3", "voltage", "1.41 V", "3.29 V"),
        ("+3V3 at C5", "resistance to ground", "not measured", "3.3 kohm"),
        ("+12V at J1", "current", "not measured", "140 mA"),
        ("+12V at F1", "current", "not measured", "140 mA"),
    ]


def test_zip_verifies_its_own_hashes_with_standard_tools(full, board, tmp_path):
    files = {**case_files(full), **{f"sheets/{n}": c for n, c in sheet_files(view(full, board), ("customer",)).items()}}
    path = tmp_path / "case.zip"
    path.write_bytes(zip_bytes(files))
    assert zip_bytes(files) == path.read_bytes()
    run = subprocess.run([sys.executable, "-m", "zipfile", "-t", str(path)], capture_output=True, text=True, check=True)
    assert "Done testing" in run.stdout
    out = tmp_path / "out"
    subprocess.run([sys.executable, "-m", "zipfile", "-e", str(path), str(out)], check=True)
    assert (out / "log.jsonl").read_bytes() == (full.path / "log.jsonl").read_bytes()
    assert not (out / "log.lock").exists()
    checker = shutil.which("sha256sum")
    if checker is None:
        pytest.skip("sha256sum is not installed")
    check = [checker, "-c", "--strict", "SHA256SUMS"]
    done = subprocess.run(check, cwd=out, capture_output=True, text=True, check=True)
    assert done.stdout.count(": OK") == len(files)
    (out / "board.json").write_text("changed")
    assert subprocess.run(check, cwd=out, capture_output=True, check=False).returncode != 0


def test_an_exported_case_opens_again(full, board, tmp_path):
    with zipfile.ZipFile(io.BytesIO(zip_bytes(case_files(full)))) as archive:
        archive.extractall(tmp_path / "out")
    again = state_of(open_case(tmp_path / "out"), board)
    assert again == state_of(full, board)


def test_recordings_go_along_when_asked(full, bench, tmp_path):
    (tmp_path / "faulty.tiff").write_bytes(b"II*")
    (tmp_path / "faulty.json").write_text("{}")
    case = bench.add(
        full, "recording", role="faulty", path="../faulty.tiff", sha256=digest_of(tmp_path / "faulty.tiff")
    )
    names = set(case_files(case, recordings=True)) - set(case_files(case))
    number = case.entries[-1].number
    assert names == {f"recordings/{number:04d}/faulty.tiff", f"recordings/{number:04d}/faulty.json"}
    (tmp_path / "faulty.tiff").unlink()
    with pytest.raises(InputError, match="is no longer there"):
        case_files(case, recordings=True)


def test_sums_are_in_the_form_of_the_standard_tool():
    # FIPS 180-2, appendix B.1: the message "abc"; two blanks before the name as in coreutils.
    wanted = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad  abc\n"
    assert sums_text({"abc": b"abc"}) == wanted


def test_a_lost_picture_is_told_and_the_sheet_still_made(full, bench, board):
    name, digest = keep_file(full, b"\x89PNG not really", "p.png", under="pictures")
    case = bench.add(full, "picture", path=name, sha256=digest, caption="corner")
    (case.path / name).unlink()
    sheet = make_sheet("bench", view(case, board))
    told = [line for block in sheet.blocks for line in block.lines if "p.png" in line]
    assert any("no longer there" in line for line in told)


def test_the_bench_sheet_begins_with_the_first_five_minutes(bench, board, document):
    case = bench.open(mains=True)
    sheet = make_sheet("bench", view(case, board))
    first = [b for b in sheet.blocks if b.title.startswith("First: ")]
    assert [b.title for b in first] == ["First: Look, power off", "First: Resistance of the rails, power off",
                                        "First: Power with a limit", "First: What to film"]  # fmt: skip
    assert any("mains" in line for line in first[0].lines)
    case = bench.compare(case)
    assert not [b for b in make_sheet("bench", view(case, board)).blocks if b.title.startswith("First: ")]


def test_an_empty_case_has_all_three_sheets(bench, board):
    bare = dataclasses.replace(board, rails=(), parts=())
    case = bench.open(board=bare)
    for kind in ("bench", "customer", "donor"):
        assert make_sheet(kind, view(case, bare)).answer
