"""Who makes how much heat and when: rails, loads, regulators and the runs of a power-up."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from thermscan.model.board import Board, Part

GRID_S = 0.02  # switching times are drawn on this grid, the shortest step of the heat model: few step lengths
LIMIT_W, LIMIT_W_MM2 = 0.1, 0.03
SUPPLY_SPREAD = 0.01  # how far the technician's supply is off from one recording to the next, one sigma


def on_grid(time_s: np.ndarray) -> np.ndarray:
    """Round times to the grid, ndarray or float, s."""
    return np.round(np.round(np.asarray(time_s, float) / GRID_S) * GRID_S, 2)


@dataclass(frozen=True)
class LoadPlan:
    """Healthy heat of a board type.

    Attributes
    ----------
    own_w : dict of refdes to W
        Heat of loads; what makers of rails lose follows from it.
    rail_of : dict of refdes to net
        Net that gates the part.
    rail_delay_s : dict of net to s after power-on
    boot : dict of refdes to (s after its rail, share before)
    loss_share : dict of refdes to W/W
        Loss of a rail's maker per watt that its rail carries.
    coil_share : dict of refdes to (maker, share of the maker's loss)
    spread : dict of refdes to relative standard deviation between units
    """

    own_w: dict[str, float]
    rail_of: dict[str, str]
    rail_delay_s: dict[str, float]
    boot: dict[str, tuple[float, float]]
    loss_share: dict[str, float]
    coil_share: dict[str, tuple[str, float]]
    spread: dict[str, float]


@dataclass(frozen=True)
class Defect:
    """What the fault does to heat and supply; the defaults do nothing.

    Attributes
    ----------
    dead : frozenset of str
        Nets without voltage.
    scale, add_w : dict of refdes
        Factor on a part's own heat, and heat on top of it.
    place_w : float
        Heat at the fault's place.
    path_w : float
        Heat along the copper that carries injected current.
    level : float
        Factor on everything (supply that sags).
    retry_s : tuple of float, optional
        Run time and pause of a supply that tries again and again.
    unpowered : bool
        True where only the defect's own heat flows (injection).
    """

    dead: frozenset[str] = frozenset()
    scale: dict[str, float] = field(default_factory=dict)
    add_w: dict[str, float] = field(default_factory=dict)
    place_w: float = 0.0
    path_w: float = 0.0
    level: float = 1.0
    retry_s: tuple[float, float] | None = None
    unpowered: bool = False


def _own_heat(part: Part, random: np.random.Generator) -> float:
    """Draw the healthy heat of a part, W; most capacitors and many resistors make none."""
    area = part.w * part.h
    if part.kind in ("chip", "memory", "module"):
        return float(np.clip(area * np.exp(random.normal(np.log(6e-3), 0.9)), 0.005, 2.5))
    if part.kind == "resistor":
        return float(random.uniform(0.01, 0.12)) * (random.random() < 0.3) * min(1.0, area / 2)
    if part.kind == "transistor":
        return float(np.exp(random.normal(np.log(0.06), 0.8))) * (random.random() < 0.6)
    if part.kind == "diode":
        return float(np.exp(random.normal(np.log(0.05), 0.7))) * (random.random() < 0.5)
    if part.kind in ("inductor", "transformer"):
        return float(np.exp(random.normal(np.log(0.05), 0.7))) * (random.random() < 0.6)
    if part.kind in ("fuse", "connector"):
        return float(random.uniform(0.0, 0.03))
    return 0.0


def draw_loads(board: Board, random: np.random.Generator) -> LoadPlan:
    """Draw the healthy heat of a board type.

    Parameters
    ----------
    board : Board
        With rails; a part without a rail among its nets hangs on the first rail.
    random : numpy Generator

    Returns
    -------
    LoadPlan
    """
    rails = {r.net: r for r in board.rails}
    first = board.rails[0].net if board.rails else ""
    makers = {r.made_by: r for r in board.rails if r.made_by}
    coils = _coils(board)
    own, rail_of, boot, spread, loss, coil_share = {}, {}, {}, {}, {}, {}
    boots = [float(on_grid(random.uniform(0.3, 2.5))) for _ in range(2)]
    for part in board.parts:
        gates = [n for n in part.nets if n in rails]
        rail_of[part.ref] = gates[0] if gates else first
        rail = makers.get(part.ref)
        watts = _own_heat(part, random)
        spread[part.ref] = float(random.uniform(0.05, 0.2))
        late = random.random()
        if rail is not None and rail.from_net is not None:
            source = rails.get(rail.from_net)
            drop = ((source.volts or 5.0) / (rail.volts or 3.3) - 1.0) if source else 0.5
            loss[part.ref] = float(random.uniform(0.1, 0.22)) if part.ref in coils.values() or drop > 1.5 else drop
            rail_of[part.ref] = rail.from_net
            watts = 0.005
        own[part.ref] = watts
        if part.kind in ("chip", "module") and late < 0.5:
            boot[part.ref] = (boots[int(late * 4)], float(random.uniform(0.2, 0.7)))
    for coil, maker in coils.items():
        own[coil] = 0.0
        coil_share[coil] = (maker, float(random.uniform(0.2, 0.5)))
    delay, step = {}, 0.0
    for rail in board.rails:
        delay[rail.net] = float(on_grid(step))
        step += float(random.uniform(0.0, 0.12))
    return _within_limits(board, LoadPlan(own, rail_of, delay, boot, loss, coil_share, spread))


def working_limit_w(part: Part) -> float:
    """Return what a body of this size can lose for good, W: about 0.2 W for the smallest, 1.3 W for 6 x 6 mm."""
    return LIMIT_W + LIMIT_W_MM2 * part.w * part.h


def _within_limits(board: Board, plan: LoadPlan) -> LoadPlan:
    """Let makers of rails lose no more than their size allows: a designer would have taken a better one."""
    loss = dict(plan.loss_share)
    for rail in reversed(board.rails):  # the lowest first, as it loads the ones above
        if rail.made_by in loss:
            healthy = part_watts(board, replace(plan, loss_share=loss), Defect())[rail.made_by]
            limit = working_limit_w(board.part(rail.made_by))
            loss[rail.made_by] *= min(1.0, limit / max(healthy, 1e-9))
    return replace(plan, loss_share=loss)


def _coils(board: Board) -> dict[str, str]:
    """Find the inductors of switching regulators: refdes of the coil to that of the maker."""
    makers = {r.made_by for r in board.rails}
    out = {}
    for part in board.parts:
        if part.kind == "inductor" and part.nets and part.nets[0].startswith("SW_") and part.nets[0][3:] in makers:
            out[part.ref] = part.nets[0][3:]
    return out


def downstream(board: Board, net: str) -> frozenset[str]:
    """Return a net and every net made from it."""
    found, grew = {net}, True
    while grew:
        more = {r.net for r in board.rails if r.from_net in found and r.net not in found}
        grew = bool(more)
        found |= more
    return frozenset(found)


def live_feed(board: Board, net: str, dead: frozenset[str]) -> str:
    """Return the net that heat on a dead net is fed from: the first one up the power tree that has voltage."""
    above = {r.net: r.from_net for r in board.rails}
    while net in dead and above.get(net):
        net = above[net] or ""
    return net


def spread_plan(plan: LoadPlan, random: np.random.Generator, *, scale: float) -> LoadPlan:
    """Return the plan of one unit: own heat off by its spread, supply a little off, start-up too."""
    supply = (1.0 + scale * SUPPLY_SPREAD * random.normal()) ** 2
    own = {ref: w * supply * float(np.exp(scale * plan.spread[ref] * random.normal())) for ref, w in plan.own_w.items()}
    loss = {ref: w * float(np.exp(scale * 0.06 * random.normal())) for ref, w in plan.loss_share.items()}
    delay = {net: max(0.0, float(on_grid(d + scale * 0.02 * random.normal()))) for net, d in plan.rail_delay_s.items()}
    boot = {ref: (float(on_grid(s * np.exp(scale * 0.01 * random.normal()))), p) for ref, (s, p) in plan.boot.items()}
    return replace(plan, own_w=own, loss_share=loss, rail_delay_s=delay, boot=boot)


def part_watts(board: Board, plan: LoadPlan, defect: Defect) -> dict[str, float]:
    """Return the steady heat of every part under a defect, W by refdes, makers' losses included."""
    if defect.unpowered:
        return {ref: defect.add_w.get(ref, 0.0) for ref in plan.own_w}
    watts = {}
    for ref, own in plan.own_w.items():
        alive = plan.rail_of.get(ref, "") not in defect.dead
        watts[ref] = own * defect.scale.get(ref, 1.0) * alive
    carried = {r.net: 0.0 for r in board.rails}
    for ref, own in watts.items():
        net = live_feed(board, plan.rail_of.get(ref, ""), defect.dead)
        if net in carried:
            carried[net] += own + defect.add_w.get(ref, 0.0)
    # from the leaves of the power tree upwards: a rail's power and its maker's loss load the rail it is made from
    for rail in reversed(board.rails):
        if rail.made_by is None or rail.made_by not in plan.loss_share or rail.from_net in defect.dead:
            continue
        lost = plan.loss_share[rail.made_by] * carried[rail.net] * (rail.net not in defect.dead)
        lost *= defect.scale.get(rail.made_by, 1.0)
        watts[rail.made_by] += lost
        if rail.from_net in carried:
            carried[rail.from_net] += carried[rail.net] + lost
    for coil, (maker, share) in plan.coil_share.items():
        moved = share * watts[maker]
        watts[coil] += moved * defect.scale.get(coil, 1.0)
        watts[maker] -= moved
    return {ref: max(0.0, (w + defect.add_w.get(ref, 0.0)) * defect.level) for ref, w in watts.items()}


@dataclass(frozen=True)
class Schedule:
    """Heat of each source over time.

    Attributes
    ----------
    sources : tuple of str
        Refdes of parts, then ``'place'`` and ``'path'``.
    watts : ndarray of shape (sources,)
        Steady heat.
    start_s : ndarray of shape (sources,)
        Seconds after the start of a run at which the source begins.
    boot_s, boot_share : ndarrays of shape (sources,)
        Until ``boot_s`` after the start of the run only this share is made.
    runs_s : ndarray of shape (runs, 2)
        Start and end of every stretch with power.
    """

    sources: tuple[str, ...]
    watts: np.ndarray
    start_s: np.ndarray
    boot_s: np.ndarray
    boot_share: np.ndarray
    runs_s: np.ndarray

    def at(self, time_s: float) -> np.ndarray:
        """Return the heat of every source at a time, ndarray (sources,), W."""
        now = np.zeros(len(self.sources))
        for start, stop in self.runs_s:
            if start <= time_s < stop:
                since = time_s - start
                share = np.where(since < self.boot_s, self.boot_share, 1.0)
                now = self.watts * share * (since >= self.start_s)
        return now

    def switches(self) -> np.ndarray:
        """Return every time at which a source jumps, ndarray, s."""
        inner = np.unique(np.concatenate([self.start_s[self.watts > 0], self.boot_s[self.watts > 0], [0.0]]))
        times: list[float] = []
        for start, stop in self.runs_s:
            times += [start + s for s in inner if start + s < stop] + [stop]
        return np.unique(np.round(np.array(times, float), 4))


def make_schedule(board: Board, plan: LoadPlan, defect: Defect, runs_s: np.ndarray) -> Schedule:
    """Lay the heat of one unit out in time; ``runs_s`` is ndarray (runs, 2), s."""
    watts = part_watts(board, plan, defect)
    refs = tuple(watts)
    start = [plan.rail_delay_s.get(plan.rail_of.get(r, ""), 0.0) for r in refs]
    makers = {r.made_by: r.net for r in board.rails if r.made_by}
    start = [
        max(s, plan.rail_delay_s.get(makers[r], s)) if r in makers else s for s, r in zip(start, refs, strict=True)
    ]
    boot = [(start[i] + plan.boot[r][0], plan.boot[r][1]) if r in plan.boot else (0.0, 1.0) for i, r in enumerate(refs)]
    level = defect.level
    return Schedule(
        (*refs, "place", "path"),
        np.array([*watts.values(), defect.place_w * level, defect.path_w * level]),
        np.round([*start, 0.0, 0.0], 2),
        np.round([*(b[0] for b in boot), 0.0, 0.0], 2),
        np.array([*(b[1] for b in boot), 1.0, 1.0]),
        runs_s,
    )


def split_runs(runs_s: np.ndarray, retry_s: tuple[float, float] | None) -> np.ndarray:
    """Cut runs into tries where the supply gives up and tries again; times rounded to the grid."""
    if retry_s is None:
        return np.asarray(runs_s, float)
    on, pause = retry_s
    out = []
    for start, stop in runs_s:
        now = start
        while now < stop:
            out.append((now, min(now + on, stop)))
            now += on + pause
    return np.round(np.array(out), 4)
