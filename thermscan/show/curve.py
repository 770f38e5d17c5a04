"""Rise and excess against time for the first suspects and places, with intervals and what the camera did."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes

from thermscan.model.result import PartReading, Result
from thermscan.model.result_maps import ResultMaps
from thermscan.show.colour import LINE, QUIET, SERIES
from thermscan.show.overlay import overlay_facts
from thermscan.show.picture import FONT, add_axes, new_figure, png_of, shortened, wrap_lines, write_text
from thermscan.show.words import basis_words, board_words, excess_unit, when_words

_MOST = 6
_FEW_BINS = 3  # below it there is no line to follow: points with bars
_DASHES = ("-", "--", "-.", ":", (0, (5, 1, 1, 1, 1, 1)), (0, (1, 1)))
_EVENT_KINDS = ("offset_step", "frozen", "dropped", "blurred", "blank", "saturated")


@dataclass(frozen=True)
class Course:
    """One curve: name, excess with half of its 95 % interval, and rise where known; ndarrays (bins,), inner unit."""

    name: str
    excess: np.ndarray
    half: np.ndarray
    rise: np.ndarray | None = None


def _of_part(part: PartReading, bins: int) -> Course | None:
    """Return the curve of a part, None where its excess was not followed."""
    if part.excess_course_k is None or len(part.excess_course_k) != bins:
        return None
    zeros = np.zeros(bins)
    noise = zeros if part.noise_course_k is None else part.noise_course_k
    spread = zeros if part.spread_course_k is None else part.spread_course_k
    half = 1.959963985 * np.hypot(noise, spread)
    rise = part.rise_course_k if part.rise_course_k is not None and len(part.rise_course_k) == bins else None
    return Course(part.ref, np.asarray(part.excess_course_k, float), half, rise)


def chosen_courses(result: Result, maps: ResultMaps, *, most: int = _MOST) -> tuple[Course, ...]:
    """Choose the curves worth showing: the suspects' parts in order, then places without such a part.

    Parameters
    ----------
    result : Result
    maps : ResultMaps
        Gives the curve of a bare place: the cell at its centre.
    most : int
        Curves at the most.

    Returns
    -------
    tuple of Course
        Each part or place once.
    """
    readings = {part.ref: part for part in result.parts}
    found: dict[str, Course] = {}
    for suspect in result.suspects:
        course = _of_part(readings[suspect.ref], maps.bins) if suspect.ref in readings else None
        if course is not None:
            found[course.name] = course
    for spot in result.hotspots:
        known = next((ref for ref in spot.parts if ref in readings), None)
        course = _of_part(readings[known], maps.bins) if known else None
        if course is None:
            excess, half = maps.course_at(spot.x_mm, spot.y_mm)
            course = Course(f"place {spot.rank}", excess, half)
        found.setdefault(course.name, course)
    return tuple(found.values())[:most]


def event_seconds(result: Result, maps: ResultMaps) -> tuple[tuple[float, str], ...]:
    """Return (second on the maps' clock, kind) of the camera events of the faulty recording that have a time."""
    zero = 0.0
    if maps.clock == "power_on":
        if result.power_on_s is None:
            return ()
        zero = result.power_on_s.value
    events = []
    for event in result.camera_events:
        time = event.get("time_s")
        mine = str(event.get("recording", "faulty")) in ("faulty", "", _faulty_name(result))
        if mine and event.get("kind") in _EVENT_KINDS and isinstance(time, int | float):
            events.append((float(time) - zero, str(event["kind"])))
    return tuple(events)


def _faulty_name(result: Result) -> str:
    return result.registration[0].name if result.registration else "faulty"


def _frame_axes(axes: Axes, title: str, unit: str) -> None:
    """Set the look of one panel."""
    axes.set_title(title, size=9.5, family=FONT, loc="left", pad=17)
    axes.set_ylabel(unit, size=9, family=FONT)
    axes.tick_params(labelsize=8)
    axes.grid(visible=True, color="#e3e3e3", linewidth=0.6)
    axes.set_axisbelow(True)
    for name in ("top", "right"):
        axes.spines[name].set_visible(False)
    axes.axhline(0, color="#9a9a9a", linewidth=0.8)


def _mark_times(axes: Axes, result: Result, maps: ResultMaps, *, with_words: bool) -> None:
    """Draw power-on, power-off and camera events as upright lines; words stand above the panel."""
    left, right = float(maps.edges_s[0]), float(maps.edges_s[-1])
    span = max(right - left, 1e-6)
    lines = [(0.0, "on", "-", "black")] if maps.clock == "power_on" else []
    lines += [(maps.power_off_s, "off", "-", "black")] if maps.power_off_s is not None else []
    lines += [(second, kind.replace("_", " "), ":", QUIET) for second, kind in event_seconds(result, maps)]
    used: list[float] = []
    for second, word, style, colour in lines:
        if not left - 0.02 * span <= second <= right + 0.02 * span:
            continue
        axes.axvline(second, color=colour, linestyle=style, linewidth=1.0)
        if with_words and all(abs(second - other) > 0.09 * span for other in used):
            axes.text(second, 1.01, word, transform=axes.get_xaxis_transform(), size=7.5, color=colour, ha="center",
                      va="bottom", family=FONT, parse_math=False)  # fmt: skip
            used.append(second)
    axes.set_xlim(left - 0.02 * span, right + 0.02 * span)


def _plot(axes: Axes, courses: Sequence[Course], maps: ResultMaps, factor: float, *, rise: bool) -> None:
    """Plot the excess with its band, or the rise."""
    seconds = maps.centres_s
    marker = "o" if maps.bins < _FEW_BINS else ""
    for i, course in enumerate(courses):
        values = course.rise if rise else course.excess
        if values is None:
            continue
        look = {"color": SERIES[i % len(SERIES)], "linestyle": _DASHES[i % len(_DASHES)]}
        axes.plot(seconds, factor * values, linewidth=1.6, marker=marker, label=shortened(course.name, 18), **look)
        if not rise and maps.bins < _FEW_BINS:
            axes.errorbar(seconds, factor * values, factor * course.half, fmt="none", ecolor=look["color"], capsize=4)
        elif not rise:
            low, high = factor * (course.excess - course.half), factor * (course.excess + course.half)
            axes.fill_between(seconds, low, high, color=look["color"], alpha=0.16, linewidth=0)


def _name_ends(axes: Axes, courses: Sequence[Course], factor: float) -> None:
    """Write each curve's name at its right end, moved apart where ends lie close."""
    ends = []
    for i, course in enumerate(courses):
        known = np.flatnonzero(np.isfinite(course.excess))
        if known.size:
            ends.append([factor * float(course.excess[known[-1]]), i])
    low, high = axes.get_ylim()
    step = 0.075 * (high - low)
    ends.sort()
    for below, this in itertools.pairwise(ends):
        this[0] = max(this[0], below[0] + step)
    left, right = axes.get_xlim()
    for height, i in ends:
        axes.text(right + 0.008 * (right - left), height, shortened(courses[i].name, 16), size=8.5, weight="bold",
                  color=SERIES[i % len(SERIES)], va="center", family=FONT, parse_math=False)  # fmt: skip


def draw_curves(result: Result, maps: ResultMaps, *, fahrenheit: bool = False) -> bytes:
    """Draw excess and rise against time with 95 % intervals, power-on, power-off and camera events, as PNG bytes.

    Parameters
    ----------
    result : Result
    maps : ResultMaps
    fahrenheit : bool
        Show differences in Fahrenheit.

    Returns
    -------
    bytes
    """
    unit = excess_unit(result, fahrenheit=fahrenheit)
    courses = chosen_courses(result, maps)
    figure = new_figure(9.6, 6.4)
    head = f"{board_words(result)}: first suspects and places against {basis_words(result)}"
    for line in wrap_lines(figure, head, 8.8, size=10.5, most=1):
        write_text(figure, (0.75, 6.25), line, size=10.5, weight="bold", colour="black")
    panels = (add_axes(figure, (0.75, 3.2, 7.35, 2.4)), add_axes(figure, (0.75, 0.55, 7.35, 2.0)))
    _frame_axes(panels[0], "Excess seen, with its 95 % interval", unit.name)
    _frame_axes(panels[1], "Rise of the faulty board, as seen", unit.name)
    _plot(panels[0], courses, maps, unit.factor, rise=False)
    _plot(panels[1], courses, maps, unit.factor, rise=True)
    for i, panel in enumerate(panels):
        _mark_times(panel, result, maps, with_words=i == 0)
        if not courses:
            panel.text(
                0.5, 0.5, "no suspect and no place to follow", transform=panel.transAxes, ha="center", color=LINE
            )
    _name_ends(panels[0], courses, unit.factor)
    if all(course.rise is None for course in courses):
        panels[1].text(0.5, 0.5, "no rise was followed for these places", transform=panels[1].transAxes, ha="center",
                       color=QUIET, size=9)  # fmt: skip
    words = "seconds since power-on" if maps.clock == "power_on" else "seconds on the recording's clock"
    panels[1].set_xlabel(words, size=9, family=FONT)
    caption = f"Excess and rise seen against time, {when_words(maps)} at the pictures"
    facts = overlay_facts(result, maps, caption=caption, scale=f"{unit.name} against seconds")
    return png_of(figure, facts)
