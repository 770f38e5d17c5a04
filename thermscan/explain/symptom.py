"""Symptoms of the power-up: restarts, their times, and the shape of the supply current, against the good boards'.

How likely each is under each fault stands in the priors (``symptoms``, ``current``, ``inrush``, ``step``).
"""

from __future__ import annotations

import numpy as np

from thermscan.explain.current_shape import NEAR_LIMIT, CurrentShape, shape_of
from thermscan.explain.lineup import Lineup
from thermscan.explain.meter import CURRENT_SHARE, QUICK_TRY_S, SHAPE_POWER, Weight, weigh_current
from thermscan.model.chances import Table
from thermscan.model.evidence import Evidence
from thermscan.model.timing import Timing

LONG_AT_LIMIT = 0.3  # share of the seconds on that makes a plateau rather than an inrush; judgement
EVEN_RETRIES = 0.1  # standard deviation of the time from try to try, share of it, that is like a clock; judgement
LIKE_SHARE = 0.25  # times of good boards within this share are the same; judgement


def weigh_symptoms(evidence: Evidence, lineup: Lineup) -> list[Weight]:
    """Turn restarts, their times and the supply's log into evidence; each is a weight of its own.

    What was noted by hand among the readings is not weighed a second time.
    """
    noted = {r.quantity for r in evidence.readings}
    found = (
        _restarts(evidence, lineup),
        _tries(evidence, lineup) if "run_time" not in noted else None,
        _retries(evidence, lineup) if "retry_period" not in noted else None,
        _limit(evidence, lineup),
        _current(evidence, lineup),
        _surge(evidence, lineup) if "inrush_current" not in noted else None,
        _steps(evidence, lineup),
    )
    return [w for w in found if w]


def _rows(symptom: str, lineup: Lineup, *, seen: bool) -> np.ndarray:
    """Return the log chance of a symptom under each outcome; where the supply has given up, as under its limit."""
    table = lineup.priors.symptoms[symptom]
    chances = np.array([table[f] for f in (*(h.fault for h in lineup.hypotheses), "none", "other")])
    if lineup.gives_up is not None:
        chances = chances + np.clip(lineup.gives_up, 0.0, 1.0) * np.maximum(table["supply_limit"] - chances, 0.0)
    return np.log(chances if seen else 1.0 - chances)


def _answers(table: Table, answer: str, lineup: Lineup) -> np.ndarray:
    """Return the tempered log chance of an answer under each outcome."""
    rows = (*(h.fault for h in lineup.hypotheses), "none", "other")
    return SHAPE_POWER * np.log([table[r][answer] for r in rows])


def _usual_restarts(evidence: Evidence) -> float | None:
    usual = [t.restarts for t in evidence.good_timings if t.restarts is not None]
    return float(np.median(usual)) if usual else None


def _restarts_more(evidence: Evidence) -> bool:
    count = evidence.timing.restarts if evidence.timing is not None else None
    return count is not None and count > (_usual_restarts(evidence) or 0.0)


def _restarts(evidence: Evidence, lineup: Lineup) -> Weight | None:
    count = evidence.timing.restarts if evidence.timing is not None else None
    if count is None:
        return None
    usual = _usual_restarts(evidence)
    if count <= (usual or 0.0):
        return Weight("no restarts", 0.5 * _rows("restarts", lineup, seen=False))
    beside = f"; the good boards {usual:g}" if usual is not None else ""
    return Weight(f"{count} restarts{beside}", _rows("restarts", lineup, seen=True))


def _runs(timing: Timing | None) -> list[float]:
    return [u.off_s.value - u.on_s.value for u in timing.power_ups if u.off_s is not None] if timing else []


def _starts(timing: Timing | None) -> list[float]:
    return [u.on_s.value for u in timing.power_ups] if timing else []


def _is_like(value: float, goods: list[float]) -> bool:
    return bool(goods) and abs(value / float(np.median(goods)) - 1.0) <= LIKE_SHARE


def _tries(evidence: Evidence, lineup: Lineup) -> Weight | None:
    """Weigh how long each try runs, where the board restarts more often than good ones and not as they do."""
    runs = _runs(evidence.timing)
    if not runs or not _restarts_more(evidence):
        return None
    each = float(np.median(runs))
    goods = [float(np.median(_runs(t))) for t in evidence.good_timings if t.restarts and _runs(t)]
    if _is_like(each, goods):
        return Weight(f"each try runs {each:.1f} s, as on the good boards", np.zeros(len(lineup.hypotheses) + 2))
    quick = [r < QUICK_TRY_S for r in runs]
    if 0.25 < np.mean(quick) < 0.75:
        return None
    is_quick = bool(np.mean(quick) >= 0.75)
    word = "too short for heat to end it" if is_quick else "long enough for heat to end it"
    beside = f"; {np.median(goods):.1f} s on the good boards" if goods else _ran_on(evidence)
    return Weight(f"each try runs {each:.1f} s, {word}{beside}", _rows("quick_tries", lineup, seen=is_quick))


