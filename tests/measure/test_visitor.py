"""Frames before power-on in which a hand stands before the board are left out, in timing, pictures and placing."""

from dataclasses import replace

import numpy as np
import pytest

from thermscan.measure.motion import redrawn, still_motion
from thermscan.measure.power_cells import sample_cells
from thermscan.measure.power_on import find_power
from thermscan.measure.visitor import without_visits
from thermscan.model.camera_events import CameraState
from thermscan.model.quantity import Measured
from thermscan.model.recording import Recording
from thermscan.model.settings import Settings, TimingSettings
from thermscan.model.timing import Timing
from thermscan.pipeline.prepare import prepare

SETTINGS = TimingSettings()
ROWS, COLUMNS, RATE_HZ, ON_S = 36, 48, 12.5, 3.2
TIMES_S = np.arange(0, 8, 1 / RATE_HZ)


def made(hand_s, *, seed=0):
    """A part that warms from ``ON_S`` on, a hand from below while ``hand_s`` lasts, and its glow on the board."""
    random = np.random.default_rng(seed)
    y, x = np.mgrid[:ROWS, :COLUMNS]
    scene = 24.0 + 0.8 * ((x > 8) & (x < 40) & (y > 6) & (y < 28)) + random.normal(0, 0.1, (ROWS, COLUMNS))
    frames = np.repeat(scene[None], len(TIMES_S), axis=0)
    frames[:, 12:16, 20:25] += (6.0 * -np.expm1(-np.maximum(TIMES_S - ON_S, 0) / 4.0))[:, None, None]
    start, stop = hand_s
    reach = np.clip(np.minimum(TIMES_S - start, stop - TIMES_S) / 0.4, 0.0, 1.0)
    for k, share in enumerate(reach):
        if share > 0:
            frames[k] += 0.4 * share * np.exp(-((y - 20) ** 2 + (x - 36) ** 2) / 60.0)
            frames[k, ROWS - max(1, round(16 * share)) :, 16:30] = 33.0
    frames += random.normal(0, 0.04, frames.shape)
    recording = Recording.from_array(frames.astype(np.float32), TIMES_S)
    nothing = np.zeros((ROWS, COLUMNS), bool)
    camera = CameraState(np.full((ROWS, COLUMNS), 0.04), nothing, np.ones(len(TIMES_S), bool), np.zeros(len(TIMES_S)))
    return recording, camera, scene


def timed(recording, camera, motion):
    return find_power(recording, camera, sample_cells(recording, camera, motion, settings=SETTINGS))


@pytest.mark.parametrize("hand_s", [(0.4, 2.2), (-1.0, 1.4), (1.6, 3.0)])
@pytest.mark.parametrize("seed", [0, 1])
def test_a_hand_before_power_on_neither_hides_nor_feigns_a_switch(hand_s, seed):
    recording, camera, _ = made(hand_s, seed=seed)
    timing = timed(recording, camera, still_motion(recording, camera, ""))
    assert timing.off_s is None
    assert timing.on_s.low <= ON_S <= timing.on_s.high
    ((start, stop),) = timing.visits
    assert start <= max(hand_s[0], 0.0) + 0.2
    assert stop >= hand_s[1] - 0.2


def test_frames_with_a_hand_leave_the_cold_frames_and_the_pictures():
    recording, camera, scene = made((0.4, 2.2))
    motion = still_motion(recording, camera, "")
    timing = timed(recording, camera, motion)
    alone = without_visits(recording, camera, timing, settings=SETTINGS)
    out = TIMES_S[~alone.usable]
    assert 0.2 < out[0] < 0.6
    assert 2.0 < out[-1] < 2.4
    assert [e.kind for e in alone.events] == ["passing"]
    drawn = redrawn(recording, alone, motion, timing.on_s.low)
    assert np.nanmax(np.abs(drawn.reference - scene)) < 0.1
    assert np.abs(motion.reference - scene).max() > 2.0
    assert np.nanmax(np.abs(drawn.change[:, 24:])) < 0.3


def test_too_few_cold_frames_without_a_hand_leave_all_as_they_are():
    recording, camera, _ = made((0.4, 2.2))
    timing = Timing(on_s=Measured(2.1, 2.05, 2.15), visits=((-0.1, 2.3),))
    alone = without_visits(recording, camera, timing, settings=SETTINGS)
    assert alone.usable is camera.usable
    assert "nearly all frames before power-on" in alone.events[0].text
    assert without_visits(recording, camera, replace(timing, visits=()), settings=SETTINGS) is camera


def test_only_the_frames_before_power_on_are_left_out():
    recording, camera, _ = made((2.6, 5.0))
    timing = Timing(on_s=Measured(ON_S, ON_S - 0.05, ON_S + 0.05), visits=((2.5, 5.1),))
    alone = without_visits(recording, camera, timing, settings=SETTINGS)
    assert alone.usable[TIMES_S > ON_S].all()
    assert not alone.usable[(TIMES_S > 2.6) & (TIMES_S < ON_S - 0.1)].any()


def test_a_prepared_recording_holds_no_hand_in_its_pictures():
    recording, _, scene = made((0.4, 2.2))
    prepared = prepare(recording, settings=Settings())
    assert prepared.timing.on_s.low <= ON_S <= prepared.timing.on_s.high
    assert "passing" in {e.kind for e in prepared.camera.events}
    assert not prepared.camera.usable[(TIMES_S > 0.8) & (TIMES_S < 1.8)].any()
    assert prepared.camera.usable[TIMES_S > ON_S].all()
    assert np.nanmedian(np.abs(prepared.motion.reference - scene)[-12:, 16:30]) < 0.1  # where the hand was
