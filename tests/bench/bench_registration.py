"""Error of registration over made recordings: frame to frame, faulty to good, and to the outline.

Run: ``python tests/bench/bench_registration.py --seeds 1000:1040 --store FOLDER --out FILE.jsonl``. Made recordings and
their motion are kept in FOLDER, and seeds already in FILE are skipped, so that a run that was stopped goes on.

Errors are 2-D distances over a 5 x 5 grid on the board and all frames that are not frozen, px, root mean square.
*frame*: the mean over frames is taken off. *relative*: faulty px to good px at the true faulty places, means over the
frames. *absolute*: to the board file's own coordinates. Boards are made with parts off by 0.1 mm, corners of the
outline by 0.05 mm; *tolerance* is what that alone leaves to the best linear estimate from all corners and parts that
are larger than two pixels each way. A failure is an error over 2 px (3 px below 100 columns).
"""

from __future__ import annotations

import argparse
import contextlib
import json
import pickle
import time
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from skimage.registration import phase_cross_correlation

from thermscan.measure.motion import follow_motion
from thermscan.measure.noise import measure_camera
from thermscan.measure.placement import place_board
from thermscan.measure.placement_match import match_placements
from thermscan.model.pose import map_points
from thermscan.model.recording import ArrayStore
from thermscan.simulate import CaseOptions, draw_case

SIZES = (
    (160, 120),
    (256, 192),
    (160, 120),
    (384, 288),
    (206, 156),
    (160, 120),
    (320, 240),
    (80, 60),
    (256, 192),
    (160, 120),
    (384, 288),
    (32, 24),
)
FEW = 8  # frames on which the other methods are tried


def options_of(seed):
    rng = np.random.default_rng([seed, 7])
    size = (640, 512) if seed % 20 == 19 else SIZES[seed % len(SIZES)]
    hand = bool(rng.random() < 0.5)
    return CaseOptions(
        resolution=size,
        hand_held=hand,
        goods=1,
        marks=True,
        before_s=2.5,
        on_s=7.0,
        after_s=1.5,
        frame_rate_hz=6.0,
    )


def made(seed, store):
    """Return options, board and for each recording (recording, truth, camera state, motion, CPU seconds of motion)."""
    path = store / f"{seed}.pkl"
    if not path.exists():
        case = draw_case(seed, options=options_of(seed))
        out = []
        for one in (case.faulty, *case.goods):
            frames = np.array(one.recording.store.read(0, one.recording.frames), np.float32)
            recording = replace(one.recording, store=ArrayStore(frames))
            camera = measure_camera(recording)
            start = time.process_time()
            motion = follow_motion(recording, camera)
            out.append((recording, one.truth, camera, motion, time.process_time() - start))
        path.write_bytes(pickle.dumps((seed, options_of(seed), case.board, case.fault, out)))
    _, options, board, _, out = pickle.loads(path.read_bytes())
    return options, board, out


def grid(board):
    x0, y0, x1, y1 = board.box_mm
    return np.stack(np.meshgrid(np.linspace(x0, x1, 5), np.linspace(y0, y1, 5)), axis=-1).reshape(-1, 2)


def rms(offsets):
    return float(np.sqrt(np.mean(np.sum(np.square(offsets), axis=-1))))


def live(truth, matrices):
    return [i for i in range(len(matrices)) if not truth.frozen[i] and np.isfinite(matrices[i]).all()]


def in_reference(matrices, truth, points, frames):
    """Return the mean place of the board's points carried back from frames, and the scatter about it, px."""
    back = [map_points(np.linalg.inv(matrices[i]), truth.to_px(i, points)) for i in frames]
    return np.mean(back, axis=0), rms(np.array(back) - np.mean(back, axis=0))


def frame_error(found, truth, points, frames):
    """Return the rms error of motion, ``found`` matrices for ``frames``, mean taken off."""
    first = truth.to_px(frames[0], points)
    base = map_points(np.linalg.inv(found[0]), first)
    offsets = [map_points(m, base) - truth.to_px(i, points) for m, i in zip(found, frames, strict=True)]
    return rms(np.array(offsets) - np.mean(offsets, axis=0))


def ecc(first, second, start):
    """Return OpenCV's ECC homography of two pictures, mean taken off, or the start where it gives up."""
    found = np.asarray(start, np.float32)
    with contextlib.suppress(cv2.error):
        pictures = [np.nan_to_num(p - np.nanmean(p)).astype(np.float32) for p in (first, second)]
        stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 50, 1e-6)
        _, found = cv2.findTransformECC(*pictures, found.copy(), cv2.MOTION_HOMOGRAPHY, stop, None, 5)
    return found.astype(float)


