"""Error of placements over made recordings: to the outline, and good to faulty, with and without marks.

Run: ``python tests/bench/bench_registration.py --seeds 1000:1040 --out FILE.jsonl``. Resumable: seeds already in the
file are skipped. ``--motion truth`` stabilises a dozen frames with the true motion (placement alone is judged, quick);
``--motion found`` follows the whole recording. Errors are 2-D distances over a 5 x 5 grid on the board, px.
"""

import argparse
import json
import time
from pathlib import Path

import cv2
import numpy as np

from thermscan.measure.motion import follow_motion
from thermscan.measure.noise import measure_camera
from thermscan.measure.placement import place_board
from thermscan.measure.placement_match import match_placements
from thermscan.model.pose import Motion, map_points
from thermscan.simulate import CaseOptions, draw_case

SIZES = (
    (160, 120),
    (32, 24),
    (160, 120),
    (384, 288),
    (160, 120),
    (80, 60),
    (206, 156),
    (160, 120),
    (320, 240),
    (256, 192),
)
FAILED_PX = 2.0  # a placement this far off is a failure, flagged or not
ROUGH_FAILED_PX = 3.0  # the same below 100 columns, where clicks are that far off


def grid(board):
    x0, y0, x1, y1 = board.box_mm
    return np.stack(np.meshgrid(np.linspace(x0, x1, 5), np.linspace(y0, y1, 5)), axis=-1).reshape(-1, 2)


def rms(first, second, points):
    return float(np.sqrt(np.mean(np.sum((map_points(first, points) - map_points(second, points)) ** 2, axis=1))))


def true_motion(made):
    """Stabilise a few frames before and after power-on by the true motion."""
    recording, truth = made.recording, np.asarray(made.truth.matrices)
    steps = truth @ np.linalg.inv(truth[0])
    steps = steps / steps[:, 2:, 2:]
    times = np.asarray(recording.times_s)

    def frame(index):
        picture = recording.store.read(index, index + 1)[0].astype(np.float32)
        flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
        return cv2.warpPerspective(picture, steps[index], picture.shape[::-1], flags=flags, borderValue=float("nan"))

    def some(mask, count):
        found = np.flatnonzero(mask)
        return [frame(i) for i in found[np.linspace(0, len(found) - 1, min(count, len(found))).astype(int)]]

    before = some(times < made.truth.power_on_s - 0.2, 5)
    after = some(times > made.truth.power_on_s + 0.5, 8)
    reference = np.mean(before, axis=0)
    rises = np.array(after) - reference
    seen = np.isfinite(rises).all(axis=0)
    flat = rises[:, seen] - np.median(rises[:, seen], axis=1)[:, None]
    _, sizes, shapes = np.linalg.svd(flat, full_matrices=False)
    change = np.full((2, *reference.shape), np.nan)
    for k in range(2):
        change[k][seen] = shapes[k] * sizes[k] / np.sqrt(len(after))
    return Motion(steps, reference, change, np.full(len(times), 0.03), is_tripod=False)


def found_motion(made):
    return follow_motion(made.recording, measure_camera(made.recording))


def reference_truth(motion, truth):
    """Return the true placement in the reference picture: the first frame's, carried back."""
    known = int(np.flatnonzero(np.isfinite(motion.matrices).all(axis=(1, 2)))[0])
    matrix = np.linalg.inv(motion.matrices[known]) @ np.asarray(truth)[known]
    return matrix / matrix[2, 2]


def relative(first, second, truths, points):
    """Return the error of faulty px to good px, at the true faulty places."""
    places = map_points(truths[0], points)
    step, true_step = second @ np.linalg.inv(first), truths[1] @ np.linalg.inv(truths[0])
    return rms(step, true_step, places)


