"""The faults that are weighed against one another: where each may sit, how it may look, how likely it is at first."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from thermscan.explain.bare_place import Bare, bare_places
from thermscan.explain.likelihood import Beside, Body, Look
from thermscan.explain.pattern import OwnHeat, lag, loss_pattern, source_patterns
from thermscan.explain.power_tree import PowerTree, is_ground
from thermscan.explain.scene import Scene
from thermscan.model.board import Board, Part
from thermscan.model.evidence import FAR_SIDE, Evidence, Priors
from thermscan.model.result import HeatSource
from thermscan.model.settings import ExplainSettings

# Kelvin at the hottest end: a part 100 K above its like would no longer be filmed for seconds; judgement.
STRONGEST_K = 100.0
GONE = np.array([0.6, 0.8, 0.9, 1.0])  # share of the own heat that is missing
KEPT = (0.0, 0.35, 0.7)  # share of its heat that a part with a poor heat path keeps from the board
COLLAPSED = 0.9  # the same where a short has taken the net down, give or take the rest
LIMITED = 0.8  # the same where the supply has given up for the whole board, give or take the rest
# What heats bare board, and what heats the pads of a part, as shares: judgement, no source.
AT_BARE = {"bridge": 0.45, "short": 0.3, "hidden_source": 0.15, "joint": 0.1}
AT_PADS = {"joint": 0.4, "bridge": 0.35, "short": 0.25}
# Times bare_place_share of the priors: a bridge and a bad joint sit between bodies and at pads by their nature, a short
# mostly inside a part; judgement.
BARE_FACTOR = {"short": 0.4, "bridge": 3.0, "joint": 2.0, "hidden_source": 2.0}
MOST_BARE = 0.9
HEAT_FAULTS = ("short", "leak", "overload", "joint")
# Range of the change, K, per fault: judgement, wide. An overload and a lost heat path grow with the own heat.
TOP_K = {"short": 100.0, "leak": 25.0, "overload": 60.0, "joint": 60.0, "bridge": 80.0, "hidden_source": 40.0}


@dataclass(frozen=True)
class View:
    """One entry in a hypothesis' mix of looks: key of the look, its share, and weights of its strengths."""

    look: tuple[object, ...]
    share: float
    strengths: np.ndarray


@dataclass(frozen=True)
class Hypothesis:
    """One fault at one place.

    ``where`` is the refdes, or ``@n`` for the n-th bare place; ``net`` the net that it pulls down or leaves dead.
    ``dark`` are parts that lose their supply for certain, ``collapse_share`` how often the net's volts collapse;
    ``at`` is the number of the bare place that heats where the fault sits at the pads of the part ``where``;
    ``share_of`` the fault whose share of the priors it takes, empty where that is its own.
    """

    where: str
    fault: str
    net: str | None
    prior: float
    views: tuple[View, ...]
    dark: frozenset[str] = frozenset()
    collapse_share: float = 0.0
    at: int | None = None
    share_of: str = ""


@dataclass
class Lineup:
    """All hypotheses, and the looks that they share (each look is judged once)."""

    scene: Scene
    board: Board | None
    tree: PowerTree
    priors: Priors
    settings: ExplainSettings
    own: OwnHeat
    bare: tuple[Bare, ...]
    looks: dict[tuple[object, ...], Look] = field(default_factory=dict)
    hypotheses: list[Hypothesis] = field(default_factory=list)
    feeders: dict[tuple[str, str], tuple[Beside, ...]] = field(default_factory=dict)
    plates: dict[tuple[str, bool], np.ndarray] = field(default_factory=dict)
    gives_up: np.ndarray | None = None  # share of each outcome's likelihood in which the whole supply has given up
    sources: tuple[HeatSource, ...] = ()
    pixel_mm: float = 0.0

    @property
    def shares(self) -> np.ndarray:
        """Share of each part in the healthy warmth of each place, ndarray (places, places)."""
        return self.own.shares

    @property
    def diffusivities(self) -> tuple[float, ...]:
        """Spreads of heat to try, mm2/s: what explains the good boards, and a step to either side."""
        step = self.settings.diffusivity_step
        return self.own.diffusivity / step, self.own.diffusivity, self.own.diffusivity * step

    @property
    def brings_k(self) -> np.ndarray:
        """Warmth that each place's part brings to the warmest place it reaches, last stage, K, ndarray (places,)."""
        return (self.shares * np.where(self.scene.is_seen, self.scene.own_k[:, -1], 0.0)[:, None]).max(axis=0)

    @property
    def strengths_k(self) -> np.ndarray:
        """Strengths tried for heat, K, logarithmic."""
        return np.geomspace(self.settings.least_change_k, STRONGEST_K, self.settings.strengths)


