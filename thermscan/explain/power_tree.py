"""Which part feeds which net, and what goes dark when one of them fails; guessed where the board does not say."""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace

from thermscan.model.board import Board, Part, Rail

# Ground and supply names as schematics write them: common practice, no source.
GROUND = re.compile(r"^(?:[ADPS]?GND\w*|VSS\w*|0V|EARTH|CHASSIS)$", re.IGNORECASE)
# 3V3, 3.3V, 12V, and with the sign that stands before; the last of several in one name.
VOLTS_IN_NAME = re.compile(r"([-+]?)(?<![\d.])(?:(\d+)V(\d*)|(\d+\.\d+)(?=V|_|$))", re.IGNORECASE)
# V3P3, VDD_1P8, 1P2: P for the decimal point, at the start of a name or behind a supply's.
VOLTS_WITH_P = re.compile(r"^\+?(?:V[A-Z]*|P)?_?(\d+)P(\d+)(?=_|$)", re.IGNORECASE)
SUPPLY_NAME = re.compile(
    r"^(?:\+|V(?:CC|DD|IN|BAT|BUS|SYS|OUT)|P\d|PP|UB(?:AT)?(?:\d|_|$)"
    r"|V_?(?:M|S|AA|EE|IO|MOT|PWR|MAIN|CORE|AUX|RAW|SUP|DRV|FUSED)(?:\d|_|$))",
    re.IGNORECASE,
)
# Parts that pass a supply's current on rather than use it up; the second kinds only between two supply nets.
CARRIER_KINDS = ("inductor", "fuse", "transformer")
SWITCH_KINDS = ("resistor", "diode", "transistor")
MAKER_KINDS = ("regulator", "module", "transformer")
UNNAMED_KINDS = ("chip", "other")
# What takes its current through another part: an LED behind its resistor, a coil behind its switch. A chip behind a
# resistor has a pin of its own on a supply: what reaches it that way is a signal.
STRING_KINDS = ("resistor", "diode", "inductor", "fuse", "transistor", "other")
# The node that a switching regulator drives its inductor with, by its name: common practice, no source.
SWITCH_NODE = re.compile(r"^(?:SW|LX|PHASE|BOOT|BST)", re.IGNORECASE)
# What a net is called that carries a signal about a supply, its feedback say, and not the supply: common practice, no
# source. Whole words of the name only.
SIGNALS = frozenset({"FB", "VFB", "EN", "PG", "PGOOD", "SNS", "SENSE"})
# Whole words of a name that say a regulator's switching node. SW is none of them: 3V3_SW is mostly a switched supply.
NODE_WORDS = frozenset({"LX", "PHASE", "BOOT", "BST"})
# What joins two nets into one for direct current.
JOINING_KINDS = ("inductor", "fuse")


def is_ground(net: str) -> bool:
    """Tell whether a net is a ground by its name."""
    return bool(GROUND.match(net.strip()))


def volts_from_name(net: str) -> float | None:
    """Return the volts that a supply net's name states: ``+3V3`` and ``3.3V`` 3.3, ``-12V`` -12; None for none."""
    found = list(VOLTS_IN_NAME.finditer(net.strip()))
    if not found:
        with_p = VOLTS_WITH_P.match(net.strip())
        return float(".".join(with_p.groups())) if with_p else None
    sign, whole, part, dotted = found[-1].groups()
    size = float(dotted or f"{whole}.{part or '0'}")
    return -size if sign == "-" else size


@dataclass(frozen=True)
class Supply:
    """One supply net: its rail, who makes it, through which series parts, and who hangs on it.

    ``users`` take heat-making current from it; ``shunts`` are the small parts that touch it; ``series`` carry its
    current on its way to it; ``strings`` do not touch it and take their current from it through others, from it alone.
    ``nodes`` are the nets that a coil or a fuse joins to it: before the coil of a switching regulator, behind a filter.
    What sits on them is among the users and shunts.
    """

    net: str
    volts: float | None
    tolerance_percent: float
    maker: str | None
    from_net: str | None
    users: tuple[str, ...]
    shunts: tuple[str, ...]
    series: tuple[str, ...]
    is_guess: bool
    strings: tuple[str, ...] = ()
    nodes: tuple[str, ...] = ()


