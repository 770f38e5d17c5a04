"""The board with its parts under a translucent map of the excess; and faulty, good, excess side by side."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.figure import Figure
from matplotlib.patches import Circle, PathPatch

from thermscan.model.board import Board, Part
from thermscan.model.result import Result
from thermscan.model.result_maps import ResultMaps
from thermscan.show.board_shape import (
    Name,
    View,
    draw_names,
    draw_outline,
    draw_parts,
    draw_scale_bar,
    name_of_part,
    set_view,
    view_of,
    worth_naming,
)
from thermscan.show.colour import BOARD, EXCESS_MAP, LINE, QUIET, Scale, excess_colours, excess_scale, rise_scale
from thermscan.show.label import Box
from thermscan.show.picture import (
    FONT,
    PictureFacts,
    add_axes,
    joined,
    new_figure,
    png_of,
    shortened,
    wrap_lines,
    write_text,
)
from thermscan.show.words import (
    answer,
    basis_words,
    board_words,
    called,
    colour_words,
    excess_unit,
    fault_words,
    framed_suspects,
    is_mirrored,
    is_of_surface,
    say_excess,
    say_share,
    side_words,
    when_words,
)

_MAP_IN = (7.6, 5.6)  # largest map, inches
_SIDE_IN = 3.1  # column of numbered places beside it
_LISTED = 9
_LIGHTEST_BLACK = 0.7  # grey of a black backdrop: light enough that the map's colours keep their meaning
_FEWEST_BLIND = 0.002  # share of the grid from which hatching is worth its line in the key


@dataclass(frozen=True)
class _Scene:
    """What every panel needs: result, maps, board, view and unit."""

    result: Result
    maps: ResultMaps
    board: Board
    view: View
    fahrenheit: bool

    @property
    def parts(self) -> tuple[Part, ...]:
        """Parts on the shown side."""
        return self.board.parts_on(self.result.side)

    @property
    def strong(self) -> frozenset[str]:
        """Refdes of the suspects that are framed."""
        return frozenset(s.ref for s in framed_suspects(self.result) if s.ref)


def picture_board(maps: ResultMaps) -> Board:
    """Return a board that is only the maps' own frame: for results without board file and size."""
    left, right, bottom, top = maps.grid.extent_mm()
    return Board("", np.array([[left, bottom], [right, bottom], [right, top], [left, top]]))


def _scene(result: Result, maps: ResultMaps, board: Board | None, *, fahrenheit: bool) -> _Scene:
    unit = "mm" if result.picture_px is None else "px"
    shown_board = board if board is not None else picture_board(maps)
    return _Scene(
        result,
        maps,
        shown_board,
        view_of(shown_board, side=result.side, mirrored=is_mirrored(result), unit=unit),
        fahrenheit,
    )


def _heat(axes: Axes, scene: _Scene, values: np.ndarray, scale: Scale, patch: PathPatch) -> None:
    """Lay one map over the board, cut to its outline; cells without data stay bare."""
    colours = excess_colours()
    left, right, bottom, top = scene.maps.grid.extent_mm()
    known = np.where(scene.maps.inside & scene.maps.readable, values, np.nan)
    image = axes.imshow(
        np.ma.masked_invalid(known), cmap=colours, norm=scale.norm(), origin="lower",
        extent=(left, right, bottom, top), interpolation="nearest", zorder=3, aspect="equal",
    )  # fmt: skip
    image.set_clip_path(patch)


def _backdrop(axes: Axes, scene: _Scene, patch: PathPatch) -> None:
    """Lay the grey picture, if there is one, under the map; lightened so that colours keep their meaning."""
    if scene.maps.photo is None:
        return
    left, right, bottom, top = scene.maps.grid.extent_mm()
    grey = np.clip(np.nan_to_num(np.asarray(scene.maps.photo, float), nan=1.0), 0, 1)
    image = axes.imshow(
        _LIGHTEST_BLACK + (1 - _LIGHTEST_BLACK) * grey,
        cmap="gray",
        vmin=0,
        vmax=1,
        origin="lower",
        extent=(left, right, bottom, top),
        zorder=2,
    )
    image.set_clip_path(patch)