def line_up(
    evidence: Evidence,
    scene: Scene,
    board: Board | None,
    tree: PowerTree,
    own: OwnHeat,
    *,
    priors: Priors,
    settings: ExplainSettings,
) -> Lineup:
    """List the faults to weigh, with priors that add to the listed share, and the looks of each."""
    bare = bare_places(evidence, scene, board, settings=settings)
    lineup = Lineup(scene, board, tree, priors, settings, own, bare, sources=evidence.sources)
    if evidence.excess is not None:
        lineup.pixel_mm = evidence.excess.film.pixel_mm
    parts = _candidates(evidence, board)
    for part in parts:
        _add_part(lineup, part, is_far=part.side != evidence.side)
    for number in range(len(lineup.bare)):
        _add_bare(lineup, number)
    _add_limit(lineup)
    _spread_priors(lineup)
    return lineup


def _candidates(evidence: Evidence, board: Board | None) -> list[Part]:
    seen = list(board.parts_on(evidence.side)) if board is not None else []
    known = {p.ref for p in seen}
    seen += [Part(p.ref, kind=p.kind, side=p.side) for p in evidence.parts if p.ref not in known]
    return seen + (list(board.parts_on(FAR_SIDE[evidence.side])) if board is not None else [])


def _hot_views(lineup: Lineup, part: Part, kind: str, *, low: float, high: float) -> list[View]:
    """List looks of heat made at a part: how quickly the board spreads it, how much stays in the body, how late."""
    weights, base = _range_weights(lineup.strengths_k, low, high), _hot_looks(lineup, part, kind)
    return [View(key, 1.0 / len(base), weights) for key in base]


def _range_weights(strengths: np.ndarray, low: float, high: float) -> np.ndarray:
    inside = (strengths >= min(low, strengths[-1]) * 0.999) & (strengths <= max(high, low * 2) * 1.001)
    inside = inside if inside.any() else strengths == strengths[-1]
    return inside / inside.sum()


def _hot_looks(lineup: Lineup, part: Part, kind: str) -> list[tuple[object, ...]]:
    """Register the looks of a heated part; ``kind`` is plain, collapse, blackout or hidden."""
    scene, settings = lineup.scene, lineup.settings
    stem = ("hot", part.ref, kind)
    known = [k for k in lineup.looks if k[:3] == stem]
    if known:
        return known
    row = scene.refs.index(part.ref)
    radius, body = scene.radius_mm[row], None
    fixed, besides = _side_effects(lineup, part, kind)
    if kind.startswith("hidden"):
        radius = radius + settings.hidden_wide_mm
    else:
        courses = [lag(scene.times_s, c) for c in (settings.body_quick_s, settings.body_slow_s)]
        courses += _own_course(scene, row, settings)
        body = Body(row, settings.body_steps, np.stack(courses))
    plate_key = (part.ref, kind.startswith("hidden"))
    if plate_key not in lineup.plates:
        lineup.plates[plate_key] = source_patterns(
            scene, scene.x_mm[row], scene.y_mm[row], radius, diffusivities=lineup.diffusivities
        )
    patterns = lineup.plates[plate_key]
    if kind.startswith("hidden"):
        patterns = patterns * lag(scene.times_s, settings.hidden_lag_s)
    keys = []
    for number, pattern in enumerate(patterns):
        key = (*stem, number)
        lineup.looks[key] = Look(pattern, lineup.strengths_k, fixed, besides, body)
        keys.append(key)
    return keys


def _own_course(scene: Scene, row: int, settings: ExplainSettings) -> list[np.ndarray]:
    """Return how the healthy part itself warms up, 1 at the last stage: it may start seconds after power-on."""
    own = scene.own_k[row]
    if not scene.is_seen[row] or own[-1] < settings.warm_own_k * scene.floor_scale:
        return []
    return [np.clip(own / own[-1], 0.0, 1.0)]


