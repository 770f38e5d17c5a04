"""A whole job played through on the command line, every state of the folder valid on the way; and bad input."""

import json
import shutil
import zipfile
from pathlib import Path

import made_result as made
import numpy as np
import pytest
import tifffile
from click.testing import CliRunner
from PIL import Image

from thermscan.app.cli import command
from thermscan.case.folder import check_files, digest_of, open_case
from thermscan.case.state import state_of
from thermscan.model.case_record import Criterion, PlaceChange, Verification
from thermscan.write.board_file import write_board
from thermscan.write.result_file import write_result
from thermscan.write.verification_file import write_verification

HOW = ("--unit", "celsius", "--frame-rate", "4")


def run(*args, code=0):
    result = CliRunner().invoke(command, [str(a) for a in args])
    assert result.exit_code == code, result.output
    if code == 2:
        assert result.output.count("\n") == 1, result.output
    return result.output


@pytest.fixture
def bench(tmp_path, monkeypatch):
    """A folder with an invented board, a result and a recording, and the current folder in it."""
    monkeypatch.chdir(tmp_path)
    board = made.make_board()
    write_board("board.json", board)
    Path("result").mkdir()
    write_result(made.make_result(board), "result/result.json")
    frames = np.random.default_rng(0).normal(24, 0.1, (8, 12, 16)).astype(np.float32)
    tifffile.imwrite("faulty.tiff", frames, photometric="minisblack")
    return tmp_path


def new(name="job", *more):
    return run("case", "new", name, "--board", "board.json", "--device", "fan control", "--symptom", "dead", *more)


def verification(folder):
    """What verify would have written."""
    place = PlaceChange("C14", "gone", (12.0, 11.6, 12.4), (0.1, -0.2, 0.4), 8.0, "C14 was hot")
    criterion = Criterion("cold starts", "2 cold starts seen", "1 of 1 recordings", "not_done")
    found = Verification("gone", "The fault is gone (C14).", (criterion,), (place,), (), "invented", "top")
    Path(folder).mkdir()
    write_verification(found, Path(folder, "verification.json"))
    Image.new("RGB", (40, 30), "blue").save(Path(folder, "before_after.png"))


def kinds(name="job"):
    return [e.kind for e in open_case(name).entries]


def test_first_minutes_come_before_any_power(bench):
    out = new("job", "--mains", "--lithium")
    order = [
        "Look, power off",
        "Smell",
        "Resistance of the rails, power off",
        "discharged",
        "Power with a limit",
        "limit",
    ]
    places = [out.index(word) for word in order]
    assert places == sorted(places)
    assert out.index("earthed instrument") < out.index("Smell")
    assert "Lithium cells" in out
    assert "+3V3 (3.3 V)" in out
    assert "What to film" in out