@dataclass(frozen=True)
class PowerTree:
    """All supplies of a board by net.

    Attributes
    ----------
    supplies : dict of net to Supply
    is_guess : bool
        True where any branch was guessed from kinds and names.
    sentence : str
        What was guessed, for the report; empty where nothing was.
    """

    supplies: dict[str, Supply] = field(default_factory=dict)
    is_guess: bool = False
    sentence: str = ""

    def below(self, net: str) -> tuple[str, ...]:
        """Return ``net`` and every supply net that is made from it, directly or through others."""
        out, queue = [], [net]
        while queue:
            now = queue.pop(0)
            if now in out:
                continue
            out.append(now)
            queue += [s.net for s in self.supplies.values() if s.from_net == now]
        return tuple(out)

    def above(self, net: str) -> tuple[str, ...]:
        """Return the supply nets that ``net`` is made from, nearest first."""
        out: list[str] = []
        now = self.supplies.get(net)
        while now is not None and now.from_net is not None and now.from_net not in out:
            out.append(now.from_net)
            now = self.supplies.get(now.from_net)
        return tuple(out)

    def fed_by(self, net: str) -> frozenset[str]:
        """Return every part that loses its current when ``net`` collapses: on it and on all nets below."""
        refs: set[str] = set()
        for name in self.below(net):
            supply = self.supplies.get(name)
            if supply is not None:
                refs |= set(supply.users) | set(supply.series) | set(supply.shunts) | set(supply.strings)
                if name != net and supply.maker:
                    refs.add(supply.maker)
        return frozenset(refs)

    def path_to(self, net: str) -> frozenset[str]:
        """Return the parts that carry the current of ``net``: makers and series parts, up to the entry."""
        refs: set[str] = set()
        for name in (net, *self.above(net)):
            supply = self.supplies.get(name)
            if supply is not None:
                refs |= set(supply.series) | ({supply.maker} if supply.maker else set())
        return frozenset(refs)

    def conducted(self, net: str, board: Board) -> frozenset[str]:
        """Return the nets that a current fed into one reaches without a working supply: through coils, fuses and links.

        Resistors, diodes and transistors pass it on between two supply nets only, where they are links and switches.
        """
        reached, grown = {net}, True
        while grown:
            grown = False
            for part in board.parts:
                live = {n for n in part.nets if not is_ground(n)}
                links = part.kind in CARRIER_KINDS or (part.kind in SWITCH_KINDS and live <= set(self.supplies))
                if links and live & reached and live - reached:
                    reached |= live
                    grown = True
        return frozenset(reached)

    def known(self) -> frozenset[str]:
        """Return every part that makes, carries or takes current of some supply."""
        each = (
            s.users + s.shunts + s.series + s.strings + ((s.maker,) if s.maker else ()) for s in self.supplies.values()
        )
        return frozenset().union(*each)

    def made_by(self, ref: str) -> tuple[str, ...]:
        """Return the nets that this part makes."""
        return tuple(s.net for s in self.supplies.values() if s.maker == ref)

    def supply_at(self, net: str) -> str:
        """Return the supply net that a net is, or is joined to by a coil or a fuse; empty for none."""
        if net in self.supplies:
            return net
        return next((s.net for s in self.supplies.values() if net in s.nodes), "")

    def supplies_of(self, part: Part) -> tuple[str, ...]:
        """Return the supply nets that the part touches, or touches before or behind their coil, but does not make."""
        made = set(self.made_by(part.ref))
        return tuple(n for n in dict.fromkeys(self.supply_at(n) for n in part.nets) if n and n not in made)


def grow_tree(board: Board | None) -> PowerTree:
    """Make the power tree from the board's rails, and guess from kinds and net names what they leave open.

    A rail that names ``made_by`` and ``from`` is taken as it is. Else: the maker of a net is what drives it through an
    inductor, else a regulator (or module, transformer) that touches it, and the supply net that it is made from: the
    one named, the one whose name it goes on (12V_SW and 12V), one of higher voltage, else one whose volts nobody says;
    a net with a supply's name and no maker is where power enters. Notes: without nets the tree is empty; guessed
    branches are said to be guesses.
    """
    if board is None or not any(p.nets for p in board.parts):
        return PowerTree(sentence="the board file names no nets: parts are judged by place and kind alone")
    rails = _rails(board)
    supplies: dict[str, Supply] = {}
    guessed: list[str] = []
    for net, (maker, source, is_guess) in _sources(board, rails).items():
        rail = rails[net]
        if is_guess and maker:
            guessed.append(f"{net} made by {maker}")
        supplies[net] = _supply(net, rail, maker, source, board=board, rails=rails, is_guess=is_guess)
    for net, refs in _strings(board, rails).items():
        known = {*supplies[net].users, *supplies[net].shunts, *supplies[net].series}
        supplies[net] = replace(supplies[net], strings=tuple(r for r in refs if r not in known))
    sentence = f"power tree guessed from kinds and net names: {', '.join(guessed)}" if guessed else ""
    return PowerTree(supplies, bool(guessed), sentence)