def _side_effects(lineup: Lineup, part: Part, kind: str) -> tuple[np.ndarray | None, tuple[Beside, ...]]:
    """Say what a fault brings along: feeders may warm; users of its net (collapse) or all (blackout) go dark."""
    nets = lineup.tree.supplies_of(part)
    if not nets:
        return None, ()
    scene = lineup.scene
    feeders = frozenset().union(*(lineup.tree.path_to(n) for n in nets)) - {part.ref}
    besides = [b for ref in sorted(feeders) if scene.index(ref) is not None for b in _feeder(lineup, ref)]
    fixed = None
    if kind.endswith("collapse"):
        low = lowest(lineup.tree, nets)
        dark = frozenset().union(*(lineup.tree.fed_by(n) for n in low)) - {part.ref}
        pattern, some = dark_pattern(lineup, dark, low)
        fixed = COLLAPSED * pattern
        besides += some
    elif kind.endswith("blackout"):
        fixed = -LIMITED * scene.own_k
    if fixed is not None:
        left = (1.0 - LIMITED if kind.endswith("blackout") else 1.0 - COLLAPSED) * fixed
        besides.append(Beside(left, -3.0, 1.0))
    return fixed, tuple(besides)


def _feeder(lineup: Lineup, ref: str) -> tuple[Beside, ...]:
    """Return what a part that feeds the fault may warm besides: its body, and the board around it."""
    key = ("feeder", ref)
    if key not in lineup.feeders:
        scene, settings = lineup.scene, lineup.settings
        row = scene.refs.index(ref)
        middle = (lineup.own.diffusivity,)
        plate = source_patterns(scene, scene.x_mm[row], scene.y_mm[row], scene.radius_mm[row], diffusivities=middle)[0]
        size = settings.decoy_k * scene.floor_scale
        body = np.zeros_like(plate)
        body[row] = size * lag(scene.times_s, settings.body_slow_s)
        lineup.feeders[key] = tuple(
            Beside(c, -0.1, 5.0, may_be_absent=True) for c in (body, 0.5 * size * plate) if c.any()
        )
    return lineup.feeders[key]


def dark_pattern(lineup: Lineup, refs: frozenset[str], nets: tuple[str, ...]) -> tuple[np.ndarray, tuple[Beside, ...]]:
    """Excess where these parts go dark with these nets: parts that another supply still feeds do so by half or so."""
    scene, tree = lineup.scene, lineup.tree
    dead = frozenset().union(*(tree.below(n) for n in nets)) if nets else frozenset()
    parts = {p.ref: p for p in (lineup.board.parts if lineup.board else ())}
    half = frozenset(r for r in refs if r in parts and set(tree.supplies_of(parts[r])) - dead and dead)
    pattern = loss_pattern(scene, lineup.shares, rows_of(scene, refs - half))
    if not half:
        return pattern, ()
    each = [0.5 * loss_pattern(scene, lineup.shares, rows_of(scene, frozenset({r}))) for r in sorted(half)]
    each = [e for e in each if e.any()]
    return pattern + sum(each, np.zeros_like(pattern)), tuple(Beside(e, -1.0, 1.0) for e in each)


def lowest(tree: PowerTree, nets: tuple[str, ...]) -> tuple[str, ...]:
    """Return those nets that are not made from another of them, else all: a short pulls down its own net first."""
    made = [n for n in nets if any(a in nets for a in tree.above(n))]
    return tuple(made) or nets


def rows_of(scene: Scene, refs: frozenset[str]) -> np.ndarray:
    """Tell which places are these parts, bool ndarray (places,)."""
    return np.array([r in refs for r in scene.refs])


def _add(lineup: Lineup, hypothesis: Hypothesis) -> None:
    if hypothesis.prior > 0 and hypothesis.views:
        lineup.hypotheses.append(hypothesis)


def _add_part(lineup: Lineup, part: Part, *, is_far: bool) -> None:
    weights = {f: row.get(part.kind, 0.0) for f, row in lineup.priors.fault_weights.items()}
    row = lineup.scene.refs.index(part.ref)
    own = float(max(lineup.scene.own_k[row, -1], lineup.brings_k[row]))
    net = _net_of(lineup.tree, part)
    if is_far:
        _add_far(lineup, part, net, weights)
    else:
        _add_heat(lineup, part, net, own, weights)
        if own > 4 * lineup.settings.floor_k:
            _add(lineup, _surface(lineup, part, own, weights["heat_path"]))
        views = _hot_views(lineup, part, "hidden", low=lineup.settings.least_change_k, high=TOP_K["hidden_source"])
        _add(lineup, Hypothesis(part.ref, "hidden_source", None, weights["hidden_source"], tuple(views)))
    _add_dark(lineup, part, own, weights)


