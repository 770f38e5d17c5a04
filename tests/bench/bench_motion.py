"""Motion of the picture over made recordings, beside per-frame ECC, phase correlation and the Cramer-Rao bound.

Run: ``python tests/bench/bench_motion.py --seeds 0:208 --out FILE.jsonl [--store FOLDER]``. A line a recording is
appended to FILE, and seeds found there are not run again: two processes may share the seeds with a FILE each, and
``--also FILE`` adds the lines of another to the table. With ``--store``, made frames are kept and used again.

Errors are distances over a 5 x 5 grid of board points and all frames that are not frozen, px, root mean square; the
mean over the frames is taken off, since the reference picture is anybody's choice. A recording has *failed* where that
exceeds 0.5 px (1 px below 160 columns), and is *flagged* where the motion is doubted as a whole or its stated error is
beyond what a placement may rest on. *Lost motion*: true motions from which a third of the recording, or the rest of it,
is displaced by 3.5 to 10 working pixels, given to the check in place of the found one.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import pickle
import time
import traceback
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from skimage.registration import phase_cross_correlation

from thermscan.measure.motion import follow_motion
from thermscan.measure.motion_check import checked_frames, misplaced_px
from thermscan.measure.motion_pictures import prepare
from thermscan.measure.noise import measure_camera
from thermscan.model.pose import map_points
from thermscan.model.recording import ArrayStore
from thermscan.model.settings import MotionSettings, PlacementSettings
from thermscan.simulate import CaseOptions, draw_case

SIZES = ((160, 120), (256, 192), (384, 288), (160, 120), (80, 60), (320, 240), (160, 120), (206, 156), (640, 512),
         (256, 192), (160, 120), (32, 24), (384, 288))  # fmt: skip
FEW = 6  # frames on which the other methods are tried


def options_of(seed):
    """Draw how a recording is made: 6 of 10 by hand, every fifth through a lens with distortion, half with events."""
    rng = np.random.default_rng([seed, 31])
    return CaseOptions(
        resolution=SIZES[seed % len(SIZES)],
        hand_held=bool(rng.random() < 0.6),
        goods=0,
        before_s=float(rng.uniform(1.0, 2.5)),
        on_s=float(rng.uniform(4.0, 7.0)),
        after_s=0.0,
        frame_rate_hz=float(rng.choice([4.0, 6.0, 9.0])),
        lens_k1=float(rng.uniform(-0.05, 0.05)) if rng.random() < 0.2 else 0.0,
    )


def made(seed, store):
    """Return options, board, recording with its frames in memory, and truth."""
    path = store / f"{seed}.pkl" if store else None
    if path and path.exists():
        board, recording, truth = pickle.loads(path.read_bytes())
        return options_of(seed), board, recording, truth
    case = draw_case(seed, options=options_of(seed))
    recording, truth = case.faulty.recording, case.faulty.truth
    frames = np.array(recording.store.read(0, recording.frames), np.float32)
    recording = replace(recording, store=ArrayStore(frames))
    if path:
        store.mkdir(parents=True, exist_ok=True)
        path.write_bytes(pickle.dumps((case.board, recording, truth)))
    return options_of(seed), case.board, recording, truth


def board_grid(board):
    x0, y0, x1, y1 = board.box_mm
    return np.stack(np.meshgrid(np.linspace(x0, x1, 5), np.linspace(y0, y1, 5)), axis=-1).reshape(-1, 2)


def offsets_of(found, truth, points, frames):
    """Return found minus true places, mean over the frames taken off, and the true courses, ndarrays (n, 25, 2) px."""
    base = map_points(np.linalg.inv(found[0]), truth.to_px(frames[0], points))
    true = np.array([truth.to_px(i, points) for i in frames])
    off = np.array([map_points(m, base) for m in found]) - true
    return off - off.mean(axis=0), true - true.mean(axis=0)


def rms(offsets):
    return float(np.sqrt(np.mean(np.sum(np.square(offsets), axis=-1))))


def slope_of(off, true):
    """Return the slope of found against true motion of the board's middle, None where it hardly moves."""
    off, true = off.mean(axis=1), true.mean(axis=1)
    power = float((true**2).sum())
    return 1.0 + float((off * true).sum()) / power if power > 0.25 * len(true) else None


