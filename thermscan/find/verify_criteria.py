"""Pass criteria of a repair beside the heat itself: cold starts, restarts, thermal balance, rails."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from thermscan.model.board import Rail
from thermscan.model.case_record import Criterion
from thermscan.model.case_settings import VerifySettings
from thermscan.model.reading import Reading

WARMEST_SHARE = 0.05  # of the board's cells: what settles last is seen where it is warmest; judgement


@dataclass(frozen=True)
class Run:
    """One power-up after the repair.

    Attributes
    ----------
    name : str
    is_cold_start : bool or None
        True where power-on is seen, from a board that no earlier run had warmed; None where that cannot be told.
    cold_why : str
        Why it is no cold start, or why that cannot be told; empty for a cold start.
    restarts : int or None
    on_for_s : float or None
        Seconds on, as far as they are in the recording.
    times_s, rise_k : ndarray of shape (bins,)
        Mean rise of the warmest places against seconds since power-on; empty where it is not known.
    """

    name: str
    is_cold_start: bool | None
    restarts: int | None
    on_for_s: float | None
    times_s: np.ndarray
    rise_k: np.ndarray
    cold_why: str = ""


def warmth_at_start(cold_c: np.ndarray, rise_k: np.ndarray) -> tuple[float, float]:
    """Return how much warmer the places that warm most were at power-on than the others, and their rise, K.

    Parameters
    ----------
    cold_c : ndarray of shape (cells,)
        Mean of the frames before power-on, degrees Celsius.
    rise_k : ndarray of shape (cells,)
        Largest rise of the run.

    Notes
    -----
    An earlier run leaves its own pattern of heat, the room and a drifting camera do not: medians of the warmest
    twentieth and of the rest. Not valid where bright metal is among them.
    """
    warmest = rise_k >= np.quantile(rise_k, 1 - WARMEST_SHARE)
    left = float(np.median(cold_c[warmest]) - np.median(cold_c[~warmest])) if (~warmest).any() else 0.0
    return left, float(rise_k[warmest].mean())


def is_cold(left_k: float, reached_k: float, *, settings: VerifySettings) -> bool:
    """Tell whether what :func:`warmth_at_start` found is so little that the run began cold."""
    return left_k <= max(settings.cold_share * reached_k, settings.cold_floor_k)


def cold_start_criterion(runs: Sequence[Run], *, settings: VerifySettings) -> Criterion:
    """Count cold starts, and say why a run is none."""
    wanted = f"{settings.cold_starts} cold starts seen"
    count = sum(run.is_cold_start is True for run in runs)
    state = "met" if count >= settings.cold_starts else "not_done"
    others = "; ".join(f"{run.name}: {run.cold_why}" for run in runs if run.cold_why)
    return Criterion(
        "cold starts", wanted, f"{count} of {len(runs)} recordings{f' ({others})' if others else ''}", state
    )


def restart_criterion(runs: Sequence[Run]) -> Criterion:
    """Check that the board stayed on."""
    wanted = "no restart in any run"
    known = [run for run in runs if run.restarts is not None]
    bad = [f"{run.name}: {run.restarts}" for run in known if run.restarts]
    if bad:
        return Criterion("restarts", wanted, "; ".join(bad), "not_met")
    if not known or len(known) < len(runs):
        return Criterion("restarts", wanted, f"counted in {len(known)} of {len(runs)} recordings", "not_done")
    return Criterion("restarts", wanted, f"none in {len(known)} recordings", "met")


def last_fifth_change(run: Run) -> tuple[float, float] | None:
    """Return (change over the last fifth of the run, rise at its end), K; None where the run is not known.

    Notes
    -----
    For a board that settles as 1 - exp(-t / tau) the change over the last fifth of T is exp(-0.8 T / tau) -
    exp(-T / tau) of the whole: 3 % where T is 3.5 tau, when 97 % of the rise is reached. The change is the slope of
    a straight line over that fifth, times its length, so that noise averages out.
    """
    times, rise = np.asarray(run.times_s, float), np.asarray(run.rise_k, float)
    known = np.isfinite(rise) & (times <= (run.on_for_s if run.on_for_s is not None else np.inf))
    times, rise = times[known], rise[known]
    if times.size < 5:
        return None
    late = times >= 0.8 * times[-1]
    if late.sum() < 3:
        return None
    slope = float(np.polyfit(times[late], rise[late], 1)[0])
    return abs(slope) * 0.2 * float(times[-1]), float(np.mean(rise[late]))


def balance_criterion(runs: Sequence[Run], run_for_s: float | None, *, settings: VerifySettings) -> Criterion:
    """Check one run to thermal balance, or to the stated time."""
    lengths = [run.on_for_s for run in runs if run.on_for_s is not None]
    longest = max(lengths, default=0.0)
    if run_for_s is not None:
        state = "met" if longest >= run_for_s else "not_done"
        return Criterion("long run", f"one run of {run_for_s:g} s", f"longest run {longest:.0f} s", state)
    wanted = f"one run until the last fifth changes by under {100 * settings.balance_share:g} % of the rise"
    said = f"longest run {longest:.0f} s"
    for run in sorted(runs, key=lambda r: -(r.on_for_s or 0.0)):
        change = last_fifth_change(run)
        if change is None or (run.on_for_s or 0.0) < settings.fewest_balance_s:
            continue
        said = f"{run.name}: {run.on_for_s:.0f} s, last fifth changes by {change[0]:.2f} K of {change[1]:.1f} K"
        if change[0] <= max(settings.balance_share * abs(change[1]), settings.balance_floor_k):
            return Criterion("thermal balance", wanted, said, "met")
    return Criterion("thermal balance", wanted, said, "not_done")


def rail_criteria(rails: Sequence[Rail], readings: Sequence[Reading]) -> tuple[Criterion, ...]:
    """Check the voltage of every rail against its tolerance."""
    if not rails:
        found = "the board file names no rails"
        return (Criterion("rails", "every rail within its tolerance", found, "not_done"),)
    latest = {r.net: r for r in readings if r.quantity == "voltage" and r.power == "on" and r.net}
    return tuple(_rail_criterion(rail, latest.get(rail.net)) for rail in rails)


def _rail_criterion(rail: Rail, reading: Reading | None) -> Criterion:
    name = f"rail {rail.net}"
    if rail.volts is None:
        return Criterion(name, "within its tolerance", "its nominal voltage is not known", "not_done")
    half = abs(rail.volts) * rail.tolerance_percent / 100
    low, high = rail.volts - half, rail.volts + half
    wanted = f"{low:.4g} to {high:.4g} V"
    if reading is None:
        return Criterion(name, wanted, "not measured", "not_done")
    slack = 1e-9 * abs(rail.volts)  # a limit hit exactly is inside, whatever rounding does
    state = "met" if low - slack <= reading.value <= high + slack else "not_met"
    return Criterion(name, wanted, f"{reading.value:.4g} V", state)
