"""A small run of the population benchmark: the whole job on two made boards, judged against their truth."""

import importlib.util
from pathlib import Path

import pytest

from thermscan.simulate import CaseOptions

PATH = Path(__file__).parent / "bench" / "population.py"
EASY = CaseOptions(
    resolution=(80, 60), hand_held=False, goods=2, marks=True, side="top", cell_mm=2.0, camera_events=False,
    board_mm=((45, 60), (30, 45)), parts=(10, 16), before_s=2.0, on_s=5.0, after_s=1.0, frame_rate_hz=6.0,
    warm_start=False,
)  # fmt: skip


@pytest.fixture(scope="module")
def bench():
    spec = importlib.util.spec_from_file_location("population", PATH)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_whole_job_runs_and_is_judged(bench):
    from dataclasses import replace

    rows = [bench.run_one(seed, replace(EASY, fault=fault)) for seed, fault in ((41, "leak"), (42, "none"))]
    assert all("verdict" in row for row in rows), rows
    assert all(row["absolute_px"] < 2 for row in rows if row["trusted"])
    assert rows[1]["verdict"] != "suspect"
    text = bench.table(rows)
    assert "cases 2: judged 2, failed 0" in text
    assert "good boards accused     0/1" in text
