"""Power, place and depth of sources on made faults: error, coverage, and the plain method beside it.

Run ``python tests/bench/bench_power.py --seeds 1000:1300 --store FOLDER``: cases are made once and kept in FOLDER
(a file a seed), so that an interrupted run goes on where it stopped. Poses and power-on are the true ones: what is
judged here is the step from temperatures to watts. The simulator that makes the cases shares no plate model with it.
"""

from __future__ import annotations

import argparse
import itertools
import pickle
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from thermscan.find.excess import combine, excess_over, rise_of
from thermscan.find.source import find_sources
from thermscan.measure.film import choose_edges, choose_grid, make_film, pixel_size_mm, set_clock
from thermscan.measure.noise import measure_camera
from thermscan.model.film import Excess
from thermscan.model.pose import Placement, Pose, Track
from thermscan.model.quantity import Measured
from thermscan.model.settings import Settings
from thermscan.model.timing import PowerUp, Timing
from thermscan.physics.plate import default_plate
from thermscan.read.surface_table import open_surfaces
from thermscan.simulate.case import draw_case
from thermscan.simulate.options import CaseOptions

SETTINGS = Settings()
SURFACES = open_surfaces()
HEATING = ("short", "leak", "overload", "hidden_source", "bridge")
PAIR_W, PAIR_MM = 0.05, 8.0
CAMERAS = ((80, 60), (120, 90), (160, 120), (256, 192), (320, 240), (640, 512))


def options_for(seed: int) -> CaseOptions:
    """Draw what the benchmark varies: camera, seconds on, fault and its watts."""
    random = np.random.default_rng([seed, 77])
    camera = CAMERAS[int(random.choice(len(CAMERAS), p=[0.15, 0.2, 0.3, 0.15, 0.15, 0.05]))]
    return CaseOptions(
        resolution=camera,
        hand_held=False,
        frame_rate_hz=float(random.uniform(4, 9)),
        before_s=2.0,
        on_s=float(np.exp(random.uniform(np.log(3), np.log(20)))),
        after_s=0.0,
        fault=str(random.choice(HEATING, p=[0.35, 0.2, 0.15, 0.2, 0.1])),
        fault_w=float(np.exp(random.uniform(np.log(0.02), np.log(5)))),
        goods=int(random.choice([1, 2, 3], p=[0.5, 0.35, 0.15])),
        camera_events=False,
        warm_start=False,
        marks=False,
    )


def film_of(made, grid, edges, board):
    """Resample one recording with its true poses."""
    truth, recording = made.truth, made.recording
    poses = tuple(Pose(m, 0.05) for m in truth.matrices)
    track = Track(poses, Placement(truth.matrices[0], 0.05, "marks"), recording.facts.side or "top", truth.lens)
    camera = measure_camera(recording)
    timing = timing_of(truth)
    clock = set_clock(recording, camera.usable, timing, edges, settings=SETTINGS.film)
    return make_film(recording, camera, track, clock, grid=grid, board=board, settings=SETTINGS.film)


def timing_of(truth):
    """Return the true power-on and power-off as the pipeline would hand them on."""
    on = Measured(truth.power_on_s, truth.power_on_s, truth.power_on_s)
    off = None if truth.power_off_s is None else Measured(truth.power_off_s, truth.power_off_s, truth.power_off_s)
    return Timing(on, off, "", "" if off else "still_on", (PowerUp(on, off),))


def excess_of(case) -> Excess:
    """Make the excess of a case on true poses and times."""
    pixel = pixel_size_mm(case.faulty.truth.matrices[0], case.board)
    grid = choose_grid(case.board, pixel, settings=SETTINGS.film)
    edges = choose_edges(
        case.faulty.recording.times_s, timing_of(case.faulty.truth), until_s=None, settings=SETTINGS.film
    )
    faulty = rise_of(film_of(case.faulty, grid, edges, case.board), settings=SETTINGS.excess)
    goods = [rise_of(film_of(g, grid, edges, case.board), settings=SETTINGS.excess) for g in case.goods]
    side = case.faulty.recording.facts.side or "top"
    base = combine(goods, outline_hash="made", side=side, sources=[], settings=SETTINGS.excess)
    return excess_over(faulty, base, position_error_mm=0.07 * pixel, settings=SETTINGS.excess)


def runs_of(truth) -> tuple[tuple[float, float], ...]:
    """Return the stretches with power in seconds since power-on."""
    return tuple((float(a - truth.power_on_s), float(b - truth.power_on_s)) for a, b in truth.runs_s)