def ecc_matrices(frames):
    """Return OpenCV's ECC homographies against the first frame, each started at the last; failures keep the start."""
    first, out, last = frames[0] - frames[0].mean(), [np.eye(3)], np.eye(3, dtype=np.float32)
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 50, 1e-6)
    for frame in frames[1:]:
        with contextlib.suppress(cv2.error):
            _, last = cv2.findTransformECC(
                first, frame - frame.mean(), last.copy(), cv2.MOTION_HOMOGRAPHY, stop, None, 5
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
    down, right = np.gradient(cv2.GaussianBlur(frames[len(frames) // 2], (0, 0), 1.0))
    info = np.array([[np.sum(right**2), np.sum(right * down)], [np.sum(right * down), np.sum(down**2)]]) / noise**2
    return float(np.sqrt(np.trace(np.linalg.inv(info))))


def others(recording, camera, truth, points, live):
    """Return errors of ECC and phase correlation, the bound, and CPU ms a frame of ECC."""
    some = [live[k] for k in np.linspace(0, len(live) - 1, min(FEW, len(live))).astype(int)]
    frames = np.array([recording.store.read(i, i + 1)[0] for i in some])
    started = time.process_time()
    ecc = ecc_matrices(frames)
    spent = (time.process_time() - started) / max(len(some) - 1, 1)
    errors = [rms(offsets_of(m, truth, points, some)[0]) for m in (ecc, phase_matrices(frames))]
    return {"ecc_px": errors[0], "phase_px": errors[1], "bound_px": bound_px(frames, camera.noise_median),
            "ecc_ms": 1e3 * spent}  # fmt: skip


def lost_motion(seed, recording, camera, truth, points, live):
    """Return how far a stretch of the true motion was displaced, and whether the check found most of its frames."""
    settings, rng = MotionSettings(), np.random.default_rng([seed, 32])
    how = prepare(recording, camera, settings)
    count = recording.frames
    box = np.asarray(points[[0, 4, 24, 20]], np.float32)
    matrices = [cv2.getPerspectiveTransform(*(truth.to_px(k, box).astype(np.float32) for k in (0, i)))
                for i in range(count)]  # fmt: skip
    matrices = np.array(matrices)
    first = int(rng.integers(count // 3, 2 * count // 3))
    last = count if rng.random() < 0.5 else first + count // 3
    away = how.factor * rng.uniform(3.5, min(10.0, min(how.shape) / 5) if min(how.shape) > 20 else 4.0)
    angle = rng.uniform(0, 2 * np.pi)
    shift = np.eye(3)
    shift[:2, 2] = away * np.cos(angle), away * np.sin(angle)
    matrices[first:last] = shift @ matrices[first:last]
    quiet = [i for i in live if i < first][:12]
    frames = [recording.store.read(i, i + 1)[0] - camera.offset[i] for i in quiet]
    warp = {"flags": cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, "borderMode": cv2.BORDER_REPLICATE}
    back = [cv2.warpPerspective(f, m, f.shape[::-1], **warp) for f, m in zip(frames, matrices[quiet], strict=True)]
    found = misplaced_px(recording, camera, how, matrices, np.mean(back, axis=0), settings)
    numbers = checked_frames(camera, settings)
    hit = found[(numbers >= first) & (numbers < last)] > 0
    return {"lost_px": away, "lost_found": bool(hit.mean() > 0.5) if hit.size else False,
            "lost_false": int((found[(numbers < first) | (numbers >= last)] > 0).sum())}  # fmt: skip


def run(seed, store):
    options, board, recording, truth = made(seed, store)
    points = board_grid(board)
    camera = measure_camera(recording)
    started = time.process_time()
    motion = follow_motion(recording, camera)
    spent = (time.process_time() - started) / recording.frames
    live = [i for i in range(recording.frames) if not truth.frozen[i]]
    off, true = offsets_of(motion.matrices[live], truth, points, live)
    own = np.sqrt((off**2).sum(axis=-1).mean(axis=-1))
    told = np.array([i not in motion.why for i in live])
    columns = options.resolution[0]
    loose = (motion.followed_px or 0.0) > PlacementSettings().most_loose_px(columns)
    lost = [i for i, text in motion.why.items() if "elsewhere" in text]
    return {
        "seed": seed, "columns": columns, "hand": options.hand_held, "k1": options.lens_k1,
        "hand_in_view": any(kind == "hand" for kind, *_ in truth.camera_events),
        "moved_px": rms(true), "frame_px": rms(off), "told_px": rms(off[told]) if told.any() else None,
        "said_px": float(np.sqrt(np.mean(motion.error_px[live] ** 2))),
        "within": float(np.mean(own[told] <= 1.96 * motion.error_px[live][told])) if told.any() else None,
        "slope": slope_of(off, true), "tripod": bool(motion.is_tripod),
        "doubt": motion.doubt, "loose": loose, "bridged": len(lost), "frames": recording.frames,
        "failed": rms(off) > (0.5 if columns >= 160 else 1.0),
        "motion_ms": 1e3 * spent, **others(recording, camera, truth, points, live),
        **lost_motion(seed, recording, camera, truth, points, live),
    }  # fmt: skip


def quantiles(values):
    known = np.array([v for v in values if v is not None], float)
    if not len(known):
        return f"{'-':>6} {'-':>6} {'-':>6}"
    return f"{np.median(known):6.3f} {np.sqrt(np.mean(known**2)):6.3f} {np.quantile(known, 0.9):6.3f}"


def middle(values, digits=3):
    known = [v for v in values if v is not None]
    return f"{np.median(known):.{digits}f}" if known else "-"


def is_flagged(row):
    return bool(row["doubt"]) or row["loose"]


def groups_of(rows):
    """Yield a name and its rows: by size and holding, then all from 160 columns."""
    for name, low, high in (("32", 0, 80), ("80", 80, 160), ("160 to 206", 160, 256), ("256 to 384", 256, 640),
                            ("640", 640, 9999), ("from 160", 160, 9999)):  # fmt: skip
        for hand in (False, True):
            some = [r for r in rows if low <= r["columns"] < high and r["hand"] == hand]
            if some:
                yield f"{name}, {'hand' if hand else 'tripod'}", some


def errors(rows):
    """Print how well the frames were followed and what was said of it."""
    print("\nFrame to frame, px, of recordings that are not flagged (median, rms, 90 %); failures; slope of found on")
    print("true motion; stated error; true over stated (rms); frames within 1.96 of it; recordings beyond twice it")
    print(f"  {'columns':<18} count flagged failed unflagged | {'px':>13} {'':>6} | slope stated  ratio within beyond")
    for name, some in groups_of(rows):
        kept = [r for r in some if not is_flagged(r)]
        failed = [r for r in some if r["failed"]]
        over = np.array([r["told_px"] / r["said_px"] for r in kept if r["told_px"] is not None and r["said_px"] > 0])
        within = [r["within"] for r in kept if r["within"] is not None]
        print(f"  {name:<18} {len(some):5d} {len(some) - len(kept):7d} {len(failed):6d} "
              f"{sum(not is_flagged(r) for r in failed):9d} | {quantiles(r['frame_px'] for r in kept)} | "
              f"{middle([r['slope'] for r in kept]):>5} {middle([r['said_px'] for r in kept]):>6} "
              f"{np.sqrt(np.mean(over**2)) if len(over) else 0:6.2f} {np.mean(within) if within else 0:6.3f} "
              f"{np.sum(over > 2):3d}/{len(over)}")  # fmt: skip
    print(f"  seeds of unflagged failures {[r['seed'] for r in rows if r['failed'] and not is_flagged(r)]}")
    bent = [r for r in rows if r["k1"] and r["hand"] and r["columns"] >= 160 and not is_flagged(r)]
    flat = [r for r in rows if not r["k1"] and r["hand"] and r["columns"] >= 160 and not is_flagged(r)]
    print(f"  hand from 160 columns, lens with |k1| to 0.05 ({len(bent)}): {quantiles(r['frame_px'] for r in bent)}; "
          f"without ({len(flat)}): {quantiles(r['frame_px'] for r in flat)}")  # fmt: skip


def beside(rows):
    """Print what the other methods do on some frames of the same recordings."""
    print("\nBeside it on the same recordings, all of them, median px; CPU ms a frame")
    print(f"  {'columns':<18} motion    ECC  phase  bound | motion ms  ECC ms  ratio")
    for name, some in groups_of(rows):
        ratio = [r["ecc_ms"] / r["motion_ms"] for r in some]
        print(f"  {name:<18} " + " ".join(f"{middle([r[k] for r in some]):>6}" for k in
              ("frame_px", "ecc_px", "phase_px", "bound_px")) + f" | {middle([r['motion_ms'] for r in some], 1):>9} "
              f"{middle([r['ecc_ms'] for r in some], 1):>7} {np.median(ratio):6.1f}")  # fmt: skip


def checks(rows):
    """Print how the tripod decision and the check of the motion did."""
    print(
        "\nTaken as still though held by hand (of them failed and unflagged); tripods taken as moving; lost motion put"
    )
    print("in and found; false alarms on motion that did not fail and no hand in view: doubted, some frames bridged")
    print("  columns   still/hand failed  moving/tripod   lost found   doubted  bridged")
    for name, low, high in (("32", 0, 80), ("80", 80, 160), ("from 160", 160, 9999)):
        some = [r for r in rows if low <= r["columns"] < high]
        if not some:
            continue
        hand, held = ([r for r in some if r["hand"] == h] for h in (True, False))
        well = [r for r in some if not r["failed"] and not r["hand_in_view"]]
        still = [r for r in hand if r["tripod"]]
        print(f"  {name:<9} {len(still):5d}/{len(hand):<4d} {sum(r['failed'] and not is_flagged(r) for r in still):6d} "
              f"{sum(not r['tripod'] for r in held):8d}/{len(held):<4d} "
              f"{sum(r['lost_found'] for r in some):8d}/{len(some):<4d} "
              f"{sum(bool(r['doubt']) for r in well):5d}/{len(well):<4d} "
              f"{sum(r['bridged'] > 0 for r in well):3d}/{len(well):<4d}")  # fmt: skip


def report(rows):
    broken = [r for r in rows if "error" in r]
    rows = [r for r in rows if "error" not in r]
    print(f"{len(rows)} recordings judged, {len(broken)} broke off {[r['seed'] for r in broken]}")
    for part in (errors, beside, checks):
        part(rows)


def load(path):
    return [json.loads(text) for text in path.read_text().splitlines()] if path and path.exists() else []


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", default="0:26", help="A:B, B not included")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--also", type=Path, default=None)
    parser.add_argument("--store", type=Path, default=None)
    options = parser.parse_args()
    low, high = map(int, options.seeds.split(":"))
    done = {r["seed"] for r in load(options.out)}
    for seed in range(low, high):
        if seed in done:
            continue
        try:
            row = run(seed, options.store)
        except Exception as error:  # counted and told; the other recordings go on
            row = {"seed": seed, "error": f"{error!r}", "where": traceback.format_exc()[-1500:]}
        with options.out.open("a") as file:
            file.write(json.dumps(row) + "\n")
        print(seed, {k: row.get(k) for k in ("columns", "hand", "frame_px", "said_px", "tripod", "doubt", "error")},
              flush=True)  # fmt: skip
    report(load(options.out) + load(options.also))


if __name__ == "__main__":
    main()
