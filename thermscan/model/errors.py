"""What went wrong with the input, said in one line; and the checks that say it."""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterable
from dataclasses import dataclass


@dataclass
class InputError(Exception):
    """Bad input, told in one line: where, what is wrong and what to do.

    Parameters
    ----------
    path : str
        File (or option) that holds the mistake, as the user named it.
    place : str
        Where in it: ``'row 14, column 3'``, ``'frame 212'``, ``'part C14'``; empty for the whole.
    problem : str
        What is wrong, lower case, no full stop.
    remedy : str
        What to do about it; may be empty.
    """

    path: str
    place: str
    problem: str
    remedy: str = ""

    def __str__(self) -> str:
        where = ": ".join(piece for piece in (str(self.path), self.place) if piece)
        line = f"{where}: {self.problem}" if where else self.problem
        if self.remedy:
            line += f"; {self.remedy}"
        return " ".join(line.split())


def nearest(word: str, allowed: Iterable[str]) -> str:
    """Return ``'nearest are a and b'`` for a misspelt word, or an empty string; capitals count for little."""
    names: dict[str, list[str]] = {}
    for name in allowed:
        names.setdefault(str(name).casefold(), []).append(str(name))
    found = difflib.get_close_matches(str(word).casefold(), names, n=2, cutoff=0.5)
    close = [name for each in found for name in names[each]][:2]
    return f"nearest {'is' if len(close) == 1 else 'are'} {' and '.join(close)}" if close else ""


def check_choice(value: str, allowed: Iterable[str], *, path: str, place: str) -> str:
    """Return ``value`` if it is one of ``allowed``, else raise InputError that lists them."""
    options = list(allowed)
    if value not in options:
        raise InputError(path, place, f"{value!r} is not one of {', '.join(options)}", nearest(value, options))
    return value


def check_number(value: object, limits: tuple[float, float], *, path: str, place: str, unit: str = "") -> float:
    """Return ``value`` as a float inside the closed range ``limits``, else raise InputError."""
    low, high = limits
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise InputError(path, place, f"{value!r} is not a finite number", "give a plain number")
    if not low <= value <= high:
        span = f"{low:g} to {high:g} {unit}".strip()
        raise InputError(path, place, f"{value!r} is outside {span}", "check the value and its unit")
    return float(value)


def check_keys(found: Iterable[str], allowed: Iterable[str], *, path: str, place: str = "") -> None:
    """Raise InputError for the first key that is not known, naming the nearest known one."""
    known = list(allowed)
    for key in found:
        if key not in known:
            hint = nearest(key, known) or f"known keys are {', '.join(known)}"
            raise InputError(path, place, f"unknown key {key!r}", hint)