def _hatch_unreadable(axes: Axes, scene: _Scene, patch: PathPatch) -> bool:
    """Hatch places of the board whose surface cannot be read or that were not seen; tells whether there are any."""
    maps = scene.maps
    points = maps.grid.points_mm()
    on_board = scene.board.inside(points[..., 0], points[..., 1])
    blind = on_board & ~(maps.inside & maps.readable)
    if blind.mean() < _FEWEST_BLIND:
        return False
    # Seen from the cell's middle, contours end half a cell inside the edge: the pad lets them reach it.
    padded = np.pad(blind.astype(float), 1)
    x = maps.grid.x0_mm + maps.grid.step_mm * np.arange(-1, maps.grid.columns + 1)
    y = maps.grid.y0_mm + maps.grid.step_mm * np.arange(-1, maps.grid.rows + 1)
    hatch = axes.contourf(x, y, padded, levels=[0.5, 1.5], colors="none", hatches=["/////"], zorder=4)
    hatch.set_edgecolor("#8a8a8a")
    hatch.set_linewidth(0.0)
    hatch.set_clip_path(patch)
    return True


def _panel(axes: Axes, scene: _Scene, values: np.ndarray, scale: Scale) -> bool:
    """Draw one map with board and parts; tells whether anything is hatched."""
    set_view(axes, scene.view)
    patch = draw_outline(axes, scene.board)
    _backdrop(axes, scene, patch)
    _heat(axes, scene, values, scale, patch)
    hatched = _hatch_unreadable(axes, scene, patch)
    draw_parts(axes, scene.parts, strong=scene.strong)
    return hatched


def _numbers(axes: Axes, scene: _Scene) -> list[Name]:
    """Draw a ring at each listed place and return the numbers to be placed beside them."""
    smallest = 0.008 * max(scene.view.width, scene.view.height)
    names = []
    for spot in scene.result.hotspots[:_LISTED]:
        radius = max(spot.place_95_mm, smallest)
        hot = spot.kind == "hot"
        for width, colour in ((2.6, "white"), (1.2, "black")):
            axes.add_patch(
                Circle((spot.x_mm, spot.y_mm), radius, facecolor="none", edgecolor=colour, linewidth=width, zorder=8)
            )
        look = ("white", "black") if hot else ("black", "white")
        names.append(
            Name(str(spot.rank), spot.x_mm, spot.y_mm, (radius, radius), must=True, inside=False, over=True, size=9.0,
                 weight="bold", colour=look[0], background=look[1])
        )  # fmt: skip
    return names


def _rings(axes: Axes, scene: _Scene) -> list[Box]:
    """Return the boxes of the rings in dots, so that no name covers them."""
    smallest = 0.008 * max(scene.view.width, scene.view.height)
    boxes = []
    for spot in scene.result.hotspots[:_LISTED]:
        r = min(max(spot.place_95_mm, smallest), 3 * smallest)
        points = axes.transData.transform([(spot.x_mm - r, spot.y_mm - r), (spot.x_mm + r, spot.y_mm + r)])
        low, high = points.min(axis=0), points.max(axis=0)
        boxes.append((float(low[0]), float(low[1]), float(high[0]), float(high[1])))
    return boxes


def _names(axes: Axes, scene: _Scene) -> None:
    """Place numbers first, then suspects, then the other parts from large to small."""
    numbers = _numbers(axes, scene)
    places = [(spot.x_mm, spot.y_mm) for spot in scene.result.hotspots[:_LISTED]]
    order = worth_naming(scene.parts, scene.strong, places)
    parts = [name_of_part(part, strong=part.ref in scene.strong) for part in order]
    draw_names(axes, [*numbers, *parts], taken=_rings(axes, scene), soft=scene.parts)


def _colour_bar(figure: Figure, box_in: tuple[float, float, float, float], scale: Scale, scene: _Scene) -> None:
    """Draw the labelled colour bar, on the board's own tone so that colours match the see-through map."""
    unit = excess_unit(scene.result, fahrenheit=scene.fahrenheit)
    shown = scale.times(unit.factor)
    axes = add_axes(figure, box_in)
    axes.set_facecolor(BOARD)
    mappable = ScalarMappable(norm=shown.norm(), cmap=excess_colours())
    bar = figure.colorbar(mappable, cax=axes, orientation="horizontal", ticks=shown.ticks())
    bar.ax.set_xticklabels([f"{tick:g}" for tick in shown.ticks()])
    bar.ax.minorticks_off()
    bar.ax.tick_params(labelsize=8, length=3)
    bar.outline.set_linewidth(0.6)


