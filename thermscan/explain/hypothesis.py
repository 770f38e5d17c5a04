"""The faults that are weighed against one another: where each may sit, how it may look, how likely it is at first."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from thermscan.explain.bare_fault import UNLISTED_MM, add_bare
from thermscan.explain.bare_place import bare_places
from thermscan.explain.likelihood import Beside, Body, Look
from thermscan.explain.lineup import (
    HEAT_FAULTS,
    Hypothesis,
    Lineup,
    View,
    add,
    lowest,
    net_of,
    range_weights,
    with_pulled,
)
from thermscan.explain.pattern import OwnHeat, lag, loss_pattern, source_patterns
from thermscan.explain.power_tree import MAKER_KINDS, PowerTree, is_ground
from thermscan.explain.scene import Scene
from thermscan.model.board import Board, Part
from thermscan.model.evidence import FAR_SIDE, Evidence, Priors
from thermscan.model.settings import ExplainSettings

GONE = np.array([0.75, 0.85, 0.95, 1.0])  # share of the own heat that is missing
KEPT = (0.0, 0.35, 0.7)  # share of its heat that a part with a poor heat path keeps from the board
COLLAPSED = 0.9  # the same where a short has taken the net down, give or take the rest
LIMITED = 0.8  # the same where the supply has given up for the whole board, give or take the rest
# Times bare_place_share of the priors: a bridge and a bad joint sit between bodies and at pads by their nature, a short
# mostly inside a part; judgement.
BARE_FACTOR = {
    "short": 0.4,
    "bridge": 3.0,
    "joint": 2.0,
    "hidden_source": 2.0,
    "open_or_missing": 0.3,
    "dead_supply": 0.3,
}
MOST_BARE = 0.9
FEEDER_KINDS = (*MAKER_KINDS, "inductor")


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
    is_timed = evidence.basis == "good_boards" and evidence.clock_is_power_on
    lineup = Lineup(scene, board, tree, priors, settings, own, bare, sources=evidence.sources, is_timed=is_timed)
    if evidence.excess is not None:
        lineup.pixel_mm = evidence.excess.film.pixel_mm
    parts = _candidates(evidence, board)
    for part in parts:
        _add_part(lineup, part, is_far=part.side != evidence.side)
    for number in range(len(lineup.bare)):
        add_bare(lineup, number)
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
    weights, base = range_weights(lineup.strengths_k, low, high), _hot_looks(lineup, part, kind)
    return [View(key, 1.0 / len(base), weights) for key in base]


def _hot_looks(lineup: Lineup, part: Part, kind: str) -> list[tuple[object, ...]]:
    """Register the looks of a heated part; ``kind`` is plain, alone, collapse, blackout or hidden."""
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
    """Say what a fault brings along: feeders may warm; users of its net (collapse) or all (blackout) go dark.

    Nothing comes along with what heats ``alone``.
    """
    nets = lineup.tree.supplies_of(part)
    if not nets or kind == "alone":
        return None, ()
    scene = lineup.scene
    feeders = frozenset().union(*(lineup.tree.path_to(n) for n in nets)) - {part.ref}
    # only the heat of a fault that is seen tells how much may warm along with it
    is_seen = not kind.startswith("hidden") and bool(scene.is_seen[scene.refs.index(part.ref)])
    makers = {s.maker for s in lineup.tree.supplies.values()}
    besides = []
    for ref in sorted(feeders):
        most = lineup.settings.most_maker if ref in makers else lineup.settings.most_decoy
        besides += _feeder(lineup, ref, most if is_seen else np.inf) if _may_warm(lineup, ref) else ()
    if not all(lineup.tree.path_to(n) for n in nets):
        besides += _unlisted_feeder(lineup, lineup.settings.most_maker if is_seen else np.inf)
    fixed = None
    if kind.endswith("collapse"):
        low = lowest(lineup.tree, nets)
        dark = frozenset().union(*(lineup.tree.fed_by(n) for n in low))
        pattern, some = dark_pattern(lineup, dark, low)
        fixed = COLLAPSED * pattern
        besides += some
    elif kind.endswith("blackout"):
        fixed = -LIMITED * scene.own_k
    if fixed is not None:
        left = (1.0 - LIMITED if kind.endswith("blackout") else 1.0 - COLLAPSED) * fixed
        besides.append(Beside(left, -3.0, 1.0))
    return fixed, tuple(besides)


def _may_warm(lineup: Lineup, ref: str) -> bool:
    """Tell whether a part that feeds a fault may have warmed with it: seen to be warmer, or not seen at all.

    Every freedom must pay, and one for each feeder up to the entry would cost more than the warm one among them gains.
    """
    row = lineup.scene.index(ref)
    if row is None:
        return False
    return not lineup.scene.is_seen[row] or bool(lineup.scene.significance()[row] > lineup.settings.feeder_sigma)


def _feeder(lineup: Lineup, ref: str, most: float = np.inf) -> tuple[Beside, ...]:
    """Return what a part that feeds the fault may warm besides, up to ``most`` times its heat: body and board."""
    key = ("feeder", ref, most)
    if key not in lineup.feeders:
        scene, settings = lineup.scene, lineup.settings
        row = scene.refs.index(ref)
        middle = (lineup.own.diffusivity,)
        plate = source_patterns(scene, scene.x_mm[row], scene.y_mm[row], scene.radius_mm[row], diffusivities=middle)[0]
        # a regulator at its limit may warm by any amount: what it shows says how wide the freedom must be
        size = max(settings.decoy_k * scene.floor_scale, settings.decoy_of_seen * float(scene.excess_k[row, -1]))
        body = np.zeros_like(plate)
        body[row] = size * lag(scene.times_s, settings.body_slow_s)
        lineup.feeders[key] = tuple(
            Beside(c, -0.1, 5.0, may_be_absent=True, most_of_fault=most) for c in (body, 0.5 * size * plate) if c.any()
        )
    return lineup.feeders[key]


def _unlisted_feeder(lineup: Lineup, most: float) -> tuple[Beside, ...]:
    """Return what may warm besides where nothing listed feeds a net: the maker that the board file leaves out.

    It is the warmest bare place, if it is anywhere to be seen.
    """
    scene, settings = lineup.scene, lineup.settings
    bare = [place for place in lineup.bare if not (place.under or place.is_cold)]
    key = ("unlisted", "", most)
    if key not in lineup.feeders and bare:
        rows = [int(np.argmin(np.hypot(scene.x_mm - b.x_mm, scene.y_mm - b.y_mm))) for b in bare]
        best = int(np.argmax(scene.significance()[rows]))
        size = max(settings.decoy_k * scene.floor_scale, settings.decoy_of_seen * float(scene.excess_k[rows[best], -1]))
        where = bare[best].x_mm, bare[best].y_mm
        middle = (lineup.own.diffusivity,)
        plates = [source_patterns(scene, *where, mm, diffusivities=middle)[0] for mm in UNLISTED_MM]
        lineup.feeders[key] = tuple(
            Beside(size * plate, -0.1, 5.0, may_be_absent=True, most_of_fault=most) for plate in plates
        )
    return lineup.feeders.get(key, ())


def dark_pattern(lineup: Lineup, refs: frozenset[str], nets: tuple[str, ...]) -> tuple[np.ndarray, tuple[Beside, ...]]:
    """Excess where these parts go dark with these nets: parts that another supply still feeds do so by half or so.

    Parts that no known supply feeds may go dark with them, each by itself.
    """
    scene, tree = lineup.scene, lineup.tree
    dead = frozenset().union(*(tree.below(n) for n in nets)) if nets else frozenset()
    parts = {p.ref: p for p in (lineup.board.parts if lineup.board else ())}
    half = frozenset(r for r in refs if r in parts and set(tree.supplies_of(parts[r])) - dead and dead)
    pattern = loss_pattern(scene, lineup.shares, rows_of(scene, refs - half))
    stray = _starved(lineup, refs) if nets else ()
    if not half:
        return pattern, stray
    each = [0.5 * loss_pattern(scene, lineup.shares, rows_of(scene, frozenset({r}))) for r in sorted(half)]
    each = [e for e in each if e.any()]
    return pattern + sum(each, np.zeros_like(pattern)), (*(Beside(e, -1.0, 1.0) for e in each), *stray)


def rows_of(scene: Scene, refs: frozenset[str]) -> np.ndarray:
    """Tell which places are these parts, bool ndarray (places,)."""
    return np.array([r in refs for r in scene.refs])


def _add_part(lineup: Lineup, part: Part, *, is_far: bool) -> None:
    weights = {f: row.get(part.kind, 0.0) for f, row in lineup.priors.fault_weights.items()}
    if part.nets and all(is_ground(n) for n in part.nets):
        weights |= {"short": 0.0, "leak": 0.0}  # a shield: all of it is ground already
    row = lineup.scene.refs.index(part.ref)
    own = float(max(lineup.scene.own_k[row, -1], lineup.brings_k[row]))
    net = net_of(lineup.tree, part)
    if is_far:
        _add_far(lineup, part, net, weights)
    else:
        _add_heat(lineup, part, net, own, weights)
        if own > 4 * lineup.floor_k:
            add(lineup, _surface(lineup, part, own, weights["heat_path"]))
        views = _hot_views(lineup, part, "hidden", low=lineup.least_change_k, high=lineup.top_k("hidden_source"))
        add(lineup, Hypothesis(part.ref, "hidden_source", None, weights["hidden_source"], tuple(views)))
    _add_dark(lineup, part, own, weights)


def _add_far(lineup: Lineup, part: Part, net: str | None, weights: dict[str, float]) -> None:
    """Add the faults of a part on the other side: as likely as on this one; what merely warms is a hidden source."""
    low = lineup.least_change_k
    views = _hot_views(lineup, part, "hidden", low=low, high=lineup.top_k("hidden_source"))
    for fault in HEAT_FAULTS[1:]:
        add(lineup, Hypothesis(part.ref, "hidden_source", net, weights[fault], tuple(views), share_of=fault))
    views = _hot_views(lineup, part, "hidden", low=low, high=lineup.top_k("short"))
    add(lineup, _short(lineup, part, net, weights["short"], views, stem="hidden "))


def _short(
    lineup: Lineup, part: Part, net: str | None, weight: float, views: list[View], *, stem: str = ""
) -> Hypothesis:
    """Return the short at a part: with its net up, down, or with the whole supply down."""
    share = 0.0
    if lineup.tree.supplies_of(part):
        share, blackout = lineup.settings.collapse_share, lineup.settings.blackout_share
        views = [View(v.look, v.share * (1 - share), v.strengths) for v in views]
        for kind, part_of in (("collapse", 1 - blackout), ("blackout", blackout)):
            low = lineup.least_change_k
            dark = _hot_views(lineup, part, stem + kind, low=low, high=lineup.top_k("short"))
            quiet = 0.0
            if kind == "collapse" and not stem:  # a few milliohms at a supply's limit make no heat to speak of
                quiet = lineup.settings.quiet_share
                still = _hot_views(lineup, part, "hidden collapse", low=low, high=low)
                views += [View(v.look, v.share * share * part_of * quiet, v.strengths) for v in still]
            views += [View(v.look, v.share * share * part_of * (1 - quiet), v.strengths) for v in dark]
    elif not stem:
        views = with_pulled(lineup, views)
    return Hypothesis(part.ref, "short", net, weight, tuple(views), collapse_share=share)


def _add_heat(lineup: Lineup, part: Part, net: str | None, own: float, weights: dict[str, float]) -> None:
    low = lineup.least_change_k
    is_series = bool(net) and any(part.ref in s.series for s in lineup.tree.supplies.values())
    for fault in HEAT_FAULTS:
        weight = weights[fault] * (0.3 if fault == "short" and is_series else 1.0)
        least = max(low, lineup.settings.least_growth * own) if fault == "overload" else low
        # a bad joint is resistance on the way: it draws no more, so that nothing that feeds it warms
        kind = "alone" if fault == "joint" else "plain"
        views = _hot_views(lineup, part, kind, low=least, high=lineup.top_k(fault))
        if fault == "overload":
            views = _with_own_pattern(lineup, part, views, low=least, high=lineup.top_k(fault))
        if fault == "short":
            add(lineup, _short(lineup, part, net, weight, views))
        else:
            add(lineup, Hypothesis(part.ref, fault, net, weight, tuple(views)))


def _with_own_pattern(lineup: Lineup, part: Part, views: list[View], *, low: float, high: float) -> list[View]:
    """Add the look of a part that makes more of its own heat: warmer everywhere in proportion to the good boards."""
    scene = lineup.scene
    row = scene.refs.index(part.ref)
    pattern = lineup.shares[:, row, None] * scene.own_k
    is_known = scene.is_seen[row] and pattern[row, -1] > lineup.settings.warm_own_k * scene.floor_scale
    if not is_known:
        return views
    key = ("own", part.ref)
    besides = _side_effects(lineup, part, "plain")[1]
    lineup.looks[key] = Look(pattern / pattern[row, -1], lineup.strengths_k, None, besides)
    own = lineup.settings.own_pattern_share
    plain = [View(v.look, (1.0 - own) * v.share, v.strengths) for v in views]
    return [*plain, View(key, own, range_weights(lineup.strengths_k, low, high))]


def _surface(lineup: Lineup, part: Part, own: float, weight: float) -> Hypothesis:
    """Add the part that keeps its heat: its surface warms on and on, the board around gets less than usual."""
    scene, settings = lineup.scene, lineup.settings
    row = scene.refs.index(part.ref)
    courses = [lag(scene.times_s, c) for c in (settings.body_quick_s, settings.lost_quick_s, settings.lost_slow_s)]
    for course in _own_course(scene, row, settings):  # as quickly as a healthy one, or slower by what it stores
        courses += [course, course * scene.times_s / scene.times_s[-1]]
    body = Body(row, 0, np.stack(courses))
    weights = range_weights(lineup.strengths_k, max(lineup.least_change_k, settings.least_growth * own), 5.0 * own)
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
        # without nets nobody knows what it feeds: it must itself be seen to lose its heat
        is_blind = not tree.supplies and part.kind in MAKER_KINDS and lineup.scene.sees(part.ref)
        if fault == "dead_supply" and not (made and lost) and not is_blind:
            continue
        relief = _relieved(lineup, part, lost | {part.ref})
        if fault == "dead_supply" and is_blind:
            relief = _starved(lineup, frozenset({part.ref}))
        views = _dark_views(lineup, (fault, part.ref, "with"), lost | {part.ref}, nets, relief)
        fed = frozenset().union(*(tree.path_to(n) for n in tree.supplies_of(part))) if relief else frozenset()
        all_gone = _dark_views(lineup, (fault, part.ref, "feeders"), lost | {part.ref}, nets, (), idle=fed)
        if lost:
            still = _dark_views(lineup, (fault, part.ref, "users"), lost - {part.ref}, nets, relief, warm=part.ref)
            share = lineup.settings.idle_share if fault == "dead_supply" else 0.5
            views = [View(v.look, (1 - share) * v.share, v.strengths) for v in views]
            views += [View(v.look, share * v.share, v.strengths) for v in still]
        elif own < 2 * lineup.floor_k:
            continue
        views += all_gone
        total = sum(v.share for v in views)
        views = [View(v.look, v.share / total, v.strengths) for v in views]
        add(
            lineup,
            Hypothesis(
                part.ref,
                fault,
                made[0] if made else net_of(tree, part),
                weights[fault],
                tuple(views),
                dark=lost,
                collapse_share=1.0,
            ),
        )


def _relieved(lineup: Lineup, part: Part, gone: frozenset[str]) -> tuple[Beside, ...]:
    """Return what the parts that feed this one may lose when it draws nothing: up to all of their own heat."""
    nets = lineup.tree.supplies_of(part)
    feeders: frozenset[str] = frozenset().union(*(lineup.tree.path_to(n) for n in nets))
    if not lineup.tree.supplies and lineup.board is not None:  # nobody knows what feeds what: any of them may feed it
        feeders = frozenset(p.ref for p in lineup.board.parts_on(part.side) if p.kind in FEEDER_KINDS)
    out = []
    for ref in sorted(feeders - gone):
        key = ("relieved", ref, np.inf)
        if key not in lineup.feeders:
            lost = loss_pattern(lineup.scene, lineup.shares, rows_of(lineup.scene, frozenset({ref})))
            lineup.feeders[key] = (Beside(lost, 0.0, 1.0),) if lost.any() else ()
        out += lineup.feeders[key]
    return tuple(out)


def _starved(lineup: Lineup, gone: frozenset[str]) -> tuple[Beside, ...]:
    """Return what parts may lose that a supply of unknown nets may feed: up to all heat of each that is seen cooler.

    Not those that a known supply feeds, nor those that are ``gone`` anyway.
    """
    scene = lineup.scene
    z = scene.significance()
    left_out = gone | lineup.tree.known() | {None}
    cooler = [i for i in np.argsort(z) if scene.refs[i] not in left_out and z[i] < -lineup.settings.feeder_sigma]
    out = []
    for i in [i for i in cooler if scene.kinds[i] not in FEEDER_KINDS][: lineup.settings.most_starved]:
        key = ("starved", str(scene.refs[i]), np.inf)
        if key not in lineup.feeders:
            lost = loss_pattern(scene, lineup.shares, rows_of(scene, frozenset({str(scene.refs[i])})))
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

    The part ``warm`` that should feed them makes heat as usual; one that does not start seldom makes more. The feeders
    ``idle`` have nothing left to feed.
    """
    pattern, besides = dark_pattern(lineup, gone, nets)
    if not pattern.any() or (idle is not None and not idle):
        return []
    if idle:
        more = loss_pattern(lineup.scene, lineup.shares, rows_of(lineup.scene, idle))
        pattern = np.maximum(pattern + more, -lineup.scene.own_k)
    besides = (*besides, *relief, *_ahead(lineup))
    ways = {key: (1.0, besides)}
    if warm and lineup.scene.index(warm) is not None and key[0] == "dead_supply":
        more = lineup.settings.warmer_share
        ways = {key: (1.0 - more, besides), (*key, "warmer"): (more, (*besides, *_feeder(lineup, warm)))}
    for name, (_, along) in ways.items():
        lineup.looks[name] = Look(pattern, GONE, None, along, error=lineup.settings.dark_error)
    return [View(name, share, np.full(len(GONE), 1 / len(GONE))) for name, (share, _) in ways.items()]


def _ahead(lineup: Lineup) -> tuple[Beside, ...]:
    """Return by how much what stays warm may be ahead of the good boards, where other parts are dead.

    Seconds count from the first heat that is seen. Without the parts that are the first to warm, that is another's,
    and what warms as usual then seems to do so earlier.
    """
    scene, key = lineup.scene, ("ahead", "", np.inf)
    if key not in lineup.feeders:
        left = np.clip(scene.own_k + scene.excess_k, 0.0, scene.own_k)
        column = np.zeros_like(left)
        if lineup.is_timed and len(scene.times_s) > 1:
            column = lineup.settings.ahead_s * np.maximum(np.gradient(left, scene.times_s, axis=1), 0.0)
        is_seen = bool((column > lineup.floor_k).any())
        lineup.feeders[key] = (Beside(column, 0.0, 2.0, may_be_absent=True),) if is_seen else ()
    return lineup.feeders[key]


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
        add(lineup, Hypothesis(part.ref, "supply_limit", None, weight, (view,), collapse_share=1.0))


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
    warm = sum(not place.is_cold for place in lineup.bare)
    return max(1.0, blocks / 4 / max(warm, 1))
