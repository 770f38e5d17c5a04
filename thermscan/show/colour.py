"""Colours of the maps: matplotlib's own, centred on zero, and how far they reach."""

from __future__ import annotations

import numpy as np
from matplotlib import colormaps
from matplotlib.colors import ListedColormap

from thermscan.model.result_maps import ResultMaps

EXCESS_MAP = "RdBu_r"  # diverging, told apart with red-green weakness; light in the middle
FRAME_MAP = "cividis"  # even in lightness, made to look alike with and without colour weakness
BOARD = "#f3f1ea"
LINE = "#3c3c3c"
QUIET = "#6a6a6a"
SURE, UNSURE = 0.35, 0.9  # share of the scale where the map is fully laid on; its opacity there
SERIES = ("#0072b2", "#d55e00", "#009e73", "#cc79a7", "#56b4e9", "#e69f00", "#000000")
# SERIES are the colours of Okabe and Ito, "Color Universal Design" (2008), values from memory.
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


def excess_limit(maps: ResultMaps) -> float:
    """Return where the symmetric scale of the excess ends.

    The largest excess of the shown bin on readable places of the board, but at least QUIET_DEVIATIONS times the
    median of noise and spread there: a board like the good ones gives a pale picture, not a loud one.
    """
    use = maps.inside & maps.readable
    shown = maps.excess[maps.shown]
    half = maps.half_width()[maps.shown][use & np.isfinite(shown)]
    quiet = float(np.median(half)) / 1.959963985 * QUIET_DEVIATIONS if half.size else 0.0
    return max(_reach(shown[use]), quiet, 1e-6)


def rise_limit(maps: ResultMaps) -> float:
    """Return where the common symmetric scale of faulty, good and excess ends."""
    use = maps.inside & maps.readable
    stacks = [maps.faulty, maps.excess] + ([] if maps.good is None else [maps.good])
    return max(excess_limit(maps), *(_reach(stack[maps.shown][use]) for stack in stacks))


def table_of_colours() -> list[list[int]]:
    """Return the excess map as 255 lists of red, green, blue and opacity, 0 to 255, for a page's own drawing."""
    return np.rint(excess_colours()(np.arange(255)) * 255).astype(int).tolist()
