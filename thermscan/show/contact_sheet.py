"""A recording at a glance: frames at one scale with their numbers and times."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.colors import Normalize

from thermscan.model.quantity import SHOWN
from thermscan.show.colour import FRAME_MAP, QUIET
from thermscan.show.picture import FONT, PictureFacts, add_axes, new_figure, png_of, wrap_lines, write_text

_WIDTH_IN = 11.0
_LINES_DEEP = 5  # more lines than these stand in two columns


@dataclass(frozen=True)
class SheetFrame:
    """One frame of the sheet.

    Attributes
    ----------
    number : int
        Frame number in the recording, from 0.
    picture : ndarray of shape (rows, columns)
        Degrees Celsius or counts; NaN for bad pixels.
    time_s : float or None
        On the recording's clock.
    note : str
        A few words: ``'power-on'``, ``'frozen'``; empty for none.
    """

    number: int
    picture: np.ndarray
    time_s: float | None = None
    note: str = ""


@dataclass(frozen=True)
class SheetFacts:
    """What the sheet says: recording's name, unit of its frames, lines under the title, hottest places.

    ``unit`` is ``'celsius'`` or ``'count'``; ``hottest`` holds (x, y) in pixels, drawn as numbered rings.
    """

    name: str
    unit: str = "celsius"
    lines: tuple[str, ...] = ()
    hottest: tuple[tuple[float, float], ...] = ()
    sha256: str = ""
    version: str = ""


def choose_frames(frames: int, *, most: int = 12, wanted: Sequence[int] = ()) -> tuple[int, ...]:
    """Choose frame numbers for a sheet: evenly spread, the wanted ones among them, in order."""
    must = sorted({int(n) for n in wanted if 0 <= n < frames})[:most]
    even = np.rint(np.linspace(0, frames - 1, min(most, frames))).astype(int).tolist()
    chosen = set(must)
    for number in sorted(even, key=lambda n: -min((abs(n - m) for m in must), default=frames)):
        if len(chosen) >= min(most, frames):
            break
        chosen.add(number)
    return tuple(sorted(chosen))


def _limits(frames: Sequence[SheetFrame]) -> tuple[float, float]:
    """Return the common scale: from the 0.5 % to the 99.95 % point of all finite pixels, against single bad ones."""
    values = np.concatenate([frame.picture[np.isfinite(frame.picture)].ravel() for frame in frames])
    if values.size == 0:
        return 0.0, 1.0
    low, high = np.percentile(values, [0.5, 99.95])
    return float(low), float(max(high, low + 1e-6))


def _warmest(frames: Sequence[SheetFrame], places: Sequence[tuple[float, float]]) -> int:
    """Return which frame shows the places hottest, the last one where none can be told."""
    best, most = len(frames) - 1, -np.inf
    for i, frame in enumerate(frames):
        rows, columns = frame.picture.shape
        inside = [(round(y), round(x)) for x, y in places if 0 <= round(y) < rows and 0 <= round(x) < columns]
        values = np.array([frame.picture[place] for place in inside])
        total = float(values[np.isfinite(values)].sum()) if values.size else -np.inf
        if total > most:
            best, most = i, total
    return best


def _draw_frame(axes: Axes, frame: SheetFrame, norm: Normalize, hottest: Sequence[tuple[float, float]]) -> None:
    """Draw one frame with its caption and the hottest places."""
    axes.imshow(np.ma.masked_invalid(frame.picture), cmap=FRAME_MAP, norm=norm, interpolation="nearest")
    axes.set_xticks([])
    axes.set_yticks([])
    when = "" if frame.time_s is None else f", {frame.time_s:.2f} s"
    note = f", {frame.note}" if frame.note else ""
    axes.set_title(f"frame {frame.number}{when}{note}", size=8, family=FONT, pad=3, parse_math=False)
    for rank, (x, y) in enumerate(hottest, start=1):
        axes.plot(
            [x], [y], marker="o", markersize=9, markerfacecolor="none", markeredgecolor="white", markeredgewidth=2
        )
        axes.plot(
            [x], [y], marker="o", markersize=9, markerfacecolor="none", markeredgecolor="black", markeredgewidth=1
        )
        axes.annotate(
            str(rank),
            (x, y),
            textcoords="offset points",
            xytext=(7, 5),
            size=8,
            weight="bold",
            bbox={"boxstyle": "round,pad=0.15", "facecolor": "white", "edgecolor": "black", "linewidth": 0.6},
        )


def draw_contact_sheet(frames: Sequence[SheetFrame], facts: SheetFacts, *, fahrenheit: bool = False) -> bytes:
    """Draw chosen frames at one scale as PNG bytes.

    Parameters
    ----------
    frames : sequence of SheetFrame
        One or more, all of one shape; the hottest places are drawn in the frame where they are hottest.
    facts : SheetFacts
    fahrenheit : bool

    Returns
    -------
    bytes
    """
    across = min(4, len(frames))
    down = -(-len(frames) // across)
    rows, columns = frames[0].picture.shape
    cell = _WIDTH_IN / across
    width = cell - 0.18
    height = min(width * rows / columns, 5.5)
    lines = [line for text in facts.lines for line in text.splitlines()]
    deep = len(lines) if len(lines) <= _LINES_DEEP else -(-len(lines) // 2)
    top = 0.55 + 0.19 * deep
    figure = new_figure(_WIDTH_IN + 0.4, top + down * (height + 0.32) + 0.75)
    total = figure.get_size_inches()[1]
    write_text(figure, (0.3, total - 0.15), facts.name, size=12, weight="bold", colour="black")
    for i, line in enumerate(lines):
        room = _WIDTH_IN - 0.3 if deep == len(lines) else _WIDTH_IN / 2 - 0.2
        place = (0.3 + (i // deep) * _WIDTH_IN / 2, total - 0.45 - 0.19 * (i % deep))
        for text in wrap_lines(figure, line, room, size=8.5, most=1):
            write_text(figure, place, text, size=8.5, colour=QUIET)
    shown = SHOWN["c"][1 if fahrenheit else 0]
    factor, offset, unit = (shown.factor, shown.offset, shown.unit) if facts.unit == "celsius" else (1.0, 0.0, "counts")
    low, high = (value * factor + offset for value in _limits(frames))
    norm = Normalize(low, high)
    warmest = _warmest(frames, facts.hottest)
    for i, frame in enumerate(frames):
        left = 0.3 + (i % across) * cell
        bottom = total - top - (i // across + 1) * (height + 0.32) + 0.02
        axes = add_axes(figure, (left, bottom, width, height))
        scaled = SheetFrame(frame.number, frame.picture * factor + offset, frame.time_s, frame.note)
        _draw_frame(axes, scaled, norm, facts.hottest if i == warmest else ())
    bar_axes = add_axes(figure, (0.3, 0.42, 5.0, 0.14))
    bar = figure.colorbar(ScalarMappable(norm=norm, cmap=FRAME_MAP), cax=bar_axes, orientation="horizontal")
    bar.ax.tick_params(labelsize=8)
    write_text(figure, (5.45, 0.58), f"{unit}, one scale for all frames ({FRAME_MAP})", size=8.5)
    seconds = ", ".join(f"{frame.time_s:.2f}" for frame in frames if frame.time_s is not None)
    said = PictureFacts(f"Frames of {facts.name}", f"{low:.4g} to {high:.4g} {unit}", "", seconds,
                        (("recording", facts.sha256),) if facts.sha256 else (), facts.version)  # fmt: skip
    return png_of(figure, said)
