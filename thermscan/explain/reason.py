"""Plain sentences: why a suspect is one, with numbers and units, for the person at the bench."""

from __future__ import annotations

import numpy as np

from thermscan.explain.bare_place import Bare, edge_distance_mm, spot_at
from thermscan.explain.lineup import Hypothesis, Lineup
from thermscan.model.evidence import Evidence
from thermscan.model.result import Suspect

FAULT_TEXT = {
    "short": "short circuit, to ground or through the part",
    "leak": "leaks current: warm, without taking its net down",
    "overload": "draws more than its like",
    "dead_supply": "supply that does not come up",
    "open_or_missing": "open, missing or not soldered",
    "joint": "high-resistance joint or contact",
    "heat_path": "poor contact to its heat sink or copper",
    "bridge": "bridge between neighbours",
    "hidden_source": "heat from under it or from the other side",
    "supply_limit": "supply at its current limit or restarting",
    "other": "another fault",
}


CORRECTED_FROM = 0.2  # of the difference as shown: a correction from which both are said; judgement


def number(value: float, unit: str) -> str:
    """Write a value with the digits it deserves: two significant ones below 10, whole numbers above."""
    size = abs(value)
    digits = 0 if size >= 10 else (1 if size >= 1 else 2)
    return f"{value:.{digits}f} {unit}"


def compared_with(evidence: Evidence, *, is_bare: bool = False) -> str:
    """Name what the board, or a place of it where no part is listed, was compared with."""
    if evidence.basis == "itself_before":
        return "this board before"
    if evidence.is_injection and evidence.basis == "itself_only":
        return "before the net was fed"
    if evidence.basis == "itself_only":
        return "bare board is expected to be" if is_bare else "what its kind is expected to show"
    return "the good board" if evidence.good_boards == 1 else f"the {evidence.good_boards} good boards"


def reasons_for(where: str, faults: list[Hypothesis], lineup: Lineup, evidence: Evidence) -> tuple[str, ...]:
    """Return the sentences of one suspect, strongest first; ``faults`` are its hypotheses, likeliest first."""
    out: list[str] = []
    main = faults[0]
    if where.startswith("@"):
        out.append(_bare_sentence(lineup.bare[int(where[1:])], lineup, evidence))
    else:
        out += _own_sentences(where, main, lineup, evidence)
        out += _pad_sentences(where, main, lineup)
    out += _dark_sentences(main, lineup, evidence)
    out += _decoy_sentences(where, main, lineup, evidence)
    out += _source_sentences(where, evidence)
    return tuple(out)


def _unit(evidence: Evidence) -> str:
    return "K" if evidence.unit == "celsius" else "counts"


def _since(evidence: Evidence) -> str:
    return "after power-on" if evidence.clock_is_power_on else "into the recording"


def _own_sentences(ref: str, main: Hypothesis, lineup: Lineup, evidence: Evidence) -> list[str]:
    scene = lineup.scene
    row = scene.index(ref)
    if row is None:
        return [f"{ref} is on the other side of the board: only heat that came through the board is seen"]
    if not scene.is_seen[row]:
        return [f"the surface of {ref} cannot be read; it is judged by what is around it"]
    unit = _unit(evidence)
    excess, own = scene.excess_k[row, -1], scene.own_k[row, -1]
    scale = float(np.hypot(scene.noise_k[row, -1], scene.spread_k[row, -1]))
    word = "warmer" if excess >= 0 else "cooler"
    line = (
        f"{ref} is {number(abs(excess), unit)} {word} than {compared_with(evidence)}, {scene.times_s[-1]:.1f} s"
        f" {_since(evidence)}; harmless differences there are about {number(scale, unit)}"
    )
    if own > 0.5 * scale:
        line += f", on {number(own, unit)} of its own heat"
    out = [line, *_corrected_sentences(ref, excess, evidence)]
    if main.fault in ("heat_path", "hidden_source") and len(scene.times_s) > 1:
        early = scene.excess_k[row, 0]
        out.append(f"the difference comes late: {number(early, unit)} at {scene.times_s[0]:.1f} s")
    if main.fault not in ("dead_supply", "open_or_missing", "supply_limit") and abs(excess) < 2 * scale:
        out.append(f"{ref} itself shows little; it is listed because of its kind and of what stands around it")
    return out


def _corrected_sentences(ref: str, apparent: float, evidence: Evidence) -> list[str]:
    """Say what the part's own surface and size make of a difference as the camera shows it, where that is much."""
    reading = next((p for p in evidence.parts if p.ref == ref), None)
    if reading is None or reading.excess_k is None or evidence.unit != "celsius":
        return []
    own = reading.excess_k
    if abs(own.value - apparent) <= CORRECTED_FROM * abs(apparent) or abs(own.value) <= abs(apparent):
        return []
    return [
        f"that is as the camera shows it; corrected for the size and surface of {ref} the last second is"
        f" {number(own.value, 'K')} apart ({number(own.low, 'K')} to {number(own.high, 'K')}), the figure given with"
        " the suspect"
    ]


def _pad_sentences(ref: str, main: Hypothesis, lineup: Lineup) -> list[str]:
    """Say where off the body the heat comes from, where it sits at the part's pads."""
    part = next((p for p in (lineup.board.parts if lineup.board else ()) if p.ref == ref), None)
    if main.at is None or part is None:
        return []
    place = lineup.bare[main.at]
    if main.fault == "hidden_source":
        return [
            f"the extra heat comes through the board at x {place.x_mm:.1f}, y {place.y_mm:.1f} mm, where {ref} sits"
        ]
    off = edge_distance_mm(part, place.x_mm, place.y_mm)
    others = [r for r, _ in place.owners if r != ref]
    beside = f", or a bridge to {others[0]}" if others else ""
    where = f"{off:.1f} mm off the body of {ref}" if off >= 0 else f"at the edge of the body of {ref}"
    return [f"the extra heat comes from x {place.x_mm:.1f}, y {place.y_mm:.1f} mm, {where}: its pads or solder{beside}"]


