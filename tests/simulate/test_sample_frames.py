"""The sample recordings are what their README says."""

import csv
import importlib.util
import json
from pathlib import Path

import numpy as np
import pytest
import tifffile

from thermscan.model.board import check_board
from thermscan.simulate.case_file import board_dict

FOLDER = Path(__file__).resolve().parents[2] / "sample_frames"
LIMIT_BYTES = 6_000_000


@pytest.fixture(scope="module")
def script():
    spec = importlib.util.spec_from_file_location("make_sample", FOLDER / "make_sample.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def celsius(name):
    side = json.loads((FOLDER / f"{name}.json").read_text(encoding="utf-8"))
    counts = tifffile.imread(FOLDER / f"{name}.tiff")
    assert counts.dtype == np.uint16
    assert len(counts) == len(side["timestamps_s"])
    return counts * side["scale_k_per_count"] + side["offset_k"] - 273.15, np.array(side["timestamps_s"]), side


def test_folder_is_small():
    assert sum(p.stat().st_size for p in FOLDER.rglob("*") if p.is_file()) < LIMIT_BYTES


def test_board_file_is_the_script_s(script):
    board = check_board(script.make_board(), path="board.json")
    assert json.loads((FOLDER / "board.json").read_text(encoding="utf-8")) == board_dict(board)
    assert "invented" in board.name


def test_nothing_is_warm_before_power_on_and_the_log_agrees():
    for name in ("faulty", "good_1", "good_2"):
        frames, times, side = celsius(name)
        on = next(p["time_s"] for p in side["supply"] if p["volts"] > 0)
        assert on == pytest.approx(2.0)
        early = frames[times < on]
        late = frames[(times > 6) & (times < 9)].mean(axis=0) - early.mean(axis=0)
        assert np.abs(early[-3:].mean(axis=0) - early[:3].mean(axis=0)).mean() < 0.3
        assert late.max() > 2.0


def test_grids_are_the_same_frames():
    frames, times, _ = celsius("faulty")
    paths = sorted((FOLDER / "faulty_csv").glob("*.csv"))
    assert len(paths) > 8
    for path in paths[::4]:
        number = int(path.stem.split("_")[1])
        assert np.loadtxt(path, delimiter=",") == pytest.approx(frames[number], abs=0.006)
        assert float(path.stem.split("_")[2].rstrip("s")) == pytest.approx(times[number], abs=6e-4)


def test_readings_obey_ohm_s_law_with_the_stated_heat(script):
    with (FOLDER / "readings.csv").open(encoding="utf-8") as file:
        rows = {(r["net"], r["quantity"]): r["value"] for r in csv.DictReader(file)}
    ohms = float(rows["+3V3", "resistance_to_ground"].replace("R", "."))
    volts = float(rows["+3V3", "voltage"])
    assert volts**2 / ohms == pytest.approx(script.SHORT_W, rel=0.03)
    assert (float(rows["+5V", "voltage"]) - volts) * volts / ohms == pytest.approx(script.REGULATOR_W, rel=0.03)