def test_a_whole_job_from_intake_to_export(bench):
    new()
    steps = [
        ("add", "finding", "job", "brown spot", "--where", "C14"),
        ("add", "symptom", "job", "no sign of life", "--word", "dead"),
        ("add", "recording", "job", "faulty.tiff", "--role", "faulty", *HOW),
        ("add", "reading", "job", "resistance_to_ground", "4R7", "--net", "+3V3", "--good-value", "3k4"),
        ("add", "comparison", "job", "result", "--with-readings"),
        ("add", "heatmap", "job", "faulty.tiff", "--second", "1.0", "--caption", "end <b>", *HOW),
        ("rule-out", "job", "U3", "--reason", "carries what C14 draws"),
        ("add", "swap", "job", "C14", "--action", "swapped", "--change", "gone"),
        ("add", "picture", "job", "photo.png", "--caption", "as it came"),
        ("add", "reading", "job", "voltage", "3.29", "--net", "+3V3", "--good-value", "3.31"),
        ("add", "verification", "job", "verified"),
        ("add", "cost", "job", "0.2", "capacitor", "--currency", "EUR"),
        ("add", "time", "job", "0.5", "work"),
        ("add", "answer", "job", "damage", "both sides looked at: one spot"),
        ("conclude", "job", "--decision", "repair", "--reason", "C14 shorted", "--cause", "C14", "--fault", "short",
         "--sale", "80", "--donor-value", "10"),
    ]  # fmt: skip
    Image.new("RGB", (40, 30), "green").save("photo.png")
    verification("verified")
    for number, step in enumerate(steps, 3):
        run("case", *step)
        case = open_case("job")  # reads the whole chain of hashes again
        assert (len(case.entries), case.is_torn) == (number, False)
        assert check_files(case) == ()
        assert not list(Path("job").rglob("*.partial"))
        assert run("case", "show", "job")
    out = run("case", "show", "job", "--history")
    assert "Repaired. Cause: C14. The fault is gone; the verification is not complete." in out
    assert "C14 swapped, fault gone: everything but C14 times 0.1" in out
    assert "moves nothing: taken after the fault went, tells how the repair holds" in out
    said = json.loads(run("case", "show", "job", "--json"))
    assert said["suspects"][0]["name"] == "C14"
    assert said["unweighed"] == []
    run("case", "export", "job", "--out", "sheets")
    assert {p.name for p in Path("sheets").iterdir()} == {
        "bench.html", "bench.pdf", "customer.html", "customer.pdf", "donor.html", "donor.pdf", "case.zip"
    }  # fmt: skip
    customer = Path("sheets/customer.html").read_text(encoding="utf-8")
    assert "1.41" not in customer
    assert all(words in customer for words in ("3.29 V", "3.31 V", "cold starts: not done", "data:image/png"))
    with zipfile.ZipFile("sheets/case.zip") as archive:
        archive.extractall("unpacked")
    sums = Path("unpacked/SHA256SUMS").read_text(encoding="utf-8").splitlines()
    assert len(sums) == sum(p.is_file() for p in Path("unpacked").rglob("*")) - 1
    assert all(digest_of(Path("unpacked", line[66:])) == line[:64] for line in sums)
    assert state_of(open_case("unpacked"), None).last("conclusion").text("cause") == "C14"
    picture = Image.open(next(Path("job/pictures").glob("*faulty*.png")))
    assert picture.text["Title"] == "end <b>"
    assert picture.text["Second"].startswith("1.00 s")
    assert "EUR" in Path("sheets/bench.html").read_text(encoding="utf-8")


def test_recompute_gives_everything_known_to_the_comparison(bench, monkeypatch):
    jobs = []

    class Found:
        pass

    def compare(job, *, settings, tell):
        jobs.append(job)
        return Found()

    def write(found, out, **more):
        shutil.copytree("result", out)

    monkeypatch.setattr("thermscan.pipeline.compare.compare", compare)
    monkeypatch.setattr("thermscan.app.case_job.write_comparison", write)
    monkeypatch.setattr("thermscan.app.case_job.progress_bar", lambda *, quiet: (None, lambda: None))
    new()
    run("case", "add", "recording", "job", "faulty.tiff", "--role", "faulty", *HOW)
    shutil.copy("faulty.tiff", "good.tiff")
    run("case", "add", "recording", "job", "good.tiff", "--role", "good", *HOW)
    run("case", "add", "reading", "job", "voltage", "1.2", "--net", "+3V3")
    out = run("case", "add", "reading", "job", "voltage", "1,41", "--net", "+3V3", "--recompute")
    assert "C14 leads with 83 %" in out
    (job,) = jobs
    assert [r.value for r in job.readings] == [1.41]
    assert (job.faulty.name, [g.name for g in job.goods], job.faulty.times_s[1]) == ("faulty", ["good"], 0.25)
    assert job.board.name == "vent controller rev B (invented)"
    assert json.loads(run("case", "show", "job", "--json"))["unweighed"] == []
    assert not list(Path("job/results").glob(".*"))
    Path("good.tiff").write_bytes(b"II*")
    assert "changed since it was added (entry 4)" in run("case", "show", "job", "--recompute", code=2)
    assert "good.tiff changed since it was added" in run("case", "show", "job")


def test_readings_of_a_file_and_photographs(bench):
    new()
    Path("r.csv").write_text("net,quantity,value,good_value\n+3V3,voltage,1.4,3.3\n+12V,voltage,12.0,12.0\n")
    run("case", "add", "readings", "job", "r.csv")
    Path("photo.jpg").write_bytes(b"\xff\xd8 not really")
    run("case", "add", "picture", "job", "photo.jpg", "--caption", "as it came")
    run("case", "add", "note", "job", "by Friday")
    assert kinds() == ["opened", "symptom", "reading", "reading", "picture", "note"]


