"""Power-on, power-off, tries and reasons against the truth of made recordings.

    python tests/bench/bench_timing.py --seeds 1000:1200 --store timing.jsonl --found-motion

One line of JSON a recording is appended to the store; recordings in it already are not made again, so that a run can
be stopped, and ranges of seeds can be split over processes with a store each (``--store`` takes several for the
table). Cells are followed with the true motion plus a normal error of 0.05 px a frame, so that the timing alone is
judged; ``--found-motion`` follows them with the motion found in the same frames as well. ``--cells FOLDER`` keeps the
followed cells, so that a change of the timing can be judged without making the recordings again.

Kinds of recording: switched on (and half of them off); already on; still warm; several power-ups; a supply that tries
again and again; cut so that the board is never seen to switch, cold or long on.
"""

from __future__ import annotations

import argparse
import json
import pickle
import traceback
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np

from thermscan.measure.motion import follow_motion
from thermscan.measure.noise import measure_camera
from thermscan.measure.power_cells import sample_cells, step_moments
from thermscan.measure.power_log import logged_on, with_log
from thermscan.measure.power_on import find_in_cells
from thermscan.model.pose import Motion
from thermscan.model.recording import ArrayStore, Recording, SupplyPoint
from thermscan.model.settings import TimingSettings
from thermscan.simulate import CaseOptions, draw_case

PICTURES = ((32, 24), (80, 60), (120, 90), (160, 120), (160, 120), (160, 120))
KINDS = {
    "plain": 0.5,
    "already on": 0.08,
    "warm": 0.09,
    "power-ups": 0.1,
    "tries": 0.11,
    "cut cold": 0.06,
    "cut on": 0.06,
}
SETTINGS = TimingSettings()
LATE_S = 3.0  # what a supply log is moved by to see whether its disagreement is told


def options_of(seed: int) -> tuple[str, CaseOptions, np.random.Generator]:
    """Draw the kind of recording and how it is made."""
    random = np.random.default_rng([seed, 41])
    kind = str(random.choice(list(KINDS), p=list(KINDS.values())))
    options = CaseOptions(
        goods=0,
        resolution=PICTURES[int(random.integers(len(PICTURES)))],
        hand_held=bool(random.random() < 0.5),
        on_s=float(np.round(random.uniform(2.0, 4.5), 1)),
        before_s=float(np.round(random.uniform(1.2, 3.5), 2)),
        after_s=float(np.round(random.uniform(1.2, 3.0), 2)) if random.random() < 0.55 else 0.0,
        frame_rate_hz=float(random.choice([4.0, 6.0, 9.0, 9.0, 9.0, 15.0, 15.0, 25.0])),
        warm_start=kind == "warm",
        marks=False,
    )
    change = {
        "already on": {"before_s": -4.0, "on_s": float(np.round(random.uniform(7.0, 9.0), 1))},
        "power-ups": {"power_ups": int(random.integers(2, 4)), "on_s": float(np.round(random.uniform(1.5, 3.5), 1)),
                      "pause_s": float(np.round(random.uniform(1.5, 3.0), 1))},
        "tries": {"fault": "supply_limit", "on_s": 5.0},
        "cut on": {"on_s": 6.5, "after_s": 0.0},
    }  # fmt: skip
    return kind, replace(options, **change.get(kind, {})), random


def make_one(kind: str, options: CaseOptions, seed: int):
    """Return the recording with its frames in memory, and the truth; a supply that tries is drawn until one does."""
    for attempt in range(8 if kind == "tries" else 1):
        made = draw_case(seed + 100000 * attempt, options=options).faulty
        if kind != "tries" or len(made.truth.runs_s) > 1:
            break
    recording = made.recording
    frames = np.concatenate([chunk for _, chunk in recording.chunks()])
    return replace(recording, store=ArrayStore(frames)), made.truth


def true_motion(recording: Recording, matrices: np.ndarray, random: np.random.Generator) -> Motion:
    """Motion record from the true poses, with an error."""
    matrices = matrices @ np.linalg.inv(matrices[0])
    matrices = matrices / matrices[:, 2:, 2:]
    is_tripod = bool(np.abs(matrices - np.eye(3)).max() < 1e-6)
    if not is_tripod:
        matrices[:, :2, 2] += random.normal(0, 0.05, (len(matrices), 2))
    shape = (recording.rows, recording.columns)
    return Motion(matrices, np.zeros(shape), np.zeros((0, *shape)), np.full(len(matrices), 0.05), is_tripod)


