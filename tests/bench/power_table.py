"""The table of ``bench_power.py``: what was measured over many made boards, with counts."""

from __future__ import annotations

import itertools
from collections.abc import Callable

import numpy as np

LEAST_W = 0.01  # what makes less over the good boards (parts that stay dead with their rail) is no source of heat
DEPTHS = ("surface", "under_part", "far_side")


def print_table(done: list[dict], *, asked: int) -> None:
    """Print everything over the boards that were judged."""
    print(f"\nboards judged {len(done)} of {asked}")
    if not done:
        return
    for kind, title in (
        ("one", "one fault a board"),
        ("many", "many sources a board, far apart"),
        ("pair", "two sources close together"),
    ):
        boards = [d for d in done if d["kind"] == kind]
        if boards:
            print(f"\n{title}: {len(boards)} boards")
            print_kind(boards)
    print("\nall kinds together")
    print_depth(sources_of(done))
    others = np.array([o for d in done for o in d["others"]])
    if len(others):
        held = (others[:, 2] <= others[:, 0]) & (others[:, 0] <= others[:, 3])
        print(f"  parts that differ by themselves, listed: {len(others)}, interval holds {held.mean():.3f}")
    print(f"  listed where nothing makes 50 mW, interval above that: {sum(d['false'] for d in done)}")
    seconds = [d["seconds"] for d in done]
    print(f"  seconds to find the sources: median {np.median(seconds):.1f}, most {max(seconds):.1f}")


def sources_of(boards: list[dict]) -> list[dict]:
    """Return all sources with the camera and seconds of their board."""
    more = ("camera", "on_s", "pixel_mm", "word", "seed")
    return [s | {k: d[k] for k in more} for d in boards for s in d["sources"] if s["watts"] >= LEAST_W]


def print_kind(boards: list[dict]) -> None:
    """Print errors, coverage, place and pairs of one kind of boards."""
    rows = sources_of(boards)
    count = sum(len(d["sources"]) for d in boards)
    print(f"  left out, below {LEAST_W} W over the good boards: {count - len(rows)} of {count}")
    print_found(rows)
    print_power("all", rows)
    for name, chosen in SPLITS.items():
        print_power(name, [r for r in rows if chosen(r)])
    print_place(rows)
    pairs = [d["pair"] | {"pixel_mm": d["pixel_mm"]} for d in boards if d["pair"]]
    if pairs:
        print_pairs(pairs)


SPLITS: dict[str, Callable[[dict], bool]] = {
    "below 0.1 W": lambda r: r["watts"] < 0.1,
    "0.1 to 0.5 W": lambda r: 0.1 <= r["watts"] < 0.5,
    "from 0.5 W": lambda r: r["watts"] >= 0.5,
    "camera to 120x90": lambda r: r["camera"][0] <= 120,
    "camera to 256x192": lambda r: 120 < r["camera"][0] <= 256,
    "camera from 320x240": lambda r: r["camera"][0] > 256,
    "3 to 6 s": lambda r: r["on_s"] < 6,
    "6 to 20 s": lambda r: r["on_s"] >= 6,
    "seen face": lambda r: r["depth"] == "surface",
    "under a part": lambda r: r["depth"] == "under_part",
    "far side": lambda r: r["depth"] == "far_side",
}


def is_listed(row: dict) -> bool:
    """Tell whether a source was listed."""
    return row["listed"] is not None


def print_found(rows: list[dict]) -> None:
    """Print how many were listed, and how that goes with the stated detection limit."""
    found = sum(map(is_listed, rows))
    first = sum(bool(r.get("first")) for r in rows)
    print(f"  sources {len(rows)}, listed {found}, as the first {first}")
    known = [r for r in rows if r["limit_w"] is not None]
    above = [r for r in known if r["watts"] > r["limit_w"]]
    below = [r for r in known if r["watts"] <= r["limit_w"]]
    text = ", ".join(f"{sum(map(is_listed, g))} of {len(g)} {name}" for g, name in ((above, "above"), (below, "below")))
    print(f"  listed by stated detection limit: {text}")


