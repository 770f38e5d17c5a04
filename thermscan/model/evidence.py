"""Everything the explaining stage may reason from, gathered in one record, and the priors it starts with."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, fields, replace

import numpy as np

from thermscan.model.board import KINDS
from thermscan.model.chances import CURRENT, INRUSH, OHM, STEP, SYMPTOMS, VOLTAGE, Table, chances_from_json
from thermscan.model.errors import InputError, check_choice, check_keys, check_number
from thermscan.model.film import Excess
from thermscan.model.reading import Reading
from thermscan.model.recording import Drive, SupplyPoint
from thermscan.model.result import FAULTS, HeatSource, Hotspot, PartReading
from thermscan.model.timing import Timing

BASES = ("good_boards", "itself_before", "itself_only")
# The other face of a board whose picture shows this one.
FAR_SIDE = {"top": "bottom", "bottom": "top"}


@dataclass(frozen=True)
class Swap:
    """A part that was swapped or taken off, and whether the recording made afterwards differs from before."""

    ref: str
    changed: bool


@dataclass(frozen=True)
class Evidence:
    """What was measured and found about one faulty board, ready to be explained.

    Attributes
    ----------
    parts : tuple of PartReading
        One a fitted part of the seen side, with ``excess_course_k``, ``noise_course_k``, ``spread_course_k`` and
        ``rise_course_k`` (all ndarray (bins,), K or counts) where the part can be read. In a comparison with
        nothing but the board itself the courses are the rise.
    times_s : ndarray of shape (bins,), s
        Middle of each bin of these courses, since power-on (or since the recording's start where
        ``clock_is_power_on`` is False).
    excess : Excess or None
        The map behind it; gives the places between the parts. None: parts alone are judged.
    hotspots, sources : tuples
    basis : {'good_boards', 'itself_before', 'itself_only'}
    good_boards : int
    side : {'top', 'bottom'}
    timing : Timing or None
    good_timings : tuple of Timing
        Of the known-good boards, for the count of restarts.
    readings : tuple of Reading
    supply : tuple of SupplyPoint
        Log of the faulty board on its recording's clock; empty where there is none.
    good_supplies : tuple of tuples of SupplyPoint
        Logs of the good boards, each on its own clock.
    drive : Drive or None
    left_out : tuple of tuples of PartReading
        For each good board: its parts judged against the OTHER good boards, same bins. Two or more good boards
        are needed; empty otherwise. Calibrates how large harmless differences are.
    swaps : tuple of Swap
    ambient_c : float or None
    unit : {'celsius', 'count'}
    flags : frozenset of str
        ``no_cold_frames``, ``warm_start``, ``single_frame``, ``low_trust_registration`` and the like.
    warnings : tuple of str
    good_names : tuple of str
        Names of the good boards' recordings, in the order of ``left_out``.
    good_ambients_c : tuple of float, degrees Celsius
        As far as their sidecars state them.
    good_drives : tuple of Drive
        Of the good boards, as far as their sidecars state them.
    limit_is_stated : bool
        The detection limit of this recording is known and told elsewhere: it is not told another way again.
    frame_rate_hz : float or None
        Of the faulty board's recording.
    """

    parts: tuple[PartReading, ...] = ()
    times_s: np.ndarray = field(default_factory=lambda: np.zeros(0))
    excess: Excess | None = None
    hotspots: tuple[Hotspot, ...] = ()
    sources: tuple[HeatSource, ...] = ()
    basis: str = "good_boards"
    good_boards: int = 0
    side: str = "top"
    timing: Timing | None = None
    good_timings: tuple[Timing, ...] = ()
    readings: tuple[Reading, ...] = ()
    supply: tuple[SupplyPoint, ...] = ()
    good_supplies: tuple[tuple[SupplyPoint, ...], ...] = ()
    drive: Drive | None = None
    left_out: tuple[tuple[PartReading, ...], ...] = ()
    swaps: tuple[Swap, ...] = ()
    ambient_c: float | None = None
    unit: str = "celsius"
    clock_is_power_on: bool = True
    flags: frozenset[str] = field(default_factory=frozenset)
    warnings: tuple[str, ...] = ()
    good_names: tuple[str, ...] = ()
    good_ambients_c: tuple[float, ...] = ()
    good_drives: tuple[Drive, ...] = ()
    limit_is_stated: bool = False
    frame_rate_hz: float | None = None

    def __post_init__(self) -> None:
        times = np.array(self.times_s, dtype=float)
        times.setflags(write=False)
        object.__setattr__(self, "times_s", times)
        if self.basis not in BASES:
            msg = f"basis must be one of {', '.join(BASES)}, got {self.basis!r}"
            raise ValueError(msg)

    @property
    def is_injection(self) -> bool:
        """True where a bench supply drove one net and the rest of the board was unpowered."""
        return self.drive is not None and self.drive.mode == "injection"


def _even(share: float) -> dict[str, float]:
    return dict.fromkeys(KINDS, share)


# How often each fault is met, by kind of part: weights of one part against another, not probabilities.
# Common practice, no source: shorted ceramic and tantalum capacitors and switching transistors lead, regulators
# and chips follow; resistors, fuses and connectors open or get resistive joints rather than short. A chip counts as
# open too where it is powered and does not run (no clock, held in reset).
FAULT_WEIGHTS: dict[str, dict[str, float]] = {
    "short": _even(0.3)
    | {
        "capacitor": 3.0,
        "transistor": 2.0,
        "diode": 1.5,
        "chip": 1.5,
        "regulator": 1.5,
        "memory": 1.0,
        "module": 0.8,
        "resistor": 0.1,
        "inductor": 0.1,
        "connector": 0.3,
        "crystal": 0.05,
        "fuse": 0.02,
        "shield": 0.02,
        "heatsink": 0.01,
    },
    "leak": _even(0.2)
    | {
        "capacitor": 1.5,
        "diode": 1.0,
        "transistor": 1.0,
        "chip": 1.0,
        "regulator": 0.8,
        "memory": 0.7,
        "resistor": 0.1,
        "inductor": 0.05,
        "crystal": 0.02,
        "fuse": 0.01,
        "connector": 0.1,
        "shield": 0.01,
        "heatsink": 0.01,
    },
    "overload": _even(0.05)
    | {
        "chip": 2.0,
        "memory": 1.0,
        "regulator": 1.0,
        "transistor": 1.0,
        "module": 1.0,
        "resistor": 0.4,
        "inductor": 0.2,
        "diode": 0.4,
        "capacitor": 0.01,
        "shield": 0.0,
        "heatsink": 0.0,
        "fuse": 0.02,
        "connector": 0.02,
        "crystal": 0.02,
    },
    "dead_supply": _even(0.0)
    | {
        "regulator": 4.0,
        "transistor": 0.6,
        "module": 1.0,
        "chip": 0.4,
        "fuse": 0.6,
        "inductor": 0.3,
        "transformer": 0.5,
    },
    "open_or_missing": _even(0.4)
    | {
        "resistor": 1.0,
        "fuse": 1.5,
        "inductor": 0.3,
        "connector": 0.8,
        "chip": 2.0,
        "diode": 0.8,
        "transistor": 0.8,
        "regulator": 0.4,
        "memory": 1.6,
        "capacitor": 0.1,
        "shield": 0.02,
        "heatsink": 0.0,
        "crystal": 0.3,
    },
    "joint": _even(0.1)
    | {
        "connector": 2.5,
        "fuse": 0.8,
        "inductor": 0.8,
        "resistor": 0.8,
        "transistor": 0.4,
        "diode": 0.4,
        "transformer": 0.4,
        "capacitor": 0.05,
        "shield": 0.0,
        "heatsink": 0.0,
    },
    "heat_path": _even(0.0)
    | {"chip": 0.7, "transistor": 0.7, "regulator": 0.7, "module": 0.4, "memory": 0.2, "heatsink": 0.7, "diode": 0.2},
    "bridge": _even(0.15) | {"chip": 0.5, "memory": 0.4, "connector": 0.4, "shield": 0.02, "heatsink": 0.0},
    "hidden_source": _even(0.0)
    | {"chip": 0.5, "memory": 0.3, "module": 0.5, "shield": 0.8, "heatsink": 0.3, "regulator": 0.2, "connector": 0.2},
    "supply_limit": _even(0.0) | {"regulator": 1.0, "fuse": 0.3, "connector": 0.5, "module": 0.3, "transistor": 0.2},
}


CHANCES = ("voltage", "resistance", "current", "inrush", "step", "symptoms")


@dataclass(frozen=True)
class Priors:
    """What is believed before this board is measured; calibration/diagnosis.json holds the same numbers.

    Attributes
    ----------
    no_fault, other : float
        Probability, before measuring, that this power-up is like the good ones, and that the fault is none of
        those listed. What is left is shared by the listed faults. Common practice, no source: a board under
        test is usually faulty.
    fault_share : dict of fault to float
        How that rest is shared over the faults (made to add to one).
    fault_weights : dict of fault to dict of kind to float
        Within a fault, how one part stands against another.
    bare_place_share : float
        Part of ``short``, ``bridge`` and ``hidden_source`` that sits at no listed part (solder, trace, via).
    self_heating_k : dict of kind to float
        Rise to expect of a healthy part after ten seconds, K, for boards without a known-good one.
    junction_k_per_w : dict of kind to float
        Resistance from the readable surface to the junction, K/W, wide.
    voltage, resistance : Table
        What a fault does to a net (rows) against what the meter shows there: probabilities, each row adding to one.
    current, inrush, step : Table
        The supply's current, its surge at switch-on and its later steps against the good boards', a row a fault.
    symptoms : Table
        Probability of each symptom of the power-up under each fault, no fault and another one.
    """

    no_fault: float = 0.25
    other: float = 0.06
    fault_share: dict[str, float] = field(
        default_factory=lambda: {
            "short": 0.26,
            "leak": 0.10,
            "overload": 0.12,
            "dead_supply": 0.10,
            "open_or_missing": 0.12,
            "joint": 0.08,
            "heat_path": 0.07,
            "bridge": 0.05,
            "hidden_source": 0.05,
            "supply_limit": 0.05,
        }
    )
    fault_weights: dict[str, dict[str, float]] = field(default_factory=lambda: FAULT_WEIGHTS)
    bare_place_share: float = 0.25
    self_heating_k: dict[str, float] = field(
        default_factory=lambda: {
            "capacitor": 0.3,
            "resistor": 1.5,
            "inductor": 2.0,
            "diode": 3.0,
            "transistor": 4.0,
            "regulator": 6.0,
            "chip": 6.0,
            "memory": 4.0,
            "crystal": 0.5,
            "fuse": 1.0,
            "connector": 0.7,
            "transformer": 3.0,
            "module": 5.0,
            "shield": 2.0,
            "heatsink": 4.0,
            "other": 2.0,
        }
    )
    junction_k_per_w: dict[str, float] = field(
        default_factory=lambda: {
            "diode": 15.0,
            "transistor": 5.0,
            "regulator": 8.0,
            "chip": 5.0,
            "memory": 8.0,
            "module": 10.0,
            "other": 8.0,
        }
    )

    voltage: Table = field(default_factory=lambda: VOLTAGE)
    resistance: Table = field(default_factory=lambda: OHM)
    current: Table = field(default_factory=lambda: CURRENT)
    inrush: Table = field(default_factory=lambda: INRUSH)
    step: Table = field(default_factory=lambda: STEP)
    symptoms: Table = field(default_factory=lambda: SYMPTOMS)

    def shares(self) -> dict[str, float]:
        """Return the probability of each fault before measuring; with ``no_fault`` and ``other`` they add to one."""
        total = sum(self.fault_share.get(f, 0.0) for f in FAULTS)
        listed = 1.0 - self.no_fault - self.other
        return {f: listed * self.fault_share.get(f, 0.0) / total for f in FAULTS if self.fault_share.get(f, 0.0) > 0}


def priors_to_dict(priors: Priors) -> dict[str, object]:
    """Return plain JSON values of the priors, in the layout that ``priors_from_dict`` reads."""
    return {f.name: getattr(priors, f.name) for f in fields(priors)}


def priors_from_dict(values: dict[str, object], *, path: str) -> Priors:
    """Make priors from JSON values; what is absent keeps its default, inside tables too.

    Raises
    ------
    InputError
        For an unknown key, fault or kind, or a number outside its range.
    """
    known = {f.name: f for f in fields(Priors)}
    check_keys([k for k in values if k != "about"], known, path=path)
    default = Priors()
    changes: dict[str, object] = {}
    for key, value in values.items():
        if key == "about":
            continue
        old = getattr(default, key)
        if not isinstance(old, dict):
            changes[key] = check_number(value, (0.0, 0.99), path=path, place=key)
        elif key == "fault_weights":
            changes[key] = _nested_table(value, old, path=path, place=key)
        elif key in CHANCES:
            changes[key] = chances_from_json(value, old, name=key, path=path)
        else:
            keys = FAULTS if key == "fault_share" else KINDS
            changes[key] = _table(value, old, keys, path=path, place=key)
    priors = replace(default, **changes)  # type: ignore[arg-type]
    if priors.no_fault + priors.other >= 1.0:
        raise InputError(path, "no_fault, other", "together reach 1, nothing is left for the faults", "lower them")
    if not math.fsum(priors.fault_share.values()) > 0:
        raise InputError(path, "fault_share", "all shares are 0", "give at least one fault a share")
    return priors


def _table(value: object, old: dict[str, float], keys: tuple[str, ...], *, path: str, place: str) -> dict[str, float]:
    if not isinstance(value, dict):
        raise InputError(path, place, "is not a table of names and numbers", "see calibration/diagnosis.json")
    check_keys(value, keys, path=path, place=place)
    return old | {k: check_number(v, (0.0, 1000.0), path=path, place=f"{place}, {k}") for k, v in value.items()}


def _nested_table(
    value: object, old: dict[str, dict[str, float]], *, path: str, place: str
) -> dict[str, dict[str, float]]:
    if not isinstance(value, dict):
        raise InputError(path, place, "is not a table of faults", "see calibration/diagnosis.json")
    merged = dict(old)
    for fault, row in value.items():
        check_choice(fault, FAULTS, path=path, place=place)
        merged[fault] = _table(row, old.get(fault, {}), KINDS, path=path, place=f"{place}, {fault}")
    return merged
