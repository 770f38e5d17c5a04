"""The main job on many made cases: how often it is right, and how well its numbers hold.

Run it: ``python tests/bench/population.py --seeds 1000:1100 --store FILE``. Each case is one line of JSON in the store,
so that a run that was stopped goes on where it was; ``--processes 2`` uses both cores. Seeds below 1000 are for
tuning, those from 1000 on for judging.
"""

from __future__ import annotations

import argparse
import json
import time
import traceback
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from thermscan.model.settings import Settings
from thermscan.pipeline.compare import Comparison, Job, compare
from thermscan.read.prior_file import open_priors
from thermscan.read.surface_table import open_surfaces
from thermscan.simulate import CaseOptions, draw_case
from thermscan.simulate.truth import Case, Made

GRID = 5  # board points a side at which registration is judged


def options_of(seed: int) -> CaseOptions:
    """Draw what a technician might bring: mostly small cameras, half of them hand-held, a fifth of boards good."""
    rng = np.random.default_rng([seed, 20])
    resolution = [(80, 60), (160, 120), (160, 120), (256, 192), (320, 240), (384, 288)][rng.integers(6)]
    return replace(
        CaseOptions(),
        resolution=resolution,
        hand_held=bool(rng.random() < 0.5),
        goods=int(rng.integers(1, 4)),
        marks=bool(rng.random() < 0.6),
        fault="none" if rng.random() < 0.2 else None,
    )


def board_points(case: Case) -> np.ndarray:
    """Return GRID x GRID points over the outline's box, ndarray (25, 2), mm."""
    x0, y0, x1, y1 = case.board.box_mm
    x, y = np.meshgrid(np.linspace(x0, x1, GRID), np.linspace(y0, y1, GRID))
    return np.column_stack([x.ravel(), y.ravel()])


def _map(matrix: np.ndarray, points: np.ndarray) -> np.ndarray:
    out = np.column_stack([points, np.ones(len(points))]) @ matrix.T
    return out[:, :2] / out[:, 2:]


