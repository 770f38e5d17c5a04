"""What happens to the camera, put into made recordings: how often it is found, and what is told without cause.

Run: ``python tests/bench/bench_events.py --seeds 0:100 --out FILE.jsonl``. A line a recording is appended to FILE, and
seeds found there are not run again; ``--also FILE`` adds the lines of another to the table. Each made recording has a
sensor without faults but for a fixed pattern; it is measured as it is, with what happens to frames put in (offset step,
frozen, blank, blurred and missing frames), with bad pixels, and with stripes and a drift of the whole picture. Sizes
are drawn as multiples of the noise.
"""

from __future__ import annotations

import argparse
import json
import traceback
from collections import Counter
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from thermscan.measure.noise import measure_camera
from thermscan.model.recording import ArrayStore
from thermscan.simulate import CaseOptions, draw_case

SIZES = ((160, 120), (256, 192), (80, 60), (160, 120), (320, 240), (206, 156), (32, 24), (384, 288))
FRAME_KINDS = ("offset_step", "frozen", "blank", "blurred", "dropped")
PIXEL_KINDS = ("dead_pixels", "hot_pixels", "flicker_pixels")


def made(seed):
    """Return whether held by hand, the recording with its frames in memory and a fixed pattern, noise, generator."""
    rng = np.random.default_rng([seed, 41])
    hand = bool(rng.random() < 0.5)
    options = CaseOptions(
        resolution=SIZES[seed % len(SIZES)], hand_held=hand, goods=0, before_s=2.0, on_s=5.0, after_s=0.0,
        frame_rate_hz=float(rng.choice([6.0, 9.0])), camera_events=False, bad_pixels=False, fixed_pattern_k=0.0,
        hand_in_view=False,
    )  # fmt: skip
    case = draw_case(seed, options=options)
    recording, noise = case.faulty.recording, case.faulty.truth.noise_k
    frames = np.array(recording.store.read(0, recording.frames), np.float32)
    frames += rng.normal(0, noise * rng.uniform(0.3, 2.0), frames.shape[1:]).astype(np.float32)
    return hand, with_frames(recording, frames), noise, rng


def with_frames(recording, frames, times=None):
    times = recording.times_s if times is None else times
    return replace(recording, store=ArrayStore(np.asarray(frames, np.float32)), times_s=times)


def frame_faults(recording, noise, rng):
    """Return the recording with one event of each kind, well apart, and {kind: (frame, frames, size)}."""
    frames, count = np.array(recording.store.read(0, recording.frames)), recording.frames
    slots = rng.permutation(5)
    width = (count - 10) // 5
    at = {
        k: 5 + int(s) * width + int(rng.integers(0, max(width - 5, 1))) for k, s in zip(FRAME_KINDS, slots, strict=True)
    }
    long, lost = int(rng.integers(1, 4)), int(rng.integers(1, 4))
    size = float(rng.choice([-1, 1]) * rng.uniform(2, 10) * noise)
    frames[at["offset_step"] :] += size
    frames[at["frozen"] : at["frozen"] + long] = frames[at["frozen"] - 1]
    frames[at["blank"]] = np.median(frames[at["blank"]])
    soft = cv2.GaussianBlur(frames[at["blurred"]], (0, 0), 2.5)
    frames[at["blurred"]] = soft + rng.normal(0, noise, soft.shape)
    keep = np.ones(count, bool)
    keep[at["dropped"] : at["dropped"] + lost] = False
    number = np.cumsum(keep) - 1
    true = {k: (int(number[at[k]]), 1, size) for k in FRAME_KINDS}
    true["frozen"] = (true["frozen"][0], long, size)
    true["dropped"] = (int(number[at["dropped"]]) + 1, lost, size)
    return with_frames(recording, frames[keep], recording.times_s[keep]), true


