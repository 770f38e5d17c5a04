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
from thermscan.model.pose import Motion
from thermscan.model.quantity import Measured
from thermscan.model.recording import ArrayStore
from thermscan.model.settings import Settings
from thermscan.model.timing import Timing
from thermscan.simulate.case import draw_case
from thermscan.simulate.options import CaseOptions

WORDS = {"stuck": "clipped", "steps of": "coarse", "coolest part": "range", "drifts": "drift", "shutter": "shutter",
         "swings": "reflection", "blurred": "focus", "nothing in the picture": "glass", "sidecar says": "emissivity",
         "before power-on the picture": "off air"}  # fmt: skip


def soft(frames):
    """Blur every frame by four pixels."""
    return ndimage.gaussian_filter(frames, (0, 4.0, 4.0))


def short_range(frames):
    """End the range in the middle of the warmest part's rise."""
    return np.minimum(frames, np.float32(np.quantile(frames[-1], 0.9)))


def whole_degrees(frames):
    """Round to whole degrees."""
    return np.round(frames)


FAULTS = {"none": None, "soft focus": soft, "short range": short_range, "whole degrees": whole_degrees}


def words_of(said):
    """Name the warnings raised."""
    return {name for key, name in WORDS.items() for text in said if key in text}


def judge(case, fault, settings):
    """Return the names of the warnings about one made recording."""
    recording, truth = case.faulty.recording, case.faulty.truth
    if fault is not None:
        frames = fault(recording.store.read(0, recording.frames))
        recording = replace(recording, store=ArrayStore(frames.astype(np.float32)))
    camera = measure_camera(recording, settings=settings.camera)
    known = np.nan_to_num(truth.matrices)
    still = bool(np.abs(known - known[0]).max() < 1e-6)
    motion = Motion(truth.matrices, np.zeros((2, 2)), np.zeros((0, 2, 2)), np.zeros(len(known)), still)
    on = truth.power_on_s
    timing = Timing() if on is None else Timing(on_s=Measured(on, on - 0.1, on + 0.1))
    return words_of(judge_picture(recording, camera, motion, timing, settings=settings.picture))


def main():
    first = int(sys.argv[1]) if len(sys.argv) > 1 else 9200
    count = int(sys.argv[2]) if len(sys.argv) > 2 else 20
    settings, tally, scenes = Settings(), {name: Counter() for name in FAULTS}, 0
    for seed in range(first, first + count):
        options = CaseOptions(
            resolution=(160, 120) if seed % 2 else (320, 240), goods=0, frame_rate_hz=6.0, on_s=5.0, parts=(15, 30),
            unit="celsius",
        )  # fmt: skip
        case = draw_case(seed, options=options)
        scenes += 1
        for name, fault in FAULTS.items():
            tally[name].update(judge(case, fault, settings))
    names = list(WORDS.values())
    print(f"{'put in':<14}" + "".join(f"{name:>11}" for name in names) + f"   of {scenes}")
    for fault, counter in tally.items():
        print(f"{fault:<14}" + "".join(f"{counter[name]:>11}" for name in names))


if __name__ == "__main__":
    main()
