"""The board before and after a repair: two maps of the excess at the same scale and the same second."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable

from thermscan.model.board import Board
from thermscan.model.case_record import Verification
from thermscan.model.quantity import SHOWN
from thermscan.model.result_maps import ResultMaps
from thermscan.show.board_shape import draw_outline, set_view, view_of
from thermscan.show.colour import BOARD, EXCESS_MAP, QUIET, Scale, excess_colours, excess_scale
from thermscan.show.picture import FONT, PictureFacts, add_axes, new_figure, png_of, wrap_lines, write_text
from thermscan.show.words import side_words, when_words

_PANEL_IN = 4.6


def common_scale(after: ResultMaps, before: ResultMaps | None) -> Scale:
    """Return one colour scale for both: that of the map that reaches farther."""
    scales = [excess_scale(maps) for maps in (after, before) if maps is not None]
    return max(scales, key=lambda scale: scale.limit)


def _panel(axes: Axes, maps: ResultMaps, board: Board, verification: Verification, scale: Scale) -> None:
    """Draw one map with the board's outline and rings around the places that the verification names."""
    view = view_of(board, side=verification.side, mirrored=verification.side == "bottom")
    set_view(axes, view)
    patch = draw_outline(axes, board)
    left, right, bottom, top = maps.grid.extent_mm()
    known = np.where(maps.inside & maps.readable, maps.excess[maps.shown], np.nan)
    image = axes.imshow(
        np.ma.masked_invalid(known), cmap=excess_colours(), norm=scale.norm(), origin="lower",
        extent=(left, right, bottom, top), interpolation="nearest", zorder=3, aspect="equal",
    )  # fmt: skip
    image.set_clip_path(patch)
    parts = {part.ref: part for part in board.parts}
    named = [p for p in verification.places if p.state in ("still_there", "new", "gone") and p.name in parts]
    for place in named[:6]:
        part = parts[place.name]
        axes.annotate(
            place.name, (part.x, part.y), textcoords="offset points", xytext=(0, 7), ha="center", size=7.5,
            family=FONT, zorder=6, bbox={"boxstyle": "round,pad=0.12", "fc": "white", "ec": "black", "lw": 0.5},
        ).set_parse_math(False)  # fmt: skip


def draw_before_after(
    after: ResultMaps,
    before: ResultMaps | None,
    board: Board,
    verification: Verification,
    *,
    fahrenheit: bool = False,
) -> bytes:
    """Draw the excess over the good boards before and after the repair as PNG bytes.

    Parameters
    ----------
    after : ResultMaps
    before : ResultMaps or None
        With the same shown second; None draws the map after the repair alone.
    board : Board
    verification : Verification
    fahrenheit : bool

    Returns
    -------
    bytes
    """
    panels = [(words, m) for words, m in (("before", before), ("after", after)) if m is not None]
    x0, y0, x1, y1 = board.box_mm
    height = float(np.clip(_PANEL_IN * (y1 - y0) / (x1 - x0), 1.5, 7.0))
    width = _PANEL_IN * len(panels) + 0.5 * (len(panels) - 1) + 1.1
    figure = new_figure(width, height + 2.35)
    total = height + 2.35
    for i, line in enumerate(wrap_lines(figure, verification.sentence, 0.85 * width - 0.6, size=10.5, most=2)):
        write_text(figure, (0.3, total - 0.12 - 0.22 * i), line, size=10.5, weight="bold", colour="black")
    scale = common_scale(after, before)
    for i, (words, maps) in enumerate(panels):
        left = 0.7 + i * (_PANEL_IN + 0.5)
        axes = add_axes(figure, (left, 1.35, _PANEL_IN - 0.2, height))
        _panel(axes, maps, board, verification, scale)
        axes.set_title(f"{words}, {when_words(maps)}", size=9, family=FONT, parse_math=False)
    shown = SHOWN["k"][1 if fahrenheit else 0]
    said = scale.times(shown.factor)
    bar_axes = add_axes(figure, (0.7, 0.72, 3.6, 0.14))
    bar_axes.set_facecolor(BOARD)
    mappable = ScalarMappable(norm=said.norm(), cmap=excess_colours())
    bar = figure.colorbar(mappable, cax=bar_axes, orientation="horizontal", ticks=said.ticks())
    bar.ax.set_xticklabels([f"{tick:g}" for tick in said.ticks()])
    bar.ax.minorticks_off()
    bar.ax.tick_params(labelsize=8, length=3)
    words = f"excess seen over the good boards, {shown.unit}; one scale for both ({EXCESS_MAP})"
    write_text(figure, (4.45, 0.9), wrap_lines(figure, words, width - 4.6, size=8.5, most=1)[0], size=8.5)
    write_text(figure, (0.3, 0.3), f"{verification.board_name}; {side_words(verification.side)}", size=8, colour=QUIET)
    sources = tuple((role, digest) for role, _, digest in verification.inputs if digest)
    facts = PictureFacts(
        "Excess seen over the good boards before and after the repair",
        f"{-said.limit:.3g} to {said.limit:.3g} {shown.unit}",
        verification.side,
        when_words(after),
        sources,
        verification.version,
    )
    return png_of(figure, facts)
