"""Colours of the maps: matplotlib's own, centred on zero, and how far they reach."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from matplotlib import colormaps
from matplotlib.colors import FuncNorm, ListedColormap

from thermscan.model.result_maps import ResultMaps

EXCESS_MAP = "RdBu_r"  # diverging, told apart with red-green weakness; light in the middle
FRAME_MAP = "cividis"  # even in lightness, made to look alike with and without colour weakness
BOARD = "#f3f1ea"
LINE = "#3c3c3c"
QUIET = "#6a6a6a"
SURE, UNSURE = 0.35, 0.9  # share of the scale where the map is fully laid on; its opacity there
SERIES = ("#0072b2", "#d55e00", "#009e73", "#cc79a7", "#56b4e9", "#e69f00", "#000000")
# SERIES are the colours of Okabe and Ito, "Color Universal Design" (2008), values from memory.
BEND = 6.0  # how much the end of a scale lies above the value from which it tightens, at the most
QUIET_DEVIATIONS = 6.0  # the scale reaches at least so many deviations, so that noise alone stays pale


def excess_colours() -> ListedColormap:
    """Return the map for the excess: EXCESS_MAP, see-through at zero and laid on towards both ends."""
    steps = np.linspace(-1, 1, 255)
    colours = colormaps[EXCESS_MAP]((steps + 1) / 2)
    colours[:, 3] = UNSURE * np.clip(np.abs(steps) / SURE, 0, 1) ** 0.8
    return ListedColormap(colours, name="excess")


def _reach(values: np.ndarray) -> float:
    """Return the largest absolute value that is finite, 0 where there is none."""
    finite = np.abs(values[np.isfinite(values)])
    return float(finite.max()) if finite.size else 0.0


@dataclass(frozen=True)
class Scale:
    """A symmetric colour scale that is even around zero and tightens outwards, so that strong and weak both show.

    A value stands at ``asinh(value / bend) / asinh(limit / bend)``, from -1 to 1.

    Attributes
    ----------
    limit : float
        Value at the upper end; the lower end is its negative.
    bend : float
        Value from which the scale tightens; as large as ``limit`` it is nearly even all over.
    """

    limit: float
    bend: float

    def place(self, values: np.ndarray | float) -> np.ndarray:
        """Return places from -1 to 1; values beyond the ends stand outside."""
        return np.arcsinh(np.asarray(values) / self.bend) / np.arcsinh(self.limit / self.bend)

    def times(self, factor: float) -> Scale:
        """Return the same scale in another unit."""
        return Scale(self.limit * factor, self.bend * factor)

    def norm(self) -> FuncNorm:
        """Return matplotlib's form of the scale."""
        stretch = np.arcsinh(self.limit / self.bend)
        functions = (lambda v: np.arcsinh(v / self.bend), lambda p: np.sinh(np.clip(p, -stretch, stretch)) * self.bend)
        return FuncNorm(functions, vmin=-self.limit, vmax=self.limit)

    def ticks(self, *, closest: float = 0.16) -> list[float]:
        """Return round values to be written on the bar, symmetric, at least ``closest`` apart of its half length."""
        power = 10.0 ** np.floor(np.log10(self.limit))
        rounds = sorted((step * power * 10.0**-down for down in range(4) for step in (1, 2, 5)), reverse=True)
        kept: list[float] = []
        for value in rounds:
            place = float(self.place(value))
            if (
                value <= self.limit * 1.0001
                and place > closest
                and all(abs(place - float(self.place(other))) > closest for other in kept)
            ):
                kept.append(value)
        return [-v for v in kept] + [0.0] + kept[::-1]


def _quiet(maps: ResultMaps) -> float:
    """Return the median of noise and spread together on readable places in the shown bin, one standard deviation."""
    use = maps.inside & maps.readable & np.isfinite(maps.excess[maps.shown])
    half = maps.half_width()[maps.shown][use]
    return float(np.median(half)) / 1.959963985 if half.size else 0.0


def excess_scale(maps: ResultMaps) -> Scale:
    """Return the colour scale of the excess.

    It ends at the largest excess of the shown bin on readable places of the board, but not below QUIET_DEVIATIONS
    times the median of noise and spread there: a board like the good ones gives a pale picture, not a loud one.
    """
    use = maps.inside & maps.readable
    quiet = QUIET_DEVIATIONS * _quiet(maps)
    limit = max(_reach(maps.excess[maps.shown][use]), quiet, 1e-6)
    return Scale(limit, min(limit, max(quiet, limit / BEND)))


def rise_scale(maps: ResultMaps) -> Scale:
    """Return the common colour scale of faulty, good and excess: that of the excess, reaching as far as the rise."""
    use = maps.inside & maps.readable
    excess = excess_scale(maps)
    stacks = [maps.faulty] + ([] if maps.good is None else [maps.good])
    limit = max(excess.limit, *(_reach(stack[maps.shown][use]) for stack in stacks))
    return Scale(limit, max(excess.bend, limit / BEND))


def table_of_colours() -> list[list[int]]:
    """Return the excess map as 255 lists of red, green, blue and opacity, 0 to 255, for a page's own drawing."""
    return np.rint(excess_colours()(np.arange(255)) * 255).astype(int).tolist()