def _net_of(tree: PowerTree, part: Part) -> str | None:
    nets = lowest(tree, tree.supplies_of(part))
    return nets[0] if nets else next((n for n in part.nets if not is_ground(n)), None)


def _add_far(lineup: Lineup, part: Part, net: str | None, weights: dict[str, float]) -> None:
    """Add the faults of a part on the other side: as likely as on this one; what merely warms is a hidden source."""
    low = lineup.settings.least_change_k
    views = _hot_views(lineup, part, "hidden", low=low, high=TOP_K["hidden_source"])
    for fault in HEAT_FAULTS[1:]:
        _add(lineup, Hypothesis(part.ref, "hidden_source", net, weights[fault], tuple(views), share_of=fault))
    views = _hot_views(lineup, part, "hidden", low=low, high=TOP_K["short"])
    _add(lineup, _short(lineup, part, net, weights["short"], views, stem="hidden "))


def _short(
    lineup: Lineup, part: Part, net: str | None, weight: float, views: list[View], *, stem: str = ""
) -> Hypothesis:
    """Return the short at a part: with its net up, down, or with the whole supply down."""
    share = 0.0
    if lineup.tree.supplies_of(part):
        share, blackout = lineup.settings.collapse_share, lineup.settings.blackout_share
        views = [View(v.look, v.share * (1 - share), v.strengths) for v in views]
        for kind, part_of in (("collapse", 1 - blackout), ("blackout", blackout)):
            dark = _hot_views(lineup, part, stem + kind, low=lineup.settings.least_change_k, high=TOP_K["short"])
            views += [View(v.look, v.share * share * part_of, v.strengths) for v in dark]
    return Hypothesis(part.ref, "short", net, weight, tuple(views), collapse_share=share)


def _add_heat(lineup: Lineup, part: Part, net: str | None, own: float, weights: dict[str, float]) -> None:
    low = lineup.settings.least_change_k
    is_series = bool(net) and any(part.ref in s.series for s in lineup.tree.supplies.values())
    for fault in HEAT_FAULTS:
        weight = weights[fault] * (0.3 if fault == "short" and is_series else 1.0)
        least = max(low, lineup.settings.least_growth * own) if fault == "overload" else low
        views = _hot_views(lineup, part, "plain", low=least, high=TOP_K[fault])
        if fault == "short":
            _add(lineup, _short(lineup, part, net, weight, views))
        else:
            _add(lineup, Hypothesis(part.ref, fault, net, weight, tuple(views)))


def _surface(lineup: Lineup, part: Part, own: float, weight: float) -> Hypothesis:
    """Add the part that keeps its heat: its surface warms on and on, the board around gets less than usual."""
    scene, settings = lineup.scene, lineup.settings
    row = scene.refs.index(part.ref)
    courses = [lag(scene.times_s, c) for c in (settings.lost_quick_s, settings.lost_slow_s)]
    courses += [course * scene.times_s / scene.times_s[-1] for course in _own_course(scene, row, settings)]
    body = Body(row, 1, np.stack(courses))
    weights = _range_weights(lineup.strengths_k, max(settings.least_change_k, settings.least_growth * own), 5.0 * own)
    mine = np.arange(scene.places) == row
    gone = loss_pattern(scene, lineup.shares, mine)
    gone[row] = 0.0
    views = []
    for kept in KEPT:
        key = ("surface", part.ref, kept)
        lineup.looks[key] = Look(np.zeros_like(gone), lineup.strengths_k, kept * gone, (), body)
        views.append(View(key, 1 / len(KEPT), weights))
    return Hypothesis(part.ref, "heat_path", None, weight, tuple(views))