def others(recording, camera, truth, points, frames):
    """Return frame-to-frame errors of ECC and phase correlation, CPU seconds a frame of ECC, and the bound, px."""
    some = [frames[k] for k in np.linspace(0, len(frames) - 1, min(FEW, len(frames))).astype(int)]
    pictures = [np.asarray(recording.store.read(i, i + 1)[0], np.float32) for i in some]
    start, found, last = time.process_time(), [np.eye(3)], np.eye(3)
    for picture in pictures[1:]:
        last = ecc(pictures[0], picture, last)
        found.append(last)
    spent = (time.process_time() - start) / max(len(pictures) - 1, 1)
    moved = [np.eye(3)]
    for picture in pictures[1:]:
        (down, right), _, _ = phase_cross_correlation(pictures[0], picture, upsample_factor=20)
        moved.append(np.array([[1, 0, -right], [0, 1, -down], [0, 0, 1.0]]))
    errors = [frame_error(m, truth, points, some) for m in (found, moved)]
    # Cramer-Rao bound of a shift for a known reference: Robinson and Milanfar, IEEE TIP 13(9), 2004, from memory
    down, right = np.gradient(cv2.GaussianBlur(pictures[len(pictures) // 2], (0, 0), 1.0))
    gram = np.array([[np.sum(right**2), np.sum(right * down)], [np.sum(right * down), np.sum(down**2)]])
    return *errors, spent, float(np.sqrt(np.trace(np.linalg.inv(gram / camera.noise_median**2))))


def tolerance_px(board, truth, side, points):
    """Return the error that tolerances alone leave to one placement, px."""
    centre, size = points.mean(axis=0), float(np.ptp(points, axis=0).max()) / 2
    edge = truth.to_px(0, points)
    scale = float(np.hypot(*(edge[4] - edge[0])) / np.hypot(*(points[4] - points[0])))

    def fields(places):
        x, y = ((np.asarray(places, float).reshape(-1, 2) - centre) / size).T
        one, none = np.ones_like(x), np.zeros_like(x)
        pairs = [(one, none), (none, one), (-y, x), (x, y), (x, -y), (y, x), (x * x, x * y), (x * y, y * y)]
        return np.stack([np.stack(p, axis=-1) for p in pairs], axis=1)

    parts = [(p.x, p.y) for p in board.parts_on(side) if p.w * p.h * scale**2 > 4]
    info = np.zeros((8, 8)) + 1e-3 * np.eye(8)
    for places, error in ((board.outline_mm, 0.05), (parts, 0.1)):
        if len(places):
            told = fields(places)
            info += np.einsum("nka,nla->kl", told, told) / error**2
    at = fields(points)
    return float(np.sqrt(np.einsum("nka,kl,nla->", at, np.linalg.inv(info), at) / len(points))) * scale


def clicked(recording, motion):
    marks = recording.facts.marks
    source = np.array([[a.x_mm, a.y_mm] for a in marks])
    target = map_points(np.linalg.inv(motion.matrices[0]), np.array([[a.x_px, a.y_px] for a in marks]))
    return cv2.findHomography(source, target, 0)[0]


def run(seed, store, ways):
    options, board, makes = made(seed, store)
    points, side = grid(board), makes[0][0].facts.side
    row = {"seed": seed, "columns": options.resolution[0], "hand_held": options.hand_held}
    lives = [live(t, m.matrices) for _, t, _, m, _ in makes]
    true = [in_reference(m.matrices, t, points, k) for (_, t, _, m, _), k in zip(makes, lives, strict=True)]
    recording, truth, camera, _, spent = makes[0]
    row["frame_px"] = [scatter for _, scatter in true]
    row["frame_said_px"] = [
        float(np.sqrt(np.mean(m.error_px[k] ** 2))) for (*_, m, _), k in zip(makes, lives, strict=True)
    ]
    row["motion_ms"] = 1e3 * spent / recording.frames
    ecc_px, phase_px, ecc_s, bound = others(recording, camera, truth, points, lives[0])
    row |= {"ecc_px": ecc_px, "phase_px": phase_px, "ecc_ms": 1e3 * ecc_s, "bound_px": bound}
    row["tolerance_px"] = tolerance_px(board, truth, side, points)

    def relative(first, second):
        return rms(map_points(second @ np.linalg.inv(first), true[0][0]) - true[1][0])

    clicks = [clicked(r, m) for r, _, _, m, _ in makes]
    row["clicks_px"] = [rms(map_points(c, points) - t) for c, (t, _) in zip(clicks, true, strict=True)]
    row["clicks_relative_px"] = relative(*clicks)
    step = ecc(makes[0][3].reference, makes[1][3].reference, clicks[1] @ np.linalg.inv(clicks[0]))
    row["ecc_relative_px"] = rms(map_points(step, true[0][0]) - true[1][0])
    for way in ways:
        start = time.process_time()
        placed = [
            place_board(m, board, marks=r.facts.marks if way == "marks" else (), side=side, camera=c)
            for r, _, c, m, _ in makes
        ]
        row[f"{way}_cpu_s"] = (time.process_time() - start) / len(makes)
        start = time.process_time()
        match = match_placements(makes[0][3], [makes[1][3]], placed[0], placed[1:], board, side=side)
        row[f"{way}_match_cpu_s"] = time.process_time() - start
        both = (match.faulty, match.goods[0])
        row[f"{way}_px"] = [rms(map_points(p.matrix, points) - t) for p, (t, _) in zip(both, true, strict=True)]
        row[f"{way}_said_px"] = [both[0].error_px]
        row[f"{way}_trusted"] = [p.trusted for p in both]
        row[f"{way}_apart_px"] = relative(*(p.matrix for p in placed))
        row[f"{way}_relative_px"] = relative(*(p.matrix for p in both))
        row[f"{way}_relative_said_px"] = both[1].error_px
        row[f"{way}_relative_trusted"] = all(p.trusted for p in both)
    return row


def line(name, values, trusted=None, limit=2.0):
    values = np.asarray(values, float)
    trusted = np.ones(len(values), bool) if trusted is None else np.asarray(trusted, bool)
    bad, kept = values > limit, values[trusted]
    figures = f"{np.median(kept):7.3f} {np.sqrt(np.mean(kept**2)):7.3f}" if len(kept) else f"{'-':>7} {'-':>7}"
    print(f"  {name:<34} {len(values):5d} {trusted.sum():8d} {figures} {bad.sum():7d} {(bad & ~trusted).sum():8d}")


def report(rows):
    groups = [
        (
            f"{name}, {'hand-held' if hand else 'tripod'}",
            lambda r, k=keep, h=hand: k(r["columns"]) and r["hand_held"] == h,
        )
        for name, keep in (
            ("160 to 206 columns", lambda c: 160 <= c < 256),
            ("256 to 384 columns", lambda c: 256 <= c < 640),
            ("640 columns", lambda c: c == 640),
            ("80 columns", lambda c: c == 80),
            ("32 columns", lambda c: c == 32),
        )
        for hand in (False, True)
    ]
    groups += [("all from 160 columns, tripod", lambda r: r["columns"] >= 160 and not r["hand_held"]),
               ("all from 160 columns, hand-held", lambda r: r["columns"] >= 160 and r["hand_held"])]  # fmt: skip
    for label, keep in groups:
        some = [r for r in rows if keep(r)]
        if some:
            table(label, some)


def table(label, some):
    limit = 2.0 if some[0]["columns"] >= 100 else 3.0

    def flat(key):
        return [v for r in some if key in r for v in (r[key] if isinstance(r[key], list) else [r[key]])]

    print(f"{label}: {len(some)} pairs")
    print(f"  {'px':<34} {'count':>5} {'trusted':>8} {'median':>7} {'rms':>7} {'failed':>7} {'flagged':>8}")
    for name, key in (
        ("frame to frame", "frame_px"),
        ("  ECC", "ecc_px"),
        ("  phase correlation", "phase_px"),
        ("  Cramer-Rao bound of a shift", "bound_px"),
        ("clicks, relative", "clicks_relative_px"),
        ("ECC from clicks, relative", "ecc_relative_px"),
        ("tolerance, one placement", "tolerance_px"),
        ("clicks, absolute", "clicks_px"),
    ):
        line(name, flat(key), limit=limit)
    for way in ("marks", "free"):
        if not any(f"{way}_px" in r for r in some):
            continue
        told = flat(f"{way}_relative_trusted")
        line(f"{way}: relative", flat(f"{way}_relative_px"), told, limit)
        line(f"{way}: relative, each by itself", flat(f"{way}_apart_px"), told, limit)
        line(f"{way}: absolute", flat(f"{way}_px"), flat(f"{way}_trusted"), limit)
        kept = [r for r in some if r.get(f"{way}_relative_trusted")]
        if kept:
            over = [r[f"{way}_relative_px"] / r[f"{way}_relative_said_px"] for r in kept]
            cpu = [float(np.median(flat(f"{way}_{part}_s"))) for part in ("cpu", "match_cpu")]
            print(f"  {way}: relative error over stated error, rms {np.sqrt(np.mean(np.square(over))):.2f}")
            print(f"  {way}: CPU s: place {cpu[0]:.1f}, match {cpu[1]:.1f}")
    print(f"  CPU ms a frame: motion {np.median(flat('motion_ms')):.0f}, ECC {np.median(flat('ecc_ms')):.0f}")


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", default="0:10")
    parser.add_argument("--store", type=Path, default=Path("registration_store"))
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--ways", default="marks,free")
    options = parser.parse_args()
    options.store.mkdir(parents=True, exist_ok=True)
    low, high = map(int, options.seeds.split(":"))
    lines = options.out.read_text().splitlines() if options.out.exists() else []
    rows = [json.loads(text) for text in lines]
    done = {r["seed"] for r in rows}
    for seed in range(low, high):
        if seed in done:
            continue
        try:
            row = run(seed, options.store, options.ways.split(","))
        except ValueError as error:  # the simulator cannot draw this fault on this board
            print(f"seed {seed}: {error}")
            continue
        rows.append(row)
        with options.out.open("a") as file:
            file.write(json.dumps(row) + "\n")
    report([r for r in rows if low <= r["seed"] < high])


if __name__ == "__main__":
    main()
