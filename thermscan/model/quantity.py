"""A number with its 95 % interval, and the units in which it is stored and shown."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass


@dataclass(frozen=True)
class Measured:
    """A value with its 95 % interval; the unit stands in the name of the field that holds it.

    Attributes
    ----------
    value, low, high : float
        Estimate and the two ends of the 95 % interval, ``low <= high``, all finite.
    """

    value: float
    low: float
    high: float

    def __post_init__(self) -> None:
        if not all(math.isfinite(v) for v in (self.value, self.low, self.high)):
            msg = f"a measured value must be finite, got {self!r}"
            raise ValueError(msg)
        if self.low > self.high:
            msg = f"interval ends are reversed: {self!r}"
            raise ValueError(msg)

    @classmethod
    def normal(cls, value: float, standard_error: float) -> Measured:
        """Make the interval ``value +- 1.96 standard_error`` of a normal distribution."""
        half = 1.959963985 * abs(standard_error)
        return cls(float(value), float(value - half), float(value + half))

    @property
    def standard_error(self) -> float:
        """Half width of the interval over 1.96: the standard error if it is normal."""
        return (self.high - self.low) / (2 * 1.959963985)

    def scaled(self, factor: float) -> Measured:
        """Multiply value and interval by a known factor."""
        ends = sorted((self.low * factor, self.high * factor))
        return Measured(self.value * factor, ends[0], ends[1])


@dataclass(frozen=True)
class Shown:
    """How a quantity is shown: ``shown = inner * factor + offset``, with this many decimals."""

    unit: str
    factor: float
    offset: float
    decimals: int


# key suffix -> (Celsius display, Fahrenheit display); the only place where Fahrenheit exists besides reading.
# NIST SP 811, appendix B: t/F = 1.8 t/C + 32; a difference of 1 K is 1.8 F.
SHOWN: dict[str, tuple[Shown, Shown]] = {
    "c": (Shown("°C", 1.0, 0.0, 1), Shown("°F", 1.8, 32.0, 1)),
    "k": (Shown("K", 1.0, 0.0, 2), Shown("°F diff.", 1.8, 0.0, 2)),
    "k_per_s": (Shown("K/s", 1.0, 0.0, 3), Shown("°F/s", 1.8, 0.0, 3)),
    "s": (Shown("s", 1.0, 0.0, 2), Shown("s", 1.0, 0.0, 2)),
    "mm": (Shown("mm", 1.0, 0.0, 1), Shown("mm", 1.0, 0.0, 1)),
    "w": (Shown("W", 1.0, 0.0, 3), Shown("W", 1.0, 0.0, 3)),
    "px": (Shown("px", 1.0, 0.0, 2), Shown("px", 1.0, 0.0, 2)),
}


def shown(value: float | None, suffix: str, *, fahrenheit: bool = False) -> str:
    """Write an inner value for people, e.g. ``shown(3.2, 'k') == '3.20 K'``; ``'not known'`` for None."""
    if value is None:
        return "not known"
    how = SHOWN[suffix][1 if fahrenheit else 0]
    return f"{value * how.factor + how.offset:.{how.decimals}f} {how.unit}"


# A number, or two with "to" between, their unit, and an interval in brackets that shares it.
_NUMBER = r"[-+]?\d+(?:\.\d+)?(?:e[-+]?\d+)?"
_QUANTITY = re.compile(
    rf"(?P<pm>(?:±|\+-) ?)?(?<![\w.])(?:(?P<first>{_NUMBER}) to )?(?P<second>{_NUMBER})"
    r" (?P<unit>°C|C|K/s|K/min|K)(?![\w/(])"
    rf"(?P<interval> \((?P<low>{_NUMBER}) to (?P<high>{_NUMBER})(?=[),]))?"
)
_FAHRENHEIT = {"K/s": "°F/s", "K/min": "°F/min", "K": SHOWN["k"][1].unit}


def in_fahrenheit(text: str) -> str:
    """Return a sentence with its degrees Celsius and kelvins in Fahrenheit, every number with its own decimals.

    Temperatures are told from differences by their unit, °C (or C) or K; after ± both are differences. A unit that is
    part of another (W/(m2 K), K/W) stays. What was rounded is turned as it stands.
    """
    return _QUANTITY.sub(_turned, text)


def _turned(found: re.Match[str]) -> str:
    unit, pm = found["unit"], found["pm"] or ""
    is_level = unit in ("°C", "C") and not pm

    def number(name: str) -> str:
        text = found[name]
        value = 1.8 * float(text) + (32.0 if is_level else 0.0)
        if "e" in text:
            return f"{value:.3g}"
        decimals = len(text.partition(".")[2])
        return f"{value:+.{decimals}f}" if text.startswith("+") else f"{value:.{decimals}f}"

    first = f"{number('first')} to " if found["first"] else ""
    name = "°F" if is_level else _FAHRENHEIT.get(unit, SHOWN["k"][1].unit)
    interval = f" ({number('low')} to {number('high')}" if found["interval"] else ""
    return f"{pm}{first}{number('second')} {name}{interval}"


def watts_words(power_w: float) -> str:
    """Write a power in words, two digits, in milliwatts below one watt: ``'11 mW'``."""
    value, unit = (power_w, "W") if power_w >= 1 else (power_w * 1e3, "mW")
    return f"{float(f'{value:.2g}'):g} {unit}"


def shown_measured(measured: Measured | None, suffix: str, *, fahrenheit: bool = False) -> str:
    """Write a value with its interval, e.g. ``'0.42 W (0.37 to 0.47)'``."""
    if measured is None:
        return "not known"
    how = SHOWN[suffix][1 if fahrenheit else 0]
    ends = [f"{v * how.factor + how.offset:.{how.decimals}f}" for v in (measured.low, measured.high)]
    return f"{shown(measured.value, suffix, fahrenheit=fahrenheit)} ({ends[0]} to {ends[1]})"
