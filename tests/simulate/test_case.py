"""Made cases: the same seed makes the same case, and the truth is what was simulated."""

import json

import numpy as np
import pytest

from thermscan.model.board import check_board
from thermscan.model.pose import map_points
from thermscan.simulate import CaseOptions, draw_case, write_case
from thermscan.simulate.options import FAULT_WORDS

QUICK = {
    "resolution": (80, 60),
    "frame_rate_hz": 4.0,
    "goods": 1,
    "board_mm": ((45.0, 60.0), (30.0, 45.0)),
    "cell_mm": 2.0,
    "before_s": 2.0,
    "on_s": 5.0,
    "after_s": 1.0,
    "warm_start": False,
    "side": "top",
}


def frames_of(made):
    return made.recording.store.read(0, made.recording.frames)


@pytest.fixture(scope="module")
def short_case():
    quiet = {"camera_events": False, "bad_pixels": False, "hand_held": False, "noise_k": 0.02, "fixed_pattern_k": 0.0}
    return draw_case(3, options=CaseOptions(**QUICK, **quiet, fault="leak", fault_w=0.4, spread=0.0, marks=True))


def test_same_seed_same_counts_in_any_order_of_reading():
    options = CaseOptions(**{**QUICK, "on_s": 2.0}, fault="leak", camera_events=True)
    first, second = (draw_case(8, options=options) for _ in range(2))
    store = second.faulty.recording.store
    backward = [store.read(i, i + 1)[0] for i in reversed(range(store.shape[0]))]
    assert np.array_equal(frames_of(first.faulty), backward[::-1])
    assert first.fault == second.fault
    assert np.array_equal(first.goods[0].truth.matrices, second.goods[0].truth.matrices)


@pytest.mark.parametrize("word", FAULT_WORDS)
def test_every_fault_can_be_drawn(word):
    case = draw_case(21, options=CaseOptions(**QUICK, fault=word, hand_held=False))
    assert case.fault.word == word
    check_board(case.board, path="made")
    truth = case.faulty.truth
    frames = case.faulty.recording.frames
    assert truth.matrices.shape == (frames, 3, 3)
    assert truth.excess_w.shape == truth.made_w.shape == (frames, len(truth.sources))
    assert np.isfinite(frames_of(case.faulty)).all()
    if word == "none":
        assert case.fault.ref is None
    else:
        assert bool(case.board.inside(case.fault.x_mm, case.fault.y_mm)) or case.fault.ref.startswith("J")


def test_leak_is_where_and_as_large_as_the_truth_says(short_case):
    case, truth = short_case, short_case.faulty.truth
    assert case.fault.power_w == pytest.approx(0.4, rel=0.03)
    others = [k for k, s in enumerate(truth.sources) if s != case.fault.ref]
    # without spread nothing differs but the fault, and what it draws through its regulators
    upstream = {r.made_by for r in case.board.rails} | {p.ref for p in case.board.parts if p.kind == "inductor"}
    quiet = [k for k in others if truth.sources[k] not in upstream]
    assert np.abs(truth.excess_w[:, quiet]).max() < 1e-9
    before = truth.power_on_s
    assert np.all(truth.made_w[case.faulty.recording.times_s < before] == 0)


def test_hottest_change_is_at_the_leak(short_case):
    case, truth = short_case, short_case.faulty.truth
    times = case.faulty.recording.times_s
    frames = frames_of(case.faulty)
    on = (times > truth.power_on_s + 3) & (times < truth.power_off_s)
    rise = frames[on].mean(axis=0) - frames[times < truth.power_on_s].mean(axis=0)
    part = case.board.part(case.fault.ref)
    place = map_points(truth.matrices[0], np.array([part.x, part.y])) + truth.height_shift_px * part.height_mm
    row, column = np.unravel_index(np.argmax(rise), rise.shape)
    assert np.hypot(column - place[0], row - place[1]) < 2.0


def test_noise_and_quiet_start(short_case):
    made = short_case.goods[0]
    times, frames = made.recording.times_s, frames_of(made)
    before = frames[times < made.truth.power_on_s - 0.1]
    assert np.median(before.std(axis=0, ddof=1)) == pytest.approx(made.truth.noise_k, rel=0.2)