def _list_places(figure: Figure, scene: _Scene, left_in: float, top_in: float, bottom_in: float) -> None:
    """List the numbered places beside the map, and under them the first suspects."""
    suspects = framed_suspects(scene.result)
    room = top_in - bottom_in - (0.55 + 0.2 * len(suspects) if suspects else 0.0)
    most = max(1, int((room - 0.35) / 0.42))
    spots = scene.result.hotspots[: min(_LISTED, most)]
    write_text(figure, (left_in, top_in), "Numbered places", size=10, weight="bold")
    y = top_in - 0.3
    if not spots:
        write_text(figure, (left_in, y), "No place stands out of noise and spread.", size=8.5)
        y -= 0.25
    for spot in spots:
        where = joined([shortened(ref, 12) for ref in spot.parts], most=2) or "bare place"
        kind = "warmer" if spot.kind == "hot" else "colder"
        write_text(figure, (left_in, y), f"{spot.rank}", size=9.5, weight="bold")
        write_text(figure, (left_in + 0.28, y), f"{where}: {kind}", size=9, weight="bold")
        said = say_excess(spot, scene.result, fahrenheit=scene.fahrenheit)
        if spot.excess_k is not None:
            said += " at its surface" if is_of_surface(spot, scene.result) else " as seen"
        for line in wrap_lines(figure, said, _SIDE_IN - 0.4, size=8.5, most=1):
            write_text(figure, (left_in + 0.28, y - 0.17), line, size=8.5, colour=QUIET)
        y -= 0.42
    if any(s.excess_k is not None and is_of_surface(s, scene.result) for s in spots):
        text = "what blur takes from small parts is not put back here"
        write_text(figure, (left_in, y + 0.03), text, size=8, colour=QUIET)
        y -= 0.17
    more = len(scene.result.hotspots) - len(spots)
    if more > 0:
        write_text(figure, (left_in, y + 0.03), f"and {more} more in the table", size=8, colour=QUIET)
        y -= 0.17
    _list_suspects(figure, scene, left_in, y - 0.1)


def _list_suspects(figure: Figure, scene: _Scene, left_in: float, top_in: float) -> None:
    """List the framed suspects with their probabilities."""
    suspects = framed_suspects(scene.result)
    if not suspects:
        return
    write_text(figure, (left_in, top_in), "Suspects", size=10, weight="bold")
    for i, suspect in enumerate(suspects):
        name = shortened(called(suspect, scene.result), 18)
        words = f"{name}: {fault_words(suspect.fault)}, {say_share(suspect.probability)}"
        for line in wrap_lines(figure, words, _SIDE_IN - 0.1, size=9, most=1):
            write_text(figure, (left_in, top_in - 0.25 - 0.2 * i), line, size=9)


def overlay_facts(result: Result, maps: ResultMaps, *, caption: str, scale: str) -> PictureFacts:
    """Return what the PNG says about itself."""
    sources = tuple((item.role, item.sha256) for item in result.inputs if item.sha256)
    return PictureFacts(caption, scale, side_words(result.side), when_words(maps), sources, result.version)


def draw_overlay(result: Result, maps: ResultMaps, board: Board | None = None, *, fahrenheit: bool = False) -> bytes:
    """Draw the overlay: board and parts under the translucent excess, numbered places, scale bar, colour bar.

    Parameters
    ----------
    result : Result
    maps : ResultMaps
    board : Board or None
        None where neither board file nor size is known: the map's own frame is drawn.
    fahrenheit : bool
        Show differences in Fahrenheit.

    Returns
    -------
    bytes
        A PNG whose text fields hold caption, scale, side, second and the SHA-256 of the sources.

    Notes
    -----
    The underside is drawn as seen from below. Names that find no room are left out; numbers and the first three
    suspects never are. Not valid when the board was placed with a wrong start (see the result's registration).
    """
    scene = _scene(result, maps, board, fahrenheit=fahrenheit)
    unit = excess_unit(result, fahrenheit=fahrenheit)
    scale = min(_MAP_IN[0] / scene.view.width, _MAP_IN[1] / scene.view.height)
    width, height = scene.view.width * scale, max(scene.view.height * scale, 3.6)
    figure = new_figure(max(width, 4.0) + _SIDE_IN + 0.9, height + 1.95)
    top = height + 1.25
    total = figure.get_size_inches()[0]
    # bold letters are wider than what the lines are measured with
    said = wrap_lines(figure, answer(result), 0.86 * (total - 0.8), size=12.5, most=3)
    further = 0.25 * (len(said) - 1)  # the caution stands at the end of the answer: it must not be cut off
    figure.set_size_inches(total, height + 1.95 + further)
    for i, line in enumerate(said):
        write_text(figure, (0.45, top + 0.58 + further - 0.25 * i), line, size=12.5, weight="bold", colour="black")
    against = "over" if result.basis != "itself_only" else "against"
    line = f"{board_words(result)}: excess seen {against} {basis_words(result)}, {when_words(maps)}, "
    line += side_words(result.side)
    for text in wrap_lines(figure, line, total - 0.8, size=9, most=1):
        write_text(figure, (0.45, top + 0.28), text, size=9, colour=QUIET)
    axes = add_axes(figure, (0.45, 1.1, max(width, 4.0), height))
    colours = excess_scale(maps)
    end = colours.limit * unit.factor
    hatched = _panel(axes, scene, maps.excess[maps.shown], colours)
    _names(axes, scene)
    draw_scale_bar(axes, scene.view)
    _foot(figure, scene, colours, hatched, unit.name)
    _list_places(figure, scene, max(width, 4.0) + 0.7, top, 1.1)
    caption = f"Excess seen of {board_words(result)} over {basis_words(result)}"
    facts = overlay_facts(result, maps, caption=caption, scale=f"{-end:.3g} to {end:.3g} {unit.name}")
    return png_of(figure, facts)


