"""Power, place and depth of sources on made boards: errors, coverage, and the plain method beside them.

Run ``python tests/bench/bench_power.py --faults 1000:1200 --boards 1200:1300 --pairs 1300:1340 --out FOLDER``. Three
kinds of boards are made: one fault each, many sources far apart (for the coverage of the intervals), and two sources
close together. The judgement of each seed is kept in FOLDER as a file, so that an interrupted run goes on where it
stopped and seeds may be shared between processes; the table is printed over all files of the ranges asked for.
``--store FOLDER`` keeps the made boards too, for judging them again with ``--again``. Poses and power-on are the true
ones: what is judged here is the step from temperatures to watts. The simulator that makes the boards shares no plate
model with what is judged; its boards have layers, uneven copper and parts that the inversion does not know.
"""

from __future__ import annotations

import argparse
import itertools
import json
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
from power_case import SETTINGS, PowerCase, TrueSource, stored_case
from power_table import print_table
from scipy import ndimage

from thermscan.find.source import find_sources
from thermscan.model.result import HeatSource
from thermscan.physics.plate import Plate, default_plate
from thermscan.read.surface_table import open_surfaces

SURFACES = open_surfaces()
NEAR_MM = 3.0  # a free spot this close to a source stands for it
CLAIM_W = 0.05
MANY = 14  # sources listed at the most on a board with many
MANY_CELLS = 1500  # of the fitting grid there: speed


def judge(case: PowerCase, kind: str) -> dict:
    """Find the sources of a case and set them against what was put in."""
    plate = default_plate(case.board.thickness_mm)
    settings = replace(SETTINGS.source, most_sources=MANY, most_cells=MANY_CELLS) if kind == "many" else SETTINGS.source
    start = time.process_time()
    fit = find_sources(
        case.excess, case.board, plate, side=case.side, runs_s=case.runs_s, surfaces=SURFACES, settings=settings
    )
    film = case.excess.film
    rows = [judge_source(s, case, fit, plate) for s in case.sources]
    claimed = {row["listed"] for row in rows} - {None}
    return {
        "seed": case.seed,
        "kind": kind,
        "word": case.word,
        "camera": list(case.resolution),
        "pixel_mm": film.pixel_mm,
        "on_s": float(film.edges_s[-1]),
        "seconds": time.process_time() - start,
        "plate": fit.plate_text,
        "sources": rows,
        "pair": pair_of(case, rows) if kind == "pair" else None,
        "false": sum(is_false(s, case) for i, s in enumerate(fit.sources) if i not in claimed),
        "others": others_of(case, fit.sources),
    }


def judge_source(true: TrueSource, case: PowerCase, fit, plate: Plate) -> dict:
    """Set one source that was put in against what was listed, and against the plain method."""
    index = listed_at(true, fit.sources)
    peak_k, plain_mm = hottest(case, true)
    row = {
        "refs": list(true.refs),
        "watts": true.watts,
        "depth": true.depth,
        "listed": index,
        "limit_w": limit_at(true, case, fit),
        "plain_w": thin_plate_w(peak_k, case, plate),
        "plain_mm": plain_mm,
    }
    if index is None:
        return row
    s = fit.sources[index]
    return row | {
        "first": index == 0,
        "ref": s.ref,
        "power": [s.power_w.value, s.power_w.low, s.power_w.high],
        "place_mm": float(np.hypot(s.x_mm - true.x_mm, s.y_mm - true.y_mm)),
        "radius_mm": s.place_95_mm,
        "said": s.depth,
        "depths": s.depth_probability,
        "needed": s.needed_probability,
    }


def listed_at(true: TrueSource, sources: tuple[HeatSource, ...]) -> int | None:
    """Return which listed source stands for a true one: by name, else the nearest within reach.

    A bridge has two names, neither of which makes the heat: there the nearest comes first.
    """
    away = [np.hypot(s.x_mm - true.x_mm, s.y_mm - true.y_mm) for s in sources]
    named = [i for i, s in enumerate(sources) if s.ref is not None and s.ref in true.refs]
    if named and (len(true.refs) == 1 or min(away) >= NEAR_MM):
        return named[0]
    return int(np.argmin(away)) if away and min(away) < NEAR_MM else None