def run(seed, motion_of):
    size = SIZES[seed % len(SIZES)]
    options = CaseOptions(
        resolution=size,
        hand_held=(seed // 2) % 2 == 1,
        goods=1,
        marks=True,
        before_s=2.0,
        on_s=6.0,
        after_s=0.0,
        frame_rate_hz=5.0,
        cell_mm=2.0,
    )
    case = draw_case(seed, options=options)
    made = (case.faulty, *case.goods)
    motions = [motion_of(m) for m in made]
    truths = [reference_truth(m, k.truth.matrices) for m, k in zip(motions, made, strict=True)]
    points, side = grid(case.board), made[0].recording.facts.side
    row = {"seed": seed, "columns": size[0], "hand_held": options.hand_held}
    for name in ("marks", "free"):
        start = time.process_time()
        placed = [
            place_board(m, case.board, marks=k.recording.facts.marks if name == "marks" else (), side=side)
            for m, k in zip(motions, made, strict=True)
        ]
        row[f"{name}_cpu_s"] = (time.process_time() - start) / len(made)
        row[f"{name}_px"] = [rms(p.matrix, t, points) for p, t in zip(placed, truths, strict=True)]
        row[f"{name}_said_px"] = [p.error_px for p in placed]
        row[f"{name}_trusted"] = [p.trusted for p in placed]
        start = time.process_time()
        match = match_placements(motions[0], motions[1:], placed[0], placed[1:], case.board, side=side)
        row[f"{name}_match_cpu_s"] = time.process_time() - start
        row[f"{name}_relative_px"] = relative(match.faulty.matrix, match.goods[0].matrix, truths, points)
        row[f"{name}_relative_trusted"] = match.faulty.trusted and match.goods[0].trusted
    clicked = []
    for m, k in zip(motions, made, strict=True):
        marks = k.recording.facts.marks
        source = np.array([[a.x_mm, a.y_mm] for a in marks])
        target = map_points(np.linalg.inv(m.matrices[0]), np.array([[a.x_px, a.y_px] for a in marks]))
        clicked.append(cv2.findHomography(source, target, 0)[0])
    row["clicks_px"] = [rms(c, t, points) for c, t in zip(clicked, truths, strict=True)]
    row["clicks_relative_px"] = relative(*clicked, truths, points)
    return row


def line(name, values, trusted, limit):
    values, trusted = np.asarray(values, float), np.asarray(trusted, bool)
    bad = values > limit
    kept = values[trusted]
    figures = f"{np.median(kept):7.3f} {np.sqrt(np.mean(kept**2)):7.3f}" if len(kept) else f"{'-':>7} {'-':>7}"
    print(f"  {name:<22} {len(values):5d} {trusted.sum():8d} {figures} {bad.sum():7d} {(bad & ~trusted).sum():8d}")


def report(rows):
    for label, keep in (
        ("160 columns and more, tripod", lambda r: r["columns"] >= 160 and not r["hand_held"]),
        ("160 columns and more, hand-held", lambda r: r["columns"] >= 160 and r["hand_held"]),
        ("80 columns", lambda r: r["columns"] == 80),
        ("32 columns", lambda r: r["columns"] == 32),
    ):
        some = [r for r in rows if keep(r)]
        if not some:
            continue
        limit = FAILED_PX if some[0]["columns"] >= 100 else ROUGH_FAILED_PX
        print(f"{label}: {len(some)} pairs")
        print(f"  {'px':<22} {'count':>5} {'trusted':>8} {'median':>7} {'rms':>7} {'failed':>7} {'flagged':>8}")
        flat = {k: [v for r in some for v in r[k]] for k in some[0] if isinstance(some[0][k], list)}
        line("clicks only", flat["clicks_px"], np.ones(len(flat["clicks_px"])), limit)
        line("with marks", flat["marks_px"], flat["marks_trusted"], limit)
        line("without marks", flat["free_px"], flat["free_trusted"], limit)
        line("clicks, relative", [r["clicks_relative_px"] for r in some], np.ones(len(some)), limit)
        for name in ("marks", "free"):
            line(
                f"{name}, relative",
                [r[f"{name}_relative_px"] for r in some],
                [r[f"{name}_relative_trusted"] for r in some],
                limit,
            )
        ratio = np.array(flat["marks_px"]) / np.array(flat["marks_said_px"])
        cpu = [float(np.median([r[f"{n}_cpu_s"] for r in some])) for n in ("marks", "free", "marks_match")]
        print(f"  error over stated error, rms: {np.sqrt(np.mean(ratio**2)):.2f}")
        print(f"  CPU s: with marks {cpu[0]:.1f}, without {cpu[1]:.1f}, match {cpu[2]:.1f}")


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", default="0:10")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--motion", choices=("truth", "found"), default="truth")
    options = parser.parse_args()
    low, high = map(int, options.seeds.split(":"))
    lines = options.out.read_text().splitlines() if options.out.exists() else []
    rows = [json.loads(text) for text in lines]
    done = {r["seed"] for r in rows}
    for seed in range(low, high):
        if seed in done:
            continue
        try:
            row = run(seed, true_motion if options.motion == "truth" else found_motion)
        except ValueError as error:  # the simulator cannot draw this fault on this board
            print(f"seed {seed}: {error}")
            continue
        rows.append(row)
        with options.out.open("a") as file:
            file.write(json.dumps(row) + "\n")
    report([r for r in rows if low <= r["seed"] < high])


if __name__ == "__main__":
    main()
