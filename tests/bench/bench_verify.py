"""Verification on made repairs: fixed, not fixed, fixed but something new; how often each is called what it is.

Run it: ``python tests/bench/bench_verify.py --seeds 1000:1030 --store FILE``. Each case is one line of JSON in the
store, so that a run that was stopped goes on where it was. Seeds below 1000 are for tuning, those from 1000 on for
judging. Cases are small (80 x 60 pixels) to be quick. The same unit is filmed before and after.
"""

from __future__ import annotations

import argparse
import json
import time
import traceback
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from thermscan.model.case_record import PlaceChange
from thermscan.model.settings import Settings
from thermscan.pipeline.verify import VerifyJob, verify
from thermscan.read.surface_table import open_surfaces
from thermscan.simulate.case import DRAW_ALL, TRIES
from thermscan.simulate.fault import DrawnFault, FaultSite, draw_fault
from thermscan.simulate.filming import BoardType, Camera, Filming, draw_camera, draw_type
from thermscan.simulate.layout import draw_board
from thermscan.simulate.load import Defect, draw_loads

OPTIONS = replace(
    DRAW_ALL,
    resolution=(80, 60),
    frame_rate_hz=4.0,
    before_s=2.0,
    on_s=8.0,
    after_s=1.0,
    board_mm=((45.0, 75.0), (35.0, 55.0)),
    parts=(14, 30),
    side="top",
    marks=True,
    warm_start=False,
    camera_events=False,
)
REPAIRS = ("fixed", "not_fixed", "new")
HOPED = {"fixed": "gone", "not_fixed": "still_there", "new": "something_new"}


class SameUnit(Filming):
    """Films one and the same unit each time; only camera, hand and bench differ from film to film."""

    def __init__(self, kind: BoardType, camera: Camera, *, options: Any, unit_seed: int, film_seed: int) -> None:
        super().__init__(kind, camera, options, np.random.default_rng(unit_seed))
        self.film_seed = film_seed

    def _film(self, *args: Any, **kwargs: Any) -> Any:
        self.random = np.random.default_rng(self.film_seed)
        return super()._film(*args, **kwargs)


def draw_type_and_fault(random: np.random.Generator) -> tuple[BoardType, DrawnFault, DrawnFault]:
    """Draw a board type with a fault and a second one at another place."""
    for _ in range(TRIES):
        board = draw_board(random, OPTIONS)
        kind = draw_type(board, draw_loads(board, random), OPTIONS, random)
        site = FaultSite(board, kind.plan, "top", None, random)
        try:
            first = draw_fault(site, None)
            if first.truth.word == "none":
                continue
            for _ in range(TRIES):
                second = draw_fault(site, None)
                if second.truth.word not in ("none", first.truth.word) and second.truth.ref != first.truth.ref:
                    return kind, first, second
        except ValueError:
            continue
    raise ValueError("no board with two faults")


def showed_before(place: PlaceChange) -> bool:
    """Tell whether a place stood out before the repair: what never showed cannot be shown to be gone."""
    said = place.state in ("gone", "still_there") or place.sentence.endswith(("call it gone", "seen now"))
    return place.before_k is not None and said


def run_one(seed: int) -> list[dict[str, Any]]:
    """Make one board, repair it in three ways, and verify each."""
    random = np.random.default_rng([seed, 77])
    kind, fault, second = draw_type_and_fault(random)
    options = replace(OPTIONS, hand_held=bool(random.random() < 0.4), goods=int(random.integers(1, 4)))
    camera = draw_camera(options, random, side="top")
    film = Filming(kind, camera, options, random)
    healthy = Defect()
    goods = tuple(film.record(healthy, None, name=f"good_{i + 1}").made.recording for i in range(options.goods or 1))
    unit = int(random.integers(2**31))

    def same(defect: Defect, what: DrawnFault | None, name: str, number: int) -> Any:
        one = SameUnit(kind, camera, options=options, unit_seed=unit, film_seed=1000 * seed + number)
        return one.record(defect, what, name=name).made.recording

    before = same(fault.defect, fault, "before", 0)
    ways = {"fixed": (healthy, None), "not_fixed": (fault.defect, fault), "new": (second.defect, second)}
    rows = []
    for number, (repair, (defect, what)) in enumerate(ways.items(), 1):
        start = time.perf_counter()
        after = same(defect, what, f"after_{repair}", number)
        job = VerifyJob((after,), kind.board, goods, before=before, surfaces=open_surfaces())
        found = verify(job, settings=Settings()).verification
        worst = [p.sentence for p in found.places if p.state in ("still_there", "new")]
        rows.append(
            {
                "seed": seed,
                "repair": repair,
                "fault": fault.truth.word,
                "second": second.truth.word if repair == "new" else None,
                "outcome": found.outcome,
                "showed": any(showed_before(p) for p in found.places),
                "new": [p.name for p in found.places if p.state == "new"],
                "places": [[p.name, p.state, p.before_k, p.after_k] for p in found.places[:8]],
                "worst": worst[:3],
                "cold": next(c.found for c in found.criteria if c.name == "cold starts"),
                "goods": len(goods),
                "hand_held": options.hand_held,
                "seconds": time.perf_counter() - start,
            }
        )
    return rows


