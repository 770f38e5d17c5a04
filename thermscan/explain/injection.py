"""A bench supply fed into one net: the path heats, the current ends at the fault, and volts times amps is the heat."""

from __future__ import annotations

from dataclasses import replace

from thermscan.explain.current_shape import shape_of
from thermscan.explain.lineup import Lineup
from thermscan.explain.meter import plain
from thermscan.explain.power_tree import volts_from_name
from thermscan.model.board import Board
from thermscan.model.evidence import Evidence
from thermscan.model.recording import Drive
from thermscan.model.result import Suspect

# IEC 60028 (1925): annealed copper at 20 C, 1/58 ohm mm2/m, 0.00393 /K.
COPPER_OHM_M = 1.0 / 58.0e6
COPPER_PER_K = 0.00393
COPPER_UM = 35.0  # one ounce a square foot, common practice
POSSIBLE = ("short", "leak", "bridge", "hidden_source")


def copper_ohm_m(celsius: float) -> float:
    """Resistivity of annealed copper, ohm m (IEC 60028; linear, good between about -50 and 200 C)."""
    return COPPER_OHM_M * (1 + COPPER_PER_K * (celsius - 20.0))


def sheet_ohm(thickness_um: float = COPPER_UM, *, celsius: float = 20.0) -> float:
    """Resistance of a square of copper foil, ohm."""
    return copper_ohm_m(celsius) / (thickness_um * 1e-6)


def trace_ohm(length_mm: float, width_mm: float, *, thickness_um: float = COPPER_UM, celsius: float = 20.0) -> float:
    """Resistance of a straight trace of even width, ohm: sheet resistance times the number of squares."""
    return sheet_ohm(thickness_um, celsius=celsius) * length_mm / width_mm


def only_the_path(evidence: Evidence, lineup: Lineup) -> None:
    """Leave out, in place, what an injected current cannot heat: parts that do not touch the nets that it reaches.

    Where the board file puts no part on the driven net nothing is left out. The lineup is the caller's own, made for
    this judging alone.
    """
    net = evidence.drive.net if evidence.drive is not None else None
    board = lineup.board
    reached = frozenset() if net is None or board is None else lineup.tree.conducted(net, board)
    touching = {p.ref for p in (board.parts if board else ()) if reached & set(p.nets)}
    kept = [
        replace(h, net=net if not h.where.startswith("@") else h.net)
        for h in lineup.hypotheses
        if h.fault in POSSIBLE and (h.where.startswith("@") or not touching or h.where in touching)
    ]
    lineup.hypotheses[:] = kept


def over_volts(drive: Drive, board: Board | None) -> tuple[str, ...]:
    """Warn where a net is fed with more than it carries; its volts are those of its rail, else of its name."""
    if drive.mode != "injection" or drive.net is None or drive.volts is None:
        return ()
    rail = next((r for r in (board.rails if board is not None else ()) if r.net == drive.net), None)
    carried = rail.volts if rail is not None and rail.volts is not None else volts_from_name(drive.net)
    if carried is None or drive.volts <= abs(carried):
        return ()
    return (f"{drive.volts:g} V is above the {carried:g} V that {drive.net} carries: turn it down now",)


def injection_sentences(evidence: Evidence, lineup: Lineup, suspects: tuple[Suspect, ...]) -> tuple[str, ...]:
    """Say what was fed in, the resistance seen, and what the copper on the way may take of it."""
    drive = evidence.drive
    if drive is None or drive.mode != "injection":
        return ()
    shape = shape_of(evidence.supply, limit_a=drive.amps)
    net, watts = drive.net or "a net", None
    if shape is not None and shape.mean_a > 0:
        watts, amps = shape.mean_w, shape.mean_a
        ohm = plain(watts / amps**2, "ohm")
        out = [f"injection into {net}: {plain(watts, 'W')} at {plain(amps, 'A')}, {ohm} seen"]
    elif drive.volts and drive.amps:
        amps = drive.amps
        out = [
            f"injection into {net}: set to {drive.volts:g} V and at most {drive.amps:g} A, of which one holds: at most"
            f" {plain(drive.volts * drive.amps, 'W')}; log the supply, or note what it shows, for the resistance"
        ]
    else:
        return ()
    supply = lineup.tree.supplies.get(drive.net or "")
    out += over_volts(drive, lineup.board)
    made = sum(s.power_w.value for s in evidence.sources if s.power_w.value > 0)
    if evidence.sources:
        fed = f" of the {plain(watts, 'W')} fed in" if watts is not None else ""
        out.append(f"the heat found adds up to {plain(made, 'W')}{fed}")
    maker = supply.maker if supply is not None else None
    feed = next((p for p in (lineup.board.parts if lineup.board else ()) if p.ref == maker), None)
    if feed is not None and suspects and suspects[0].x_mm is not None and suspects[0].y_mm is not None:
        reach = ((feed.x - suspects[0].x_mm) ** 2 + (feed.y - suspects[0].y_mm) ** 2) ** 0.5
        low, high = (trace_ohm(reach, w) * amps for w in (20.0, 1.0))
        out.append(
            f"from {feed.ref} to where the heat ends are {reach:.0f} mm: {plain(low, 'V')} to {plain(high, 'V')}"
            f" drop at {plain(amps, 'A')} in 35 um copper, 20 to 1 mm wide"
        )
    return tuple(out)
