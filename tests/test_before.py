"""A board against its own earlier recording: what a swap without any change says about the swapped part."""

from dataclasses import replace

import numpy as np
import pytest

from thermscan.model.recording import ArrayStore
from thermscan.model.settings import Settings
from thermscan.pipeline.compare import Job, compare
from thermscan.simulate import CaseOptions, draw_case

SMALL = CaseOptions(
    resolution=(80, 60), hand_held=False, goods=1, marks=True, side="top", cell_mm=2.0, camera_events=False,
    board_mm=((45, 60), (30, 45)), parts=(10, 16), before_s=2.0, on_s=5.0, after_s=1.0, frame_rate_hz=6.0,
    warm_start=False, fault="leak", fault_w=0.5, supply_log=False, spread=0.3,
)  # fmt: skip


@pytest.fixture(scope="module")
def case():
    return draw_case(44, options=SMALL)


def filmed_again(recording, seed):
    """The same frames under new noise, as a second recording of an unchanged board would be."""
    frames = recording.store.read(0, recording.frames)
    noisy = frames + np.random.default_rng(seed).normal(0, 0.05, frames.shape).astype(frames.dtype)
    return replace(recording, name="again.tiff", store=ArrayStore(noisy))


def test_a_swap_without_change_lowers_the_part_and_says_so(case):
    ref = case.fault.ref
    job = Job(
        faulty=filmed_again(case.faulty.recording, 1), before=case.faulty.recording, changed=(ref,), board=case.board
    )
    result = compare(job, settings=Settings()).result
    assert result.basis == "itself_before"
    assert not result.hotspots
    assert any(f"{ref} swapped, no change" in line for line in result.moved_by), result.moved_by
    assert result.verdict != "suspect"


def test_a_swap_after_which_the_board_differs_is_not_held_against_the_part(case):
    ref = case.fault.ref
    job = Job(faulty=case.goods[0].recording, before=case.faulty.recording, changed=(ref,), board=case.board)
    result = compare(job, settings=Settings()).result
    assert not any("no change" in line for line in result.moved_by), result.moved_by
    assert next(p for p in result.parts if p.ref == ref).state == "cold"  # less heat than when it leaked
