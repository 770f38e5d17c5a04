"""A board file drawn for checking: outline, holes, bodies, refdes, on each side that carries parts."""

from __future__ import annotations

from thermscan.model.board import SIDES, Board
from thermscan.show.board_shape import (
    draw_names,
    draw_outline,
    draw_parts,
    draw_scale_bar,
    name_of_part,
    set_view,
    view_of,
)
from thermscan.show.colour import QUIET
from thermscan.show.picture import PictureFacts, add_axes, new_figure, png_of, wrap_lines, write_text
from thermscan.show.words import side_words

_LARGEST_IN = (9.5, 6.5)


def sides_of(board: Board) -> tuple[str, ...]:
    """Return the sides that carry parts, the top side always."""
    return tuple(side for side in SIDES if side == "top" or any(part.side == side for part in board.parts))


def draw_board(
    board: Board, *, side: str | None = None, source: tuple[str, str] | None = None, version: str = ""
) -> bytes:
    """Draw a board file as PNG bytes.

    Parameters
    ----------
    board : Board
    side : {'top', 'bottom'} or None
        None draws every side that carries parts, one under the other; the underside as seen from below.
    source : (file name, SHA-256) or None
        Of the board file, for the PNG's text fields.
    version : str

    Returns
    -------
    bytes
    """
    sides = sides_of(board) if side is None else (side,)
    views = [view_of(board, side=each, mirrored=each == "bottom") for each in sides]
    scale = min(_LARGEST_IN[0] / max(v.width for v in views), _LARGEST_IN[1] / max(v.height for v in views))
    heights = [view.height * scale for view in views]
    width = max(max(view.width for view in views) * scale, 4.5)
    figure = new_figure(width + 0.8, sum(heights) + 0.95 * len(views) + 0.55)
    top = figure.get_size_inches()[1] - 0.12
    for line in wrap_lines(figure, board.name, width, size=12, most=1):
        write_text(figure, (0.45, top), line, size=12, weight="bold", colour="black")
    top -= 0.3
    for each, view, height in zip(sides, views, heights, strict=True):
        parts = board.parts_on(each)
        count = f"{len(parts)} part{'' if len(parts) == 1 else 's'}"
        write_text(figure, (0.45, top), f"{side_words(each)}: {count}; axes in mm", size=9, colour=QUIET)
        axes = add_axes(figure, (0.45, top - 0.25 - height, width, height))
        set_view(axes, view)
        draw_outline(axes, board)
        draw_parts(axes, parts, filled=True)
        order = sorted(parts, key=lambda part: (-part.w * part.h, part.ref))
        names = [name_of_part(part, strong=False) for part in order]
        draw_names(axes, names, soft=parts)
        draw_scale_bar(axes, view)
        top -= height + 0.95
    sources = (source,) if source and source[1] else ()
    facts = PictureFacts(f"Board file of {board.name}", "millimetres", ", ".join(map(side_words, sides)), "", sources,
                         version)  # fmt: skip
    return png_of(figure, facts)