def test_past_cases_and_two_side_by_side(bench):
    new("old")
    run("case", "add", "answer", "old", "damage", "none")
    run("case", "conclude", "old", "--decision", "repair", "--reason", "swap helped", "--cause", "U3")
    new("job")
    run("case", "add", "comparison", "job", "result")
    out = run("case", "add", "past", "job", ".")
    assert "1 past case of this board type: U3 in 1: moves U3 from 8 % to" in out
    assert "repair, cause U3: swap helped" in run("case", "compare", "job", "old")
    run("case", "export", "job", "--out", "sheets", "--sheet", "bench")
    assert "1 past case of this board type" in Path("sheets/bench.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("args", "line"),
    [
        (("show", "nowhere"), "nowhere: is no case: it holds no case.json; make one with thermscan case new"),
        (("new", "job", "--device", "d", "--symptom", "s"), "job: exists already and is not empty"),
        (("new", "x", "--device", "d", "--symptom", "s", "--word", "ded"), "no symptom 'ded'; nearest is dead"),
        (("add", "reading", "job", "voltage", "3.3", "--net", "+3V3", "--unit", "ohm"), "'ohm' is no unit of voltage"),
        (("add", "reading", "job", "voltage", "33333", "--net", "+3V3"), "VALUE: "),
        (("add", "reading", "job", "voltage", "much", "--net", "+3V3"), "'much' is not a meter reading"),
        (("add", "reading", "job", "voltage", "3.3"), "neither a net nor a part is named"),
        (("add", "reading", "job", "diode_drop", "0.4", "--net", "X", "--power", "on"), "can harm the meter"),
        (("add", "swap", "job", "C41", "--change", "none"), "no part 'C41' in its board file; nearest"),
        (("rule-out", "job", "U99", "--reason", "r"), "no part 'U99' in its board file"),
        (("add", "recording", "job", "gone.tiff", "--role", "faulty"), "gone.tiff: "),
        (("add", "comparison", "job", "."), "holds no result.json"),
        (("add", "verification", "job", "."), "is no verification"),
        (("add", "answer", "job", "mains", "fine"), "'mains' is not one of damage"),
        (("add", "answer", "job", "damage", " "), "is empty"),
        (("add", "picture", "job", "gone.png", "--caption", "c"), "gone.png: cannot be read"),
        (("add", "past", "job", "."), "holds no case but this one"),
        (("add", "symptom", "job", "t", "--word", "hot"), "no symptom 'hot'"),
        (("conclude", "job", "--decision", "scrap", "--reason", "r"), "1 safety question open: damage; answer first"),
        (("conclude", "job", "--decision", "scrap", "--reason", "r", "--success", "3"), "3 is no probability"),
        (("show", "job", "--recompute"), "has no recording of the faulty board"),
        (("export", "job", "--out", "job/sheets"), "lies inside the case"),
        (("compare", "job", "nowhere"), "nowhere: is no case"),
    ],
)
def test_bad_input_is_one_line_and_nothing_is_lost(bench, args, line):
    new()
    before = Path("job/log.jsonl").read_bytes()
    assert line in run("case", *args, code=2)
    assert Path("job/log.jsonl").read_bytes() == before
    assert not Path("x").exists()


@pytest.mark.parametrize("change", [{"criteria": None}, {"criteria": [{"name": "rails"}]}, {"sentence": 3}])
def test_a_verification_that_is_not_whole_is_refused(bench, change):
    new()
    verification("verified")
    path = Path("verified/verification.json")
    path.write_text(json.dumps(json.loads(path.read_text()) | change))
    assert "is no verification" in run("case", "add", "verification", "job", "verified", code=2)
    assert kinds() == ["opened", "symptom"]


def test_a_conclusion_is_not_drawn_from_a_case_that_changed_meanwhile(bench):
    from thermscan.app.case_job import add_entry
    from thermscan.model.errors import InputError

    new()
    case = open_case("job")
    run("case", "add", "note", "job", "wait")
    with pytest.raises(InputError, match="another program added an entry in between"):
        add_entry(case, "conclusion", {"decision": "scrap"}, as_opened=True)
    assert kinds() == ["opened", "symptom", "note"]


def test_a_newer_case_is_refused_and_left_alone(bench):
    new()
    path = Path("job/case.json")
    path.write_text(path.read_text().replace('"format_version": 1', '"format_version": 7'))
    assert "newer thermscan (format 7, this one knows 1)" in run("case", "add", "note", "job", "n", code=2)
    assert kinds_of_log() == ["opened", "symptom"]


def kinds_of_log():
    return [json.loads(line)["kind"] for line in Path("job/log.jsonl").read_text().splitlines()]