def cut_out(kind: str, recording: Recording, truth) -> tuple[Recording, np.ndarray, list[list[float]], float]:
    """Cut the frames in which nothing switches, where the kind says so.

    Returns the recording, its matrices, the runs on its clock, and by how much the clock was moved, s.
    """
    times, end = recording.times_s, float(recording.times_s[-1])
    runs = [[a, b] for a, b in truth.runs_s if b > 0 and a < end]
    keep = np.ones(len(times), bool)
    if kind == "cut cold" and truth.power_on_s is not None:
        keep = times < truth.power_on_s - 0.05
    if kind == "cut on" and truth.power_on_s is not None:
        keep = (times > truth.power_on_s + 2.5) & (times < runs[0][1] - 0.05)
    moved = float(times[keep][0])
    cut = replace(recording, store=ArrayStore(recording.store.array[keep]), times_s=times[keep] - moved)
    last = float(cut.times_s[-1])
    runs = [[a - moved, b - moved] for a, b in runs if b - moved > 0 and a - moved < last]
    return cut, truth.matrices[keep], runs, moved


def interval(moment):
    return None if moment is None else [moment.value, moment.low, moment.high]


def seen_of(timing) -> dict:
    """Return what was found, for the store."""
    return {
        "on": interval(timing.on_s),
        "off": interval(timing.off_s),
        "ups": [[interval(up.on_s), interval(up.off_s)] for up in timing.power_ups],
        "restarts": timing.restarts,
        "warm": timing.warm_start,
        "on_why": timing.on_why,
        "off_why": timing.off_why,
    }


def log_of(recording: Recording, cells, breaks_s, *, late_s: float) -> dict:
    """Return what becomes of the timing with the recording's own supply log, moved by some seconds."""
    points = tuple(SupplyPoint(p.time_s + late_s, p.volts, p.amps) for p in recording.facts.supply)
    logged = logged_on(points, settings=SETTINGS)
    timing = find_in_cells(cells, breaks_s, logged=logged, settings=SETTINGS)
    joined = with_log(timing, replace(recording, facts=replace(recording.facts, supply=points)), SETTINGS)
    return {"source": joined.source, "on": interval(joined.on_s), "off": interval(joined.off_s),
            "told": any("not believed" in line for line in joined.warnings)}  # fmt: skip


def run_one(seed: int, *, found_motion: bool, cells_folder: Path | None) -> dict:
    """Make and time one recording; returns a row for the store."""
    kept = None if cells_folder is None else cells_folder / f"{seed}.pickle"
    if kept is not None and kept.exists():
        row, followed = pickle.loads(kept.read_bytes())
    else:
        row, followed = follow_one(seed, found_motion=found_motion)
        if kept is not None:
            kept.write_bytes(pickle.dumps((row, followed)))
    for name, (cells, breaks_s, bare) in followed.items():
        timing = find_in_cells(cells, breaks_s, settings=SETTINGS)
        row[name] = seen_of(timing)
        if bare.facts.supply and name == "true":
            row["log"] = {str(late): log_of(bare, cells, breaks_s, late_s=late) for late in (0.0, LATE_S)}
    return row


def follow_one(seed: int, *, found_motion: bool) -> tuple[dict, dict]:
    """Make a recording and follow its cells; returns the truth as a row, and what the timing needs by motion."""
    kind, options, random = options_of(seed)
    try:
        recording, truth = make_one(kind, options, seed)
    except ValueError as error:
        return {"seed": seed, "skipped": str(error)}, {}
    recording, matrices, runs, _ = cut_out(kind, recording, truth)
    last = float(recording.times_s[-1])
    row = {
        "seed": seed,
        "kind": kind,
        "picture": options.resolution,
        "hand_held": options.hand_held,
        "frame_s": float(np.median(np.diff(recording.times_s))) if recording.frames > 1 else 0.0,
        "noise_k": truth.noise_k,
        "runs_true": [[None if a < 0 else a, None if b > last else b] for a, b in runs],
        "warm_true": truth.warm_start,
    }
    camera = measure_camera(recording)
    motions = {"true": true_motion(recording, matrices, random)}
    if found_motion:
        motions["found"] = follow_motion(recording, camera)
    bare = replace(recording, store=ArrayStore(np.zeros((recording.frames, 1, 1), np.float32)))
    breaks_s = step_moments(recording, camera, settings=SETTINGS)
    followed = {
        name: (sample_cells(recording, camera, motion, settings=SETTINGS), breaks_s, bare)
        for name, motion in motions.items()
    }
    return row, followed