def _add_dark(lineup: Lineup, part: Part, own: float, weights: dict[str, float]) -> None:
    """Add the part that makes no heat, and the supplies that it would leave dead."""
    tree = lineup.tree
    made = tree.made_by(part.ref)
    passed = tuple(s.net for s in tree.supplies.values() if part.ref in s.series)
    dark = frozenset().union(*(tree.fed_by(n) for n in made)) if made else frozenset()
    beyond = frozenset().union(*(tree.fed_by(n) for n in passed)) if passed else frozenset()
    for fault, lost, nets in (("dead_supply", dark, made), ("open_or_missing", dark | beyond, made + passed)):
        if fault == "dead_supply" and not (made and lost):
            continue
        relief = _relieved(lineup, part, lost | {part.ref})
        views = _dark_views(lineup, (fault, part.ref, "with"), lost | {part.ref}, nets, relief)
        fed = frozenset().union(*(tree.path_to(n) for n in tree.supplies_of(part))) if relief else frozenset()
        all_gone = _dark_views(lineup, (fault, part.ref, "feeders"), lost | {part.ref}, nets, (), idle=fed)
        if lost:
            still = _dark_views(lineup, (fault, part.ref, "users"), lost - {part.ref}, nets, relief, warm=part.ref)
            share = lineup.settings.idle_share if fault == "dead_supply" else 0.5
            views = [View(v.look, (1 - share), v.strengths) for v in views]
            views += [View(v.look, share, v.strengths) for v in still]
        elif own < 2 * lineup.settings.floor_k:
            continue
        views += all_gone
        total = sum(v.share for v in views)
        views = [View(v.look, v.share / total, v.strengths) for v in views]
        _add(
            lineup,
            Hypothesis(
                part.ref,
                fault,
                made[0] if made else _net_of(tree, part),
                weights[fault],
                tuple(views),
                dark=lost,
                collapse_share=1.0,
            ),
        )


def _relieved(lineup: Lineup, part: Part, gone: frozenset[str]) -> tuple[Beside, ...]:
    """Return what the parts that feed this one may lose when it draws nothing: up to all of their own heat."""
    nets = lineup.tree.supplies_of(part)
    feeders = frozenset().union(*(lineup.tree.path_to(n) for n in nets)) - gone if nets else frozenset()
    out = []
    for ref in sorted(feeders):
        key = ("relieved", ref)
        if key not in lineup.feeders:
            lost = loss_pattern(lineup.scene, lineup.shares, rows_of(lineup.scene, frozenset({ref})))
            lineup.feeders[key] = (Beside(lost, 0.0, 1.0),) if lost.any() else ()
        out += lineup.feeders[key]
    return tuple(out)


def _dark_views(
    lineup: Lineup,
    key: tuple[object, ...],
    gone: frozenset[str],
    nets: tuple[str, ...],
    relief: tuple[Beside, ...],
    *,
    warm: str | None = None,
    idle: frozenset[str] | None = None,
) -> list[View]:
    """List looks of parts that make no heat.

    The part ``warm`` that should feed them may be warmer or colder; the feeders ``idle`` have nothing left to feed.
    """
    pattern, besides = dark_pattern(lineup, gone, nets)
    if not pattern.any() or (idle is not None and not idle):
        return []
    if idle:
        more = loss_pattern(lineup.scene, lineup.shares, rows_of(lineup.scene, idle))
        pattern = np.maximum(pattern + more, -lineup.scene.own_k)
    besides = (*besides, *relief)
    if warm and lineup.scene.index(warm) is not None:
        besides = (*besides, *_feeder(lineup, warm))
    lineup.looks[key] = Look(pattern, GONE, None, besides, error=lineup.settings.dark_error)
    return [View(key, 1.0, np.full(len(GONE), 1 / len(GONE)))]