def lighter(excess: Excess) -> Excess:
    """Drop what the inversion does not use, to keep the store small."""
    small = {
        name: np.asarray(getattr(excess, name), np.float32)
        for name in ("excess", "noise", "spread", "own_heat", "position")
    }
    film = replace(excess.film, mean=np.zeros((1, 1, 1)), cold=None)
    return replace(excess, board_scatter=None, film=film, **small)


def make(seed: int, store: Path) -> dict:
    """Make a case or take it from the store."""
    path = store / f"power_{seed}.pickle"
    if path.exists():
        return pickle.loads(path.read_bytes())
    case = draw_case(seed, options=options_for(seed))
    truth = case.faulty.truth
    times = case.faulty.recording.times_s - truth.power_on_s
    end = np.inf if truth.power_off_s is None else truth.power_off_s - truth.power_on_s
    on = (times >= 0) & (times <= end)
    row = {
        "seed": seed,
        "board": case.board,
        "fault": case.fault,
        "excess": lighter(excess_of(case)),
        "side": case.faulty.recording.facts.side or "top",
        "sources": truth.sources,
        "watts": truth.excess_w[on].mean(axis=0),
        "noise_k": truth.noise_k,
        "goods": len(case.goods),
        "restarts": truth.restarts,
        "runs": runs_of(truth),
    }
    temporary = path.with_suffix(".part")
    temporary.write_bytes(pickle.dumps(row))
    temporary.rename(path)
    return row


def plain(row: dict) -> tuple[float, float]:
    """Return the place of the hottest cell of the difference in the last second."""
    excess = row["excess"]
    film = excess.film
    last = np.nanmean(excess.excess[film.centres_s > film.edges_s[-1] - 1.0], axis=0)
    last = np.where(film.inside & film.readable, np.nan_to_num(last, nan=-np.inf), -np.inf)
    at = np.unravel_index(int(np.argmax(last)), last.shape)
    x, y = film.grid.points_mm()[at]
    return float(x), float(y)


def duty(row: dict) -> float:
    """Return the share of the film with power on; the truth is a mean with the pauses of retries in it."""
    end = float(row["excess"].film.edges_s[-1])
    runs = row.get("runs") or ((0.0, end),)
    end = min(end, runs[-1][1])
    return sum(max(0.0, min(off, end) - on) for on, off in runs) / end


def judge(row: dict, settings: Settings = SETTINGS) -> dict:
    """Find the sources of a case and compare with the truth."""
    start = time.process_time()
    fit = find_sources(
        row["excess"],
        row["board"],
        default_plate(row["board"].thickness_mm),
        side=row["side"],
        runs_s=row.get("runs"),
        surfaces=SURFACES,
        settings=settings.source,
    )
    seconds = time.process_time() - start
    fault = row["fault"]
    names = dict(zip(row["sources"], row["watts"], strict=True))
    place = np.array([fault.x_mm, fault.y_mm])
    hits = [s for s in fit.sources if s.ref in fault.refs or np.hypot(s.x_mm - place[0], s.y_mm - place[1]) < 3.0]
    plain_xy = plain(row)
    return {
        "seed": row["seed"],
        "fault": fault,
        "is_hidden": fault.side != row["side"],
        "watts": fault.power_w / duty(row),
        "hit": hits[0] if hits else None,
        "first": bool(fit.sources) and fit.sources[0] in hits,
        "fit": fit,
        "names": names,
        "pairs": pairs_of(row["board"], fit, names),
        "plain_mm": float(np.hypot(plain_xy[0] - place[0], plain_xy[1] - place[1])),
        "seconds": seconds,
        "on_s": float(row["excess"].film.edges_s[-1]),
        "pixel_mm": row["excess"].film.pixel_mm,
    }


def pairs_of(board, fit, names: dict) -> list[bool]:
    """Tell for each pair of parts near one another that both make heat whether both were listed."""
    hot = [p for p in board.parts if names.get(p.ref, 0.0) > PAIR_W]
    listed = {s.ref for s in fit.sources}
    return [
        a.ref in listed and b.ref in listed
        for a, b in itertools.combinations(hot, 2)
        if np.hypot(a.x - b.x, a.y - b.y) < PAIR_MM
    ]


def line(done: dict) -> str:
    """Write one case in a line."""
    f, hit = done["fault"], done["hit"]
    found = (
        "-" if hit is None else f"{hit.power_w.value:.3f} ({hit.power_w.low:.3f} {hit.power_w.high:.3f}) {hit.depth}"
    )
    others = " ".join(
        f"{s.ref}:{s.power_w.value:.2f} true {done['names'].get(s.ref, 0):.2f};"
        for s in done["fit"].sources
        if s is not hit
    )
    return (
        f"{done['seed']} {f.word} {f.ref} {f.side} {done['watts']:.3f} W"
        f" px {done['pixel_mm']:.2f} on {done['on_s']:.1f}"
        f" {done['seconds']:.1f}s {'first' if done['first'] else 'not first'} | {found} | {others}"
    )


