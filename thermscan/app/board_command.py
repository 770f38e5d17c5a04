"""``thermscan board``: make and draw board files."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import TYPE_CHECKING

import click

from thermscan.app.opening import open_one
from thermscan.app.options import Reading
from thermscan.model.errors import InputError

if TYPE_CHECKING:
    from thermscan.model.board import Board, Part
    from thermscan.show.mark_page import MarkPicture

PICTURE_KINDS = {b"\x89PNG": "png", b"\xff\xd8\xff": "jpeg"}


@click.group(epilog="Example: thermscan board mark photo.jpg --out board.json")
def command() -> None:
    """Make a board file from a picture, from typed points or from a pick-and-place table, and draw one."""


def out_option(what: str) -> click.decorators.FC:
    """Return the ``--out`` option for one file."""
    return click.option("--out", required=True, type=click.Path(), metavar="FILE", help=what)


force_option = click.option("--force", is_flag=True, help="Replace an existing file.")


@command.command(epilog="Example: thermscan board mark photo.jpg --out board.json")
@click.argument("picture", type=click.Path())
@out_option("Board file that the page will save; the page is written beside it as .html.")
@click.option("--no-open", is_flag=True, help="Write the page without opening it in the browser.")
@force_option
def mark(*, picture: str, out: str, no_open: bool, force: bool) -> None:
    """Mark outline and parts on PICTURE (photograph or thermal recording) in one local page.

    The page needs no network and no server. Click the outline, type one length in mm, drag boxes for parts and name
    them; the browser saves the board file among its downloads.
    """
    import webbrowser

    from thermscan.show.mark_page import mark_page
    from thermscan.write.board_file import check_new_file
    from thermscan.write.folder import write_whole

    page = check_new_file(Path(out).with_suffix(".html"), force=force)
    html = mark_page(open_picture(picture), title=Path(picture).name, file_name=Path(out).name)
    write_whole(page, html.encode("utf-8"))
    click.echo(f"{page}: open it in a browser, mark the board and save {Path(out).name}")
    if not no_open:
        webbrowser.open(page.absolute().as_uri())


def open_picture(path: str) -> MarkPicture:
    """Open a photograph, or draw the middle frame of a thermal recording; raises InputError."""
    import cv2
    import numpy as np

    from thermscan.show.mark_page import MarkPicture, thermal_picture

    if Path(path).is_file():
        content = Path(path).read_bytes()
        kind = next((name for start, name in PICTURE_KINDS.items() if content.startswith(start)), None)
        pixels = cv2.imdecode(np.frombuffer(content, np.uint8), cv2.IMREAD_UNCHANGED) if kind else None
        if kind and pixels is None:
            raise InputError(path, "", "is a broken picture", "save it again as PNG or JPEG")
        if kind and pixels is not None and pixels.dtype == np.uint8:
            return MarkPicture(content, kind, pixels.shape[1], pixels.shape[0])
    recording = open_one(path, Reading())
    middle = recording.frames // 2
    return thermal_picture(recording.store.read(middle, middle + 1)[0])


@command.command(epilog="Example: thermscan board points --corner 0,0 --corner 90,0 --corner 90,60 --corner 0,60 "
                        "--part C14,capacitor,41.2,18,1.6,0.8 --out board.json")  # fmt: skip
@click.option(
    "--corner", "corners", multiple=True, metavar="X,Y", help="Corner of the outline in mm, in order; three or more."
)
@click.option(
    "--part", "parts", multiple=True, metavar="REF,KIND,X,Y,W,H[,ROTATION[,SIDE]]", help="A part, lengths in mm."
)
@click.option("--hole", "holes", multiple=True, metavar="X,Y,D", help="A round hole, mm.")
@click.option("--thickness", type=click.FloatRange(0.05, 20), metavar="MM", help="Board thickness.")
@click.option("--name", default="my board", help="Name of the board.")
@out_option("Board file to write.")
@force_option
def points(
    *,
    corners: tuple[str, ...],
    parts: tuple[str, ...],
    holes: tuple[str, ...],
    thickness: float | None,
    name: str,
    out: str,
    force: bool,
) -> None:
    """Make a board file from typed points, millimetres, x right, y up, seen from the top side."""
    from thermscan.model.board import Board, Hole

    outline = [numbers(text, 2, option="--corner") for text in corners]
    board = Board(
        name=name,
        outline_mm=outline,  # type: ignore[arg-type] - turned into an array by the record
        thickness_mm=thickness,
        holes=tuple(Hole(*numbers(text, 3, option="--hole")) for text in holes),
        parts=tuple(typed_part(text) for text in parts),
    )
    save(board, out, force=force)


def numbers(text: str, count: int, *, option: str) -> list[float]:
    """Read ``count`` comma-separated numbers; raises InputError."""
    try:
        values = [float(piece) for piece in text.split(",")]
    except ValueError:
        values = []
    if len(values) != count:
        raise InputError(option, "", f"{text!r} is not {count} numbers with commas", "use decimal points, e.g. 41.2,18")
    return values


def typed_part(text: str) -> Part:
    """Read ``REF,KIND,X,Y,W,H[,ROTATION[,SIDE]]``; raises InputError."""
    from thermscan.model.board import KINDS, SIDES, Part, kind_from_refdes
    from thermscan.model.errors import check_choice

    pieces = [piece.strip() for piece in text.split(",")]
    if not 6 <= len(pieces) <= 8 or not pieces[0]:
        raise InputError("--part", "", f"{text!r} has {len(pieces)} values", "give REF,KIND,X,Y,W,H[,ROTATION[,SIDE]]")
    ref, kind = pieces[0], pieces[1] or kind_from_refdes(pieces[0])
    check_choice(kind, KINDS, path="--part", place=ref)
    side = check_choice(pieces[7], SIDES, path="--part", place=ref) if len(pieces) == 8 else "top"
    values = numbers(",".join(pieces[2:7]), len(pieces[2:7]), option="--part")
    if values[2] <= 0 or values[3] <= 0:
        raise InputError("--part", ref, "its body has no size", "give width and height in mm, above 0")
    x, y, w, h = values[:4]
    return Part(ref, kind, x, y, w, h, values[4] if len(values) > 4 else 0.0, side=side)


@command.command(epilog="Example: thermscan board table positions.csv --size 59x29.6 --out board.json")
@click.argument("table", type=click.Path())
@click.option("--size", metavar="WxH", help="Size of the board in mm, lower left corner at the table's origin.")
@click.option("--board", "board_path", type=click.Path(), metavar="FILE", help="Board file that has the outline.")
@click.option("--unit", type=click.Choice(["mm", "mil", "inch"]), help="Unit of the table, where it does not say.")
@click.option("--bottom-x", type=click.Choice(["mirrored", "as-is"]), help="How x of underside parts is counted.")
@click.option(
    "--bottom-rotation",
    type=click.Choice(["top", "bottom"]),
    help="Side from which the rotation of underside parts is anticlockwise.",
)
@click.option("--origin", metavar="X,Y", default="0,0", help="Place of the table's origin on the board, mm.")
@out_option("Board file to write.")
@force_option
def table(
    *,
    table: str,
    size: str | None,
    board_path: str | None,
    unit: str | None,
    bottom_x: str | None,
    bottom_rotation: str | None,
    origin: str,
    out: str,
    force: bool,
) -> None:
    """Make a board file from the pick-and-place TABLE (CSV) and an outline."""
    from dataclasses import replace

    from thermscan.app.opening import open_board_or_size
    from thermscan.read.pick_place import PickPlaceOptions, open_pick_place

    board = open_board_or_size(board_path, size)
    if board is None:
        raise InputError("--size", "", "a pick-and-place table has no outline", "give --size WxH or --board FILE")
    x, y = numbers(origin, 2, option="--origin")
    found = open_pick_place(table, options=PickPlaceOptions(unit, bottom_x, bottom_rotation, (x, y)))
    for text in found.notes:
        click.echo(f"note: {text}")
    for text in found.warnings:
        click.echo(f"warning: {text}", err=True)
    check_span(found.parts, board, path=table)
    taken = {p.ref for p in found.parts}
    others = tuple(p for p in board.parts if p.ref not in taken)
    name = Path(table).stem if size else board.name
    save(replace(board, name=name, parts=(*others, *found.parts)), out, force=force)


def check_span(parts: tuple[Part, ...], board: Board, *, path: str) -> None:
    """Refuse a table whose parts lie beside the outline: its origin is another one."""
    x0, y0, x1, y1 = board.box_mm
    xs, ys = [p.x for p in parts], [p.y for p in parts]
    if parts and (min(xs) < x0 or max(xs) > x1 or min(ys) < y0 or max(ys) > y1):
        span = f"x {min(xs):.2f} to {max(xs):.2f} and y {min(ys):.2f} to {max(ys):.2f} mm"
        problem = f"its parts span {span}, which is beside the outline"
        raise InputError(path, "", problem, "give --origin X,Y: where the table's (0, 0) lies on the board")


def save(board: Board, out: str, *, force: bool) -> None:
    """Check and write a board file, and say what is in it."""
    from thermscan.model.board import check_board
    from thermscan.write.board_file import check_new_file, write_board

    check_new_file(out, force=force)
    write_board(out, check_board(board, path=out))
    x0, y0, x1, y1 = board.box_mm
    click.echo(f"{out}: {x1 - x0:g} x {y1 - y0:g} mm, {len(board.parts)} parts, {len(board.holes)} holes")


@command.command(epilog="Example: thermscan board draw board.json --out board.png")
@click.argument("board", type=click.Path())
@click.option("--side", type=click.Choice(["top", "bottom"]), help="One side only; default: every side with parts.")
@out_option("Picture to write (PNG).")
@force_option
def draw(*, board: str, side: str | None, out: str, force: bool) -> None:
    """Draw a BOARD file as PNG, for checking."""
    from thermscan import __version__
    from thermscan.read.board_file import open_board
    from thermscan.show.board_drawing import draw_board
    from thermscan.write.board_file import check_new_file
    from thermscan.write.folder import write_whole

    opened = open_board(board)
    target = check_new_file(out, force=force)
    digest = hashlib.sha256(Path(board).read_bytes()).hexdigest()
    write_whole(target, draw_board(opened, side=side, source=(Path(board).name, digest), version=__version__))
    for warning in opened.warnings:
        click.echo(f"warning: {warning}", err=True)
    click.echo(f"{out}: {opened.name}, {len(opened.parts)} parts")