def limit_at(true: TrueSource, case: PowerCase, fit) -> float | None:
    """Return the detection limit that was stated for the place of a source, W."""
    known = [fit.part_limit_w[r] for r in true.refs if r in fit.part_limit_w]
    if known:
        return float(min(known))
    if fit.detection_limit_w is None or true.depth == "far_side":
        return None
    row, column = (round(float(v)) for v in fit.grid.to_cell(true.x_mm, true.y_mm))
    value = fit.detection_limit_w[min(max(row, 0), fit.grid.rows - 1), min(max(column, 0), fit.grid.columns - 1)]
    return float(value) if np.isfinite(value) else None


def last_second(case: PowerCase) -> np.ndarray:
    """Return the difference in the last second, ndarray (rows, columns), K, zero where nothing is read."""
    film = case.excess.film
    bins = np.flatnonzero(film.centres_s > film.edges_s[-1] - 1.0)
    shown = np.nan_to_num(np.asarray(case.excess.excess, float)[bins]).mean(axis=0)
    return np.where(film.inside & film.readable, shown, 0.0)


def hottest(case: PowerCase, true: TrueSource) -> tuple[float, float]:
    """Return the hottest cell of the difference, K, and its distance from a source, mm.

    On a board with one fault it is sought on the whole board, else within the reach that is the source's alone.
    """
    shown = last_second(case)
    points = case.excess.film.grid.points_mm()
    away = np.hypot(points[..., 0] - true.x_mm, points[..., 1] - true.y_mm)
    if len(case.sources) > 1:
        others = [s for s in case.sources if s is not true]
        reach = 0.5 * min(np.hypot(s.x_mm - true.x_mm, s.y_mm - true.y_mm) for s in others)
        shown = np.where(away <= max(reach, case.excess.film.grid.step_mm), shown, -np.inf)
    at = np.unravel_index(int(np.argmax(shown)), shown.shape)
    return float(shown[at]), float(away[at])


def thin_plate_w(peak_k: float, case: PowerCase, plate: Plate) -> float:
    """Return the watts that a thin plate of handbook values gives the hottest pixel: P ln(1 + 2 a t / s2) / (4 pi k t).

    That is the temperature over the middle of a Gaussian source of deviation s without losses (the instantaneous
    source of Carslaw and Jaeger, 10.3, integrated over time); s is a pixel.
    """
    kt = plate.conductance_w_per_k.value
    spread = 2 * kt / plate.capacity_j_per_mm2_k.value * float(case.excess.film.edges_s[-1])
    return peak_k * 4 * np.pi * kt / float(np.log1p(spread / case.excess.film.pixel_mm**2))


def pair_of(case: PowerCase, rows: list[dict]) -> dict:
    """Tell whether two close sources were told apart, and whether the difference shows two peaks."""
    a, b = case.sources
    shown = last_second(case)
    top = (ndimage.maximum_filter(shown, 3) == shown) & (shown > 0)
    points = case.excess.film.grid.points_mm()
    peaks = points[top]
    apart = float(np.hypot(a.x_mm - b.x_mm, a.y_mm - b.y_mm))
    near = [int(np.argmin(np.hypot(*(peaks - (s.x_mm, s.y_mm)).T))) if len(peaks) else -1 for s in (a, b)]
    close = [
        np.hypot(*(peaks[n] - (s.x_mm, s.y_mm))) < 0.5 * apart if n >= 0 else False
        for n, s in zip(near, (a, b), strict=True)
    ]
    listed = [row["listed"] for row in rows]
    return {
        "apart_mm": apart,
        "told": None not in listed and listed[0] != listed[1],
        "peaks": bool(all(close) and near[0] != near[1] and has_dip(case, shown, peaks[near])),
    }


