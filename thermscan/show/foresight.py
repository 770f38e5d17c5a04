"""Curves of what a planned recording will show: smallest source against seconds with power on."""

from __future__ import annotations

from matplotlib.ticker import LogLocator

from thermscan.model.foresight import ForesightTable
from thermscan.show.colour import LINE, QUIET, SERIES
from thermscan.show.picture import FONT, PictureFacts, add_axes, new_figure, png_of, wrap_lines, write_text

_WIDTH_IN, _HEIGHT_IN = 7.5, 5.6
_MARGIN_IN = 0.8
_DASHES = ("-", "--", "-.", ":")


def draw_foresight(table: ForesightTable, *, version: str = "") -> bytes:
    """Return the curves as PNG: one line for each number of power-ups, the interval of the first as a band."""
    figure = new_figure(_WIDTH_IN, _HEIGHT_IN)
    title = "Smallest source of heat that will show up"
    write_text(figure, (_MARGIN_IN, _HEIGHT_IN - 0.25), title, size=12, weight="bold", colour="black")
    top = _HEIGHT_IN - 0.55
    for sentence in (table.plan_text, table.plate_text, table.power_text, *table.warnings):
        for line in wrap_lines(figure, sentence, _WIDTH_IN - 2 * _MARGIN_IN, size=8, most=2) if sentence else ():
            write_text(figure, (_MARGIN_IN, top), line, size=8, colour=QUIET)
            top -= 0.16
    axes = add_axes(figure, (_MARGIN_IN, 0.6, _WIDTH_IN - 2 * _MARGIN_IN, top - 0.85))
    for k, count in enumerate(table.repeats):
        name = f"{count} cold power-up{'s' if count > 1 else ''}"
        look = {"color": SERIES[k % len(SERIES)], "linestyle": _DASHES[k % len(_DASHES)], "linewidth": 1.6}
        axes.loglog(table.seconds, 1e3 * table.smallest_w[:, k], marker="o", markersize=3.5, label=name, **look)
    low, high = 1e3 * table.smallest_95_w[:, 0, 0], 1e3 * table.smallest_95_w[:, 0, 1]
    axes.fill_between(
        table.seconds, low, high, color=SERIES[0], alpha=0.15, linewidth=0,
        label=f"copper and coupling not known, {table.repeats[0]} power-up{'s' if table.repeats[0] > 1 else ''}, 95 %",
    )  # fmt: skip
    if table.power_w is not None:
        axes.axhline(1e3 * table.power_w, color=LINE, linewidth=0.9, label=f"{1e3 * table.power_w:g} mW")
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_formatter("{x:g}")
        axis.set_minor_formatter("{x:g}")
        axis.set_minor_locator(LogLocator(subs=(2.0, 5.0)))
    axes.tick_params(which="both", labelsize=8)
    axes.set_xlabel("seconds with power on", family=FONT)
    axes.set_ylabel("power, mW", family=FONT)
    axes.grid(visible=True, which="both", color="#dddddd", linewidth=0.5)
    axes.legend(fontsize=8, prop={"family": FONT, "size": 8})
    return png_of(figure, PictureFacts(title, "mW against seconds with power on", "", "", (), version))