def _add_bare(lineup: Lineup, number: int) -> None:
    place = lineup.bare[number]
    bare_deep = 1.0 - lineup.settings.beneath_share if place.beneath else 1.0
    patterns = source_patterns(lineup.scene, place.x_mm, place.y_mm, 0.7, diffusivities=lineup.diffusivities)
    weights = _range_weights(lineup.strengths_k, lineup.settings.least_change_k, TOP_K["bridge"])
    views = []
    for n, pattern in enumerate(patterns):
        lineup.looks["bare", number, n] = Look(pattern, lineup.strengths_k)
        views.append(View(("bare", number, n), 1 / len(patterns), weights))
    rest = 1.0 - lineup.settings.pads_share if place.owners else 1.0
    deep = _deep_views(lineup, number, weights)
    # A bridge between two parts is one fault: it is listed once, with the part that is nearer.
    is_between = len(place.owners) > 1
    for fault, share in AT_BARE.items():
        is_possible = not is_between if fault == "bridge" else True
        if fault == "hidden_source" or (is_possible and not place.under):
            seen, whole = (deep, bare_deep) if fault == "hidden_source" else (views, 1.0)
            _add(lineup, Hypothesis(f"@{number}", fault, None, rest * share * whole, tuple(seen), at=number))
    parts = {p.ref: p for p in (lineup.board.parts if lineup.board else ())}
    for ref, part_of in place.beneath:
        prior = rest * AT_BARE["hidden_source"] * lineup.settings.beneath_share * part_of
        net = _net_of(lineup.tree, parts[ref])
        _add(lineup, Hypothesis(ref, "hidden_source", net, prior, tuple(deep), at=number))
    for rank, (ref, part_of) in enumerate(place.owners):
        for fault, share in AT_PADS.items():
            prior = lineup.settings.pads_share * part_of * share
            if fault == "bridge" and is_between:
                whole = lineup.settings.pads_share * share + rest * AT_BARE["bridge"]
                prior = whole if rank == 0 else 0.0
            _add(lineup, Hypothesis(ref, fault, _net_of(lineup.tree, parts[ref]), prior, tuple(views), at=number))


def _deep_views(lineup: Lineup, number: int, weights: np.ndarray) -> list[View]:
    """List looks of heat made under a bare place, on the other face: wider and later than at the surface."""
    place, settings = lineup.bare[number], lineup.settings
    radius = 0.7 + settings.hidden_wide_mm
    patterns = source_patterns(lineup.scene, place.x_mm, place.y_mm, radius, diffusivities=lineup.diffusivities)
    late = lag(lineup.scene.times_s, settings.hidden_lag_s)
    views = []
    for n, pattern in enumerate(patterns):
        lineup.looks["bare", number, "deep", n] = Look(pattern * late, lineup.strengths_k)
        views.append(View(("bare", number, "deep", n), 1 / len(patterns), weights))
    return views


def _add_limit(lineup: Lineup) -> None:
    """Add the supply that limits or keeps restarting: everything makes less heat, in proportion."""
    pattern = -lineup.scene.own_k
    if not pattern.any():
        return
    fractions = np.array([0.3, 0.45, 0.6, 0.75, 0.9])
    lineup.looks["limit",] = Look(pattern, fractions, error=lineup.settings.dark_error)
    view = View(("limit",), 1.0, np.full(len(fractions), 1 / len(fractions)))
    entries = [s for s in lineup.tree.supplies.values() if s.from_net is None]
    refs = {s.maker for s in entries if s.maker} | {r for s in entries if s.maker is None for r in s.series}
    if not refs:
        refs = {s.maker for s in lineup.tree.supplies.values() if s.maker}
    parts = [p for p in (lineup.board.parts if lineup.board else ()) if p.ref in refs and p.fitted]
    for part in parts:
        weight = lineup.priors.fault_weights["supply_limit"].get(part.kind, 0.0)
        _add(lineup, Hypothesis(part.ref, "supply_limit", None, weight, (view,), collapse_share=1.0))


def _spread_priors(lineup: Lineup) -> None:
    """Turn weights into probabilities: each fault's share over its places, bare places their own share of it."""
    shares = lineup.priors.shares()
    out = []
    for fault, share in shares.items():
        rows = [h for h in lineup.hypotheses if (h.share_of or h.fault) == fault]
        bare = [h for h in rows if h.at is not None]
        parts = [h for h in rows if h.at is None]
        to_bare = lineup.priors.bare_place_share if bare and parts else float(bool(bare))
        to_bare = min(MOST_BARE, BARE_FACTOR.get(fault, 1.0) * to_bare) if parts else to_bare
        for group, part_of in ((bare, to_bare), (parts, 1.0 - to_bare)):
            total = sum(h.prior for h in group) * (bare_dilution(lineup) if group is bare else 1.0)
            out += [replace(h, prior=share * part_of * h.prior / total) for h in group if total > 0]
    lineup.hypotheses[:] = out


def bare_dilution(lineup: Lineup) -> float:
    """Return how many bare places might have been listed for each one that was: only warm ones are."""
    blocks = sum(ref is None for ref in lineup.scene.refs)
    return max(1.0, blocks / 4 / max(len(lineup.bare), 1))