def read_store(store: Path) -> list[dict[str, Any]]:
    """Return the rows that are there already."""
    return [json.loads(line) for line in store.read_text().splitlines()] if store.exists() else []


def wilson(hits: int, total: int) -> str:
    """Say a share with its 95 % interval (Wilson 1927)."""
    if total == 0:
        return "none"
    z, p = 1.96, hits / total
    middle = (p + z * z / (2 * total)) / (1 + z * z / total)
    half = z * np.sqrt(p * (1 - p) / total + z * z / (4 * total**2)) / (1 + z * z / total)
    return f"{hits} of {total} ({100 * p:.0f} %, {100 * (middle - half):.0f} to {100 * (middle + half):.0f})"


def print_table(rows: list[dict[str, Any]]) -> None:
    """Print what each repair was called, with counts."""
    good = [r for r in rows if "error" not in r]
    print(f"{len(good)} verifications, {len(rows) - len(good)} failures")
    for repair in REPAIRS:
        mine = [r for r in good if r["repair"] == repair]
        called = Counter(r["outcome"] for r in mine)
        told = [r for r in mine if r["outcome"] != "cannot_tell"]
        hits = sum(r["outcome"] == HOPED[repair] for r in mine)
        print(f"{repair:>10}: {dict(called)}")
        print(f"{'':>10}  called right {wilson(hits, len(mine))}; of those told {wilson(hits, len(told))}")
        shown = [r for r in mine if r["showed"]]
        right = sum(r["outcome"] == HOPED[repair] for r in shown)
        print(f"{'':>10}  where the fault stood out before: {wilson(right, len(shown))}")
        if repair == "new":
            named = sum(bool(r["new"]) for r in mine)
            print(f"{'':>10}  something new named, whatever the outcome: {wilson(named, len(mine))}")
    seen = [r for r in good if "not seen" not in r["cold"]]
    cold = sum(r["cold"].startswith("1 of 1") for r in seen)
    print(f"cold starts called cold, where power-on was seen: {wilson(cold, len(seen))}")
    false_good = [r for r in good if r["repair"] != "fixed" and r["outcome"] == "gone"]
    bad = [r for r in good if r["repair"] != "fixed"]
    print(f"called gone though it is not right: {wilson(len(false_good), len(bad))}")
    for row in false_good:
        print(f"   seed {row['seed']} {row['repair']} {row['fault']} {row['second']}")


def main() -> None:
    """Run the seeds that the store lacks and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", default="0:4")
    parser.add_argument("--store", type=Path, default=Path("verify.jsonl"))
    options = parser.parse_args()
    start, stop = (int(n) for n in options.seeds.split(":"))
    rows = read_store(options.store)
    done = {r["seed"] for r in rows}
    with options.store.open("a") as file:
        for seed in range(start, stop):
            if seed in done:
                continue
            try:
                new = run_one(seed)
            except Exception as error:  # a failure is a row too
                traceback.print_exc()
                new = [{"seed": seed, "error": str(error)}]
            rows += new
            file.writelines(json.dumps(row) + "\n" for row in new)
            file.flush()
    print_table([r for r in rows if start <= r["seed"] < stop])


if __name__ == "__main__":
    main()