def is_false(source, done: dict) -> bool:
    """Tell whether a listed source claims heat where there is none."""
    true = done["names"].get(source.ref, 0.0) if source.ref else 0.0
    near_fault = np.hypot(source.x_mm - done["fault"].x_mm, source.y_mm - done["fault"].y_mm) < 3.0
    return abs(true) < PAIR_W and source.power_w.low > PAIR_W and not near_fault


def report(rows: list[dict]) -> None:
    """Print the table."""
    found = [r for r in rows if r["hit"] is not None]
    error = np.array([abs(r["hit"].power_w.value / r["watts"] - 1) for r in found])
    signed = np.array([r["hit"].power_w.value / r["watts"] for r in found])
    inside = [r["hit"].power_w.low <= r["watts"] <= r["hit"].power_w.high for r in found]
    off = np.array([np.hypot(r["hit"].x_mm - r["fault"].x_mm, r["hit"].y_mm - r["fault"].y_mm) for r in found])
    hidden = [r for r in found if r["is_hidden"]]
    print(f"cases {len(rows)}, source at the fault listed {len(found)}, first {sum(r['first'] for r in rows)}")
    print(f"plain hottest cell within 3 mm: {sum(r['plain_mm'] < 3 for r in rows)}")
    if not found:
        return
    print(f"power error median {np.median(error):.3f} p90 {np.quantile(error, 0.9):.3f}")
    print(f"found over true power, median {np.median(signed):.3f}")
    print(f"interval holds {np.mean(inside):.3f} of {len(inside)}")
    width = np.array([(r["hit"].power_w.high - r["hit"].power_w.low) / abs(r["hit"].power_w.value) for r in found])
    print(f"interval width over value, median {np.median(width):.2f}")
    print(f"place error mm median {np.median(off):.2f} p90 {np.quantile(off, 0.9):.2f}")
    print(
        f"place within its radius {np.mean([o <= r['hit'].place_95_mm for o, r in zip(off, found, strict=True)]):.3f}"
    )
    if hidden:
        right = sum(r["hit"].depth != "surface" for r in hidden)
        print(f"sources on the face not seen said to be hidden {right} of {len(hidden)}")
    open_ones = [r for r in found if not r["is_hidden"] and r["hit"].depth != "surface"]
    print(f"sources on the seen face said to be hidden {len(open_ones)} of {len(found) - len(hidden)}")
    pairs = [p for r in rows for p in r["pairs"]]
    print(f"close pairs (both over {PAIR_W} W, within {PAIR_MM:g} mm) both listed {sum(pairs)} of {len(pairs)}")
    other = [
        (s.power_w, r["names"][s.ref])
        for r in rows
        for s in r["fit"].sources
        if s.ref not in r["fault"].refs and abs(r["names"].get(s.ref, 0.0)) > PAIR_W
    ]
    if other:
        off_by = np.array([abs(p.value / t - 1) for p, t in other])
        held = np.mean([p.low <= t <= p.high for p, t in other])
        print(
            f"other parts over {PAIR_W} W: power error median {np.median(off_by):.3f}, held {held:.3f} of {len(other)}"
        )
    false = [s for r in rows for s in r["fit"].sources if s is not r["hit"] and is_false(s, r)]
    print(f"sources listed where nothing makes {PAIR_W} W, with an interval above that: {len(false)}")
    print(f"seconds median {np.median([r['seconds'] for r in rows]):.1f}, most {max(r['seconds'] for r in rows):.1f}")


def main() -> None:
    """Make, judge, report."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", default="1000:1100")
    parser.add_argument("--store", type=Path, required=True)
    parser.add_argument("--make-only", action="store_true")
    chosen = parser.parse_args()
    chosen.store.mkdir(parents=True, exist_ok=True)
    first, last = (int(v) for v in chosen.seeds.split(":"))
    rows = []
    for seed in range(first, last):
        try:
            row = make(seed, chosen.store)
        except Exception as error:  # a case that cannot be made is counted, not hidden
            print(seed, "not made:", repr(error)[:200], file=sys.stderr)
            continue
        if chosen.make_only or row["fault"].power_w is None:
            continue
        rows.append(judge(row))
        print(line(rows[-1]), flush=True)
    if rows:
        report(rows)


if __name__ == "__main__":
    main()
