"""What the multimeter said: how likely each reading is under each fault, and what it moved."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from thermscan.explain.lineup import Hypothesis, Lineup
from thermscan.model.chances import Table
from thermscan.model.reading import Reading

DEAD_SHARE = 0.1  # of the nominal volts; judgement
LOW_OHM_SHARE, VERY_LOW_OHM_SHARE, HIGH_OHM_SHARE = 0.5, 0.1, 2.0  # of the good board's value; judgement
SHORT_OHM = 2.0  # what a meter and its leads still show across a short; common practice, no source
POWER_UP = ("inrush_current", "run_time", "retry_period")
QUICK_TRY_S = 1.0  # tries shorter than this are ended by a current limit, not by heat; common practice, no source
# The surge and the steps go along with the mean current, and a log's sampling may miss them.
SHAPE_POWER = 0.5
CURRENT_SHARE = 0.25  # difference between good boards that says nothing; judgement
METERED = 3.0  # how much likelier a reading makes a fault that it bears out; judgement


@dataclass(frozen=True)
class Weight:
    """One reading or symptom turned into evidence.

    ``text`` says what was read, as a clause; ``log`` is its log likelihood, ndarray (hypotheses + 2,), the last two
    no fault and other.
    """

    text: str
    log: np.ndarray


def in_tolerance(volts: float, nominal: float, percent: float) -> bool:
    """Tell whether volts lie within nominal +- percent, limits included.

    Limits are compared as numbers with a slack of one part in a billion: the ratio form loses 3.135 V on a 3.3 V
    rail to rounding.
    """
    low, high = sorted((nominal * (1 - percent / 100), nominal * (1 + percent / 100)))
    slack = 1e-9 * abs(nominal)
    return low - slack <= volts <= high + slack


def voltage_class(volts: float, nominal: float, percent: float) -> str:
    """Name what a voltage is against nominal and tolerance: one of the model's VOLTAGE_CLASSES."""
    if in_tolerance(volts, nominal, percent):
        return "in tolerance"
    if abs(volts) < DEAD_SHARE * abs(nominal):
        return "dead"
    return "low" if abs(volts) < abs(nominal) else "high"


def resistance_class(ohm: float, good_ohm: float) -> str:
    """Name what a resistance (or diode drop) is against the good board's: of OHM_CLASSES; open is infinite."""
    if math.isinf(good_ohm):
        return "like the good board" if math.isinf(ohm) else "low"
    if math.isinf(ohm) or ohm > HIGH_OHM_SHARE * good_ohm:
        return "high"
    if ohm < VERY_LOW_OHM_SHARE * good_ohm:
        return "very low"
    return "low" if ohm < LOW_OHM_SHARE * good_ohm else "like the good board"


def effect_on(net: str, hypothesis: Hypothesis, lineup: Lineup) -> str:
    """Name what a fault does to a net: a row of the tables for voltage and resistance."""
    tree = lineup.tree
    fault, own = hypothesis.fault, hypothesis.net
    part = next((p for p in lineup.board.parts if p.ref == hypothesis.where), None) if lineup.board else None
    touches = part is not None and net in part.nets
    below = own is not None and net in tree.below(own)
    direct = {"short": "shorted", "leak": "leaky", "overload": "loaded", "hidden_source": "bridged"}
    if fault in direct:
        if net == own or (touches and own is None):
            return direct[fault]
        return "pulled" if fault == "short" and below else "calm"
    if fault == "bridge":
        near = lineup.bare[hypothesis.at].near[:2] if hypothesis.at is not None else (hypothesis.where,)
        nets = {n for p in (lineup.board.parts if lineup.board else ()) if p.ref in near for n in p.nets}
        return "bridged" if net in nets else "calm"
    if fault in ("dead_supply", "open_or_missing") and hypothesis.dark:
        return "dead" if below else "calm"
    return "limited" if fault == "supply_limit" else "calm"


def weigh_readings(readings: tuple[Reading, ...], lineup: Lineup) -> tuple[list[Weight], list[str]]:
    """Turn readings into evidence; of several of one net and quantity the last counts.

    Returns
    -------
    tuple of (list of Weight, list of str)
        The second holds a sentence for each reading that could not be used, and why.
    """
    latest = {(r.where, r.net, r.quantity): r for r in readings}
    weights, refused = [], []
    for reading in latest.values():
        done = _weigh(reading, lineup)
        if isinstance(done, str):
            refused.append(done)
        else:
            weights.append(done)
    return weights, refused


def borne_out(readings: tuple[Reading, ...], lineup: Lineup) -> frozenset[str]:
    """Return the parts one of whose faults the readings make at least ``METERED`` times as likely against no fault.

    What was noted of the power-up says how the board behaves, not where: it bears nobody out.
    """
    weights, _ = weigh_readings(tuple(r for r in readings if r.quantity not in POWER_UP), lineup)
    moved = sum((w.log for w in weights), np.zeros(len(lineup.hypotheses) + 2))
    odds = moved[:-2] - moved[-2]
    return frozenset(h.where for h, o in zip(lineup.hypotheses, odds, strict=True) if o >= np.log(METERED))


def _weigh(reading: Reading, lineup: Lineup) -> Weight | str:
    name = reading.net or reading.where or "the supply"
    if reading.quantity in ("resistance_to_ground", "diode_drop"):
        return _weigh_resistance(reading, name, lineup)
    if reading.power == "off":
        return f"the {reading.quantity} of {name} was taken with power off and is not used"
    if reading.quantity == "voltage":
        return _weigh_voltage(reading, name, lineup)
    if reading.quantity in POWER_UP:
        return _weigh_power_up(reading, lineup)
    return _weigh_current(reading, name, lineup)