def _foot(figure: Figure, scene: _Scene, scale: Scale, hatched: bool, unit: str) -> None:
    """Draw the colour bar with its words and the key to hatching under the map."""
    total = figure.get_size_inches()[0]
    _colour_bar(figure, (total - 5.6, 0.52, 5.1, 0.16), scale, scene)
    words = f"excess seen, {unit}: {colour_words(scene.result)}; the scale tightens outwards"
    write_text(figure, (total - 3.05, 0.1), words, size=8, align="center", vertical="bottom")
    notes = ["hatched: cannot be read, or hidden behind a tall part"] if hatched else []
    notes += ["places are fractions of this picture"] if scene.view.unit == "px" else []
    write_text(figure, (0.55, 0.32), "; ".join(notes), size=8, colour=LINE)


def draw_side_by_side(
    result: Result, maps: ResultMaps, board: Board | None = None, *, fahrenheit: bool = False
) -> bytes:
    """Draw faulty, good and excess side by side at one scale, as PNG bytes; two panels where there is no good board.

    Parameters are those of :func:`draw_overlay`. No grey picture lies under these: each panel shows its heat alone.
    """
    scene = _scene(result, replace(maps, photo=None), board, fahrenheit=fahrenheit)
    unit = excess_unit(result, fahrenheit=fahrenheit)
    colours = rise_scale(maps)
    end = colours.limit * unit.factor
    word = "rise" if "no_cold_frames" not in result.flags else "temperature over ambient"
    stacks = [(f"faulty: {word}", maps.faulty)]
    stacks += [] if maps.good is None else [(f"good: mean {word}", maps.good)]
    stacks += [("excess seen: faulty less good", maps.excess)]
    each = 11.0 / len(stacks)
    width = each - 0.45
    height = min(width * scene.view.height / scene.view.width, 6.5)
    figure = new_figure(11.4, height + 1.75)
    total = figure.get_size_inches()[0]
    line = f"{board_words(result)}, {when_words(maps)}, {side_words(result.side)}"
    for text in wrap_lines(figure, line, total - 0.8, size=10, most=1):
        write_text(figure, (0.4, height + 1.6), text, size=10, weight="bold")
    for i, (title, stack) in enumerate(stacks):
        left = 0.4 + i * each
        axes = add_axes(figure, (left, 0.95, width, height))
        _panel(axes, scene, stack[maps.shown], colours)
        axes.set_title(title, size=9.5, family=FONT, pad=4)
        if i == 0:
            draw_scale_bar(axes, scene.view)
    _colour_bar(figure, (total - 6.0, 0.45, 5.5, 0.14), colours, scene)
    write_text(figure, (total - 3.25, 0.06), f"{unit.name}, the same scale in all panels", size=8.5, align="center",
               vertical="bottom")  # fmt: skip
    facts = overlay_facts(
        result, maps, caption=f"Faulty, good and excess seen of {board_words(result)}",
        scale=f"{-end:.3g} to {end:.3g} {unit.name} ({EXCESS_MAP})",
    )  # fmt: skip
    return png_of(figure, facts)
