"""Error of registration over made recordings: frame to frame, faulty to good, and to the outline.

Run: ``python tests/bench/bench_registration.py --seeds 1000:1100 --store FOLDER --out FILE.jsonl``, with
OMP_NUM_THREADS=1, which makes it several times faster. A seed is a pair, two recordings; 100 pairs take about an
hour of one processor. Made recordings and their motion are kept in FOLDER (``--make-only`` stops there), and seeds
already in FILE are skipped, so that a run that was stopped goes on; two processes may share out the seeds, each with a
FILE of its own. ``--report`` prints the table of FILE.

Errors are 2-D distances over a 5 x 5 grid on the board and all frames that are not frozen, px, root mean square.
*frame*: the mean over frames is taken off. *relative*: faulty px to good px at the true faulty places, means over the
frames. *absolute*: to the board file's own coordinates. Boards are made with parts off by 0.1 mm, corners of the
outline by 0.05 mm; *tolerance* is what that alone leaves to the best linear estimate from all corners and parts that
are larger than two pixels each way. A failure is an error over 2 px (3 px below 100 columns). *marks* starts from
clicks that are 1 px off each way, *free* from nothing. *lens*: the same pairs seen through a lens with a k1 of 0.02 to
0.05 either way, whose profile is not given, and given.
"""

from __future__ import annotations

import argparse
import json
import pickle
import time
import traceback
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from registration_rivals import ecc, ecc_motion, itk_from, phase_motion, shift_bound_px, tolerance_px
from registration_table import report
from scipy.stats import chi2

from thermscan.measure.motion import follow_motion
from thermscan.measure.noise import measure_camera
from thermscan.measure.placement import doubted, place_board
from thermscan.measure.placement_corners import box_corners
from thermscan.measure.placement_match import match_placements
from thermscan.measure.placement_search import board_points
from thermscan.measure.power_cells import sample_cells
from thermscan.measure.power_on import find_power
from thermscan.measure.power_warm import warming_places
from thermscan.measure.track_lens import undistort_recording
from thermscan.model.pose import map_points
from thermscan.model.recording import ArrayStore
from thermscan.model.settings import PlacementSettings, TimingSettings
from thermscan.simulate import CaseOptions, draw_case

SIZES = (
    (160, 120), (256, 192), (160, 120), (384, 288), (206, 156), (160, 120), (320, 240),
    (80, 60), (256, 192), (160, 120), (384, 288), (32, 24), (256, 192), (160, 120),
    (320, 240), (120, 90), (256, 192), (384, 288), (206, 156), (640, 512),
)  # fmt: skip
TIMING = TimingSettings()
FEW = 8  # frames on which the other methods are tried
ITK_EVERY = 5  # seeds
LENS_EVERY = 7
CORNERS = [0, 4, 24, 20]  # of the grid, in the order of a covariance


def options_of(seed, lens=False):
    rng = np.random.default_rng([seed, 7])
    hand, tilt, turn = bool(rng.random() < 0.5), float(rng.uniform(0, 20)), float(rng.uniform(-180, 180))
    k1 = float(rng.uniform(0.02, 0.05) * rng.choice([-1, 1]))
    return CaseOptions(
        resolution=SIZES[seed % len(SIZES)],
        hand_held=hand,
        tilt_deg=tilt,
        rotation_deg=turn,
        goods=1,
        marks=True,
        before_s=1.5,
        on_s=4.0,
        after_s=1.0,
        frame_rate_hz=5.0,
        lens_k1=k1 if lens else 0.0,
    )


def made(seed, store, lens=False):
    """Return options, board and for each recording (recording, truth, camera state, motion, CPU seconds of motion)."""
    path = store / (f"{seed}_lens.pkl" if lens else f"{seed}.pkl")
    if not path.exists():
        case = draw_case(seed, options=options_of(seed, lens))
        out = []
        for one in (case.faulty, *case.goods):
            frames = np.array(one.recording.store.read(0, one.recording.frames), np.float32)
            recording = replace(one.recording, store=ArrayStore(frames))
            out.append((recording, one.truth, *followed(recording)))
        path.write_bytes(pickle.dumps((case.board, out)))
    board, out = pickle.loads(path.read_bytes())
    return options_of(seed, lens), board, out


def followed(recording):
    camera = measure_camera(recording)
    start = time.process_time()
    motion = follow_motion(recording, camera)
    return camera, with_warm(motion, recording, camera), time.process_time() - start


