"""Figures and their PNG files: no global state, the same bytes each time, facts in the text fields."""

from __future__ import annotations

import io
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, findfont, get_font
from matplotlib.text import Text
from matplotlib.transforms import IdentityTransform

from thermscan.model.errors import InputError
from thermscan.show.colour import LINE

FONT = "DejaVu Sans"  # comes with matplotlib, so pictures look the same everywhere
DPI = 150.0


@dataclass(frozen=True)
class PictureFacts:
    """What a picture must still say about itself a year later; kept in the PNG's text fields.

    ``scale`` says what the colours or axes mean with their unit, ``second`` is seconds since power-on (or on the
    recording's clock, as its words say), ``sources`` holds (role, SHA-256).
    """

    caption: str
    scale: str = ""
    side: str = ""
    second: str = ""
    sources: tuple[tuple[str, str], ...] = ()
    version: str = ""

    def text_fields(self) -> dict[str, str]:
        """Return the PNG text fields: Title, Description and thermscan's own keywords."""
        digests = "; ".join(f"{role} {digest}" for role, digest in self.sources)
        said = {"Scale": self.scale, "Side": self.side, "Second": self.second, "Source-SHA256": digests}
        description = ". ".join([self.caption, *(f"{key}: {value}" for key, value in said.items() if value)])
        fields = {"Title": self.caption, "Description": description, "Software": f"thermscan {self.version}".strip()}
        return fields | {key: value for key, value in said.items() if value}


@cache
def _known_characters() -> frozenset[int]:
    return frozenset(get_font(findfont(FontProperties(family=FONT))).get_charmap())


def legible(text: object) -> str:
    """Return text that the font can draw on one line: other characters become a hollow square."""
    out = []
    for character in str(text):
        if unicodedata.category(character) in ("Cc", "Zl", "Zp"):
            out.append(" ")
        else:
            out.append(character if ord(character) in _known_characters() else "\u25a1")
    return "".join(out)


def shortened(text: object, length: int) -> str:
    """Return text of at most ``length`` characters, an ellipsis for what was cut."""
    plain = legible(text)
    return plain if len(plain) <= length else plain[: max(1, length - 1)] + "…"


def new_figure(width_in: float, height_in: float) -> Figure:
    """Return an empty white figure with its own canvas, DPI dots an inch."""
    figure = Figure(figsize=(width_in, height_in), dpi=DPI, facecolor="white")
    FigureCanvasAgg(figure)
    return figure


def add_axes(figure: Figure, box_in: tuple[float, float, float, float]) -> Axes:
    """Add axes at left, bottom, width, height in inches."""
    width, height = figure.get_size_inches()
    left, bottom, w, h = box_in
    return figure.add_axes((left / width, bottom / height, w / width, h / height))


def write_text(
    figure: Figure,
    place_in: tuple[float, float],
    text: object,
    *,
    size: float = 9.0,
    weight: str = "normal",
    colour: str = LINE,
    align: str = "left",
    vertical: str = "top",
) -> Text:
    """Write one line at a place in inches from the lower left corner; never read as mathematics."""
    width, height = figure.get_size_inches()
    return figure.text(
        place_in[0] / width, place_in[1] / height, legible(text), size=size, weight=weight, color=colour, ha=align,
        va=vertical, family=FONT, parse_math=False,
    )  # fmt: skip


def text_size_px(figure: Figure, text: str, *, size: float, weight: str = "normal") -> tuple[float, float]:
    """Return width and height of a line of text in dots of the figure."""
    font = FontProperties(family=FONT, size=size, weight=weight)
    canvas: FigureCanvasAgg = figure.canvas  # type: ignore[assignment]
    width, height, _ = canvas.get_renderer().get_text_width_height_descent(text, font, ismath=False)
    return float(width), float(height)


def text_at_px(axes: Axes, place_px: tuple[float, float], text: str, *, look: Mapping[str, Any]) -> Text:
    """Write centred text at a place in dots of the figure."""
    return axes.text(
        *place_px, text, transform=IdentityTransform(), ha="center", va="center", family=FONT, parse_math=False, **look
    )


def wrap_lines(figure: Figure, text: object, width_in: float, *, size: float, most: int = 3) -> list[str]:
    """Break text into at most ``most`` lines that fit a width in inches; what is left over ends in an ellipsis."""
    limit = width_in * figure.dpi
    lines: list[str] = []
    line = ""
    for word in legible(text).split():
        longer = f"{line} {word}".strip()
        if not line or text_size_px(figure, longer, size=size)[0] <= limit:
            line = longer
        else:
            lines.append(line)
            line = word
    lines.append(line)
    kept = [_cut_to(figure, each, limit, size) for each in lines[:most]]
    if len(lines) > most:
        kept[-1] = _cut_to(figure, f"{kept[-1]} …", limit, size)
    return kept


def _cut_to(figure: Figure, line: str, limit: float, size: float) -> str:
    """Shorten one line until it fits."""
    while len(line) > 2 and text_size_px(figure, line, size=size)[0] > limit:
        line = line[:-2] + "…"
    return line


def png_of(figure: Figure, facts: PictureFacts) -> bytes:
    """Return the PNG of a figure with the facts in its text fields."""
    buffer = io.BytesIO()
    figure.savefig(buffer, format="png", dpi="figure", metadata=facts.text_fields())
    return buffer.getvalue()


def save_bytes(content: bytes, path: str | Path) -> Path:
    """Write a picture or page to a file.

    Raises
    ------
    InputError
        Where the path cannot be written.
    """
    target = Path(path)
    try:
        target.write_bytes(content)
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise InputError(str(target), "", f"cannot be written: {reason}", "choose a folder you may write to") from error
    return target


def nice_length(span: float) -> float:
    """Return the largest of 1, 2 or 5 times a power of ten that is at most ``span``."""
    power = 10.0 ** np.floor(np.log10(span))
    return float(max(step * power for step in (1, 2, 5) if step * power <= span * (1 + 1e-9)))


def joined(items: Sequence[str], *, most: int = 3) -> str:
    """Join words with commas, the rest counted."""
    more = f" and {len(items) - most} more" if len(items) > most else ""
    return ", ".join(items[:most]) + more