def offsets(made: Made, matrices: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Return found minus true pixels, ndarray (frames, points, 2); NaN for frames without pose or frozen."""
    out = np.full((len(matrices), len(points), 2), np.nan)
    for i, matrix in enumerate(matrices):
        if np.isfinite(matrix).all() and not made.truth.frozen[i]:
            out[i] = _map(matrix, points) - made.truth.to_px(i, points)
    return out


def _rms(values: np.ndarray) -> float | None:
    square = (values**2).sum(axis=-1)
    return float(np.sqrt(np.nanmean(square))) if np.isfinite(square).any() else None


def judge_registration(case: Case, found: Comparison) -> dict[str, float | bool | None]:
    """Return absolute error, error frame to frame, and error faulty to good, px rms over the board."""
    points = board_points(case)
    makes = (case.faulty, *case.goods)
    all_offsets = [offsets(m, t.matrices(), points) for m, t in zip(makes, found.tracks, strict=True)]
    first = all_offsets[0]
    relative = []
    for other in all_offsets[1:]:
        # in millimetres of the board the two errors are comparable; both pictures have about the same scale
        gap = np.nanmean(first, axis=0) - np.nanmean(other, axis=0)
        relative.append(_rms(gap))
    known = [r for r in relative if r is not None]
    return {
        "absolute_px": _rms(first),
        "motion_px": _rms(first - np.nanmean(first, axis=0)),
        "relative_px": float(np.median(known)) if known else None,
        "trusted": all(t.placement.trusted for t in found.tracks),
    }


def judge(case: Case, found: Comparison) -> dict[str, Any]:
    """Compare the answer of one case with its truth."""
    result, fault, truth = found.result, case.fault, case.faulty.truth
    refs = [s.ref for s in result.suspects]
    right = [s for s in result.suspects if _is_right(s.ref, s.x_mm, s.y_mm, case)]
    first_right = bool(result.suspects) and right[:1] == [result.suspects[0]]
    rank = refs.index(right[0].ref) + 1 if right else None
    power = next((s.power_w for s in right if s.power_w is not None), None)
    true_w = fault.power_w
    place = None
    if right and right[0].x_mm is not None and fault.x_mm is not None:
        place = float(np.hypot(right[0].x_mm - fault.x_mm, right[0].y_mm - fault.y_mm))
    accused = result.suspects[0].probability if result.suspects else 0.0
    return {
        "fault": fault.word,
        "ref": fault.ref,
        "verdict": result.verdict,
        "first": refs[0] if refs else None,
        "first_right": first_right,
        "rank": rank,
        "first_probability": accused,
        "no_fault": result.no_fault_probability,
        "place_mm": place,
        "power_w": None if power is None else power.value,
        "power_95": None if power is None else [power.low, power.high],
        "true_w": true_w,
        "on_error_s": None if result.power_on_s is None else result.power_on_s.value - truth.power_on_s,
        "on_covered": None
        if result.power_on_s is None
        else bool(result.power_on_s.low <= truth.power_on_s <= result.power_on_s.high),
        "off_error_s": None
        if result.power_off_s is None or truth.power_off_s is None
        else result.power_off_s.value - truth.power_off_s,
        "off_invented": result.power_off_s is not None and truth.power_off_s is None,
        "goods": len(case.goods),
        "resolution": list(case.faulty.recording.store.shape[:0:-1]),
        **judge_registration(case, found),
    }


def _is_right(ref: str | None, x: float | None, y: float | None, case: Case) -> bool:
    """Tell whether a suspect names the fault: one of its right parts, or a bare place within a millimetre or so."""
    fault = case.fault
    if ref is not None:
        return ref in fault.refs
    if fault.ref is not None or fault.x_mm is None or x is None or y is None:
        return False
    return float(np.hypot(x - fault.x_mm, y - fault.y_mm)) < 3.0


def run_one(seed: int, options: CaseOptions | None = None) -> dict[str, Any]:
    """Draw, compare and judge one case; a failure is a row too."""
    start = time.perf_counter()
    try:
        case = draw_case(seed, options=options or options_of(seed))
        drawn = time.perf_counter()
        job = Job(
            case.faulty.recording,
            tuple(g.recording for g in case.goods),
            board=case.board,
            side=case.faulty.recording.facts.side,
            surfaces=open_surfaces(),
            priors=open_priors(),
        )
        row = judge(case, compare(job, settings=Settings()))
        row["seconds"] = time.perf_counter() - drawn
    except ValueError as error:
        row = {"skipped": str(error)} if "fault" in str(error) else {"failed": traceback.format_exc()}
    except Exception:
        row = {"failed": traceback.format_exc()}
    return {"seed": seed, "all_seconds": time.perf_counter() - start, **row}


def _quantiles(values: Iterable[float | None]) -> str:
    known = [v for v in values if v is not None]
    if not known:
        return "none"
    return f"median {np.median(known):.3g}, 90 % {np.quantile(known, 0.9):.3g} (n {len(known)})"


def _share(hits: int, of: int) -> str:
    return f"{hits}/{of} = {hits / of:.2f}" if of else "0/0"


def table(rows: list[dict[str, Any]]) -> str:
    """Return the table that the benchmark prints."""
    done = [r for r in rows if "verdict" in r]
    faulty = [r for r in done if r["fault"] != "none"]
    good = [r for r in done if r["fault"] == "none"]
    suspects = [r for r in done if r["verdict"] == "suspect"]
    lines = [
        f"cases {len(rows)}: judged {len(done)}, failed {sum('failed' in r for r in rows)}, "
        f"not drawn {sum('skipped' in r for r in rows)}",
        f"right part first        {_share(sum(r['first_right'] for r in faulty), len(faulty))}",
        f"among the first three   {_share(sum((r['rank'] or 99) <= 3 for r in faulty), len(faulty))}",
        f"verdict suspect, right  {_share(sum(r['first_right'] for r in suspects), len(suspects))}",
        f"good boards accused     {_share(sum(r['verdict'] == 'suspect' for r in good), len(good))}",
        f"cannot tell             {_share(sum(r['verdict'] == 'cannot_tell' for r in done), len(done))}",
    ]
    for word in sorted({r["fault"] for r in faulty}):
        of = [r for r in faulty if r["fault"] == word]
        lines.append(f"   {word:18s} first {_share(sum(r['first_right'] for r in of), len(of))}")
    brier = [(r["first_probability"] - float(r["first_right"])) ** 2 for r in done]
    if brier:
        base = np.mean([r["first_right"] for r in done])
        lines.append(f"Brier score of the first suspect {np.mean(brier):.3f}; of the base rate {base * (1 - base):.3f}")
    watts = [r for r in faulty if r["power_w"] is not None and r["true_w"]]
    lines += [
        "place of the fault, mm   " + _quantiles(r["place_mm"] for r in faulty),
        "power, relative error    " + _quantiles(abs(r["power_w"] - r["true_w"]) / abs(r["true_w"]) for r in watts),
        "power in its interval    "
        + _share(sum(r["power_95"][0] <= r["true_w"] <= r["power_95"][1] for r in watts), len(watts)),
        "power-on error, s        " + _quantiles(abs(r["on_error_s"]) for r in done if r["on_error_s"] is not None),
        "power-on in its interval "
        + _share(sum(bool(r["on_covered"]) for r in done), sum(r["on_covered"] is not None for r in done)),
        "power-off error, s       " + _quantiles(abs(r["off_error_s"]) for r in done if r["off_error_s"] is not None),
        "power-off invented       " + _share(sum(r["off_invented"] for r in done), len(done)),
        "pose, px, absolute       " + _quantiles(r["absolute_px"] for r in done),
        "pose, px, frame to frame " + _quantiles(r["motion_px"] for r in done),
        "pose, px, faulty to good " + _quantiles(r["relative_px"] for r in done),
        f"placing not trusted      {_share(sum(not r['trusted'] for r in done), len(done))}",
        f"trusted but over 2 px    {sum(r['trusted'] and (r['absolute_px'] or 0) > 2 for r in done)}",
        "seconds a case           " + _quantiles(r.get("seconds") for r in done),
    ]
    return "\n".join(lines)


def load(store: Path) -> dict[int, dict[str, Any]]:
    """Return the rows of a store by seed; a line cut short by a stop is left out."""
    rows = {}
    if store.is_file():
        for line in store.read_text(encoding="utf-8").splitlines():
            try:
                row = json.loads(line)
            except ValueError:
                continue
            rows[row["seed"]] = row
    return rows


def run(seeds: Iterable[int], store: Path, *, processes: int) -> list[dict[str, Any]]:
    """Run the seeds that the store lacks and return all rows."""
    wanted = list(seeds)
    rows = load(store)
    missing = [s for s in wanted if s not in rows]
    with store.open("a", encoding="utf-8") as file:
        results = map(run_one, missing) if processes == 1 else ProcessPoolExecutor(processes).map(run_one, missing)
        for row in results:
            file.write(json.dumps(row) + "\n")
            file.flush()
            rows[row["seed"]] = row
            print(row["seed"], row.get("fault"), row.get("ref"), "->", row.get("first"), row.get("verdict"),
                  row.get("failed", "")[-200:], flush=True)  # fmt: skip
    return [rows[s] for s in wanted if s in rows]


def main() -> None:
    """Read the command line, run, print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", default="1000:1030", help="A:B, B not included")
    parser.add_argument("--store", type=Path, default=Path("population.jsonl"))
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--table-only", action="store_true")
    options = parser.parse_args()
    low, high = map(int, options.seeds.split(":"))
    seeds = range(low, high)
    rows = (
        [load(options.store)[s] for s in seeds if s in load(options.store)]
        if options.table_only
        else run(seeds, options.store, processes=options.processes)
    )
    print(table(rows))


if __name__ == "__main__":
    main()