def _strings(board: Board, rails: dict[str, Rail]) -> dict[str, tuple[str, ...]]:
    """Return, for each supply, the parts that touch no supply and take their current from it alone, through others."""
    strings = [p for p in board.parts if p.kind in STRING_KINDS]
    supplies_at: dict[str, set[str]] = {}  # of each net that is neither supply nor ground
    grown = True
    while grown:
        grown = False
        for part in strings:
            live = [n for n in part.nets if not is_ground(n)]
            reached = set().union(*({n} if n in rails else supplies_at.get(n, set()) for n in live))
            for net in live:
                if net not in rails and reached - supplies_at.get(net, set()):
                    supplies_at.setdefault(net, set()).update(reached)
                    grown = True
    out: dict[str, tuple[str, ...]] = {}
    for part in strings:
        if any(n in rails for n in part.nets):
            continue
        from_nets = set().union(*(supplies_at.get(n, set()) for n in part.nets))
        if len(from_nets) == 1:
            net = from_nets.pop()
            out[net] = (*out.get(net, ()), part.ref)
    return out


def _is_signal(net: str) -> bool:
    """Tell whether a net's name says a signal about a supply."""
    return not SIGNALS.isdisjoint(_words(net))


def _is_switch_node(net: str) -> bool:
    """Tell whether a net's name says the node that a switching regulator drives its coil with."""
    return bool(SWITCH_NODE.match(net)) or not NODE_WORDS.isdisjoint(_words(net))


def _words(net: str) -> list[str]:
    return re.split(r"[^A-Z0-9.]+", net.upper())


def _rails(board: Board) -> dict[str, Rail]:
    rails = {r.net: r for r in board.rails}
    counts = {n: sum(n in p.nets for p in board.parts) for n in board.nets()}
    for net in board.nets():
        if net in rails or is_ground(net) or _is_signal(net) or _is_switch_node(net):
            continue
        volts = volts_from_name(net)
        if (volts is not None or SUPPLY_NAME.match(net)) and counts[net] >= 2:
            rails[net] = Rail(net, volts)
    for rail in board.rails:
        if rail.from_net and rail.from_net not in rails:
            rails[rail.from_net] = Rail(rail.from_net, volts_from_name(rail.from_net))
    for net in _inputs(board, rails):
        rails[net] = Rail(net, None)
    return rails


def _inputs(board: Board, rails: dict[str, Rail]) -> tuple[str, ...]:
    """Return the nets that regulators without a known input must take their power from, whatever they are called.

    Such a regulator touches one supply or drives one through a coil, and its input has a capacitor to ground.
    """
    bypassed = {n for p in board.parts if p.kind == "capacitor" and any(is_ground(n) for n in p.nets) for n in p.nets}
    driven = {net: _coil_ends(net, board, rails) for net in rails}
    found: list[str] = []
    for part in board.parts:
        if part.kind != "regulator":
            continue
        makes = {net for net in rails if net in part.nets or driven[net] & set(part.nets)}
        known = set(rails) | {n for n in part.nets if is_ground(n) or _is_switch_node(n) or _is_signal(n)}
        some = [n for n in part.nets if n not in known and n in bypassed and not any(n in d for d in driven.values())]
        if len(makes) == 1 and len(some) == 1:
            found += some
    return tuple(dict.fromkeys(found))


def _sources(board: Board, rails: dict[str, Rail]) -> dict[str, tuple[str | None, str | None, bool]]:
    """Return (maker, source net, whether any of them is a guess) for each supply.

    Who makes a net whose volts nobody says is told once the others are known: a regulator between two supplies makes
    the one that nothing else makes.
    """
    out = {net: _maker(net, rail, board, rails) for net, rail in rails.items()}
    entries = [p for p in board.parts if p.kind in ("connector", "fuse", "diode")]
    for net, rail in rails.items():
        if out[net][0] is not None or rail.from_net is not None:
            continue
        for part in (p for p in board.parts if p.kind == "regulator" and net in p.nets):
            others = [n for n in part.nets if n != net and n in rails]
            # a net that other supplies are made from, and nothing makes, is where power enters
            if len(others) != 1 or out[others[0]][0] == part.ref or any(s == net for _, s, _ in out.values()):
                continue
            is_fed = out[others[0]][0] is not None or any(others[0] in p.nets for p in entries)
            if rail.volts is None and is_fed and not any(net in p.nets for p in entries):
                out[net] = (part.ref, others[0], True)
                break
    return out


