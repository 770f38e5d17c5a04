"""Warnings of a first look on made recordings: how often each is raised without cause, and with one put in.

Run: python tests/bench/bench_picture_quality.py [FIRST_SEED [COUNT]]. Camera events, drift and people nearby are
part of the made recordings, so drift and reflections are sometimes said with cause; the table counts what was said.
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import replace

import numpy as np
from scipy import ndimage

from thermscan.measure.noise import measure_camera
from thermscan.measure.picture_quality import judge_picture
from thermscan.measure.radiometry import View, true_picture
from thermscan.model.pose import Motion
from thermscan.model.quantity import Measured
from thermscan.model.recording import ArrayStore, SupplyPoint
from thermscan.model.settings import Settings
from thermscan.model.timing import Timing
from thermscan.simulate.case import draw_case
from thermscan.simulate.options import CaseOptions

WORDS = {"stuck": "clipped", "steps of": "coarse", "coolest part": "range", "drifts": "drift", "shutter": "shutter",
         "swings": "reflection", "blurred": "focus", "nothing in the picture": "glass", "sidecar says": "emissivity",
         "before power-on the picture": "off air"}  # fmt: skip


def soft(recording, truth):
    """Blur every frame by four pixels."""
    return changed(recording, lambda frames: ndimage.gaussian_filter(frames, (0, 4.0, 4.0)))


def short_range(recording, truth):
    """End the range in the middle of the warmest part's rise."""
    return changed(recording, lambda frames: np.minimum(frames, np.float32(np.quantile(frames[-1], 0.9))))


def hot_range(recording, truth):
    """Start the range above the coolest fifth of the picture."""
    return changed(recording, lambda frames: np.maximum(frames, np.float32(np.quantile(frames[0], 0.2))))


def whole_degrees(recording, truth):
    """Round to whole degrees."""
    return changed(recording, np.round)


def warming(recording, truth):
    """Let the whole picture drift by 0.15 K/s at first, fading over a minute, as a camera just switched on."""
    drift = 9.0 * (1 - np.exp(-recording.times_s / 60.0))
    return changed(recording, lambda frames: frames + drift[:, None, None].astype(np.float32))


def reflection(recording, truth):
    """Let a mirror of a quarter of the picture's width show someone who sways: 0.6 K, once in three seconds."""
    y, x = np.mgrid[: recording.rows, : recording.columns]
    mirror = np.hypot(x - 0.55 * recording.columns, y - 0.45 * recording.rows) < recording.columns / 8
    sway = 0.3 * np.sin(2 * np.pi * recording.times_s / 3.0)
    return changed(recording, lambda frames: frames + (sway[:, None, None] * mirror).astype(np.float32))


def glass(recording, truth):
    """Show only the first frames' mean with noise, though the supply log says five watts."""
    on = truth.power_on_s
    log = (SupplyPoint(0.0, 0.0, 0.0), SupplyPoint(on, 12.0, 0.42), SupplyPoint(on + 60.0, 12.0, 0.42))
    noise = np.random.default_rng(0)

    def through(frames):
        cold = frames[recording.times_s < on - 0.3].mean(axis=0)
        return (cold + noise.normal(0, 0.05, frames.shape)).astype(np.float32)

    return replace(changed(recording, through), facts=replace(recording.facts, supply=log))


def wrong_emissivity(recording, truth):
    """Say that the camera was told 0.4 and a reflected temperature 12 K too high, and apply both."""
    room = recording.facts.ambient_c if recording.facts.ambient_c is not None else 23.0
    applied = View(0.4, room + 12.0)
    facts = replace(recording.facts, emissivity=0.4, reflected_c=room + 12.0, ambient_c=room)
    return replace(changed(recording, lambda f: true_picture(f, applied)), facts=facts)


FAULTS = {"none": None, "soft focus": soft, "short range": short_range, "hot range": hot_range,
          "whole degrees": whole_degrees, "warming camera": warming, "moving mirror": reflection, "glass": glass,
          "sidecar 0.4": wrong_emissivity}  # fmt: skip


def changed(recording, change):
    """Return a recording with other frames."""
    frames = change(recording.store.read(0, recording.frames))
    return replace(recording, store=ArrayStore(np.asarray(frames, np.float32)))


def words_of(said):
    """Name the warnings raised."""
    return {name for key, name in WORDS.items() for text in said if key in text}


def judge(case, fault, settings):
    """Return the names of the warnings about one made recording."""
    recording, truth = case.faulty.recording, case.faulty.truth
    if fault is not None:
        recording = fault(recording, truth)
    camera = measure_camera(recording, settings=settings.camera)
    known = np.nan_to_num(truth.matrices)
    motion = Motion(truth.matrices, np.zeros((2, 2)), np.zeros((0, 2, 2)), np.zeros(len(known)), is_still(truth))
    on = truth.power_on_s
    timing = Timing() if on is None else Timing(on_s=Measured(on, on - 0.1, on + 0.1))
    return words_of(judge_picture(recording, camera, motion, timing, settings=settings.picture))


def is_still(truth):
    """Tell whether the camera stood on a tripod."""
    known = np.nan_to_num(truth.matrices)
    return bool(np.abs(known - known[0]).max() < 1e-6)


def main():
    first = int(sys.argv[1]) if len(sys.argv) > 1 else 9200
    count = int(sys.argv[2]) if len(sys.argv) > 2 else 20
    settings, tally, scenes, still = Settings(), {name: Counter() for name in FAULTS}, 0, 0
    for seed in range(first, first + count):
        options = CaseOptions(
            resolution=(160, 120) if seed % 2 else (320, 240), goods=0, frame_rate_hz=6.0, on_s=5.0, parts=(15, 30),
            unit="celsius", before_s=3.0,
        )  # fmt: skip
        case = draw_case(seed, options=options)
        scenes += 1
        still += is_still(case.faulty.truth)
        for name, fault in FAULTS.items():
            tally[name].update(judge(case, fault, settings))
    names = list(WORDS.values())
    print(f"{'put in':<14}" + "".join(f"{name:>11}" for name in names) + f"   of {scenes}, {still} on a tripod")
    for fault, counter in tally.items():
        print(f"{fault:<14}" + "".join(f"{counter[name]:>11}" for name in names))


if __name__ == "__main__":
    main()
