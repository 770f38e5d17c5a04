"""Why it shut down: parts at power-off against their limits, and when heat cannot be the reason."""

from __future__ import annotations

from thermscan.model.board import Board
from thermscan.model.evidence import Evidence, Priors
from thermscan.model.quantity import Measured
from thermscan.model.result import PartReading

# Resistance from the surface to the junction is known by kind only, within a factor of three; judgement.
JUNCTION_FACTOR = 3.0
# A junction is hotter than the top of its package by this share of the package's own rise at the most: resistances to
# the top are a few K/W, those to the air some tens, common practice, no source.
MOST_OF_RISE = 0.3
WITH_JUNCTION = ("diode", "transistor", "regulator", "chip", "memory", "module")


def junction_c(surface_c: Measured, power_w: Measured, k_per_w: float) -> Measured:
    """Estimate a junction's temperature, degrees Celsius, from a readable bare surface and the part's power.

    Notes
    -----
    Surface plus power times the resistance from the top of the package to the junction (JESD51-12's thermal
    characterisation parameter, from memory). The resistance is taken as known within a factor of three; the ends of
    the interval take the ends of all three.
    """
    low = surface_c.low + max(power_w.low, 0.0) * k_per_w / JUNCTION_FACTOR
    high = surface_c.high + max(power_w.high, 0.0) * k_per_w * JUNCTION_FACTOR
    value = surface_c.value + max(power_w.value, 0.0) * k_per_w
    return Measured(value, min(low, value), max(high, value))


def why_it_shut_down(evidence: Evidence, board: Board | None, *, priors: Priors) -> tuple[str, ...]:
    """Say, for each part with a limit temperature, whether heat can explain that the board went off.

    Empty where the board did not go off by itself as far as is known, or where no part states its limit.
    """
    timing = evidence.timing
    if board is None or timing is None or timing.off_s is None:
        return ()
    limited = {p.ref: p for p in board.parts if p.max_c is not None and p.fitted}
    readings = {r.ref: r for r in evidence.parts if r.ref in limited}
    out: list[str] = []
    below = 0
    for ref, part in limited.items():
        reading = readings.get(ref)
        if part.covered_by or (reading is not None and reading.state == "unreadable"):
            cover = f"under {part.covered_by}" if part.covered_by else "bare metal"
            out.append(f"{ref} (limit {part.max_c:g} °C) is {cover}: its surface cannot tell whether it was too hot")
            continue
        if reading is None or reading.temperature_c is None:
            continue
        hot = _junction(ref, part.kind, reading, evidence, priors)
        if hot.low > part.max_c:
            out.append(
                f"{ref} reached {_range(hot)} inside at power-off, over its limit of {part.max_c:g} °C:"
                " heat can explain it"
            )
        elif hot.high >= part.max_c:
            out.append(
                f"{ref} reached {_range(hot)} inside at power-off; its limit of {part.max_c:g} °C lies in that range"
            )
        else:
            below += 1
    if below and not any("heat can explain" in s or "lies in that range" in s for s in out):
        out.append(
            f"if the board went off by itself, heat does not explain it: {below} readable"
            f" part{'s' if below > 1 else ''} with a stated limit stayed below it; look for a short, a supply at its"
            " limit or a watchdog"
        )
    return tuple(out)


def _junction(ref: str, kind: str, reading: PartReading, evidence: Evidence, priors: Priors) -> Measured:
    """Return what is hottest in a part: its surface, or its junction by its watts or by its own rise.

    Watts of a source are those beyond a good board's, so the share of the rise stands for what it makes anyway.
    """
    surface = reading.temperature_c
    assert surface is not None
    if kind not in WITH_JUNCTION:
        return surface
    rise = max(reading.rise_k.high, 0.0) if reading.rise_k is not None else 0.0
    by_rise = Measured(surface.value, surface.low, surface.high + MOST_OF_RISE * rise)
    source = next((s for s in evidence.sources if s.ref == ref), None)
    if source is None:
        return by_rise
    by_watts = junction_c(surface, source.power_w, priors.junction_k_per_w.get(kind, priors.junction_k_per_w["other"]))
    return Measured(by_watts.value, by_watts.low, max(by_watts.high, by_rise.high))


def _range(m: Measured) -> str:
    return f"{m.value:.0f} °C ({m.low:.0f} to {m.high:.0f})"