def print_power(name: str, rows: list[dict]) -> None:
    """Print one line of errors of power: the listed ones, beside the plain method on the same ones."""
    rows = [r for r in rows if is_listed(r) and abs(r["watts"]) > 1e-3]
    if not rows:
        return
    true = np.array([r["watts"] for r in rows])
    value, low, high = np.array([r["power"] for r in rows]).T
    plain = np.array([r["plain_w"] for r in rows])
    error, off = np.abs(value / true - 1), np.abs(plain / true - 1)
    held = (low <= true) & (true <= high)
    print(
        f"  {name:20s} n {len(rows):4d}  error median {np.median(error):.3f} p90 {np.quantile(error, 0.9):.2f}"
        f"  found/true {np.median(value / true):.2f}  95 % holds {held.mean():.3f} (truth below {(true < low).sum()},"
        f" above {(true > high).sum()})  width/value {np.median((high - low) / np.abs(value)):.2f}"
        f"  | plain: median {np.median(off):.3f} p90 {np.quantile(off, 0.9):.2f}"
    )


def print_place(rows: list[dict]) -> None:
    """Print errors of place, beside the plain method on the same sources and on all of them."""
    found = [r for r in rows if is_listed(r)]
    if not found:
        return
    off = np.array([r["place_mm"] for r in found])
    radius = np.array([r["radius_mm"] for r in found])
    plain = np.array([r["plain_mm"] for r in found])
    pixel = np.array([r["pixel_mm"] for r in found])
    print(
        f"  place error median {np.median(off):.2f} mm ({np.median(off / pixel):.2f} px)"
        f" p90 {np.quantile(off, 0.9):.2f} mm, radius median {np.median(radius):.2f} mm holds"
        f" {np.mean(off <= radius):.3f} of {len(off)}"
        f"  | plain: median {np.median(plain):.2f} p90 {np.quantile(plain, 0.9):.2f} mm"
    )
    every = np.array([r["plain_mm"] for r in rows])
    print(
        f"  within 3 mm of all {len(rows)}: {sum(r['place_mm'] < 3 for r in found)}"
        f"  | plain hottest cell: {(every < 3).sum()}"
    )


def print_pairs(pairs: list[dict]) -> None:
    """Print the share of pairs told apart, by distance."""
    for name, low, high in (("all", 0, 99), ("below 3 mm", 0, 3), ("3 to 5 mm", 3, 5), ("from 5 mm", 5, 99)):
        some = [p for p in pairs if low <= p["apart_mm"] < high]
        fine = [p for p in some if p["apart_mm"] >= 2 * p["pixel_mm"]]
        print(
            f"  pairs {name:10s} told apart {sum(p['told'] for p in some)} of {len(some)}, of those two pixels and more"
            f" apart {sum(p['told'] for p in fine)} of {len(fine)}  | plain, two peaks: {sum(p['peaks'] for p in some)}"
        )


def print_depth(rows: list[dict]) -> None:
    """Print which depth was said of which, and how well the probability of being hidden is calibrated."""
    found = [r for r in rows if is_listed(r)]
    for depth in DEPTHS:
        some = [r for r in found if r["depth"] == depth]
        said = ", ".join(f"{sum(r['said'] == d for r in some)} {d}" for d in DEPTHS)
        print(f"  truly {depth:10s} of {len(some):4d} listed: said {said}")
    behind = [r for r in found if r["depth"] != "surface"]
    right = sum(r["said"] in ("under_part", "far_side") for r in behind)
    wrong = sum(r["said"] in ("under_part", "far_side") for r in found if r["depth"] == "surface")
    print(
        f"  hidden sources listed {len(behind)} of {sum(r['depth'] != 'surface' for r in rows)}, recognised as hidden"
        f" {right}, depth right {sum(r['said'] == r['depth'] for r in behind)}, called unknown"
        f" {sum(r['said'] == 'unknown' for r in behind)}; sources on the seen face called hidden {wrong} of"
        f" {sum(r['depth'] == 'surface' for r in found)}"
    )
    hidden = np.array([1 - r["depths"].get("surface", 0.0) for r in found])
    truly = np.array([r["depth"] != "surface" for r in found])
    edges = (0.0, 0.05, 0.2, 0.5, 0.8, 0.95, 1.0001)
    for low, high in itertools.pairwise(edges):
        chosen = (hidden >= low) & (hidden < high)
        if chosen.any():
            print(
                f"  probability of being hidden {low:.2f} to {min(high, 1):.2f}: {chosen.sum()} sources, mean"
                f" {hidden[chosen].mean():.2f}, truly hidden {truly[chosen].mean():.2f}"
            )
