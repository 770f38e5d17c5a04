"""One page about one calibration: what was done, the numbers with their uncertainty, and the data behind them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes

from thermscan.show.colour import FRAME_MAP, LINE, QUIET, SERIES
from thermscan.show.picture import FONT, PictureFacts, add_axes, new_figure, png_of, wrap_lines, write_text

_WIDTH_IN, _HEIGHT_IN = 8.27, 11.69
_MARGIN_IN = 0.8


@dataclass(frozen=True)
class Points:
    """Points and a line over one axis; each ndarray (n,). ``line`` has its own x; empty arrays draw nothing.

    ``crosses`` is ndarray (n, 2), drawn as such beside the points; ``is_picture`` puts y downwards and both to scale.
    """

    title: str
    x_label: str
    y_label: str
    x: np.ndarray
    y: np.ndarray
    line_x: np.ndarray
    line_y: np.ndarray
    half: np.ndarray | None = None
    crosses: np.ndarray | None = None
    is_picture: bool = False


@dataclass(frozen=True)
class Map:
    """A picture, ndarray (rows, columns), with its unit.

    ``marks`` is ndarray (n, 2), px, drawn as rings; ``boxes`` are (name, x0, y0, x1, y1), px.
    """

    title: str
    picture: np.ndarray
    unit: str
    marks: np.ndarray | None = None
    boxes: tuple[tuple[str, int, int, int, int], ...] = ()


@dataclass(frozen=True)
class CalibrationPage:
    """What stands on the page; ``lines`` are (name, value with uncertainty)."""

    title: str
    subtitle: str
    lines: tuple[tuple[str, str], ...]
    panels: tuple[Points | Map, ...]
    sources: tuple[tuple[str, str], ...] = ()
    version: str = ""
    notes: tuple[str, ...] = ()


def draw_calibration(page: CalibrationPage) -> bytes:
    """Return the page as PNG bytes: numbers above, at most two panels below."""
    figure = new_figure(_WIDTH_IN, _HEIGHT_IN)
    width = _WIDTH_IN - 2 * _MARGIN_IN
    top = _HEIGHT_IN - 0.7
    for line in wrap_lines(figure, page.title, width, size=15, most=2):
        write_text(figure, (_MARGIN_IN, top), line, size=15, weight="bold", colour="black")
        top -= 0.32
    for line in wrap_lines(figure, page.subtitle, width, size=9, most=3):
        write_text(figure, (_MARGIN_IN, top), line, size=9, colour=QUIET)
        top -= 0.19
    top -= 0.12
    for name, value in page.lines:
        write_text(figure, (_MARGIN_IN, top), name, size=10)
        for line in wrap_lines(figure, value, width - 2.6, size=10, most=3):
            write_text(figure, (_MARGIN_IN + 2.6, top), line, size=10, colour="black")
            top -= 0.22
    for note in page.notes:
        for line in wrap_lines(figure, note, width, size=9, most=3):
            write_text(figure, (_MARGIN_IN, top), line, size=9, colour=QUIET)
            top -= 0.19
    _draw_panels(figure, page.panels[:2], top - 0.35)
    facts = PictureFacts(page.title, "", "", "", page.sources, page.version)
    return png_of(figure, facts)


def _draw_panels(figure: object, panels: tuple[Points | Map, ...], top: float) -> None:
    """Draw the panels one under the other into the space that is left."""
    if not panels:
        return
    room = (top - 0.5) / len(panels)
    for i, panel in enumerate(panels):
        low = top - (i + 1) * room + 0.55
        axes = add_axes(figure, (_MARGIN_IN + 0.2, low, _WIDTH_IN - 2 * _MARGIN_IN - 0.4, room - 1.0))  # type: ignore[arg-type]
        axes.set_title(panel.title, fontsize=10, family=FONT, loc="left", parse_math=False)
        if isinstance(panel, Points):
            _draw_points(axes, panel)
        else:
            _draw_map(axes, panel)


def _draw_points(axes: Axes, panel: Points) -> None:
    if panel.line_x.size:
        axes.plot(panel.line_x, panel.line_y, color=SERIES[1], linewidth=1.2)
    if panel.half is not None:
        axes.errorbar(panel.x, panel.y, yerr=panel.half, fmt="o", color=SERIES[0], markersize=4, capsize=3)
    elif panel.crosses is None:
        axes.plot(panel.x, panel.y, ".", color=SERIES[0], markersize=3)
    else:
        axes.plot(panel.x, panel.y, "o", markerfacecolor="none", color=SERIES[0], markersize=9, label="marked")
        axes.plot(panel.crosses[:, 0], panel.crosses[:, 1], "+", color=SERIES[1], markersize=9, label="fitted")
        axes.legend(fontsize=8)
    if panel.is_picture:
        axes.invert_yaxis()
        axes.set_aspect("equal")
    axes.set_xlabel(panel.x_label, fontsize=9, family=FONT)
    axes.set_ylabel(panel.y_label, fontsize=9, family=FONT)
    axes.tick_params(labelsize=8, colors=LINE)
    axes.grid(visible=True, linewidth=0.3, color=QUIET)


def _draw_map(axes: Axes, panel: Map) -> None:
    known = panel.picture[np.isfinite(panel.picture)]
    low, high = np.percentile(known, [0.5, 99.5]) if known.size else (0.0, 1.0)
    shown = axes.imshow(panel.picture, cmap=FRAME_MAP, vmin=low, vmax=max(high, low + 1e-9), interpolation="nearest")
    if panel.marks is not None and panel.marks.size:
        axes.plot(panel.marks[:, 0], panel.marks[:, 1], "o", markerfacecolor="none", color="white", markersize=9)
    for name, x0, y0, x1, y1 in panel.boxes:
        axes.plot([x0, x1, x1, x0, x0], [y0, y0, y1, y1, y0], color="white", linewidth=1.2)
        axes.plot([x0, x1, x1, x0, x0], [y0, y0, y1, y1, y0], color="black", linewidth=1.2, linestyle=":")
        box = {"facecolor": "white", "edgecolor": "none", "pad": 1.5}
        axes.text((x0 + x1) / 2, (y0 + y1) / 2, name, fontsize=8, family=FONT, ha="center", va="center", bbox=box)
    bar = axes.figure.colorbar(shown, ax=axes, fraction=0.04, pad=0.02)
    bar.set_label(panel.unit, fontsize=9, family=FONT)
    bar.ax.tick_params(labelsize=8)
    axes.tick_params(labelsize=8, colors=LINE)