def _weigh_voltage(reading: Reading, name: str, lineup: Lineup) -> Weight | str:
    net = _net_of(reading, lineup)
    supply = lineup.tree.supplies.get(net)
    nominal = supply.volts if supply is not None and supply.volts is not None else reading.good_value
    if nominal is None:
        return f"the voltage of {name} cannot be judged: neither its nominal volts nor the good board's are known"
    percent = supply.tolerance_percent if supply is not None else 5.0
    kind = voltage_class(reading.value, nominal, percent)
    text = f"{name} at {plain(reading.value, 'V')} ({kind}; nominal {plain(nominal, 'V')} +-{percent:g} %)"
    return _by_net(net, lineup.priors.voltage, kind, text, lineup)


def _weigh_resistance(reading: Reading, name: str, lineup: Lineup) -> Weight | str:
    words = "resistance to ground" if reading.quantity == "resistance_to_ground" else "diode drop"
    if reading.power != "off":
        return (
            f"the {words} of {name} was taken with power {reading.power} and is not used: switch off, unplug, let the"
            " capacitors discharge, then measure again"
        )
    net = _net_of(reading, lineup)
    if reading.good_value is not None:
        kind = resistance_class(reading.value, reading.good_value)
        against = f"{plain(reading.good_value, reading.unit)} on the good board"
    elif reading.quantity == "resistance_to_ground" and reading.value <= SHORT_OHM:
        kind, against = "very low", "no good board's value is known"
    elif reading.quantity == "resistance_to_ground" and math.isfinite(reading.value) and reading.value > 1000.0:
        kind, against = "like the good board", "no good board's value is known; too high for a short"
    else:
        return f"the {words} of {name} cannot be judged without the good board's value"
    unit = "V" if reading.quantity == "diode_drop" else "ohm"
    text = f"{words} of {name} {plain(reading.value, unit)} ({kind}; {against})"
    weight = _by_net(net, lineup.priors.resistance, kind, text, lineup)
    # A low-voltage, high-current net measures low when healthy: half the weight where nothing can be compared.
    return weight if reading.good_value is not None else Weight(text, 0.5 * weight.log)


def _weigh_current(reading: Reading, name: str, lineup: Lineup) -> Weight | str:
    if reading.good_value is None or reading.good_value <= 0:
        return f"the current of {name} cannot be judged without the good board's"
    return weigh_current(reading.value, reading.good_value, name, lineup)


def _weigh_power_up(reading: Reading, lineup: Lineup) -> Weight | str:
    """Weigh what was noted of the power-up: the surge, how long a try runs, the time from try to try."""
    good, value = reading.good_value, reading.value
    rows = [*(h.fault for h in lineup.hypotheses), "none", "other"]
    if reading.quantity == "inrush_current":
        if good is None or good <= 0:
            return "the current at switch-on cannot be judged without the good board's"
        kind = "like the good board" if abs(value / good - 1) <= CURRENT_SHARE else ("high" if value > good else "low")
        text = f"current at switch-on {plain(value, 'A')} ({kind}; {plain(good, 'A')} on the good board)"
        return Weight(text, SHAPE_POWER * np.log([lineup.priors.inrush[r][kind] for r in rows]))
    is_run = reading.quantity == "run_time"
    text = f"each try runs {value:.3g} s" if is_run else f"a try every {value:.3g} s"
    if good is not None and good > 0 and abs(value / good - 1) <= CURRENT_SHARE:
        return Weight(f"{text}, as on the good board", np.zeros(len(rows)))
    beside = f"; {good:.3g} s on the good board" if good is not None else ""
    table = lineup.priors.symptoms["quick_tries" if is_run else "even_retries"]
    chances = np.array([table[r] for r in rows])
    # A period that can be given as one number is an even one; a try is quick where no heat could have ended it.
    return Weight(text + beside, np.log(1.0 - chances if is_run and value >= QUICK_TRY_S else chances))


def weigh_current(amps: float, good_amps: float, name: str, lineup: Lineup) -> Weight:
    """Turn a supply current against the good board's into evidence."""
    ratio = amps / good_amps
    kind = "like the good board" if abs(ratio - 1) <= CURRENT_SHARE else ("high" if ratio > 1 else "low")
    rows = [*(h.fault for h in lineup.hypotheses), "none", "other"]
    log = np.log([lineup.priors.current[r][kind] for r in rows])
    return Weight(f"current of {name} {plain(amps, 'A')} ({kind}; {plain(good_amps, 'A')} on the good board)", log)


def _net_of(reading: Reading, lineup: Lineup) -> str:
    if reading.net:
        return reading.net
    if lineup.tree.supply_at(reading.where):
        return lineup.tree.supply_at(reading.where)
    part = next((p for p in lineup.board.parts if p.ref == reading.where), None) if lineup.board else None
    return lineup.tree.supplies_of(part)[0] if part is not None and lineup.tree.supplies_of(part) else reading.where


def _by_net(net: str, table: Table, answer: str, text: str, lineup: Lineup) -> Weight:
    rows = [*(effect_on(net, h, lineup) for h in lineup.hypotheses), "calm", "unknown"]
    return Weight(text, np.log([table[r][answer] for r in rows]))


def plain(value: float, unit: str) -> str:
    """Write a value with three digits that count and the prefix that fits its size; ``open`` for infinity."""
    if math.isinf(value):
        return "open"
    value = float(f"{value:.3g}")
    for factor, prefix in ((1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "u")):
        if abs(value) >= factor:
            return f"{value / factor:.3g} {prefix}{unit}"
    return f"{value:.3g} {unit}"
