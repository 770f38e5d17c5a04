"""From what is hot to what is at fault, over made cases: hit rates, accused good boards, calibration, readings.

Run ``python tests/bench/bench_diagnosis.py --seeds 1000:1330 --store FOLDER --processes 2``. The evidence of a case is
made once and kept in FOLDER (a file a seed), so that an interrupted run goes on where it stopped, and so that a change
of the reasoning alone is judged again in minutes with ``--again``; ``--make-only`` stops after the making,
``--table-only`` prints what was judged before. ``--alone`` makes cases without any good board, in a FOLDER of their
own; ``--word none`` makes good boards only, or cases of one fault. Seeds under 1000 are for choosing settings, the
others for reporting.
Beside it stands the plain method: the part under (or nearest to) the hottest pixel of the difference.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
import time
import traceback
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from diagnosis_case import COVERED, DRIVEN, WORDS, Stored, meter, stored

from thermscan.explain.posterior import brier_score
from thermscan.explain.suspect import Looked, conclude, look_at
from thermscan.model.evidence import Evidence
from thermscan.model.settings import ExplainSettings
from thermscan.read.prior_file import open_priors

PRIORS, EXPLAIN = open_priors(), ExplainSettings()
NEAR_MM = 3.0  # a bare place this close to the true one is right
OFF_BODY = ("bridge", "joint")  # their heat is made beside the bodies: a bare place names them too
EDGES = (0, 0.2, 0.5, 0.7, 0.9, 0.97, 1.01)
LEAST_P = 1e-4  # of what is true, for the log score

Row = dict[str, Any]


def is_right(suspect, truth) -> bool:
    """Tell whether a suspect names the fault: a right part, or a bare place within reach of a true bare one."""
    if truth.word == "none":
        return False
    if suspect.ref is not None:
        return suspect.ref in truth.refs
    if truth.x_mm is None or (truth.ref is not None and truth.word not in OFF_BODY):
        return False
    return math.hypot(suspect.x_mm - truth.x_mm, suspect.y_mm - truth.y_mm) <= NEAR_MM


def plain_is_right(evidence, board, truth) -> bool:
    """Name the part under or nearest to the hottest pixel of the last second's difference."""
    excess = evidence.excess
    window = excess.excess[-max(1, len(excess.excess) // 6) :]
    known = np.isfinite(window)
    mean = np.where(known, window, 0).sum(axis=0) / np.maximum(known.sum(axis=0), 1)
    mean = np.where(excess.film.inside & known.any(axis=0), mean, -np.inf)
    x, y = excess.film.grid.points_mm()[np.unravel_index(np.argmax(mean), mean.shape)]
    parts = board.parts_on(evidence.side)
    if truth.ref is None:
        return truth.x_mm is not None and math.hypot(x - truth.x_mm, y - truth.y_mm) <= NEAR_MM
    on = [p for p in parts if bool(p.contains(x, y))] or sorted(parts, key=lambda p: math.hypot(p.x - x, p.y - y))[:1]
    return bool(on) and on[0].ref in truth.refs


def is_strong(evidence, truth) -> bool:
    """Tell whether the excess at the true part is over twice the healthy spread and over 5 sigma of noise."""
    for part in evidence.parts:
        if part.ref in truth.refs and part.state not in ("unreadable", "unknown"):
            last = np.flatnonzero(np.isfinite(part.excess_course_k))
            if len(last):
                i = last[-1]
                size = abs(part.excess_course_k[i])
                return bool(size > 2 * part.spread_course_k[i] and size > 5 * part.noise_course_k[i])
    return False


def chance(ranking, truth) -> float:
    """Return the probability given to what is true."""
    if truth.word == "none":
        return ranking.no_fault_probability
    return sum(s.probability for s in ranking.suspects if is_right(s, truth))


def silenced(evidence: Evidence) -> Evidence:
    """Leave out what tells of the power-up: restarts and supply logs."""
    timing = None if evidence.timing is None else replace(evidence.timing, restarts=None)
    return replace(evidence, timing=timing, supply=(), good_supplies=())


# What is tried with each kind of reading, and without it, on the same picture.
KINDS: dict[str, tuple[Callable, Callable]] = {
    "voltage of each rail": (lambda c, s: replace(c.evidence, readings=meter(c, s, "voltage")), lambda c: c.evidence),
    "resistance of each rail": (
        lambda c, s: replace(c.evidence, readings=meter(c, s, "resistance_to_ground")),
        lambda c: c.evidence,
    ),
    "diode drop of each rail": (
        lambda c, s: replace(c.evidence, readings=meter(c, s, "diode_drop")),
        lambda c: c.evidence,
    ),
    "current of the supply": (
        lambda c, s: replace(silenced(c.evidence), readings=meter(c, s, "current")),
        lambda c: silenced(c.evidence),
    ),
    "log of the supply": (
        lambda c, s: replace(silenced(c.evidence), supply=c.evidence.supply, good_supplies=c.evidence.good_supplies),
        lambda c: silenced(c.evidence),
    ),
    "restarts": (lambda c, s: replace(silenced(c.evidence), timing=c.evidence.timing), lambda c: silenced(c.evidence)),
}


def judge(seed: int, folder: Path, *, alone: bool, word: str | None) -> Row | None:
    """Explain one case, with what was recorded and with each kind of reading."""
    case = stored(seed, folder, alone=alone, word=word)
    if case is None:
        return {"seed": seed, "skipped": True}
    start = time.process_time()
    looked = look_at(case.evidence, case.board, priors=PRIORS, settings=EXPLAIN)
    assert looked is not None
    ranking = conclude(looked, case.evidence, case.board, priors=PRIORS)
    seconds = time.process_time() - start
    right = [is_right(s, case.truth) for s in ranking.suspects]
    return {
        "seed": seed,
        "word": case.word,
        "first": right[:1] == [True],
        "three": any(right[:3]),
        "plain": case.word != "none" and plain_is_right(case.evidence, case.board, case.truth),
        "verdict": ranking.verdict,
        "lead": ranking.suspects[0].probability if ranking.suspects else 0.0,
        "named": f"{ranking.suspects[0].ref} {ranking.suspects[0].fault}" if ranking.suspects else "",
        "true": f"{'/'.join(case.truth.refs)} {case.truth.power_w or 0:.3f} W",
        "none": ranking.no_fault_probability,
        "true_p": chance(ranking, case.truth),
        "seconds": seconds,
        "strong": is_strong(case.evidence, case.truth),
        "goods": case.evidence.good_boards,
        "camera": case.camera[0],
        "kinds": {name: _gain(case, seed, looked, *ways) for name, ways in KINDS.items()},
        "good": _good_verdict(case),
    }


def _gain(case: Stored, seed: int, looked: Looked, with_it: Callable, without: Callable) -> dict | None:
    """Return first place and probability of what is true with and without one kind; None where there is none."""
    more, less = with_it(case, seed), without(case)
    if (more.readings, more.supply, more.timing) == (less.readings, less.supply, less.timing):
        return None
    out = {}
    for key, evidence in (("with", more), ("without", less)):
        ranking = conclude(looked, evidence, case.board, priors=PRIORS)
        hit = bool(ranking.suspects) and is_right(ranking.suspects[0], case.truth)
        out[key] = (hit, chance(ranking, case.truth), ranking.verdict)
    return out


def _good_verdict(case: Stored) -> str | None:
    if case.good is None:
        return None
    looked = look_at(case.good, case.board, priors=PRIORS, settings=EXPLAIN)
    assert looked is not None
    return conclude(looked, case.good, case.board, priors=PRIORS).verdict


def run_one(seed: int, folder: Path, *, make_only: bool, again: bool, alone: bool, word: str | None) -> Row | None:
    """Make and judge one seed; a failure is a row too."""
    path = folder / f"{seed}.json"
    try:
        if make_only:
            stored(seed, folder, alone=alone, word=word)
            return None
        if path.exists() and not again:
            return json.loads(path.read_text())
        row = judge(seed, folder, alone=alone, word=word)
    except Exception:
        return {"seed": seed, "failed": traceback.format_exc()}
    part = path.with_suffix(".new")
    part.write_text(json.dumps(row))
    part.replace(path)
    return row


def run(seeds: range, folder: Path, *, processes: int, **how: bool) -> Iterator[Row | None]:
    """Run the seeds, on several processes if asked."""
    one = partial(run_one, folder=folder, **how)
    if processes == 1:
        yield from map(one, seeds)
    else:
        with ProcessPoolExecutor(processes) as pool:
            yield from pool.map(one, seeds)


def table(rows: list[Row]) -> str:
    """Return hit rates by fault, calibration and the gain from readings, with counts."""
    failed, skipped = [r for r in rows if "failed" in r], [r for r in rows if "skipped" in r]
    done = [r for r in rows if "word" in r]
    faulty, good = [r for r in done if r["word"] != "none"], [r for r in done if r["word"] == "none"]
    strong = [r for r in faulty if r["strong"]]
    groups = [(w, [r for r in done if r["word"] == w]) for w in dict.fromkeys(WORDS)]
    groups += [
        ("all faults", faulty),
        ("but covered, driven", [r for r in faulty if r["word"] not in (COVERED, DRIVEN)]),
    ]
    groups += [("strong at part", strong), ("  from 160 x 120", [r for r in strong if r["camera"] >= 160])]
    groups += [(f"{n} good boards", [r for r in faulty if r["goods"] == n]) for n in (1, 2, 3)]
    groups += [(f"{n} columns", [r for r in faulty if r["camera"] == n]) for n in sorted({r["camera"] for r in done})]
    lines = [
        f"cases {len(rows)}: judged {len(done)}, failed {len(failed)}, not drawn {len(skipped)}",
        f"{'fault':20s} {'n':>4s} {'first':>6s} {'three':>6s} {'plain':>6s} | suspect (right) like_good cannot_tell",
        *(_line(name, some) for name, some in groups if some),
        *_verdict_lines(done, faulty, good),
        *_calibration_lines(done),
        *_kind_lines(done),
        f"{np.mean([r['seconds'] for r in done]) if done else 0:.2f} s CPU a case to reason",
    ]
    return "\n".join(lines)


def _line(name: str, some: list[Row]) -> str:
    said = [r for r in some if r["verdict"] == "suspect"]
    means = " ".join(f"{np.mean([r[k] for r in some]):6.2f}" for k in ("first", "three", "plain"))
    other = " ".join(str(sum(r["verdict"] == v for r in some)) for v in ("like_good", "cannot_tell"))
    return f"{name:20s} {len(some):4d} {means} | {len(said)} ({sum(r['first'] for r in said)}) {other}"


def _share(some: list[bool]) -> str:
    return f"{sum(some)} of {len(some)}" + (f" = {np.mean(some):.3f}" if some else "")


def _verdict_lines(done: list[Row], faulty: list[Row], good: list[Row]) -> list[str]:
    """Say how right the verdicts are; cannot tell is right where naming the first suspect would have been wrong."""
    left_out = [r["good"] == "suspect" for r in done if r["good"] is not None]
    accused = [r["verdict"] == "suspect" for r in good]
    silent = [r for r in faulty if r["verdict"] == "cannot_tell"]
    calm = [r for r in done if r["verdict"] == "like_good"]
    return [
        f"good boards accused {_share(accused)}; good boards judged by the others {_share(left_out)}",
        f"verdict suspect right {_share([r['first'] for r in done if r['verdict'] == 'suspect'])}",
        f"verdict like_good right {_share([r['word'] == 'none' for r in calm])};"
        f" said of faulty boards {_share([r['verdict'] == 'like_good' for r in faulty])}",
        f"cannot tell {_share([r['verdict'] == 'cannot_tell' for r in done])}, of faulty boards {len(silent)}:"
        f" right to say so (the first suspect is wrong) {_share([not r['first'] for r in silent])},"
        f" too little to see at the part {_share([not r['strong'] for r in silent])}",
    ]


def _calibration_lines(rows: list[Row]) -> list[str]:
    """Return Brier scores and the reliability tables of the first suspect, and of no fault."""
    lines = []
    for name, key, true in (
        ("first suspect", "lead", [r["first"] for r in rows]),
        ("no fault", "none", [r["word"] == "none" for r in rows]),
    ):
        said, is_true = np.array([r[key] for r in rows]), np.array(true, float)
        base = brier_score(np.full(len(is_true), is_true.mean()), is_true)
        lines.append(f"Brier score of the {name} {brier_score(said, is_true):.4f} (base rate {base:.4f})")
        for low, high in pairwise(EDGES):
            some = (said >= low) & (said < high)
            if some.any():
                means = f"mean {said[some].mean():.3f} true {is_true[some].mean():.3f}"
                lines.append(f"  said {low:.2f}-{min(high, 1):.2f}: n {some.sum():4d} {means}")
    score = np.mean([math.log(max(r["true_p"], LEAST_P)) for r in rows])
    return [*lines, f"log score of what is true {score:.3f}"]


def _kind_lines(rows: list[Row]) -> list[str]:
    """Say what each kind of reading adds, over the cases that have it."""
    lines = []
    for name in KINDS:
        some = [(r, r["kinds"][name]) for r in rows if r["kinds"][name]]
        if not some:
            continue
        hits = [(k["with"][0], k["without"][0]) for r, k in some if r["word"] != "none"]
        said = [k["with"][0] for _, k in some if k["with"][2] == "suspect"]
        gains = [math.log(max(k["with"][1], LEAST_P)) - math.log(max(k["without"][1], LEAST_P)) for _, k in some]
        lines.append(
            f"with {name}: first {sum(h for h, _ in hits)} of {len(hits)} faulty (without {sum(h for _, h in hits)}),"
            f" verdict suspect right {_share(said)}, log score {np.mean(gains):+.3f} over {len(some)}"
        )
    return lines


def main() -> None:
    """Make and judge the seeds given and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", default="1000:1330", metavar="FIRST:END")
    parser.add_argument("--store", required=True, type=Path)
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--make-only", action="store_true", help="make what is missing and stop")
    parser.add_argument("--again", action="store_true", help="judge again what was judged: the reasoning has changed")
    parser.add_argument("--alone", action="store_true", help="without a good board to compare with")
    parser.add_argument(
        "--word", choices=sorted(set(WORDS)), help="the same fault in all cases, in a FOLDER of their own"
    )
    parser.add_argument("--table-only", action="store_true", help="print what was judged before")
    choice = parser.parse_args()
    choice.store.mkdir(parents=True, exist_ok=True)
    first, end = (int(v) for v in choice.seeds.split(":"))
    seeds = range(first, end)
    if choice.table_only:
        seeds = [s for s in seeds if (choice.store / f"{s}.json").exists()]
    rows = []
    again = choice.again and not choice.table_only
    how = {"make_only": choice.make_only, "again": again, "alone": choice.alone, "word": choice.word}
    for row in run(seeds, choice.store, processes=choice.processes, **how):
        if row is None:
            continue
        rows.append(row)
        text = row.get("failed") or (
            "not drawn" if "skipped" in row else
            f"{row['word']}: {row['true']} -> {row['named']} {row['lead']:.2f} {row['verdict']}"
            f" {'right' if row['first'] else 'wrong'} none {row['none']:.2f}"
        )  # fmt: skip
        print(row["seed"], text, file=sys.stderr)
    if rows:
        print(table(rows))


if __name__ == "__main__":
    main()
