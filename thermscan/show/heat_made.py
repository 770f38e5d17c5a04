"""Maps in watts over the board: where heat is made, stage by stage, and how little of it would have been seen."""

from __future__ import annotations

import numpy as np
from matplotlib import colormaps
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.colors import LogNorm, Normalize
from matplotlib.figure import Figure
from matplotlib.ticker import FormatStrFormatter, MaxNLocator

from thermscan.model.board import Board
from thermscan.model.result import Result
from thermscan.model.result_maps import HeatMap, ResultMaps
from thermscan.show.board_shape import (
    View,
    draw_names,
    draw_outline,
    draw_parts,
    draw_scale_bar,
    name_of_part,
    set_view,
    view_of,
)
from thermscan.show.colour import EXCESS_MAP, FRAME_MAP, QUIET
from thermscan.show.picture import FONT, PictureFacts, add_axes, new_figure, png_of, wrap_lines, write_text
from thermscan.show.words import basis_words, board_words, framed_suspects, is_mirrored, side_words, when_words

_WIDE_IN = 11.0  # all panels together, inches
_STRONG = 0.995  # share of the places that the scale reaches: a single cell does not make all others pale


def draw_heat(result: Result, maps: ResultMaps, board: Board) -> bytes:
    """Draw the maps of ``maps.heat`` side by side, as PNG bytes.

    Parameters
    ----------
    result : Result
    maps : ResultMaps
        With at least one map in ``heat``.
    board : Board

    Notes
    -----
    Stages of the heat made share one scale, even around zero; the smallest heat that would have been seen has a
    logarithmic scale. The underside is drawn as seen from below.
    """
    view = view_of(board, side=result.side, mirrored=is_mirrored(result))
    each = _WIDE_IN / max(len(maps.heat), 2)
    width = each - 0.4
    height = min(width * view.height / view.width, 6.0)
    figure = new_figure(each * len(maps.heat) + 0.4, height + 2.05)
    total = figure.get_size_inches()[0]
    basis = f"over {basis_words(result)}, {side_words(result.side)}"
    line = f"{board_words(result)}: worked back from how heat spread, {basis}"
    for text in wrap_lines(figure, line, total - 0.8, size=10, most=1):
        write_text(figure, (0.4, height + 1.85), text, size=10, weight="bold")
    limit = _reach([heat.values for heat in maps.heat if heat.kind == "made"])
    for i, heat in enumerate(maps.heat):
        left = 0.4 + i * each
        axes = add_axes(figure, (left, 1.35, width, height))
        mappable = _draw(axes, heat, view, board, result, limit)
        axes.set_title(heat.title, size=9.5, family=FONT, pad=4)
        _bar(figure, (left + 0.1, 0.72, width - 0.2, 0.13), mappable, heat, result)
        if i == 0:
            draw_scale_bar(axes, view)
    about = next((heat.about for heat in maps.heat if heat.kind == "made"), "")
    for text in wrap_lines(figure, f"amount of smoothing: {about}" if about else "", total - 0.8, size=8, most=1):
        write_text(figure, (0.4, 0.08), text, size=8, colour=QUIET, vertical="bottom")
    sources = tuple((item.role, item.sha256) for item in result.inputs if item.sha256)
    scale = f"{-limit:.3g} to {limit:.3g} mW/mm2 ({EXCESS_MAP})"
    caption = f"Heat made on {board_words(result)}"
    return png_of(
        figure, PictureFacts(caption, scale, side_words(result.side), when_words(maps), sources, result.version)
    )


def _reach(stages: list[np.ndarray]) -> float:
    """Return the end of the common scale of the stages, mW/mm2."""
    values = np.abs(np.concatenate([s[np.isfinite(s)] for s in stages])) if stages else np.zeros(0)
    return max(float(np.quantile(values, _STRONG)), 1e-6) if values.size else 1.0


def _draw(axes: Axes, heat: HeatMap, view: View, board: Board, result: Result, limit: float) -> ScalarMappable:
    """Draw one map under the parts; returns what its colour bar needs."""
    set_view(axes, view)
    patch = draw_outline(axes, board)
    left, right, bottom, top = heat.grid.extent_mm()
    finite = heat.values[np.isfinite(heat.values) & (heat.values > 0)]
    if heat.kind == "made":
        norm, name = Normalize(-limit, limit), EXCESS_MAP
    else:
        low, high = np.quantile(finite, [0.01, 0.99]) if finite.size else (1.0, 10.0)
        norm, name = LogNorm(low, max(high, 1.01 * low)), FRAME_MAP
    image = axes.imshow(
        np.ma.masked_invalid(heat.values), cmap=colormaps[name], norm=norm, origin="lower", zorder=2,
        extent=(left, right, bottom, top), interpolation="nearest", aspect="equal",
    )  # fmt: skip
    image.set_clip_path(patch)
    named = {s.ref for s in result.suspects[:1]} | {s.ref for s in result.sources[:4]}
    parts = board.parts_on(result.side)
    draw_parts(axes, parts, strong=frozenset(s.ref for s in framed_suspects(result) if s.ref))
    draw_names(axes, [name_of_part(part, strong=True) for part in parts if part.ref in named], taken=[], soft=parts)
    return image


def _bar(
    figure: Figure, box_in: tuple[float, float, float, float], mappable: ScalarMappable, heat: HeatMap, result: Result
) -> None:
    """Draw the labelled colour bar of one map."""
    axes = add_axes(figure, box_in)
    bar = figure.colorbar(mappable, cax=axes, orientation="horizontal")
    if heat.kind == "limit":
        bar.set_ticks(MaxNLocator(5).tick_values(*mappable.get_clim())[1:-1])
        bar.ax.xaxis.set_major_formatter(FormatStrFormatter("%g"))
        bar.ax.minorticks_off()
    axes.tick_params(labelsize=7.5, length=2)
    over = "" if result.basis == "itself_only" else f", red: more than {basis_words(result)}"
    unit = f"mW/mm²{over}" if heat.kind == "made" else "mW at a spot, 95 % chance to be listed"
    axes.set_xlabel(unit, size=8, family=FONT, labelpad=1)