def _ran_on(evidence: Evidence) -> str:
    return "; the good boards run on" if evidence.good_timings else ""


def _retries(evidence: Evidence, lineup: Lineup) -> Weight | None:
    """Weigh whether the tries follow each other like a clock, and not at the good boards' period."""
    gaps = np.diff(_starts(evidence.timing))
    if len(gaps) < 2 or not _restarts_more(evidence):
        return None
    period = float(np.mean(gaps))
    goods = [float(np.mean(np.diff(_starts(t)))) for t in evidence.good_timings if t.restarts and len(_starts(t)) > 1]
    if _is_like(period, goods):
        return Weight(f"a try every {period:.1f} s, as on the good boards", np.zeros(len(lineup.hypotheses) + 2))
    is_even = float(np.std(gaps, ddof=1)) <= EVEN_RETRIES * period
    word = "like a clock" if is_even else f"unevenly ({gaps.min():.1f} to {gaps.max():.1f} s)"
    beside = f"; every {np.median(goods):.1f} s on the good boards" if goods else ""
    text = f"a try every {period:.1f} s, {word}{beside}"
    return Weight(text, _rows("even_retries", lineup, seen=is_even))


def _limit(evidence: Evidence, lineup: Lineup) -> Weight | None:
    limit = evidence.drive.amps if evidence.drive is not None else None
    if limit is None or evidence.is_injection:
        return None
    shape = shape_of(evidence.supply, limit_a=limit)
    if shape is None or not _stands_at(shape, limit):
        return None
    text = f"the supply stands at its limit of {limit:g} A for {100 * shape.plateau_share:.0f} % of the seconds on"
    goods = [s for s in (shape_of(g, limit_a=limit) for g in evidence.good_supplies) if s is not None]
    if goods and 2 * sum(_stands_at(g, limit) for g in goods) >= len(goods):
        return Weight(f"{text}, as with the good boards", np.zeros(len(lineup.hypotheses) + 2))
    beside = "; never with the good boards" if goods and not any(_stands_at(g, limit) for g in goods) else ""
    return Weight(text + beside, _rows("at_limit", lineup, seen=True))


def _stands_at(shape: CurrentShape, limit: float) -> bool:
    return shape.peak_a >= (1 - NEAR_LIMIT) * limit and shape.plateau_share >= LONG_AT_LIMIT


def _shapes(evidence: Evidence) -> tuple[CurrentShape, list[CurrentShape]] | None:
    """Return the shape of the board's log and of the good boards', None where they cannot be compared."""
    shape = shape_of(evidence.supply)
    goods = [s for s in (shape_of(g) for g in evidence.good_supplies) if s is not None]
    return None if shape is None or not goods or evidence.is_injection else (shape, goods)


def _current(evidence: Evidence, lineup: Lineup) -> Weight | None:
    found = _shapes(evidence)
    if found is None:
        return None
    shape, goods = found
    weight = weigh_current(shape.mean_a, float(np.median([g.mean_a for g in goods])), "the supply (log)", lineup)
    retry = shape.retry_s
    more = f", in bursts every {retry:.1f} s" if retry is not None and all(g.retry_s is None for g in goods) else ""
    return Weight(weight.text + more, weight.log)


def _surge(evidence: Evidence, lineup: Lineup) -> Weight | None:
    """Weigh the surge at switch-on, over the current that follows, where either board shows one."""
    found = _shapes(evidence)
    if found is None:
        return None
    shape, goods = found
    usual = [g.surge_a for g in goods if g.surge_a is not None]
    if shape.surge_a is None or not usual:
        return None
    normal, level = float(np.median(usual)), float(np.median([g.mean_a for g in goods]))
    if max(shape.surge_a, normal) < CURRENT_SHARE * level:
        return None
    # A log's sampling may hit or miss the top of the surge: what good boards differ by says nothing.
    slack = max(CURRENT_SHARE * max(level, normal), 2.0 * (max(usual) - min(usual)))
    apart = shape.surge_a - normal
    answer = "like the good board" if abs(apart) <= slack else ("high" if apart > 0 else "low")
    own, others = (max(a, 0.0) for a in (shape.surge_a, normal))
    text = f"surge at switch-on {own:.2f} A over what follows ({answer}; {others:.2f} A on the good boards)"
    return Weight(text, _answers(lineup.priors.inrush, answer, lineup))


def _steps(evidence: Evidence, lineup: Lineup) -> Weight | None:
    """Weigh the steps of the current after the surge, by their number."""
    found = _shapes(evidence)
    if found is None:
        return None
    shape, goods = found
    usual = [len(g.steps_s) for g in goods if g.has_steps]
    if not shape.has_steps or not usual:
        return None
    own, normal = len(shape.steps_s), float(np.median(usual))
    if own == normal == 0 or min(usual) < own < max(usual):
        return None
    answer = "like the good board" if own == normal else ("more" if own > normal else "missing")
    text = f"{own} steps of the supply current after switch-on ({answer}; {normal:g} on the good boards)"
    return Weight(text, _answers(lineup.priors.step, answer, lineup))
