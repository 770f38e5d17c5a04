"""Whether the size of a board in millimetres goes with the pixels that see it: a slip of the unit shows there."""

from __future__ import annotations

import math

from thermscan.model.board import Board

RESOLVED_PX = 3.0  # pixels across from which a part is read, not mixed with what is beside it
USUAL_CHIP_MM = 3.9  # width of the bodies of small-outline chips (from memory); most parts beside them are smaller
HALF = 0.5  # of the parts, and of the board: from there on most is lost


def least_pixel_mm(board: Board, rows: int, columns: int) -> float:
    """Return the smallest size of a pixel on a board whose whole outline is in the picture, mm.

    However the board lies: its longer side is no longer than the picture's diagonal, and its box no larger than the
    picture.
    """
    x0, y0, x1, y1 = board.box_mm
    width, height = x1 - x0, y1 - y0
    return max(max(width, height) / math.hypot(rows, columns), math.sqrt(width * height / (rows * columns)))


def scale_words(board: Board | None, rows: int, columns: int) -> tuple[str, ...]:
    """Warn where a board is so large in millimetres that its parts are lost between the pixels.

    Parameters
    ----------
    board : Board or None
        Its listed parts are compared with the pixels; without any, the width of a usual chip.
    rows, columns : int
        Of the picture.

    Notes
    -----
    The pixel is the smallest that the outline allows, so that nothing is warned of that another placing would heal. Not
    valid for a part of a board filmed close by: there ``seen_words`` tells what is wrong.
    """
    if board is None:
        return ()
    pixel = least_pixel_mm(board, rows, columns)
    x0, y0, x1, y1 = board.box_mm
    size = f"a board of {x1 - x0:g} x {y1 - y0:g} mm fills {columns} x {rows} pixels with {pixel:.1f} mm or more each"
    doubt = "is its size in millimetres? else film closer, part by part"
    parts = [p for p in board.parts if p.fitted]
    lost = sum(min(p.w, p.h) < pixel for p in parts)
    if parts and lost > HALF * len(parts):
        return (f"{size}: {lost} of its {len(parts)} parts are smaller than a pixel; {doubt}",)
    if not parts and RESOLVED_PX * pixel > USUAL_CHIP_MM:
        least = RESOLVED_PX * pixel
        return (
            f"{size}: no part below {least:.0f} mm is read ({RESOLVED_PX:g} pixels across), few are larger; {doubt}",
        )
    return ()


def seen_words(board: Board | None, rows: int, columns: int, pixel_mm: float) -> tuple[str, ...]:
    """Warn where the picture, once the board is placed, can hold less than half of it."""
    if board is None or pixel_mm <= 0:
        return ()
    x0, y0, x1, y1 = board.box_mm
    share = rows * columns * pixel_mm**2 / ((x1 - x0) * (y1 - y0))
    if share >= HALF:
        return ()
    size = f"{x1 - x0:g} x {y1 - y0:g} mm"
    return (
        f"with pixels of {pixel_mm:.2g} mm the picture holds {100 * share:.0f} % of a board of {size} at most; is its"
        " size in millimetres?",
    )