def has_dip(case: PowerCase, shown: np.ndarray, ends: np.ndarray) -> bool:
    """Tell whether the difference falls between two peaks by more than three times what its noise would do."""
    film = case.excess.film
    share = np.linspace(0, 1, 15)[:, None]
    rows, columns = film.grid.to_cell(*(ends[0] * (1 - share) + ends[1] * share).T)
    course = ndimage.map_coordinates(shown, [rows, columns], order=1)
    bins = int((film.centres_s > film.edges_s[-1] - 1.0).sum())
    noise = float(np.nanmedian(np.asarray(case.excess.noise, float))) / np.sqrt(max(1, bins))
    return bool(min(course[0], course[-1]) - course.min() > 3 * noise)


def is_false(source: HeatSource, case: PowerCase) -> bool:
    """Tell whether a listed source claims heat where there is none."""
    true = case.other_w.get(source.ref, 0.0) if source.ref else 0.0
    return abs(true) < CLAIM_W and source.power_w.low > CLAIM_W


def others_of(case: PowerCase, sources: tuple[HeatSource, ...]) -> list[list[float]]:
    """Return watts, found and interval of the parts that differ from the good boards without being put in."""
    put = set(itertools.chain.from_iterable(s.refs for s in case.sources))
    return [
        [case.other_w[s.ref], s.power_w.value, s.power_w.low, s.power_w.high]
        for s in sources
        if s.ref and s.ref not in put and abs(case.other_w.get(s.ref, 0.0)) > CLAIM_W
    ]


def line(done: dict) -> str:
    """Write one case in a line."""
    out = f"{done['kind']} {done['seed']} {done['word']} {done['camera'][0]} px {done['pixel_mm']:.2f}"
    out += f" {done['on_s']:.1f} s took {done['seconds']:.1f} false {done['false']}"
    for row in done["sources"]:
        out += f" | {','.join(row['refs']) or '-'} {row['depth']} {row['watts']:.3f}"
        if row["listed"] is not None:
            value, low, high = row["power"]
            out += f": {value:.3f} ({low:.3f} {high:.3f}) {row['ref']} {row['said']}"
            out += f" {row['place_mm']:.1f}/{row['radius_mm']:.1f} mm"
    return out


def seeds_of(text: str) -> range:
    """Return the seeds of ``first:last``."""
    first, last = (int(v) for v in text.split(":"))
    return range(first, last)


def run_seed(seed: int, kind: str, chosen: argparse.Namespace) -> dict | None:
    """Judge one seed, or take the judgement from its file."""
    path = chosen.out / f"{kind}_{seed}.json"
    if path.exists() and not chosen.again:
        return json.loads(path.read_text())
    try:
        case = stored_case(seed, kind, chosen.store)
        if chosen.make_only:
            return None
        done = judge(case, kind)
    except Exception as error:  # a case that cannot be made or judged is counted, not hidden
        print(kind, seed, "failed:", repr(error)[:300], file=sys.stderr, flush=True)
        return None
    path.write_text(json.dumps(done))
    print(line(done), flush=True)
    return done


def main() -> None:
    """Make, judge, report."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--faults", default="0:0", help="seeds of boards with one fault, first:last")
    parser.add_argument("--boards", default="0:0", help="seeds of boards with many sources far apart")
    parser.add_argument("--pairs", default="0:0", help="seeds of boards with two sources close together")
    parser.add_argument("--out", type=Path, required=True, help="folder for the judgements")
    parser.add_argument("--store", type=Path, help="folder that keeps the made boards")
    parser.add_argument("--make-only", action="store_true")
    parser.add_argument("--again", action="store_true", help="judge again what has a judgement")
    parser.add_argument("--table-only", action="store_true", help="print the table over what is there")
    chosen = parser.parse_args()
    chosen.out.mkdir(parents=True, exist_ok=True)
    done, asked = [], 0
    for kind, text in (("one", chosen.faults), ("many", chosen.boards), ("pair", chosen.pairs)):
        for seed in seeds_of(text):
            asked += 1
            if chosen.table_only:
                path = chosen.out / f"{kind}_{seed}.json"
                done += [json.loads(path.read_text())] if path.exists() else []
                continue
            one = run_seed(seed, kind, chosen)
            done += [one] if one is not None else []
    if not chosen.make_only:
        print_table(done, asked=asked)


if __name__ == "__main__":
    main()
