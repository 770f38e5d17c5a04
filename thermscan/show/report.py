"""One HTML file that needs no network: answer first, live map, pictures, tables, how good it is."""

from __future__ import annotations

import base64
from dataclasses import dataclass

from jinja2 import Environment, PackageLoader, StrictUndefined

from thermscan.model.board import Board
from thermscan.model.result import Result
from thermscan.model.result_maps import ResultMaps
from thermscan.show.colour import table_of_colours
from thermscan.show.content import report_content
from thermscan.show.curve import draw_curves
from thermscan.show.heat_made import draw_heat
from thermscan.show.live_map import live_data, live_shapes
from thermscan.show.overlay import draw_overlay, draw_side_by_side
from thermscan.show.words import excess_unit


@dataclass(frozen=True)
class ReportPictures:
    """The still pictures of a report, as PNG bytes."""

    overlay: bytes
    side_by_side: bytes
    curves: bytes
    heat: bytes | None = None


def draw_pictures(
    result: Result, maps: ResultMaps, board: Board | None = None, *, fahrenheit: bool = False
) -> ReportPictures:
    """Draw the still pictures once, for the folder, the page and the PDF alike."""
    return ReportPictures(
        draw_overlay(result, maps, board, fahrenheit=fahrenheit),
        draw_side_by_side(result, maps, board, fahrenheit=fahrenheit),
        draw_curves(result, maps, fahrenheit=fahrenheit),
        draw_heat(result, maps, board) if maps.heat else None,
    )


def _environment() -> Environment:
    """Return the templates with escaping always on and a missing name an error."""
    return Environment(
        loader=PackageLoader("thermscan.show", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _data_uri(png: bytes) -> str:
    return "data:image/png;base64," + base64.b64encode(png).decode("ascii")


def _bar_stops() -> str:
    """Return the colour bar as stops of a CSS gradient; numbers only, so it needs no escaping."""
    table = table_of_colours()
    chosen = [table[i] for i in range(0, len(table), 14)] + [table[-1]]
    return ", ".join(f"rgba({r},{g},{b},{a / 255:.2f})" for r, g, b, a in chosen)


def report_html(
    result: Result,
    maps: ResultMaps,
    board: Board | None = None,
    *,
    pictures: ReportPictures | None = None,
    fahrenheit: bool = False,
) -> str:
    """Return the report as one HTML text with everything embedded.

    Parameters
    ----------
    result : Result
    maps : ResultMaps
    board : Board or None
        None where neither board file nor size is known.
    pictures : ReportPictures or None
        Drawn here where None.
    fahrenheit : bool
        Show temperatures and differences in Fahrenheit.

    Returns
    -------
    str
        Names from files stand in it as text: escaping is on in every template, and the page forbids itself any
        connection by its content security policy.
    """
    pictures = pictures or draw_pictures(result, maps, board, fahrenheit=fahrenheit)
    unit = excess_unit(result, fahrenheit=fahrenheit)
    page = _environment().get_template("report.html")
    return page.render(
        content=report_content(result, board, fahrenheit=fahrenheit),
        overlay=_data_uri(pictures.overlay),
        side_by_side=_data_uri(pictures.side_by_side),
        curves=_data_uri(pictures.curves),
        heat=None if pictures.heat is None else _data_uri(pictures.heat),
        live=live_data(result, maps, board, unit=unit),
        shapes=live_shapes(result, maps, board),
        stops=_bar_stops(),
    )
