"""Faults: what is wrong with one board, what that does to heat and supply, and what would be the right answer."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from thermscan.model.board import Board, Part, Rail
from thermscan.simulate.load import Defect, LoadPlan, downstream, on_grid, part_watts, working_limit_w
from thermscan.simulate.material import KINDS
from thermscan.simulate.stack import LAYERS
from thermscan.simulate.truth import FaultTruth

# What stands for seconds: a body by its footprint (0402 near 150 K/W, 1206 near 40 K/W over the board, from memory),
# its joint at this many kelvin, and a board by its size.
STOOD_W, STOOD_W_MM2, STOOD_K = 0.35, 0.35, 90.0
BOARD_W, BOARD_W_MM2 = 1.0, 1.0 / 1500.0
COLD_FROM_W = 0.01  # parts that made less than this when healthy are not listed as cold


@dataclass(frozen=True)
class Spot:
    """Heat made in the board itself: centre, layer and radius (one sigma), mm."""

    x_mm: float
    y_mm: float
    layer: int
    radius_mm: float = 0.5


@dataclass(frozen=True)
class DrawnFault:
    """A fault ready to be built in.

    Attributes
    ----------
    truth : FaultTruth
        ``power_w`` is filled in later, from the schedules.
    defect : Defect
    coupling : dict of refdes to factor
        On the conductance of a part to the board (``'U1>HS1'``: to its cover).
    missing : frozenset of str
        Parts that are not there.
    spot : Spot or None
    path_mm : tuple of (x, y)
        Ends of the copper that carries injected current.
    """

    truth: FaultTruth
    defect: Defect = field(default_factory=Defect)
    coupling: dict[str, float] = field(default_factory=dict)
    missing: frozenset[str] = frozenset()
    spot: Spot | None = None
    path_mm: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True)
class FaultSite:
    """What a fault is drawn from: board, healthy heat, filmed side, watts asked for, generator."""

    board: Board
    plan: LoadPlan
    side: str
    watts: float | None
    random: np.random.Generator
    injection: bool = False
    covered_short: bool = False

    def healthy(self) -> dict[str, float]:
        """Return the heat of every part on a good board, W."""
        return part_watts(self.board, self.plan, Defect())

    def power(self, low: float, high: float) -> float:
        """Return the watts asked for, else drawn evenly in their logarithm."""
        if self.watts is not None:
            return self.watts
        return float(np.exp(self.random.uniform(np.log(low), np.log(high))))

    def most_in(self, part: Part) -> float:
        """Return the watts that body, joint and board stand for seconds."""
        area = part.w * part.h
        x0, y0, x1, y1 = self.board.box_mm
        joint = STOOD_K * np.sqrt(np.prod(KINDS[part.kind].foot_w_m2k)) * area * 1e-6
        return min(STOOD_W + STOOD_W_MM2 * area, float(joint), BOARD_W + BOARD_W_MM2 * (x1 - x0) * (y1 - y0))

    def power_in(self, part: Part, low: float, high: float) -> float:
        """Return watts as :meth:`power` does, held to what the part stands."""
        most = self.most_in(part)
        return self.power(min(low, most), min(high, most))

    def pick(self, parts: list[Part]) -> Part | None:
        """Return one of the parts, None if there are none."""
        return parts[int(self.random.integers(len(parts)))] if parts else None

    def near_layer(self) -> int:
        """Return the layer of the filmed face."""
        return 0 if self.side == "top" else len(LAYERS) - 1


def _layer_of(part: Part) -> int:
    return 0 if part.side == "top" else len(LAYERS) - 1


def _rail(board: Board, net: str) -> Rail | None:
    return next((r for r in board.rails if r.net == net), None)


def _cold(site: FaultSite, dead: frozenset[str], *, but: str | None = None) -> tuple[str, ...]:
    """List parts that made heat when healthy and do not with these nets dead."""
    healthy, now = site.healthy(), part_watts(site.board, site.plan, Defect(dead=dead))
    return tuple(r for r, w in healthy.items() if w >= COLD_FROM_W and now[r] < 0.3 * w and r != but)


def _truth(part: Part, word: str, text: str, *, net: str | None = None, **more: object) -> FaultTruth:
    net = net or next((n for n in part.nets if n != "GND"), None)
    return FaultTruth(word, part.ref, net, part.x, part.y, part.side, (part.ref,), text=text, **more)  # type: ignore[arg-type]


def _short(site: FaultSite) -> DrawnFault | None:
    """Draw a short to ground: a capacitor, or at times a chip, on a lower rail if there is one."""
    lower = {r.net for r in site.board.rails if r.from_net} or {r.net for r in site.board.rails}
    kinds = ("capacitor",) if site.random.random() < 0.75 else ("chip", "memory", "transistor", "diode")
    parts = [p for p in site.board.parts if p.kind in kinds and lower & set(p.nets)]
    if site.covered_short:
        parts = [p for p in site.board.parts if lower & set(p.nets) and (p.covered_by or p.side != site.side)]
        parts = [p for p in parts if p.kind in ("capacitor", "chip", "memory", "transistor", "diode")]
        if not parts:
            return None
    part = site.pick(parts or [p for p in site.board.parts if p.kind == "capacitor"])
    if part is None:
        return None
    net = next((n for n in part.nets if n in lower), part.nets[0] if part.nets else "")
    watts = site.power_in(part, 0.05, 5.0)
    if site.injection:
        return _injected(site, part, net, watts)
    dead = downstream(site.board, net)
    rail = _rail(site.board, net)
    maker = rail.made_by if rail else None
    has_maker = maker in site.plan.loss_share
    retry = None
    if not has_maker or site.random.random() < 0.25:  # the supply itself gives up and tries again
        retry = (float(on_grid(site.random.uniform(0.15, 0.6))), float(on_grid(site.random.uniform(0.4, 2.0))))
    add = {part.ref: watts}
    decoys: tuple[str, ...] = ()
    if has_maker and maker:
        limit = 2.0 * working_limit_w(site.board.part(maker))
        add[maker] = float(np.clip(watts * site.random.uniform(0.2, 1.8), 0.02, limit))
        decoys = (maker, *(c for c, (m, _) in site.plan.coil_share.items() if m == maker))
    truth = _truth(
        part,
        "short",
        f"{part.ref} shorts {net} to ground",
        net=net,
        cold_refs=_cold(site, dead, but=part.ref),
        decoy_refs=decoys,
    )
    return DrawnFault(truth, Defect(dead=dead, add_w=add, retry_s=retry))


def _injected(site: FaultSite, part: Part, net: str, watts: float) -> DrawnFault:
    """Drive the shorted rail from a bench supply at its maker or at the farthest part of that net."""
    rail = _rail(site.board, net)
    maker = next((p for p in site.board.parts if rail and p.ref == rail.made_by), None)
    others = [p for p in site.board.parts if net in p.nets and p.ref != part.ref]
    feed = maker or (max(others, key=lambda p: np.hypot(p.x - part.x, p.y - part.y)) if others else part)
    path = watts * float(site.random.uniform(0.05, 0.4))
    truth = _truth(part, "short", f"{part.ref} shorts {net} to ground, driven by a bench supply", net=net)
    defect = Defect(add_w={part.ref: watts}, path_w=path, unpowered=True)
    return DrawnFault(truth, defect, path_mm=((feed.x, feed.y), (part.x, part.y)))


def _leak(site: FaultSite) -> DrawnFault | None:
    parts = [p for p in site.board.parts if p.kind in ("capacitor", "diode", "transistor") and len(p.nets) > 1]
    part = site.pick(parts)
    if part is None:
        return None
    watts = site.power_in(part, 0.02, 0.8)
    return DrawnFault(_truth(part, "leak", f"{part.ref} leaks"), Defect(add_w={part.ref: watts}))


def _overload(site: FaultSite) -> DrawnFault | None:
    healthy = site.healthy()
    part = site.pick([p for p in site.board.parts if p.kind in ("chip", "memory", "module") and healthy[p.ref] > 0.01])
    if part is None:
        return None
    drawn = healthy[part.ref] * float(site.random.uniform(0.6, 3.0)) + 0.05
    more = site.watts if site.watts is not None else min(drawn, site.most_in(part))
    return DrawnFault(_truth(part, "overload", f"{part.ref} draws too much"), Defect(add_w={part.ref: more}))


def _dead_supply(site: FaultSite) -> DrawnFault | None:
    made = [r for r in site.board.rails if r.from_net and r.made_by in site.plan.loss_share]
    if not made:
        return None
    rail = made[int(site.random.integers(len(made)))]
    maker = site.board.part(rail.made_by or "")
    dead = downstream(site.board, rail.net)
    truth = _truth(maker, "dead_supply", f"{maker.ref} makes no {rail.net}", net=rail.net, cold_refs=_cold(site, dead))
    return DrawnFault(truth, Defect(dead=dead, scale={maker.ref: 0.0}))


def _open_or_missing(site: FaultSite) -> DrawnFault | None:
    healthy = site.healthy()
    makers = {r.made_by for r in site.board.rails}
    warm = [p for p in site.board.parts if healthy[p.ref] > 0.03 and p.ref not in makers and p.kind != "connector"]
    part = site.pick(warm)
    if part is None:
        return None
    gone = site.random.random() < 0.5
    truth = _truth(part, "open_or_missing", f"{part.ref} is {'missing' if gone else 'open'}")
    return DrawnFault(truth, Defect(scale={part.ref: 0.0}), missing=frozenset({part.ref}) if gone else frozenset())


def _joint(site: FaultSite) -> DrawnFault | None:
    """Draw a high-resistance joint: heat at one end of a part that carries current."""
    kinds = ("connector", "fuse", "inductor", "transistor", "regulator", "diode")
    part = site.pick([p for p in site.board.parts if p.kind in kinds])
    if part is None:
        return None
    watts, end = site.power(0.05, 1.0), float(site.random.choice([-1.0, 1.0]))
    turn = np.radians(part.rotation)
    reach = 0.5 * max(part.w - 0.6, 0.2) * end
    x, y = part.x + reach * np.cos(turn), part.y + reach * np.sin(turn)
    low_x, low_y, high_x, high_y = site.board.box_mm
    x, y = float(np.clip(x, low_x + 0.5, high_x - 0.5)), float(np.clip(y, low_y + 0.5, high_y - 0.5))
    net = next((n for n in part.nets if n != "GND"), None)
    truth = FaultTruth("joint", part.ref, net, x, y, part.side, (part.ref,), text=f"a joint of {part.ref} is resistive")
    return DrawnFault(truth, Defect(place_w=watts), spot=Spot(x, y, _layer_of(part), 0.6))


def _heat_path(site: FaultSite) -> DrawnFault | None:
    """Draw a part whose way for the heat is poor: off its heat sink if it has one, else off the board."""
    healthy = site.healthy()
    part = site.pick([p for p in site.board.parts if healthy[p.ref] > 0.08])
    if part is None:
        return None
    factor = float(site.random.uniform(0.08, 0.3))
    sink = next((p for p in site.board.parts if p.ref == part.covered_by and p.kind == "heatsink"), None)
    key = f"{part.ref}>{sink.ref}" if sink else part.ref
    truth = _truth(part, "heat_path", f"{part.ref} does not get rid of its heat")
    if sink is not None:
        truth = FaultTruth(**{**truth.__dict__, "refs": (part.ref, sink.ref)})
    return DrawnFault(truth, coupling={key: factor})


def _bridge(site: FaultSite) -> DrawnFault | None:
    """Draw a bridge of solder between two neighbouring parts."""
    parts = site.board.parts_on(site.side)
    pairs = [
        (a, b)
        for i, a in enumerate(parts)
        for b in parts[i + 1 :]
        if np.hypot(a.x - b.x, a.y - b.y) < 0.5 * (max(a.w, a.h) + max(b.w, b.h)) + 2.0
        and a.covered_by is None
        and b.covered_by is None
    ]
    pairs = [p for p in pairs if _is_bare(site, *_between(*p))]
    if not pairs:
        return None
    a, b = pairs[int(site.random.integers(len(pairs)))]
    x, y = _between(a, b)
    net = next((n for n in a.nets if n != "GND"), None)
    text = f"solder bridges {a.ref} and {b.ref}"
    truth = FaultTruth("bridge", a.ref, net, x, y, site.side, (a.ref, b.ref), text=text)
    return DrawnFault(truth, Defect(place_w=site.power(0.05, 1.5)), spot=Spot(x, y, site.near_layer(), 0.4))


def _between(a: Part, b: Part) -> tuple[float, float]:
    """Return the middle of the gap between two bodies, taken as boxes."""
    low_a, high_a = a.corners_mm().min(axis=0), a.corners_mm().max(axis=0)
    low_b, high_b = b.corners_mm().min(axis=0), b.corners_mm().max(axis=0)
    inner_low, inner_high = np.maximum(low_a, low_b), np.minimum(high_a, high_b)
    middle = (inner_low + inner_high) / 2
    return float(middle[0]), float(middle[1])


def _is_bare(site: FaultSite, x: float, y: float) -> bool:
    on_body = any(bool(p.contains(x, y)) for p in site.board.parts_on(site.side))
    return bool(site.board.inside(x, y)) and not on_body


def _hidden_source(site: FaultSite) -> DrawnFault | None:
    """Draw heat where the camera does not see it made: under a chip, or on the far face."""
    watts = site.power(0.1, 1.5)
    chips = [
        p for p in site.board.parts_on(site.side) if min(p.w, p.h) >= 4.0 and p.kind in ("chip", "memory", "module")
    ]
    if chips and site.random.random() < 0.5:
        chip = site.pick(chips)
        off = site.random.uniform(-0.3, 0.3, 2) * [chip.w, chip.h]
        x, y = float(chip.x + off[0]), float(chip.y + off[1])
        net = next((n for n in chip.nets if n != "GND"), None)
        truth = FaultTruth("hidden_source", chip.ref, net, x, y, site.side, (chip.ref,), text=f"heat under {chip.ref}")
        return DrawnFault(truth, Defect(place_w=watts), spot=Spot(x, y, site.near_layer(), 0.6))
    far = "bottom" if site.side == "top" else "top"
    part = site.pick(list(site.board.parts_on(far)))
    if part is not None and site.random.random() < 0.6:
        text = f"{part.ref} on the far side is hot"
        truth = FaultTruth(
            "hidden_source", part.ref, part.nets[0] if part.nets else None, part.x, part.y, far, (part.ref,), text=text
        )
        return DrawnFault(truth, Defect(add_w={part.ref: site.power_in(part, 0.1, 1.5)}))
    x0, y0, x1, y1 = site.board.box_mm
    for _ in range(50):
        x, y = (float(v) for v in site.random.uniform((x0 + 3, y0 + 3), (x1 - 3, y1 - 3)))
        if bool(site.board.inside(x, y)):
            layer = len(LAYERS) - 1 - site.near_layer()
            truth = FaultTruth("hidden_source", None, None, x, y, far, (), text="heat on the far side")
            return DrawnFault(truth, Defect(place_w=watts), spot=Spot(x, y, layer, 0.7))
    return None


def _supply_limit(site: FaultSite) -> DrawnFault | None:
    """Draw a supply that sags under its limit, or that gives up and tries again."""
    rail = site.board.rails[0] if site.board.rails else None
    plug = next((p for p in site.board.parts if rail and p.ref == rail.made_by), None)
    if rail is None or plug is None:
        return None
    truth = _truth(plug, "supply_limit", f"the supply of {rail.net} is at its limit", net=rail.net)
    if site.random.random() < 0.5:
        return DrawnFault(truth, Defect(level=float(site.random.uniform(0.15, 0.55))))
    retry = (float(on_grid(site.random.uniform(0.15, 0.8))), float(on_grid(site.random.uniform(0.4, 2.0))))
    return DrawnFault(truth, Defect(retry_s=retry))


DRAWN: dict[str, Callable[[FaultSite], DrawnFault | None]] = {
    "short": _short,
    "leak": _leak,
    "overload": _overload,
    "dead_supply": _dead_supply,
    "open_or_missing": _open_or_missing,
    "joint": _joint,
    "heat_path": _heat_path,
    "bridge": _bridge,
    "hidden_source": _hidden_source,
    "supply_limit": _supply_limit,
}
# How often each kind is drawn where none is asked for.
WEIGHTS = {
    "short": 5.0,
    "leak": 2.0,
    "overload": 2.0,
    "dead_supply": 2.0,
    "open_or_missing": 2.0,
    "joint": 1.5,
    "heat_path": 1.5,
    "bridge": 1.5,
    "hidden_source": 1.5,
    "supply_limit": 1.0,
    "none": 3.0,
}


def draw_fault(site: FaultSite, word: str | None) -> DrawnFault:
    """Draw a fault of one kind, or of any.

    Parameters
    ----------
    site : FaultSite
    word : str, optional
        One of the fault words or ``'none'``; drawn by WEIGHTS when None.

    Returns
    -------
    DrawnFault

    Raises
    ------
    ValueError
        Where this board cannot have the fault that was asked for (no part of the kind it needs).
    """
    if word is not None and word != "none":
        found = DRAWN[word](site)
        if found is None:
            raise ValueError(f"this board cannot have the fault {word!r}")
        return found
    if word is None:
        words, weights = list(WEIGHTS), np.array(list(WEIGHTS.values()))
        for choice in site.random.choice(words, size=12, p=weights / weights.sum()):
            if choice == "none":
                break
            found = DRAWN[str(choice)](site)
            if found is not None:
                return found
    return DrawnFault(FaultTruth("none", text="nothing is wrong"))