def _switched(net: str, board: Board, rails: dict[str, Rail]) -> tuple[str, str] | None:
    """Return the regulator between this net and the one whose name it goes on, 12V_SW and 12V say, and that one."""
    for part in (p for p in board.parts if p.kind == "regulator" and net in p.nets):
        others = [n for n in part.nets if n != net and n in rails]
        if len(others) == 1 and re.match(re.escape(others[0]) + r"[^A-Z0-9]", net, re.IGNORECASE):
            return part.ref, others[0]
    return None


def _maker(net: str, rail: Rail, board: Board, rails: dict[str, Rail]) -> tuple[str | None, str | None, bool]:
    """Return (maker, source net, whether any of them is a guess)."""
    if rail.made_by is not None and rail.from_net is not None:
        return rail.made_by, rail.from_net, False
    switched = None if rail.made_by or rail.from_net else _switched(net, board, rails)
    if switched is not None:
        return *switched, True
    candidates = [p for p in board.parts if p.ref == rail.made_by] if rail.made_by else _may_make(net, board, rails)
    takes_from_it = {r.made_by for r in rails.values() if r.from_net == net}
    best: tuple[str, str] | None = None
    for part in candidates:
        if part.ref in takes_from_it and rail.made_by is None:
            continue  # what makes another supply of this one does not make it
        others = [n for n in part.nets if n != net and n in rails]
        higher = [n for n in others if _is_higher(rails[n].volts, rail.volts)]
        # an input, or a battery's net, seldom says its volts; what a regulator makes of it does
        higher = higher or [n for n in others if rails[n].volts is None and rail.volts is not None]
        # what drives a coil makes what lies behind it, whose volts nobody says, of the one other supply that it touches
        if not higher and rail.volts is None and len(others) == 1 and _coil_ends(net, board, rails) & set(part.nets):
            higher = others
        if rail.from_net is not None and rail.made_by is None and rail.from_net not in others:
            continue  # it is fed by this net, and makes another
        source = rail.from_net or next(iter(sorted(higher, key=lambda n: -(rails[n].volts or 0.0))), None)
        if source is not None:
            best = (part.ref, source)
            break
    if best is None:
        return rail.made_by, rail.from_net or _entry_before(net, board, rails), False
    return best[0], best[1], True


def _may_make(net: str, board: Board, rails: dict[str, Rail]) -> list[Part]:
    """Return what may make a net, likeliest first.

    What drives it through a coil goes before a regulator on it, which may make another net of it, and that before a
    module, which mostly uses both of two supplies that it touches.
    """
    makers = _makers_at(net, board, rails)
    at_a_coil = [p for p in makers if p.kind == "regulator" and net not in p.nets]
    at_a_coil += _unnamed_at_a_coil(net, board, rails)
    regulators = [p for p in makers if p.kind == "regulator" and net in p.nets]
    others = [p for p in makers if p.kind != "regulator"]
    return at_a_coil + regulators + others + _unnamed_regulators(net, board, rails)


def _makers_at(net: str, board: Board, rails: dict[str, Rail]) -> list[Part]:
    """Return what may make a net: on it, or driving it through a coil, as a switching regulator does."""
    nodes = _coil_ends(net, board, rails)
    on_it = [p for p in board.parts if p.kind in MAKER_KINDS and net in p.nets]
    behind = [p for p in board.parts if p.kind in MAKER_KINDS and nodes & set(p.nets) and p not in on_it]
    return on_it + behind


def _coil_ends(net: str, board: Board, rails: dict[str, Rail]) -> set[str]:
    """Return the nets, neither supply nor ground, at the other ends of the coils that touch a supply."""
    ends = {n for p in board.parts if p.kind == "inductor" and net in p.nets for n in p.nets}
    return {n for n in ends if not (n in rails or is_ground(n))}


def _unnamed_regulators(net: str, board: Board, rails: dict[str, Rail]) -> list[Part]:
    """Return the chip that a kind was not given for, if one alone sits between this supply and one other, and ground.

    Two supplies, ground and no signal are the pins of a regulator: common practice, no source. A kind that follows from
    the letter U alone reads chip.
    """
    found = [p for p in board.parts if p.kind in UNNAMED_KINDS and net in p.nets and any(is_ground(n) for n in p.nets)]
    found = [p for p in found if len(live := {n for n in p.nets if not is_ground(n)}) == 2 and live <= set(rails)]
    return found if len(found) == 1 else []