def moments_table(rows: list[dict], motion: str, at: int) -> str:
    """Return one line on the first power-on (``at`` 0) or power-off (1): errors, coverage, missed, invented."""
    what = ("on", "off")[at]
    judged = [(r[motion][what], r["runs_true"][0][at] if r["runs_true"] else None, r["frame_s"]) for r in rows]
    both = [(m, t, f) for m, t, f in judged if m and t is not None]
    there = sum(t is not None for _, t, _ in judged)
    invented = sum(bool(m) and t is None for m, t, _ in judged)
    none = len(judged) - there
    head = f"power-{what:3s} seen {len(both)}/{there}, invented {invented}/{none}"
    if not both:
        return head
    error = np.array([abs(m[0] - t) for m, t, _ in both])
    frames = error / np.array([f for _, _, f in both])
    covered = sum(m[1] <= t <= m[2] for m, t, _ in both)
    width = np.median([m[2] - m[1] for m, _, _ in both])
    late = sum(m[2] < t for m, t, _ in both)
    return (
        f"{head}; within a frame {(frames <= 1).sum()}/{len(both)}; error median {np.median(error):.3f} s "
        f"({np.median(frames):.2f} frames), 90 % {np.quantile(error, 0.9):.3f} s ({np.quantile(frames, 0.9):.2f}); "
        f"interval holds {covered}/{len(both)} ({covered / len(both):.0%}; too early {late}), width {width:.2f} s"
    )


def tries_table(rows: list[dict], motion: str) -> str:
    """Return lines on the count of runs, and the run time and pause of each where the count is right."""
    lines = []
    for name, wanted in (("one run", lambda n: n == 1), ("several power-ups", None), ("tries", None)):
        kind = {"several power-ups": "power-ups", "tries": "tries"}.get(name)
        some = [r for r in rows if r[motion]["on"] and r["runs_true"] and r["runs_true"][0][0] is not None]
        some = [r for r in some if (r["kind"] == kind if kind else wanted(len(r["runs_true"])))]
        some = [r for r in some if kind is None or len(r["runs_true"]) > 1]
        right = [r for r in some if r[motion]["restarts"] == len(r["runs_true"]) - 1]
        more = sum((r[motion]["restarts"] or 0) > len(r["runs_true"]) - 1 for r in some)
        line = (
            f"{name}: count right {len(right)}/{len(some)} (too many {more}, too few {len(some) - len(right) - more})"
        )
        runs, pauses = [], []
        for r in right if kind else []:
            pairs = list(zip(r[motion]["ups"], r["runs_true"], strict=False))
            runs += [abs(u[1][0] - u[0][0] - (t[1] - t[0])) / r["frame_s"] for u, t in pairs if u[1] and t[1]]
            for (u, t), (v, w) in pairwise(pairs):
                if u[1] and t[1]:
                    pauses.append(abs(v[0][0] - u[1][0] - (w[0] - t[1])) / r["frame_s"])
        for what, values in (("run time", runs), ("pause", pauses)):
            if values:
                line += (
                    f"; {what} off by {np.median(values):.2f} frames median, {np.quantile(values, 0.9):.2f} at 90 % "
                    f"(n {len(values)})"
                )
        lines.append(line)
    return "\n".join(lines)