def with_warm(motion, recording, camera):
    """Return the motion with the places that warm with the power, as the tool adds them."""
    cells = sample_cells(recording, camera, motion, settings=TIMING)
    timing = find_power(recording, camera, cells, settings=TIMING)
    return replace(motion, warm_px=warming_places(cells, timing, settings=TIMING))


def straightened(one):
    """Return a recording, and its row, as undistorted by the profile of its lens; then pixels are undistorted ones."""
    recording, truth, camera, *_ = one
    straight = undistort_recording(recording, truth.lens, bad=camera.bad)
    straight = replace(straight, store=ArrayStore(np.asarray(straight.store.read(0, straight.frames), np.float32)))
    start = time.process_time()
    motion = follow_motion(straight, camera)
    spent = time.process_time() - start
    return straight, replace(truth, lens=None), camera, with_warm(motion, straight, camera), spent


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


def clicked(recording, motion):
    marks = recording.facts.marks
    source = np.array([[a.x_mm, a.y_mm] for a in marks])
    target = map_points(np.linalg.inv(motion.matrices[0]), np.array([[a.x_px, a.y_px] for a in marks]))
    return cv2.findHomography(source, target, 0)[0]


def rivals(seed, board, makes, true, points, frames):
    """Return the columns of a row that other methods and the bounds fill."""
    (recording, truth, camera, motion, _), other = makes
    some = [frames[k] for k in np.linspace(0, len(frames) - 1, min(FEW, len(frames))).astype(int)]
    pictures = [np.asarray(recording.store.read(i, i + 1)[0], np.float32) for i in some]
    by_ecc, seconds = ecc_motion(pictures)
    row = {"ecc_px": frame_error(by_ecc, truth, points, some), "ecc_ms": 1e3 * seconds}
    row["phase_px"] = frame_error(phase_motion(pictures), truth, points, some)
    row["bound_px"] = shift_bound_px(pictures[len(pictures) // 2], camera.noise_median)
    row["tolerance_px"] = tolerance_px(board, truth, recording.facts.side, points)
    clicks = [clicked(r, m) for r, _, _, m, _ in makes]
    row["clicks_px"] = [rms(map_points(c, points) - t) for c, (t, _) in zip(clicks, true, strict=True)]
    start = clicks[1] @ np.linalg.inv(clicks[0])
    steps = {"clicks": start, "ecc": ecc(motion.reference, other[3].reference, start)}
    if seed % ITK_EVERY == 0:
        steps["itk"] = itk_from(motion.reference, other[3].reference, start)
    for name, step in steps.items():
        row[f"{name}_relative_px"] = rms(map_points(step, true[0][0]) - true[1][0])
    return row


def inside_95(covariance, gap):
    """Tell whether corners' errors, ndarray (4, 2) px, lie in the 95 % region of a covariance; None without one."""
    if covariance is None:
        return None
    hold = covariance + 1e-9 * np.trace(covariance) * np.eye(8)
    return bool(gap.ravel() @ np.linalg.solve(hold, gap.ravel()) < chi2.ppf(0.95, 8))


def place(makes, board, way, side):
    """Return placements each by itself and matched, with CPU seconds of each step."""
    start = time.process_time()
    apart = [
        place_board(m, board, marks=r.facts.marks if way == "marks" else (), side=side, camera=c)
        for r, _, c, m, _ in makes
    ]
    middle = time.process_time()
    match = match_placements(makes[0][3], [makes[1][3]], apart[0], apart[1:], board, side=side)
    cpu = (middle - start) / 2, time.process_time() - middle
    motions, settings = [m for *_, m, _ in makes], PlacementSettings()
    apart, both = (
        [
            doubted(p, m.within(map_points(p.matrix, board_points(board))), settings=settings)
            for p, m in zip(placed, motions, strict=True)
        ]
        for placed in (apart, (match.faulty, match.goods[0]))
    )
    return apart, both, cpu


def measured(makes, board, true, way):
    """Return the columns of a row for one way of starting."""
    points, side = grid(board), makes[0][0].facts.side
    apart, both, cpu = place(makes, board, way, side)
    corners = [t[0][CORNERS] for t in true]

    def absolute(placed):
        return [rms(map_points(p.matrix, points) - t) for p, (t, _) in zip(placed, true, strict=True)]

    def relative(placed):
        return rms(map_points(placed[1].matrix @ np.linalg.inv(placed[0].matrix), true[0][0]) - true[1][0])

    carried = map_points(both[1].matrix @ np.linalg.inv(both[0].matrix), corners[0])
    edge = np.hypot(*(true[0][0][4] - true[0][0][0])) / np.hypot(*(points[4] - points[0]))
    out = {
        "px": absolute(both),
        "trusted": [p.trusted for p in both],
        "own_px": absolute(apart),
        "own_said_px": [p.error_px for p in apart],
        "own_trusted": [p.trusted for p in apart],
        "own_in95": [
            inside_95(p.covariance, map_points(p.matrix, box_corners(board)) - c)
            for p, c in zip(apart, corners, strict=True)
        ],
        "asked": ["corners at" in p.reason for p in apart],
        "aim_px": max(0.3, 0.15 * float(edge)),
        "apart_px": relative(apart),
        "relative_px": relative(both),
        "relative_said_px": both[1].error_px,
        "relative_trusted": all(p.trusted for p in both),
        "relative_in95": inside_95(both[1].covariance, carried - corners[1]),
        "cpu_s": cpu[0],
        "match_cpu_s": cpu[1],
    }
    return {f"{way}_{key}": value for key, value in out.items()}


def true_places(makes, board):
    lives = [live(t, m.matrices) for _, t, _, m, _ in makes]
    points = grid(board)
    return lives, [in_reference(m.matrices, t, points, k) for (_, t, _, m, _), k in zip(makes, lives, strict=True)]


def lens_columns(seed, store):
    """Return what a lens costs where its profile is not given, and where it is."""
    options, board, makes = made(seed, store, lens=True)
    out = {"lens_k1": options.lens_k1}
    for name, some in (("bent", makes), ("known", [straightened(one) for one in makes])):
        found = measured(some, board, true_places(some, board)[1], "marks")
        out |= {f"{name}_{key}": found[f"marks_{key}"] for key in ("px", "trusted", "relative_px", "relative_trusted")}
    return out


def run(seed, store, ways):
    options, board, makes = made(seed, store)
    lives, true = true_places(makes, board)
    row = {
        "seed": seed,
        "columns": options.resolution[0],
        "hand_held": options.hand_held,
        "tilt_deg": options.tilt_deg,
        "recordings": len(makes),
        "frames": [r.frames for r, *_ in makes],
        "frame_px": [scatter for _, scatter in true],
        "frame_said_px": [
            float(np.sqrt(np.mean(m.error_px[k] ** 2))) for (*_, m, _), k in zip(makes, lives, strict=True)
        ],
        "frame_trusted": [not m.doubt for *_, m, _ in makes],
        "motion_ms": [1e3 * spent / r.frames for r, *_, spent in makes],
    }
    row |= rivals(seed, board, makes, true, grid(board), lives[0])
    for way in ways:
        row |= measured(makes, board, true, way)
    if seed % LENS_EVERY == 0 and options.resolution[0] >= 160:
        row |= lens_columns(seed, store)
    return row


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", default="0:10")
    parser.add_argument("--store", type=Path, default=Path("registration_store"))
    parser.add_argument("--out", type=Path, default=Path("registration.jsonl"))
    parser.add_argument("--ways", default="marks,free")
    parser.add_argument("--free-every", type=int, default=1, help="start without clicks on every n-th seed only")
    parser.add_argument("--make-only", action="store_true")
    parser.add_argument("--report", action="store_true")
    options = parser.parse_args()
    options.store.mkdir(parents=True, exist_ok=True)
    low, high = map(int, options.seeds.split(":"))

    def rows():
        lines = options.out.read_text().splitlines() if options.out.exists() else []
        return [r for r in map(json.loads, lines) if low <= r["seed"] < high]

    done = {r["seed"] for r in rows()}
    for seed in () if options.report else range(low, high):
        if seed in done:
            continue
        try:
            if options.make_only:
                made(seed, options.store)
                continue
            ways = [w for w in options.ways.split(",") if w != "free" or seed % options.free_every == 0]
            row = run(seed, options.store, ways)
        except Exception:  # one case that fails is told and counted, the others go on
            print(f"seed {seed}: {traceback.format_exc(limit=3)}", flush=True)
            row = {"seed": seed, "broken": traceback.format_exc(limit=1)}
        with options.out.open("a") as file:
            file.write(json.dumps(row) + "\n")
    if not options.make_only:
        report(rows())


if __name__ == "__main__":
    main()
