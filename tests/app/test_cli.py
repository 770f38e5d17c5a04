"""The command line: help, exit codes, one line for bad input, and files that are whole or not there."""

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import tifffile
from click.testing import CliRunner

from thermscan.app.cli import COMMANDS, command
from thermscan.app.start import MISSING_LIBRARIES
from thermscan.model.errors import InputError
from thermscan.read.data_folder import data_folder

SAMPLES = data_folder("sample_frames")


def run(*args, code=0):
    result = CliRunner().invoke(command, [str(a) for a in args])
    assert result.exit_code == code, result.output
    return result.output


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help_with_an_example(name):
    text = run(name, "--help")
    assert "Example: thermscan" in text.replace("\n", " ")


def test_module_runs_like_the_command():
    out = subprocess.run([sys.executable, "-m", "thermscan", "--version"], capture_output=True, text=True, check=True)
    assert out.stdout.startswith("thermscan, version")


def test_help_imports_nothing_heavy():
    code = "import sys; from thermscan.app.cli import command\ntry: command(['--help'])\nexcept SystemExit: pass\n"
    code += "print(sorted({'numpy', 'cv2', 'matplotlib', 'scipy', 'skimage'} & set(sys.modules)))"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.rstrip().endswith("[]")


def test_missing_system_libraries_are_told_in_one_line(monkeypatch, capsys):
    from thermscan.app import cli, start

    def fail(*_args, **_kwargs):
        raise ImportError("libGL.so.1: cannot open shared object file: No such file or directory")

    monkeypatch.setattr(cli, "command", fail)
    with pytest.raises(SystemExit) as stop:
        start.main()
    assert stop.value.code == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "libgl1 libglib2.0-0" in said
    assert "{reason}" in MISSING_LIBRARIES


@pytest.mark.parametrize(
    ("args", "line"),
    [
        (("look", "nowhere.tiff"), "nowhere.tiff: "),
        (("compare", "nowhere.tiff", "--out", "OUT"), "nowhere.tiff: "),
        (("compare", SAMPLES / "faulty.tiff", "--good", "x", "--before", "y", "--out", "OUT"),
         "--before: known-good boards are given as well; give --before or --good, not both"),
        (("compare", SAMPLES / "faulty.tiff", "--changed", "C1", "--out", "OUT"),
         "--changed: there is no earlier recording; name it with --before"),
        (("compare", SAMPLES / "faulty.tiff", "--board", SAMPLES / "board.json", "--size", "90x60", "--out", "OUT"),
         "--size: a board file is given as well; give --board or --size, not both"),
        (("compare", SAMPLES / "faulty.tiff", "--size", "big", "--out", "OUT"), "'big'"),
        (("compare", SAMPLES / "faulty.tiff", "--good", SAMPLES / "faulty.tiff", "--out", "OUT"),
         "is the same recording as the one of the faulty board; name each recording once"),
        (("compare", SAMPLES / "faulty.tiff", "--before", SAMPLES / "faulty.tiff", "--out", "OUT"),
         "is the same recording as the one of the faulty board"),
        (("baseline", SAMPLES / "good_1.tiff", "--out", "OUT.npz"), "--board: a baseline needs its board"),
        (("baseline", SAMPLES / "good_1.tiff", "--size", "90x60", "--out", "OUT.txt"), "is not named .npz"),
        (("board", "points", "--corner", "0,0", "--out", "OUT"), "needs three corners or more"),
        (("board", "points", "--corner", "a,0", "--out", "OUT"), "'a,0' is not 2 numbers with commas"),
        (("board", "draw", "nowhere.json", "--out", "OUT.png"), "nowhere.json: "),
        (("cmpare", "x"), "no such command 'cmpare'; see thermscan --help"),
        (("compare",), "see thermscan compare --help"),
        (("foresee", "--view", "-5"), "see thermscan foresee --help"),
        (("compare", SAMPLES / "faulty.tiff", "--size", "40x30", "--out", "OUT"),
         "mark 1: (0, 60) mm lies off the board, which spans 0 to 40 by 0 to 30 mm"),
        (("compare", SAMPLES / "faulty.tiff", "--board", SAMPLES / "board.json", "--inject", "3V3:1:1", "--out", "OUT"),
         "injection: no net '3V3' in the board file; nearest is +3V3"),
    ],
)  # fmt: skip
def test_bad_input_is_one_line_and_exit_code_2(tmp_path, args, line):
    args = [str(a).replace("OUT", str(tmp_path / "out")) for a in args]
    out = run(*args, code=2)
    assert line in out
    assert out.startswith("thermscan: ")
    assert out.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("faulty", "good", "option", "line"),
    [
        ("bottom", "top", None, "good.tiff: shows the top side, faulty the bottom; faulty and good must show the same"),
        ("bottom", None, None, "good.tiff: shows the top side, faulty the bottom"),
        ("bottom", "top", "top", "faulty.json: side: says bottom, --side says top; correct the sidecar, or leave"),
        (None, "top", "bottom", "good.json: side: says top, --side says bottom"),
    ],
)
def test_sides_that_contradict_each_other_are_one_line(tmp_path, monkeypatch, faulty, good, option, line):
    monkeypatch.chdir(tmp_path)
    for name, side in (("faulty", faulty), ("good", good)):
        frames = np.random.default_rng(len(name)).normal(24, 0.1, (6, 12, 16)).astype(np.float32)
        tifffile.imwrite(f"{name}.tiff", frames, photometric="minisblack")
        words = {"unit": "celsius", "frame_rate_hz": 4} | ({"side": side} if side else {})
        Path(f"{name}.json").write_text(json.dumps(words), encoding="utf-8")
    words = ("compare", "faulty.tiff", "--good", "good.tiff", "--size", "40x30", "--out", "out")
    out = run(*words, *(("--side", option) if option else ()), code=2)
    assert line in out
    assert out.count("\n") == 1
    assert not Path("out").exists()