def paired(folder, **changes):
    document = json.loads(Path("result/result.json").read_text()) | {"basis": "itself_before"} | changes
    Path(folder).mkdir(exist_ok=True)
    Path(folder, "result.json").write_text(json.dumps(document))


def test_a_swap_takes_its_change_from_compare_before(bench):
    new()
    run("case", "add", "comparison", "job", "result")
    paired("same", verdict="like_good")
    paired("other", verdict="suspect")
    paired("unsure", verdict="cannot_tell")
    assert "C14 swapped, no change" in run("case", "add", "swap", "job", "C14", "--result", "same")
    out = run("case", "add", "swap", "job", "U3", "--result", "other")
    assert "something changed, which does not say whether the fault is gone" in out
    assert "film the board again" in run("case", "add", "swap", "job", "U3", "--change", "changed")
    run("case", "export", "job", "--out", "sheets", "--sheet", "customer")
    text = Path("sheets/customer.html").read_text(encoding="utf-8")
    assert all(words in text for words in ("no change (compare --before)", "changed (compare --before)"))
    twice = [{"role": role, "path": "a.tiff", "sha256": "ab"} for role in ("faulty", "before")]
    paired("itself", verdict="like_good", inputs=twice)
    for args, line in (
        (("swap", "job", "U3", "--result", "itself"), "compares a recording with itself"),
        (("swap", "job", "U3", "--result", "unsure"), "could not tell whether anything changed"),
        (("swap", "job", "U3", "--result", "result"), "use compare --before"),
        (("swap", "job", "U3", "--result", "."), "is no result of compare"),
        (("swap", "job", "U3"), "give --change or --result, not both"),
        (("comparison", "job", "same"), "not with good boards"),
    ):
        assert line in run("case", "add", *args, code=2)


@pytest.mark.parametrize(
    "name", ["new", "add", "rule-out", "conclude", "show", "export", "compare", *(f"add {k}" for k in (
        "recording", "reading", "readings", "symptom", "finding", "note", "swap", "picture", "heatmap", "cost", "time",
        "answer", "comparison", "verification", "past"))],
)  # fmt: skip
def test_every_subcommand_has_help_with_an_example(name):
    assert "Example: thermscan case" in run("case", *name.split(), "--help").replace("\n", " ")


def test_resistance_readings_print_the_caution(bench):
    new()
    out = run("case", "add", "reading", "job", "resistance_to_ground", "4k7", "--net", "+3V3")
    assert "caution: Before resistance or diode readings: power off" in out
    assert "discharged" in run("case", "add", "reading", "--help")


def test_an_earlier_export_is_not_overwritten_unless_asked(bench):
    new()
    run("case", "export", "job", "--out", "sheets", "--sheet", "customer")
    before = {p.name: p.read_bytes() for p in Path("sheets").iterdir()}
    run("case", "add", "note", "job", "owner called")
    out = run("case", "export", "job", "--out", "sheets", "--sheet", "bench", code=2)
    assert out == (
        "thermscan: sheets: already holds an earlier export (case.zip); name a new folder, or overwrite with --force\n"
    )
    assert {p.name: p.read_bytes() for p in Path("sheets").iterdir()} == before
    run("case", "export", "job", "--out", "sheets", "--sheet", "bench", "--force")
    assert Path("sheets/case.zip").read_bytes() != before["case.zip"]
    assert Path("sheets/customer.html").read_bytes() == before["customer.html"]
    Path("paper").write_text("x", encoding="utf-8")
    assert "paper: is a file, not a folder" in run("case", "export", "job", "--out", "paper", code=2)


def test_a_reading_of_an_unknown_net_is_added_with_a_warning(bench):
    new()
    out = run("case", "add", "reading", "job", "voltage", "1.4", "--net", "+3V4")
    assert "entry 3: reading added" in out
    assert "warning: no net '+3V4' in the board file (nearest are +3V3 and +12V)" in out
    assert "warning" not in run("case", "add", "reading", "job", "voltage", "1.4", "--net", "+3V3")
    Path("r.csv").write_text("net,quantity,value\n+3V3,voltage,1.4\n3v3,voltage,1.4\n", encoding="utf-8")
    out = run("case", "add", "readings", "job", "r.csv")
    assert "warning: readings, row 3: no net '3v3' in the board file (nearest is +3V3)" in out
    assert kinds()[-2:] == ["reading", "reading"]