def test_marks_are_corners_within_their_error(short_case):
    recording, truth = short_case.faulty.recording, short_case.faulty.truth
    assert len(recording.facts.marks) == 4
    for mark in recording.facts.marks:
        place = truth.to_px(0, np.array([mark.x_mm, mark.y_mm]))
        assert np.hypot(mark.x_px - place[0], mark.y_px - place[1]) < 4.5


def test_supply_that_tries_again():
    options = CaseOptions(**{**QUICK, "goods": 0}, fault="supply_limit", supply_log=True)
    cases = (draw_case(seed, options=options) for seed in range(30, 60))
    case = next(c for c in cases if c.faulty.truth.restarts > 1)
    truth = case.faulty.truth
    started = [a for a, _ in truth.runs_s if a < case.faulty.recording.times_s[-1]]
    assert len(started) == truth.restarts + 1
    volts = np.array([p.volts for p in case.faulty.recording.facts.supply])
    assert np.sum(np.diff(volts) > 0) == len(started)


def test_injection_heats_only_the_path_and_the_short():
    case = draw_case(5, options=CaseOptions(**{**QUICK, "goods": 0}, injection=True, fault_w=0.5))
    drive = case.faulty.recording.facts.drive
    assert drive.mode == "injection"
    assert drive.net == case.fault.net
    made = case.faulty.truth.made_w.max(axis=0)
    hot = {s for s, w in zip(case.faulty.truth.sources, made, strict=True) if w > 0}
    assert hot <= {case.fault.ref, "path"}
    assert drive.volts * drive.amps == pytest.approx(made.sum(), rel=0.02)


def test_supply_switched_on_and_off_on_purpose():
    options = {**QUICK, "on_s": 1.0, "pause_s": 1.0, "power_ups": 5, "goods": 0, "spread": 0.0}
    case = draw_case(6, options=CaseOptions(**options, fault="none"))
    assert len(case.faulty.truth.runs_s) == 5
    assert case.faulty.truth.restarts == 0
    assert case.faulty.recording.facts.drive.frequency_hz == pytest.approx(0.5)
    assert case.faulty.recording.facts.drive.duty == pytest.approx(0.5)


def test_warm_board_cools_before_power_on():
    options = {**QUICK, "warm_start": True, "goods": 0}
    case = draw_case(13, options=CaseOptions(**options, fault="none"))
    truth = case.faulty.truth
    early = case.faulty.recording.times_s < truth.power_on_s
    warmest = np.argmax(truth.part_c[0])
    assert truth.part_c[0, warmest] > truth.ambient_c + 1.0
    assert np.all(np.diff(truth.part_c[early, warmest]) < 0)


def test_board_that_is_on_before_the_recording():
    case = draw_case(14, options=CaseOptions(**{**QUICK, "before_s": -3.0, "goods": 0}, fault="none"))
    truth = case.faulty.truth
    assert truth.power_on_s is None
    assert truth.made_w[0].sum() > 0
    assert truth.part_c[0].max() > truth.ambient_c + 0.5


def test_hand_held_picture_moves_and_tripod_does_not():
    still = draw_case(15, options=CaseOptions(**{**QUICK, "goods": 0}, fault="none", hand_held=False))
    held = draw_case(15, options=CaseOptions(**{**QUICK, "goods": 0}, fault="none", hand_held=True))
    centre = np.array([20.0, 15.0])
    path = np.array([map_points(m, centre) for m in held.faulty.truth.matrices])
    assert np.ptp(still.faulty.truth.matrices, axis=0).max() == 0
    assert np.ptp(path, axis=0).max() > 0.5


def test_written_case_holds_the_same_counts(tmp_path, short_case):
    tifffile = pytest.importorskip("tifffile")
    write_case(short_case, tmp_path / "case")
    counts = tifffile.imread(tmp_path / "case" / "faulty.tiff")
    side = json.loads((tmp_path / "case" / "faulty.json").read_text(encoding="utf-8"))
    celsius = counts * side["scale_k_per_count"] + side["offset_k"] - 273.15
    assert celsius == pytest.approx(frames_of(short_case.faulty), abs=1e-3)
    assert side["timestamps_s"] == pytest.approx(short_case.faulty.recording.times_s)
    board = json.loads((tmp_path / "case" / "board.json").read_text(encoding="utf-8"))
    assert [p["ref"] for p in board["parts"]] == [p.ref for p in short_case.board.parts]


def test_unknown_fault_is_refused():
    with pytest.raises(ValueError, match="'shrot' is not one of short, leak"):
        CaseOptions(fault="shrot")
