"""``thermscan foresee``: before filming, how small a source of heat will show up, and after how many seconds."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import click

from thermscan.model.errors import InputError

if TYPE_CHECKING:
    from thermscan.pipeline.foresee import Plan

PAIR = re.compile(r"\s*(\d+(?:[.,]\d+)?)\s*[xX×*]\s*(\d+(?:[.,]\d+)?)\s*(?:mm|px)?\s*")
MOST_MM, MOST_PX = 2000.0, 10000.0


def parse_pair(text: str, *, option: str, example: str, most: float) -> tuple[float, float]:
    """Return the two numbers of ``AxB``; raises InputError."""
    found = PAIR.fullmatch(text)
    pair = tuple(float(piece.replace(",", ".")) for piece in found.groups()) if found else ()
    if len(pair) != 2 or not all(0 < value <= most for value in pair):
        remedy = f"give two numbers above 0, up to {most:g}, such as {example}"
        raise InputError(option, "", f"{text!r} cannot be used", remedy)
    return pair[0], pair[1]


def parse_repeats(text: str) -> tuple[int, ...]:
    """Return the numbers of power-ups of a list such as ``1,4``, each once, in order; raises InputError."""
    pieces = [piece.strip() for piece in text.split(",")]
    if not all(re.fullmatch(r"[1-9]\d{0,2}", piece) for piece in pieces):
        raise InputError("--repeats", "", f"{text!r} is no list of whole numbers from 1 to 999", "such as 1,4")
    return tuple(sorted({int(piece) for piece in pieces}))


def positive(least: float, most: float) -> click.FloatRange:
    """Return the type of an option with limits."""
    return click.FloatRange(min=least, max=most)


@click.command(
    epilog="Example: thermscan foresee --noise 60 --resolution 160x120 --view 100 --part 1.6x0.8 --seconds 10 "
    "--power 20 --out plan"
)
@click.option(
    "--noise",
    "noise_mk",
    type=positive(0.1, 1e4),
    default=60.0,
    show_default=True,
    metavar="MK",
    help="Noise of one pixel in one frame, mK (thermscan look measures it).",
)
@click.option("--resolution", default="160x120", show_default=True, metavar="WxH", help="Pixels of the camera.")
@click.option(
    "--view",
    "view_mm",
    type=positive(1.0, MOST_MM),
    metavar="MM",
    help="Width of board and bench that the picture covers, mm.",
)
@click.option("--pixel", "pixel_mm", type=positive(0.001, 100.0), metavar="MM", help="Instead of --view: mm per pixel.")
@click.option("--part", default="1.6x0.8", show_default=True, metavar="WxH", help="Body of the part, mm.")
@click.option(
    "--thickness",
    "thickness_mm",
    type=positive(0.1, 10.0),
    metavar="MM",
    help="Board thickness, mm; 1.6 where it is not given.",
)
@click.option(
    "--copper",
    "copper_um",
    type=positive(0.0, 1000.0),
    metavar="UM",
    help="Copper of all layers together times the share that they fill, micrometres; wide limits without.",
)
@click.option(
    "--seconds",
    type=positive(0.5, 600.0),
    default=20.0,
    show_default=True,
    metavar="S",
    help="Longest time with power on.",
)
@click.option(
    "--rate", type=positive(0.05, 1000.0), default=9.0, show_default=True, metavar="HZ", help="Frames per second."
)
@click.option(
    "--cold",
    "cold_s",
    type=positive(0.0, 600.0),
    default=3.0,
    show_default=True,
    metavar="S",
    help="Seconds filmed before power-on.",
)
@click.option(
    "--good",
    "good_boards",
    type=click.IntRange(0, 100),
    default=1,
    show_default=True,
    metavar="N",
    help="Good boards that are compared with.",
)
@click.option("--repeats", default="1,4", show_default=True, metavar="N,N", help="Cold power-ups that are averaged.")
@click.option(
    "--optics",
    "optics_px",
    type=positive(0.0, 10.0),
    default=0.6,
    show_default=True,
    metavar="PX",
    help="Standard deviation of the optics' blur, pixels (from the camera profile).",
)
@click.option(
    "--power",
    "power_mw",
    type=positive(1e-3, 1e6),
    metavar="MW",
    help="A source that must not be missed, mW: says after how many seconds and with how many power-ups.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the answer as JSON.")
@click.option("--out", type=click.Path(), metavar="DIR", help="Folder for the table (CSV) and its curves (PNG).")
@click.option("--force", is_flag=True, help="Replace files of an earlier run in that folder.")  # fmt: skip
def command(as_json: bool, out: str | None, force: bool, **how: object) -> None:
    """Say before filming how small a source of heat will show up after how many seconds.

    Counts camera noise, blur, spread of heat in the board and lag of the part; differences between healthy boards come
    on top where parts are warm anyway. The detection limit of a recording stands in its report.
    """
    import json

    from thermscan.pipeline.foresee import foresee_table
    from thermscan.write.foresight_file import check_foresight_folder, foresight_document, write_foresight

    plan = make_plan(**how)  # type: ignore[arg-type]
    if out is not None:
        check_foresight_folder(out, force=force)
    answer = foresee_table(plan)
    if out is not None:
        from thermscan import __version__
        from thermscan.show.foresight import draw_foresight

        write_foresight(out, answer, draw_foresight(answer, version=__version__))
    if as_json:
        click.echo(json.dumps(foresight_document(answer), indent=2, ensure_ascii=False, allow_nan=False))
        return
    for line in answer.lines():
        click.echo(line)
    if out is not None:
        click.echo(f"\nTable and curves: {out}")


def make_plan(
    *,
    resolution: str,
    part: str,
    repeats: str,
    view_mm: float | None,
    pixel_mm: float | None,
    noise_mk: float,
    **rest: float,
) -> Plan:
    """Return the plan that the options describe; raises InputError."""
    from thermscan.pipeline.foresee import Plan

    columns, rows = parse_pair(resolution, option="--resolution", example="160x120", most=MOST_PX)
    if columns % 1 or rows % 1:
        raise InputError("--resolution", "", f"{resolution!r} is not whole", "give whole pixels, such as 160x120")
    if (view_mm is None) == (pixel_mm is None):
        raise InputError("--view", "", "give either --view or --pixel", "the width seen in mm, or mm per pixel")
    view = view_mm if view_mm is not None else (pixel_mm or 0.0) * columns
    body = parse_pair(part, option="--part", example="1.6x0.8", most=200.0)
    return Plan(noise_mk * 1e-3, (int(columns), int(rows)), view, body, repeats=parse_repeats(repeats), **rest)  # type: ignore[arg-type]
