"""The command that verifies repairs: bad input in one line, files written, answer printed."""

import json

import numpy as np
import pytest
import tifffile
from click.testing import CliRunner

from thermscan.app.cli import command
from thermscan.model.case_record import Criterion, PlaceChange, Verification
from thermscan.model.film import BoardGrid
from thermscan.model.result_maps import ResultMaps

HOW = ("--unit", "celsius", "--frame-rate", "4")


def run(*args, code=0):
    result = CliRunner().invoke(command, ["verify", *(str(a) for a in args)])
    assert result.exit_code == code, result.output
    return result.output


@pytest.fixture
def bench(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for i, name in enumerate(("after", "good", "before")):
        frames = np.random.default_rng(i).normal(24, 0.1, (6, 12, 16)).astype(np.float32)
        tifffile.imwrite(f"{name}.tiff", frames, photometric="minisblack")
    (tmp_path / "done").mkdir()
    (tmp_path / "done" / "verification.json").write_text("{}")
    return tmp_path


@pytest.mark.parametrize(
    ("args", "line"),
    [
        (("after.tiff", "--good", "good.tiff", "--out", "v"), "--board: a verification needs the board"),
        (("gone.tiff", "--good", "good.tiff", "--size", "40x30", "--out", "v"), "gone.tiff: "),
        (("after.tiff", "--good", "gone.tiff", "--size", "40x30", "--out", "v"), "gone.tiff: "),
        (("after.tiff", "--good", "good.tiff", "--before", "after.tiff", "--size", "40x30", "--out", "v"),
         "after.tiff: is the same recording as the one after the repair (after); name each recording once"),
        (("after.tiff", "after.tiff", "--good", "good.tiff", "--size", "40x30", "--out", "v"),
         "after.tiff: is the same recording as the one after the repair (after)"),
        (("after.tiff", "--good", "after.tiff", "--size", "40x30", "--out", "v"),
         "after.tiff: is the same recording as the one after the repair (after)"),
        (("after.tiff", "--good", "good.tiff", "--long", "after.tiff", "--size", "40x30", "--out", "v"),
         "after.tiff: is the same recording as the one after the repair (after)"),
        (("after.tiff", "--good", "good.tiff", "--size", "40x30", "--out", "done"), "already holds a verification"),
        (("after.tiff", "--good", "good.tiff", "--readings", "no.csv", "--size", "40x30", "--out", "v"), "no.csv: "),
    ],
)  # fmt: skip
def test_bad_input_is_one_line(bench, args, line):
    out = run(*args, *HOW, code=2)
    assert line in out
    assert out.count("\n") == 1
    assert not (bench / "v").exists()


def found_of(job):
    grid = BoardGrid.over(job.board, 1.0)
    excess = np.random.default_rng(0).normal(0, 0.1, (3, *grid.shape))
    everywhere = np.ones(grid.shape, bool)
    noise = np.full((1, *grid.shape), 0.1)
    edges_s = np.arange(4.0)
    maps = ResultMaps(grid, edges_s, excess, excess, excess, noise, 0 * excess, everywhere, everywhere, shown_bin=2)
    place = PlaceChange("C14", "gone", (9.0, 8.8, 9.2), (0.1, -0.1, 0.3), 2.5, "C14 was +9.0 K, is +0.1 K")
    criteria = (Criterion("cold starts", "2 cold starts seen", "1 of 1 recordings", "not_done"),)
    inputs = tuple(("after", r.path, r.sha256) for r in job.after)
    said = Verification("gone", "The fault is gone (C14).", criteria, (place,), inputs, job.board.name, "top")
    return maps, said


def test_answer_files_and_json(bench, monkeypatch):
    from thermscan.pipeline import verify as stage

    def verify(job, *, settings, tell):
        maps, said = found_of(job)
        return stage.Verified(said, maps, maps, job.board)

    monkeypatch.setattr(stage, "verify", verify)
    monkeypatch.setattr("thermscan.app.progress.progress_bar", lambda *, quiet: (None, lambda: None))
    common = ("after.tiff", "--good", "good.tiff", "--before", "before.tiff", "--size", "40x30", *HOW)
    out = run(*common, "--out", "v")
    assert out.startswith("The fault is gone (C14). Not yet verified: 1 check not done.")
    assert "cold starts: not done (1 of 1 recordings; wanted: 2 cold starts seen)" in out
    assert "Local electrical codes" in out
    assert {p.name for p in (bench / "v").iterdir()} == {
        "verification.json", "verification.html", "verification.pdf", "before_after.png"
    }  # fmt: skip
    assert "C14 was +9.0 K" in out
    assert "C14 was +16.2 °F diff., is +0.2 °F diff." in run(*common, "--out", "v", "--force", "--fahrenheit")
    page = (bench / "v" / "verification.html").read_text(encoding="utf-8")
    assert "+16.20 °F diff. (+15.84 to +16.56)" in page
    assert " K (" not in page
    printed = json.loads(run(*common, "--out", "v", "--force", "--json"))
    assert printed == json.loads((bench / "v" / "verification.json").read_text())
