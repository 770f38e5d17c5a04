"""Motion of the picture against made truth, beside per-frame ECC, phase correlation and the Cramer-Rao bound.

Run: python tests/bench/bench_motion.py --first 1000 --count 12 --frames 60 [--out motion.csv]
A recording a line is appended to --out, and seeds found there are not run again. Errors are distances over a 5 x 5 grid
of board points and all frames that are not frozen, frame to frame: the mean offset of a recording is taken off, since
the reference picture is anybody's choice.
"""

from __future__ import annotations

import argparse
import contextlib
import csv
import time
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from skimage.registration import phase_cross_correlation

from thermscan.measure.motion import follow_motion
from thermscan.measure.noise import measure_camera
from thermscan.model.pose import map_points
from thermscan.model.recording import ArrayStore
from thermscan.simulate import CaseOptions, draw_case

SIZES = ((160, 120), (160, 120), (160, 120), (256, 192), (384, 288), (80, 60), (32, 24), (640, 512))
FIELDS = ("seed", "size", "hand", "rms", "slope", "predicted", "tripod", "ecc", "phase", "bound", "ms", "ecc_ms")


def board_grid(board):
    x0, y0, x1, y1 = board.box_mm
    x, y = np.meshgrid(np.linspace(x0, x1, 5), np.linspace(y0, y1, 5))
    return np.stack([x, y], axis=-1).reshape(-1, 2)


def frame_to_frame_px(found, true, grid_px, grid_mm, frames):
    """Return rms distance, px, and slope; ``found`` maps reference px to px, ``true`` mm to px."""
    a = np.array([map_points(found[i], grid_px) for i in frames])
    b = np.array([map_points(true[i], grid_mm) for i in frames])
    a, b = a - a.mean(axis=0), b - b.mean(axis=0)
    power = (b.mean(axis=1) ** 2).sum()
    slope = float((a.mean(axis=1) * b.mean(axis=1)).sum() / power) if power > 1e-3 * len(frames) else float("nan")
    return float(np.sqrt(((a - b) ** 2).sum(axis=-1).mean())), slope


def ecc_matrices(frames):
    reference = frames[0] - frames[0].mean()
    out, last = [], np.eye(3, dtype=np.float32)
    for frame in frames:
        with contextlib.suppress(cv2.error):
            _, last = cv2.findTransformECC(
                reference, frame - frame.mean(), last.copy(), cv2.MOTION_HOMOGRAPHY, (3, 50, 1e-6), None, 5
            )
        out.append(last.astype(float))
    return np.array(out)


def phase_matrices(frames):
    out = []
    for frame in frames:
        (down, right), _, _ = phase_cross_correlation(frames[0], frame, upsample_factor=20)
        out.append(np.array([[1, 0, -right], [0, 1, -down], [0, 0, 1.0]]))
    return np.array(out)


def bound_px(frames, noise):
    """Cramer-Rao bound of a shift from the middle frame's gradients (Robinson and Milanfar 2004, from memory)."""
    middle = cv2.GaussianBlur(frames[len(frames) // 2], (0, 0), 1.0)
    down, right = np.gradient(middle)
    info = np.array([[np.sum(right**2), np.sum(right * down)], [np.sum(right * down), np.sum(down**2)]]) / noise**2
    return float(np.sqrt(np.trace(np.linalg.inv(info))))


def run(seed, most_frames):
    rng = np.random.default_rng(seed)
    size, hand = SIZES[seed % len(SIZES)], bool(rng.uniform() < 0.7)
    case = draw_case(seed, options=CaseOptions(resolution=size, hand_held=hand, goods=0))
    recording, truth = case.faulty.recording, case.faulty.truth
    recording = recording.between(0, min(recording.frames, most_frames))
    frames = np.array(recording.store.read(0, recording.frames), np.float32)
    recording = replace(recording, store=ArrayStore(frames))
    camera = measure_camera(recording)
    started = time.process_time()
    motion = follow_motion(recording, camera)
    spent = (time.process_time() - started) / len(frames)
    live = [i for i in range(len(frames)) if not truth.frozen[i]]
    grid = board_grid(case.board)
    first = map_points(truth.matrices[0], grid)
    rms, slope = frame_to_frame_px(motion.matrices, truth.matrices, first, grid, live)
    few = list(range(0, len(frames), max(1, len(frames) // 15)))
    started = time.process_time()
    ecc = ecc_matrices(frames[few])
    ecc_spent = (time.process_time() - started) / len(few)
    others = [
        frame_to_frame_px(m, truth.matrices[few], first, grid, range(len(few)))[0]
        for m in (ecc, phase_matrices(frames[few]))
    ]
    predicted = float(np.sqrt(np.mean(motion.error_px[live] ** 2)))
    values = (seed, f"{size[0]}x{size[1]}", hand, rms, slope, predicted, motion.is_tripod, *others)
    return dict(
        zip(FIELDS, (*values, bound_px(frames, camera.noise_median), 1e3 * spent, 1e3 * ecc_spent), strict=True)
    )


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--first", type=int, default=1000)
    parser.add_argument("--count", type=int, default=16)
    parser.add_argument("--frames", type=int, default=90)
    parser.add_argument("--out", type=Path, default=None)
    options = parser.parse_args()
    rows = []
    if options.out and options.out.exists():
        with options.out.open(newline="") as f:
            rows = list(csv.DictReader(f))
    done = {int(r["seed"]) for r in rows}
    for seed in range(options.first, options.first + options.count):
        if seed in done:
            continue
        try:
            row = run(seed, options.frames)
        except ValueError as error:
            print(seed, "not drawn:", error)
            continue
        rows.append({k: str(v) for k, v in row.items()})
        print(" ".join(f"{k}={v:.3g}" if isinstance(v, float) else f"{k}={v}" for k, v in row.items()), flush=True)
        if options.out:
            with options.out.open("w", newline="") as f:
                writer = csv.DictWriter(f, FIELDS)
                writer.writeheader()
                writer.writerows(rows)
    print("\nsize      hand  count  median rms  p90 rms  slope  predicted  ECC    phase  bound   ms/frame  ECC ms")
    for size in dict.fromkeys(f"{c}x{r}" for c, r in SIZES):
        for hand in ("True", "False"):
            mine = [r for r in rows if r["size"] == size and r["hand"] == hand]
            if mine:
                get = {k: np.array([float(r[k]) for r in mine]) for k in FIELDS[3:] if k != "tripod"}
                middle = {k: np.nanmedian(v) if np.isfinite(v).any() else np.nan for k, v in get.items()}
                print(
                    f"{size:9} {hand:5} {len(mine):5}  {middle['rms']:10.3f}  {np.percentile(get['rms'], 90):7.3f}"
                    f"  {middle['slope']:5.2f}  {middle['predicted']:9.3f}  {middle['ecc']:.3f}  {middle['phase']:.3f}"
                    f"  {middle['bound']:.4f}  {middle['ms']:8.1f}  {middle['ecc_ms']:6.1f}"
                )


if __name__ == "__main__":
    main()
