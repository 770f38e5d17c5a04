"""Symptoms of the power-up: restarts and the shape of the supply current, against the good boards'."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from thermscan.explain.hypothesis import Lineup
from thermscan.explain.meter import Weight, weigh_current
from thermscan.model.evidence import Evidence
from thermscan.model.recording import SupplyPoint

# Probability that a board with this fault keeps restarting, or runs into its supply's limit: judgement, no source.
RESTARTS = {
    "short": 0.35,
    "leak": 0.08,
    "overload": 0.18,
    "dead_supply": 0.08,
    "open_or_missing": 0.06,
    "joint": 0.1,
    "heat_path": 0.08,
    "bridge": 0.2,
    "hidden_source": 0.15,
    "supply_limit": 0.55,
    "none": 0.01,
    "other": 0.12,
}
AT_LIMIT = {
    "short": 0.5,
    "leak": 0.05,
    "overload": 0.2,
    "dead_supply": 0.04,
    "open_or_missing": 0.03,
    "joint": 0.03,
    "heat_path": 0.02,
    "bridge": 0.25,
    "hidden_source": 0.15,
    "supply_limit": 0.6,
    "none": 0.01,
    "other": 0.1,
}
NEAR_LIMIT = 0.03  # within this share of the limit counts as at it; a bench supply's resolution, judgement
LONG_AT_LIMIT = 0.3  # share of the seconds on that makes a plateau rather than an inrush; judgement
ON_SHARE = 0.1  # of the largest current: above it the board counts as drawing


@dataclass(frozen=True)
class CurrentShape:
    """A supply log in numbers: mean of the later half of its seconds on, peak, and the times of its bursts."""

    mean_a: float
    peak_a: float
    mean_w: float
    plateau_share: float
    bursts_s: tuple[tuple[float, float], ...]

    @property
    def retry_s(self) -> float | None:
        """Mean time from burst to burst, None for a single one."""
        starts = [a for a, _ in self.bursts_s]
        return float(np.mean(np.diff(starts))) if len(starts) > 1 else None


def shape_of(supply: tuple[SupplyPoint, ...], *, limit_a: float | None = None) -> CurrentShape | None:
    """Describe a supply log; None where it shows no current.

    ``limit_a`` is the current limit that was set; without it the plateau is looked for at the largest current.
    """
    if len(supply) < 3:
        return None
    time = np.array([p.time_s for p in supply])
    amps = np.array([p.amps for p in supply])
    volts = np.array([p.volts for p in supply])
    peak = float(amps.max())
    if peak <= 0:
        return None
    on = amps > ON_SHARE * peak
    edges = np.flatnonzero(np.diff(np.concatenate([[False], on, [False]]).astype(int)))
    bursts = tuple((float(time[a]), float(time[min(b, len(time) - 1)])) for a, b in edges.reshape(-1, 2))
    late = on & (time >= np.median(time[on]))
    level = limit_a if limit_a else peak
    plateau = float(np.mean(amps[on] >= (1 - NEAR_LIMIT) * level))
    return CurrentShape(float(amps[late].mean()), peak, float((amps * volts)[late].mean()), plateau, bursts)


def weigh_symptoms(evidence: Evidence, lineup: Lineup) -> list[Weight]:
    """Turn restarts and the supply's log into evidence."""
    return [w for w in (_restarts(evidence, lineup), _limit(evidence, lineup), _current(evidence, lineup)) if w]


def _rows(table: dict[str, float], lineup: Lineup, *, seen: bool) -> np.ndarray:
    """Return the log chance of a symptom under each outcome; where the supply has given up, as under its limit."""
    chances = np.array([table[f] for f in (*(h.fault for h in lineup.hypotheses), "none", "other")])
    if lineup.gives_up is not None:
        chances = chances + np.clip(lineup.gives_up, 0.0, 1.0) * np.maximum(table["supply_limit"] - chances, 0.0)
    return np.log(chances if seen else 1.0 - chances)


def _restarts(evidence: Evidence, lineup: Lineup) -> Weight | None:
    count = evidence.timing.restarts if evidence.timing is not None else None
    if count is None:
        return None
    usual = [t.restarts for t in evidence.good_timings if t.restarts is not None]
    normal = float(np.median(usual)) if usual else 0.0
    if count <= normal:
        return Weight("no restarts", 0.5 * _rows(RESTARTS, lineup, seen=False))
    ups = evidence.timing.power_ups if evidence.timing is not None else ()
    runs = [u.off_s.value - u.on_s.value for u in ups if u.off_s is not None]
    each = f", each run {np.mean(runs):.1f} s" if runs else ""
    beside = f"; the good boards {normal:g}" if usual else ""
    return Weight(f"{count} restarts{each}{beside}", _rows(RESTARTS, lineup, seen=True))


def _limit(evidence: Evidence, lineup: Lineup) -> Weight | None:
    limit = evidence.drive.amps if evidence.drive is not None else None
    shape = shape_of(evidence.supply, limit_a=limit)
    if shape is None or limit is None or evidence.is_injection:
        return None
    if shape.peak_a >= (1 - NEAR_LIMIT) * limit and shape.plateau_share >= LONG_AT_LIMIT:
        text = f"the supply stands at its limit of {limit:g} A for {100 * shape.plateau_share:.0f} % of the seconds on"
        return Weight(text, _rows(AT_LIMIT, lineup, seen=True))
    return None


def _current(evidence: Evidence, lineup: Lineup) -> Weight | None:
    shape = shape_of(evidence.supply)
    goods = [s for s in (shape_of(g) for g in evidence.good_supplies) if s is not None]
    if shape is None or not goods or evidence.is_injection:
        return None
    weight = weigh_current(shape.mean_a, float(np.median([g.mean_a for g in goods])), "the supply (log)", lineup)
    retry = shape.retry_s
    more = f", in bursts every {retry:.1f} s" if retry is not None and all(g.retry_s is None for g in goods) else ""
    return Weight(weight.text + more, weight.log)
