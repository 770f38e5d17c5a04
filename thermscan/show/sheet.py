"""Sheets of a case: plain blocks of text, tables and pictures, shown as one HTML file."""

from __future__ import annotations

import base64
from dataclasses import dataclass

from jinja2 import Environment, PackageLoader, StrictUndefined


@dataclass(frozen=True)
class Block:
    """One part of a sheet; what is empty is not shown.

    Attributes
    ----------
    title : str
    tone : str
        ``''``, ``'caution'`` or ``'warning'``: a framed note.
    lines : tuple of str
        Sentences, as a list.
    facts : tuple of (label, value)
    heads : tuple of str
        Column heads of the table.
    rows : tuple of tuples of str
    picture : bytes or None
        PNG or JPEG.
    caption : str
        Under the picture, and its alternative text.
    """

    title: str
    tone: str = ""
    lines: tuple[str, ...] = ()
    facts: tuple[tuple[str, str], ...] = ()
    heads: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()
    picture: bytes | None = None
    caption: str = ""


@dataclass(frozen=True)
class Sheet:
    """A sheet: its answer first, then its blocks.

    ``state`` colours the head: good, bad or open.
    """

    kind: str
    title: str
    answer: str
    subline: str
    state: str
    blocks: tuple[Block, ...]
    version: str = ""


def _uri(picture: bytes) -> str:
    kind = "png" if picture.startswith(b"\x89PNG") else "jpeg"
    return f"data:image/{kind};base64," + base64.b64encode(picture).decode("ascii")


def sheet_html(sheet: Sheet) -> str:
    """Return a sheet as one HTML text that needs no network.

    Parameters
    ----------
    sheet : Sheet

    Returns
    -------
    str
        Whatever stands in the blocks is shown as text: escaping is on, and the page forbids itself any connection.
    """
    environment = Environment(
        loader=PackageLoader("thermscan.show", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template("sheet.html").render(sheet=sheet, uri=_uri)