def _unnamed_at_a_coil(net: str, board: Board, rails: dict[str, Rail]) -> list[Part]:
    """Return the chip that a kind was not given for, if it alone drives the coil of a supply from another supply.

    A coil is driven where its other end is called so, has a diode or a transistor to ground, or joins nothing but the
    chip and the coil: behind a filter there is a capacitor.
    """
    nodes = {
        n
        for n in _coil_ends(net, board, rails)
        if _is_switch_node(n) or _is_clamped(n, board) or sum(n in p.nets for p in board.parts) == 2
    }
    found = [p for p in board.parts if p.kind in UNNAMED_KINDS and nodes & set(p.nets)]
    found = [p for p in found if any(n in rails and n != net for n in p.nets)]
    return found if len(found) == 1 else []


def _is_clamped(net: str, board: Board) -> bool:
    touching = [p for p in board.parts if net in p.nets and p.kind in ("diode", "transistor")]
    return any(any(is_ground(n) for n in p.nets) for p in touching)


def _entry_before(net: str, board: Board, rails: dict[str, Rail]) -> str | None:
    """Return the supply from which a carrier, a fuse say, leads to this one, None where none does."""
    carriers = [p for p in board.parts if net in p.nets]
    others = [n for p in carriers for n in p.nets if n != net and n in rails and _leads_on(p, n, board, rails)]
    return next((n for n in others if rails[n].from_net != net), None)


def _is_higher(other: float | None, own: float | None) -> bool:
    return other is not None and own is not None and other > own


def _carries(part: Part, rails: dict[str, Rail], *, is_entry: bool) -> bool:
    """Tell whether the current of a supply passes through a part that touches it."""
    live = {n for n in part.nets if not is_ground(n)}
    if is_entry and part.kind == "connector":
        return True
    if part.kind in CARRIER_KINDS:
        return len(live) >= 2
    return part.kind in SWITCH_KINDS and len(live & set(rails)) >= 2


def _leads_on(part: Part, net: str, board: Board, rails: dict[str, Rail]) -> bool:
    """Tell whether a carrier takes current from a supply on to another one, so that it does not feed the first.

    The other is made from this one, or this one alone touches a connector, where power enters.
    """
    if part.kind not in (*CARRIER_KINDS, *SWITCH_KINDS):
        return False
    others = [n for n in part.nets if n != net and n in rails]
    if any(rails[n].from_net == net for n in others):
        return True
    entries = {n for p in board.parts if p.kind == "connector" for n in p.nets}
    return bool(others) and net in entries and not entries & set(others)


def _supply(
    net: str, rail: Rail, maker: str | None, source: str | None, *, board: Board, rails: dict[str, Rail], is_guess: bool
) -> Supply:
    nodes = _nodes(net, board, rails)
    touching = [p for p in board.parts if {net, *nodes} & set(p.nets) and p.ref != maker]
    before = {source, *_nodes(source, board, rails)} if source else set()
    is_entry = maker is None and source is None
    users, shunts, series = [], [], []
    for part in touching:
        if _leads_on(part, net, board, rails):
            users.append(part.ref)
        elif _carries(part, rails, is_entry=is_entry) or _switches(part, before, {net, *nodes}):
            series.append(part.ref)
        elif part.kind in ("capacitor", "resistor", "diode", "inductor"):
            shunts.append(part.ref)
        else:
            users.append(part.ref)
    return Supply(
        net,
        rail.volts if rail.volts is not None else volts_from_name(net),
        rail.tolerance_percent,
        maker,
        source,
        tuple(users),
        tuple(shunts),
        tuple(series),
        is_guess,
        nodes=nodes,
    )


def _nodes(net: str, board: Board, rails: dict[str, Rail]) -> tuple[str, ...]:
    """Return the nets without a rail of their own that coils and fuses join to a supply net."""
    found, queue = [], [net]
    while queue:
        now = queue.pop()
        for part in board.parts:
            if part.kind not in JOINING_KINDS or now not in part.nets:
                continue
            new = [n for n in part.nets if not (n in rails or is_ground(n) or n in found)]
            found += new
            queue += new
    return tuple(found)


def _switches(part: Part, before: set[str], behind: set[str]) -> bool:
    """Tell whether a part stands between the supply that another is made from and that one, coils included."""
    return part.kind in SWITCH_KINDS and not before.isdisjoint(part.nets) and not behind.isdisjoint(part.nets)
