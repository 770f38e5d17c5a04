"""Errors of power-on, power-off and restarts against the truth of made recordings.

    python tests/bench/bench_timing.py --first 1000 --count 200 --store timing.jsonl

One line of JSON a recording is appended to the store; recordings that are in it already are not made again. Cells are
followed with the true motion plus a normal error of 0.05 px a frame, so that only the timing is judged here.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import replace
from pathlib import Path

import numpy as np

from thermscan.measure.noise import measure_camera
from thermscan.measure.power_on import find_power
from thermscan.model.pose import Motion
from thermscan.simulate import CaseOptions, draw_case

PICTURES = ((32, 24), (80, 60), (120, 90), (160, 120), (160, 120), (206, 156))


def true_motion(made, random):
    """Motion record from the true poses, with an error."""
    recording = made.recording
    matrices = made.truth.matrices @ np.linalg.inv(made.truth.matrices[0])
    matrices = matrices / matrices[:, 2:, 2:]
    is_tripod = bool(np.abs(matrices - np.eye(3)).max() < 1e-6)
    if not is_tripod:
        matrices[:, :2, 2] += random.normal(0, 0.05, (len(matrices), 2))
    shape = (recording.rows, recording.columns)
    return Motion(matrices, np.zeros(shape), np.zeros((0, *shape)), np.full(len(matrices), 0.05), is_tripod)


def interval(moment):
    return None if moment is None else [moment.value, moment.low, moment.high]


def run_one(seed):
    """Make and time one recording; returns a dict for the store, or None where no such board can be drawn."""
    random = np.random.default_rng(seed)
    picture = PICTURES[int(random.integers(len(PICTURES)))]
    options = CaseOptions(goods=0, resolution=picture, power_ups=2 if random.random() < 0.12 else 1)
    try:
        made = draw_case(seed, options=options).faulty
    except ValueError:
        return None
    recording, truth = made.recording, made.truth
    quiet = replace(recording, facts=replace(recording.facts, supply=()))
    timing = find_power(quiet, measure_camera(recording), true_motion(made, random))
    end = float(recording.times_s[-1])
    runs = [run for run in truth.runs_s if run[1] > 0 and run[0] < end]
    return {
        "seed": seed,
        "picture": picture,
        "frame_s": float(np.median(np.diff(recording.times_s))),
        "noise_k": truth.noise_k,
        "on_true": truth.power_on_s,
        "off_true": runs[0][1] if runs and runs[0][1] < end else None,
        "runs_true": len(runs),
        "warm_true": truth.warm_start,
        "on": interval(timing.on_s),
        "off": interval(timing.off_s),
        "restarts": timing.restarts,
        "warm": timing.warm_start,
        "on_why": timing.on_why,
        "off_why": timing.off_why,
    }


def table(rows, what):
    """Print errors, coverage, missed and invented moments."""
    both = [(r[what], r[what + "_true"], r["frame_s"]) for r in rows if r[what] and r[what + "_true"] is not None]
    missed = sum(r[what] is None and r[what + "_true"] is not None for r in rows)
    invented = sum(r[what] is not None and r[what + "_true"] is None for r in rows)
    if not both:
        print(f"power-{what}: none seen, {missed} missed, {invented} invented")
        return
    error = np.array([abs(m[0] - truth) for m, truth, _ in both])
    frames = error / np.array([f for _, _, f in both])
    cover = np.mean([m[1] <= truth <= m[2] for m, truth, _ in both])
    print(
        f"power-{what}: {len(both)} seen, {missed} missed, {invented} invented; error median {np.median(error):.3f} s "
        f"({np.median(frames):.2f} frames), 90th percentile {np.quantile(error, 0.9):.3f} s "
        f"({np.quantile(frames, 0.9):.2f} frames), within a frame {np.mean(frames <= 1):.1%}; "
        f"intervals cover {cover:.1%}"
    )


def main():
    """Run what is missing in the store and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--first", type=int, default=1000)
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--store", type=Path, default=Path("timing.jsonl"))
    given = parser.parse_args()
    lines = given.store.read_text().splitlines() if given.store.exists() else []
    rows = {r["seed"]: r for r in map(json.loads, lines)}
    for seed in range(given.first, given.first + given.count):
        if seed in rows:
            continue
        row = run_one(seed)
        rows[seed] = row or {"seed": seed, "skipped": True}
        with given.store.open("a") as store:
            store.write(json.dumps(rows[seed]) + "\n")
    kept = [r for r in rows.values() if not r.get("skipped") and given.first <= r["seed"] < given.first + given.count]
    for name, some in (
        ("all", kept),
        ("from 160x120", [r for r in kept if r["picture"][0] >= 160]),
        ("below", [r for r in kept if r["picture"][0] < 160]),
    ):
        print(f"{name}: {len(some)} recordings")
        table(some, "on")
        table(some, "off")
    seen = [r for r in kept if r["restarts"] is not None and r["on"]]
    tries = [r for r in seen if r["runs_true"] > 1]
    hit = sum(r["restarts"] == r["runs_true"] - 1 for r in seen)
    hit_tries = sum(r["restarts"] == r["runs_true"] - 1 for r in tries)
    print(f"restarts: {hit} of {len(seen)} right; of those with more than one run {hit_tries} of {len(tries)}")
    warm = sum(r["warm"] == r["warm_true"] for r in kept if r["on"])
    print(f"warm start: {warm} of {sum(bool(r['on']) for r in kept)} right")


if __name__ == "__main__":
    main()