def _bare_sentence(place: Bare, lineup: Lineup, evidence: Evidence) -> str:
    scene = lineup.scene
    distance = np.hypot(scene.x_mm - place.x_mm, scene.y_mm - place.y_mm)
    i = int(np.argmin(np.where(scene.is_seen, distance, np.inf)))
    near = f" between {' and '.join(place.near[:2])}" if len(place.near) >= 2 else ""
    where = f"the board at x {place.x_mm:.1f}, y {place.y_mm:.1f} mm{near}"
    sits = f"beneath {place.under}" if place.under else "and no listed part sits there"
    if "no_millimetres" in evidence.flags:
        where = f"this place of the picture{near}"
    excess, spot = float(scene.excess_k[i, -1]), spot_at(place, evidence)
    if spot is not None and spot.excess_k is not None:
        excess, where = spot.excess_k.value, f"{where}, at its peak,"  # a block's mean says little of a small spot
    size = f"{number(abs(excess), _unit(evidence))} {'warmer' if excess >= 0 else 'cooler'}"
    return f"{where} is {size} than {compared_with(evidence, is_bare=True)}, {sits}"


def _dark_sentences(main: Hypothesis, lineup: Lineup, evidence: Evidence) -> list[str]:
    """Say which parts stay cold because of the same net."""
    scene = lineup.scene
    net = main.net
    refs = main.dark or (lineup.tree.fed_by(net) if net and main.collapse_share else frozenset())
    rows = [i for i in range(scene.places) if scene.refs[i] in refs and scene.is_seen[i]]
    warm = [i for i in rows if scene.own_k[i, -1] > 3 * np.hypot(scene.noise_k[i, -1], scene.spread_k[i, -1])]
    cold = [i for i in warm if scene.excess_k[i, -1] < -0.3 * scene.own_k[i, -1]]
    if not warm or not net:
        return []
    unit = _unit(evidence)
    if not cold:
        if main.fault in ("short", "leak"):
            return [f"the parts on {net} warm as usual ({_names(warm, scene.refs)}): its volts have not collapsed"]
        return []
    depth = [-scene.excess_k[i, -1] for i in cold]
    span = number(max(depth), unit)
    return [
        f"{len(cold)} of {len(warm)} parts fed by {net} that should clearly warm stay cold"
        f" ({_names(cold, scene.refs)}), by up to {span}:"
        " one cause explains them all"
        if len(cold) > 1
        else f"{_names(cold, scene.refs)}, fed by {net}, stays cold by {span}"
    ]


def _names(rows: list[int], refs: tuple[str | None, ...]) -> str:
    names = [str(refs[i]) for i in rows]
    return ", ".join(names[:4]) + (f" and {len(names) - 4} more" if len(names) > 4 else "")


def _decoy_sentences(where: str, main: Hypothesis, lineup: Lineup, evidence: Evidence) -> list[str]:
    """Name the warm parts that merely feed the suspect, the warmest first."""
    scene = lineup.scene
    if main.net is None or main.fault not in ("short", "leak", "overload"):
        return []
    z = scene.significance()
    feeders = lineup.tree.path_to(main.net) - {where}
    warm = [i for i in range(scene.places) if scene.refs[i] in feeders and z[i] > 2]
    warm.sort(key=lambda i: -scene.excess_k[i, -1])
    return [
        f"{scene.refs[i]} is {number(scene.excess_k[i, -1], _unit(evidence))} warmer too, but it feeds {main.net} and"
        " would warm with any fault that draws on it"
        for i in warm[:2]
    ]


def _source_sentences(where: str, evidence: Evidence) -> list[str]:
    for source in evidence.sources:
        if source.ref == where and source.needed_probability > 0.5:
            w = source.power_w
            return [
                f"the spread of heat over the board puts {number(w.value, 'W')} ({w.low:.2f} to {w.high:.2f}) of extra"
                f" heat at {where}"
            ]
    return []


WARMS = ("short", "leak", "overload", "joint", "heat_path", "bridge", "hidden_source")
SHARED_FROM = 0.1  # probability that neighbours add to the first suspect's, from which the sum is said; judgement


def shared_place(suspects: tuple[Suspect, ...]) -> tuple[str, ...]:
    """Say how likely one warm place is that several suspects share, where none of them alone says it."""
    if not suspects or suspects[0].fault not in WARMS or suspects[0].x_mm is None:
        return ()
    first = suspects[0]
    near = [s for s in suspects[1:] if s.fault in WARMS and s.side == first.side and _is_same_place(first, s)]
    more = sum(s.probability for s in near)
    if more < SHARED_FROM or first.probability + more < 0.5:
        return ()
    names = [s.ref or "the bare board between" for s in (first, *near)][:4]
    return (
        f"{', '.join(names[:-1])} and {names[-1]} share one warm place, at x {first.x_mm:.1f}, y {first.y_mm:.1f} mm:"
        f" together {100 * (first.probability + more):.0f} %; look and measure there first",
    )


def _is_same_place(first: Suspect, other: Suspect) -> bool:
    if other.x_mm is None:
        return False
    apart = float(np.hypot(first.x_mm - other.x_mm, first.y_mm - other.y_mm))
    return apart <= (first.place_95_mm or 0.0) + (other.place_95_mm or 0.0) + 0.5