def test_too_many_volts_for_a_net_are_warned_of_before_the_work(tmp_path, monkeypatch):
    def work(*_args, **_kwargs):
        raise InputError("work", "", "begins here")

    monkeypatch.setattr("thermscan.pipeline.compare.compare", work)
    words = ("compare", SAMPLES / "faulty.tiff", "--board", SAMPLES / "board.json", "--out", tmp_path / "out")
    out = run(*words, "--inject", "+3V3:5:1", code=2)
    assert out.splitlines() == [
        "warning: 5 V is above the 3.3 V that +3V3 carries: turn it down now",
        "thermscan: work: begins here",
    ]
    assert "warning" not in run(*words, "--inject", "+3V3:1:1", code=2)


def test_a_size_that_cannot_be_meant_is_warned_of_before_the_work(tmp_path, monkeypatch):
    def work(*_args, **_kwargs):
        raise InputError("work", "", "begins here")

    monkeypatch.setattr("thermscan.pipeline.compare.compare", work)
    words = ("compare", SAMPLES / "faulty.tiff", "--out", tmp_path / "out", "--size")
    first, second = run(*words, "900x600", code=2).splitlines()
    assert first.startswith("warning: a board of 900 x 600 mm fills 160 x 120 pixels with 5.3 mm or more each")
    assert second == "thermscan: work: begins here"
    assert "warning" not in run(*words, "90x60", code=2)


def test_unknown_option_values_are_refused():
    assert "is not A:B" in run("look", SAMPLES / "faulty.tiff", "--frames", "9:3", code=2)


def test_look_prints_json_and_writes_a_contact_sheet(tmp_path):
    rng = np.random.default_rng(0)
    frames = (30000 + rng.normal(0, 3, (12, 24, 32))).astype(np.uint16)
    tifffile.imwrite(tmp_path / "small.tiff", frames, photometric="minisblack")
    counts = ("--unit", "count", "--scale", "0.01", "--offset", "0", "--frame-rate", "5")
    out = run("look", tmp_path / "small.tiff", *counts, "--sheets", tmp_path / "sheets", "--json")
    (report,) = json.loads(out)
    assert (report["frames"], report["columns"], report["rows"]) == (12, 32, 24)
    assert report["timing"]["on_s"] is None
    assert report["noise"] == pytest.approx(0.03, rel=0.3)
    assert (tmp_path / "sheets" / "small_look.png").read_bytes().startswith(b"\x89PNG")
    again = run("look", tmp_path / "small.tiff", "--sheets", tmp_path / "sheets", code=2)
    assert "exists already" in again


def test_look_at_a_sparse_film_says_words_and_advice_that_fits(tmp_path):
    frames = np.random.default_rng(0).normal(24, 0.05, (9, 24, 32)).astype(np.float32)
    tifffile.imwrite(tmp_path / "sparse.tiff", frames, photometric="minisblack")
    how = ("--unit", "celsius", "--frame-rate", "0.86", "--no-sheets")
    out = run("look", tmp_path / "sparse.tiff", *how)
    reason = "9 frames are too few to show a change in time: 12 are needed, 14 s at 0.86 frames/s"
    assert f"power on: not known: {reason}\n" in out
    assert f"power-on is not seen ({reason}); film 5 seconds (4 frames at 0.86 frames/s) before switching on" in out
    assert "_" not in out
    (report,) = json.loads(run("look", tmp_path / "sparse.tiff", *how, "--json"))
    assert report["timing"]["on_why"] == f"not_seen: {reason}"  # programs read the code
    said = run("baseline", tmp_path / "sparse.tiff", *how[:-1], "--size", "90x60", "--out", tmp_path / "b.npz", code=2)
    assert f"shows no power-on ({reason}); film 5 seconds" in said


def test_schema_is_printed():
    assert json.loads(run("schema"))["$schema"].startswith("https://json-schema.org/")


def test_board_from_points_is_read_back(tmp_path):
    out = tmp_path / "board.json"
    corners = [piece for c in ("0,0", "90,0", "90,60", "0,60") for piece in ("--corner", c)]
    run("board", "points", *corners, "--part", "C14,,41.2,18,1.6,0.8,90", "--hole", "3,3,3.2", "--out", out)
    part = json.loads(out.read_text())["parts"][0]
    assert (part["kind"], part["rotation"]) == ("capacitor", 90)
    assert "exists already" in run("board", "points", *corners, "--out", out, code=2)
    run("board", "draw", out, "--out", tmp_path / "board.png")
    assert (tmp_path / "board.png").read_bytes().startswith(b"\x89PNG")


def test_table_beside_the_outline_asks_for_its_origin(tmp_path):
    table = tmp_path / "positions.csv"
    table.write_text("Ref,PosX,PosY,Rot,Side\nC1,100.5,-20.0,0,top\nC2,110.0,-25.0,0,top\n", encoding="utf-8")
    out = run("board", "table", table, "--size", "30x30", "--unit", "mm", "--out", tmp_path / "b.json", code=2)
    assert "give --origin X,Y" in out
    run("board", "table", table, "--size", "30x30", "--unit", "mm", "--origin", "-95,40", "--out", tmp_path / "b.json")
    assert Path(tmp_path / "b.json").is_file()