def pixel_faults(recording, noise, rng):
    """Return the recording with bad pixels, and {kind: their rows and columns}."""
    frames = np.array(recording.store.read(0, recording.frames))
    rows, columns = frames.shape[1:]
    places = rng.choice((rows // 4) * (columns // 4), 9, replace=False)
    places = np.column_stack([places // (columns // 4) * 4 + 1, places % (columns // 4) * 4 + 1])
    true = {k: places[3 * i : 3 * i + 3] for i, k in enumerate(PIXEL_KINDS)}
    for row, column in true["dead_pixels"]:
        frames[:, row, column] = frames[0, row, column] + rng.normal(0, 10 * noise)
    for row, column in true["hot_pixels"]:
        frames[:, row, column] += rng.choice([-1, 1]) * rng.uniform(10, 60) * noise
    for row, column in true["flicker_pixels"]:
        frames[:, row, column] += rng.normal(0, 10 * noise, len(frames))
    return with_frames(recording, frames), true


def slow_faults(recording, noise, rng):
    """Return the recording with row and column noise and a drift, and their sizes (standard deviations; total)."""
    frames = np.array(recording.store.read(0, recording.frames), float)
    count, rows, columns = frames.shape
    true = {k: float(noise * rng.uniform(0.4, 1.5)) for k in ("rows", "columns")}
    true["drift"] = float(rng.choice([-1, 1]) * rng.uniform(0.3, 1.5))
    frames += rng.normal(0, true["rows"], (count, rows, 1)) + rng.normal(0, true["columns"], (count, 1, columns))
    frames += true["drift"] * np.linspace(0, 1, count)[:, None, None]
    return with_frames(recording, frames), true


def judge_frames(recording, true):
    """Return which events were found, wrong ones by kind, the left offset, and which unusable frames are left out."""
    camera = measure_camera(recording)
    found, wrong = {}, Counter()
    for kind in FRAME_KINDS:
        first, frames, _ = true[kind]
        events = [e for e in camera.events if e.kind == kind]
        right = [e for e in events if abs(e.frame - first) <= 1]
        found[kind] = bool(right) and (
            kind not in ("frozen", "dropped") or (right[0].frame, right[0].frames) == (first, frames)
        )
        wrong[kind] += len(events) - len(right)
    step = camera.offset[-1] - camera.offset[0]
    return {"found": found, "wrong": dict(wrong), "step_left": abs(step - true["offset_step"][2]),
            "step": abs(true["offset_step"][2])}  # fmt: skip


def judge_pixels(recording, true):
    """Return found and put-in counts by kind, and how many good pixels are left out."""
    camera = measure_camera(recording)
    bad = camera.bad.copy()
    found = {k: int(bad[p[:, 0], p[:, 1]].sum()) for k, p in true.items()}
    for places in true.values():
        bad[places[:, 0], places[:, 1]] = False
    named = {e.kind for e in camera.events}
    return {"pixels": found, "pixels_named": [k for k in PIXEL_KINDS if k in named], "pixels_wrong": int(bad.sum())}


def judge_slow(recording, true):
    """Return found sizes over true ones of row and column noise and drift, None where not told."""
    camera = measure_camera(recording)
    texts = [e.text for e in camera.events if e.kind == "stripes"]
    drift = [e.size for e in camera.events if e.kind == "drift"]
    return {
        "rows": camera.row_noise / true["rows"], "rows_told": any("rows" in t for t in texts),
        "columns": camera.column_noise / true["columns"], "columns_told": any("columns" in t for t in texts),
        "drift": drift[0] / true["drift"] if drift else None, "drift_k": abs(true["drift"]),
    }  # fmt: skip


def run(seed):
    hand, recording, noise, rng = made(seed)
    camera = measure_camera(recording)
    row = {"seed": seed, "columns": recording.columns, "hand": hand, "frames": recording.frames, "noise_k": noise}
    row["clean"] = [e.kind for e in camera.events]
    row["clean_bad"] = int(camera.bad.sum())
    row["noise"] = camera.noise_median / noise
    row["step_k"] = noise
    row |= judge_frames(*frame_faults(recording, noise, rng))
    row |= judge_pixels(*pixel_faults(recording, noise, rng))
    return row | judge_slow(*slow_faults(recording, noise, rng))


def spread(values):
    known = [v for v in values if v is not None]
    return (
        f"median {np.median(known):.2f}, 5 to 95 % {np.quantile(known, 0.05):.2f} to {np.quantile(known, 0.95):.2f}"
        if known
        else "none"
    )


def table(label, rows):
    count = len(rows)
    frames = sum(r["frames"] for r in rows)
    print(f"\n{label}: {count} recordings, {frames} frames")
    told = Counter(k for r in rows for k in set(r["clean"]))
    print(f"  told without cause, recordings: {dict(told) or 'none'}; good pixels left out a recording "
          f"{np.mean([r['clean_bad'] for r in rows]):.2f}")  # fmt: skip
    print(f"  noise found over true: {spread(r['noise'] for r in rows)}")
    for kind in FRAME_KINDS:
        print(f"  {kind:<15} found {sum(r['found'][kind] for r in rows):3d}/{count}, elsewhere "
              f"{sum(r['wrong'][kind] for r in rows)}")  # fmt: skip
    for low, high in ((2, 4), (4, 10)):
        some = [r for r in rows if low <= r["step"] / r["step_k"] < high]
        print(f"    steps of {low} to {high} noises found {sum(r['found']['offset_step'] for r in some)}/{len(some)}")
    print(f"    offset left of those found, of the noise: "
          f"{spread(r['step_left'] / r['step_k'] for r in rows if r['found']['offset_step'])}")  # fmt: skip
    for kind in PIXEL_KINDS:
        print(f"  {kind:<15} found {sum(r['pixels'][kind] for r in rows):3d}/{3 * count}, named in "
              f"{sum(kind in r['pixels_named'] for r in rows)}/{count}")  # fmt: skip
    print(f"  good pixels left out beside them {np.mean([r['pixels_wrong'] for r in rows]):.2f} a recording")
    for kind in ("rows", "columns"):
        print(f"  noise of {kind:<8} told {sum(r[kind + '_told'] for r in rows):3d}/{count}, size found over true: "
              f"{spread(r[kind] for r in rows)}")  # fmt: skip
    print(f"  drift            told {sum(r['drift'] is not None for r in rows):3d}/{count}, size found over true: "
          f"{spread(r['drift'] for r in rows)}")  # fmt: skip


def load(path):
    return [json.loads(text) for text in path.read_text().splitlines()] if path and path.exists() else []


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", default="0:16", help="A:B, B not included")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--also", type=Path, default=None)
    options = parser.parse_args()
    low, high = map(int, options.seeds.split(":"))
    done = {r["seed"] for r in load(options.out)}
    for seed in range(low, high):
        if seed in done:
            continue
        try:
            row = run(seed)
        except Exception as error:  # counted and told; the other recordings go on
            row = {"seed": seed, "error": f"{error!r}", "where": traceback.format_exc()[-1500:]}
            print(seed, row["error"], flush=True)
        with options.out.open("a") as file:
            file.write(json.dumps(row) + "\n")
    rows = load(options.out) + load(options.also)
    broken = [r["seed"] for r in rows if "error" in r]
    rows = [r for r in rows if "error" not in r]
    print(f"{len(rows)} recordings judged, {len(broken)} broke off {broken}")
    for hand in (False, True):
        some = [r for r in rows if r["hand"] == hand]
        if some:
            table("by hand" if hand else "tripod", some)


if __name__ == "__main__":
    main()