def reasons_table(rows: list[dict], motion: str) -> str:
    """Return lines on boards already on, still warm, never seen to switch."""
    lines = []
    for kind, wanted in (("already on", "on_before"), ("cut on", "on_before"), ("cut cold", "not_seen")):
        some = [r for r in rows if r["kind"] == kind and not (r["runs_true"] and r["runs_true"][0][0] is not None)]
        right = sum(r[motion]["on"] is None and r[motion]["on_why"].startswith(wanted) for r in some)
        none = sum(r[motion]["on"] is None and r[motion]["on_why"].startswith("not_seen") for r in some)
        given = sum(r[motion]["on"] is not None for r in some)
        lines.append(f"{kind}: reason {wanted} {right}/{len(some)}, 'not seen' {none}, a time given {given}")
    for name, warm in (("still warm", True), ("cold start", False)):
        some = [r for r in rows if r[motion]["on"] and r["warm_true"] is warm]
        lines.append(f"{name}: flagged warm {sum(r[motion]['warm'] for r in some)}/{len(some)}")
    return "\n".join(lines)


def log_table(rows: list[dict]) -> str:
    """Return lines on supply logs: as they were, and moved against the recording's clock."""
    some = [r for r in rows if r.get("log") and r["true"]["on"] and r["runs_true"] and r["runs_true"][0][0] is not None]
    told = {late: sum(r["log"][late]["told"] for r in some) for late in (str(0.0), str(LATE_S))}
    good = [r for r in some if r["log"]["0.0"]["on"]]
    held = sum(r["log"]["0.0"]["on"][1] <= r["runs_true"][0][0] <= r["log"]["0.0"]["on"][2] for r in good)
    return (
        f"supply log: told to disagree {told['0.0']}/{len(some)} as it was, {told[str(LATE_S)]}/{len(some)} moved by "
        f"{LATE_S:g} s; power-on of both in its interval {held}/{len(good)}"
    )


def report(rows: list[dict]) -> str:
    """Return the tables."""
    done = [r for r in rows if "true" in r]
    lines = [
        f"recordings {len(rows)}: judged {len(done)}, not drawn {sum('skipped' in r for r in rows)}, "
        f"failed {sum('failed' in r for r in rows)}"
    ]
    for motion in ("true", "found"):
        having = [r for r in done if motion in r]
        if not having:
            continue
        lines.append(f"== {motion} motion")
        for name, some in (
            ("all", having),
            ("tripod", [r for r in having if not r["hand_held"]]),
            ("hand-held", [r for r in having if r["hand_held"]]),
            ("from 120x90", [r for r in having if r["picture"][0] >= 120]),
            ("below", [r for r in having if r["picture"][0] < 120]),
            ("from 9 Hz", [r for r in having if r["frame_s"] < 0.12]),
            ("below 9 Hz", [r for r in having if r["frame_s"] >= 0.12]),
        ):
            lines += [f"{name}: {len(some)} recordings"]
            lines += ["   " + moments_table(some, motion, at) for at in (0, 1)]
        lines += [tries_table(having, motion), reasons_table(having, motion)]
    lines.append(log_table(done))
    return "\n".join(lines)


def load(stores: list[Path]) -> dict[int, dict]:
    """Return the rows of the stores by seed; a line cut short by a stop is left out."""
    rows = {}
    for line in (line for store in stores if store.is_file() for line in store.read_text().splitlines()):
        try:
            row = json.loads(line)
        except ValueError:
            continue
        rows[row["seed"]] = row
    return rows


def main() -> None:
    """Run what is missing in the store and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", default="1000:1200", help="A:B, B not included")
    parser.add_argument("--store", type=Path, nargs="+", default=[Path("timing.jsonl")], help="the first is added to")
    parser.add_argument("--cells", type=Path, help="folder of followed cells")
    parser.add_argument("--found-motion", action="store_true", help="judge with the motion found as well")
    parser.add_argument("--table-only", action="store_true")
    given = parser.parse_args()
    seeds = range(*map(int, given.seeds.split(":")))
    rows = load(given.store)
    if given.cells is not None:
        given.cells.mkdir(parents=True, exist_ok=True)
    for seed in () if given.table_only else (s for s in seeds if s not in rows):
        try:
            rows[seed] = run_one(seed, found_motion=given.found_motion, cells_folder=given.cells)
        except Exception:
            rows[seed] = {"seed": seed, "failed": traceback.format_exc()}
        with given.store[0].open("a") as store:
            store.write(json.dumps(rows[seed]) + "\n")
    print(report([rows[s] for s in seeds if s in rows]))


if __name__ == "__main__":
    main()
