"""A sheet of a case as PDF: the same blocks as the page, with text that can be searched."""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path
from xml.sax.saxutils import escape

import matplotlib as mpl
from reportlab.lib import colors
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.lib.utils import ImageReader
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, Image, KeepTogether, Paragraph, SimpleDocTemplate, Spacer, TableStyle
from reportlab.platypus import Table as PdfTable

from thermscan.show.picture import legible
from thermscan.show.sheet import Block, Sheet

_FONTS = {"thermscan-body": "DejaVuSans.ttf", "thermscan-bold": "DejaVuSans-Bold.ttf"}
_MARGIN = 16 * mm
_WIDTH = A4[0] - 2 * _MARGIN
_HIGHEST = 105 * mm
_LONGEST = 400  # characters of one sentence before it is cut: keeps a hostile or endless name from filling sheets
_TONES = {"caution": "#fff8e6", "warning": "#f6f4ee"}


def _load_fonts() -> None:
    """Register the fonts that come with matplotlib."""
    folder = Path(mpl.get_data_path()) / "fonts" / "ttf"
    for name, file in _FONTS.items():
        if name not in pdfmetrics.getRegisteredFontNames():
            pdfmetrics.registerFont(TTFont(name, str(folder / file)))


def _text(words: object, size: float = 8.5, *, bold: bool = False, before: float = 0.0) -> Paragraph:
    """Return a paragraph of plain text: what stands in it is never read as markup."""
    plain = legible(words)
    plain = plain if len(plain) <= _LONGEST else plain[: _LONGEST - 1] + "…"
    style = ParagraphStyle(
        f"sheet-{size}-{bold}-{before}",
        fontName="thermscan-bold" if bold else "thermscan-body",
        fontSize=size,
        leading=1.28 * size,
        spaceBefore=before,
        spaceAfter=2,
        splitLongWords=1,
        keepWithNext=int(bold),
    )
    return Paragraph(escape(plain), style)


def _grid(cells: Sequence[Sequence[Flowable]], shares: Sequence[float], *, repeat: int) -> PdfTable:
    """Return cells as a table with thin lines."""
    table = PdfTable(cells, colWidths=[share * _WIDTH for share in shares], hAlign="LEFT", repeatRows=repeat)
    table.setStyle(
        TableStyle(
            [
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LINEBELOW", (0, 0), (-1, -1), 0.25, colors.HexColor("#c8c4ba")),
                ("LEFTPADDING", (0, 0), (-1, -1), 2),
                ("RIGHTPADDING", (0, 0), (-1, -1), 2),
                ("TOPPADDING", (0, 0), (-1, -1), 1),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 1.5),
            ]
        )
    )
    return table


def _shares(block: Block) -> list[float]:
    """Return column widths by the longest words in them, none under 8 %."""
    lengths = [max(8, *(min(60, len(row[i])) for row in (block.heads, *block.rows))) for i in range(len(block.heads))]
    total = sum(lengths)
    wide = [max(0.08, length / total) for length in lengths]
    return [share / sum(wide) for share in wide]


def _pieces(block: Block) -> list[Flowable]:
    """Return what stands in one block."""
    pieces: list[Flowable] = [_text(block.title, 11, bold=True, before=7)]
    pieces += [_text(f"• {line}") for line in block.lines]
    if block.facts:
        cells = [[_text(label, 7.3, bold=True), _text(value, 7.3)] for label, value in block.facts]
        pieces.append(_grid(cells, (0.25, 0.75), repeat=0))
    if block.rows:
        cells = [[_text(head, 7, bold=True) for head in block.heads]]
        cells += [[_text(cell, 7) for cell in row] for row in block.rows]
        pieces.append(_grid(cells, _shares(block), repeat=1))
    if block.picture is not None:
        columns, rows = ImageReader(io.BytesIO(block.picture)).getSize()
        scale = min(_WIDTH / columns, _HIGHEST / rows)
        image = Image(io.BytesIO(block.picture), width=columns * scale, height=rows * scale, hAlign="LEFT")
        alone = pieces if len(pieces) == 1 else []  # a title stays with its picture
        pieces = pieces[len(alone) :]
        pieces.append(KeepTogether([*alone, image, _text(block.caption, 7.3)]))
    return pieces


def _framed(block: Block) -> list[Flowable]:
    """Return a block; one with a tone stands in a frame."""
    pieces = _pieces(block)
    if block.tone not in _TONES:
        return pieces
    rows = [[piece] for piece in pieces]
    box = PdfTable(rows, colWidths=[_WIDTH], hAlign="LEFT")
    tone = colors.HexColor(_TONES[block.tone])
    box.setStyle(TableStyle([("BOX", (0, 0), (-1, -1), 0.9, colors.HexColor("#8a5a00")),
                             ("BACKGROUND", (0, 0), (-1, -1), tone)]))  # fmt: skip
    return [Spacer(1, 2 * mm), box]


def sheet_pdf(sheet: Sheet) -> bytes:
    """Return a sheet as PDF, the same bytes for the same sheet.

    Parameters
    ----------
    sheet : Sheet

    Returns
    -------
    bytes
        A4; sentences beyond 400 characters are cut.
    """
    _load_fonts()
    buffer = io.BytesIO()
    document = SimpleDocTemplate(
        buffer, pagesize=A4, leftMargin=_MARGIN, rightMargin=_MARGIN, topMargin=13 * mm, bottomMargin=15 * mm,
        title=legible(sheet.title)[:200], author=f"thermscan {sheet.version}", subject=sheet.kind, invariant=1,
        lang="en",
    )  # fmt: skip

    def foot(canvas: Canvas, template: SimpleDocTemplate) -> None:
        canvas.setFont("thermscan-body", 7)
        canvas.setFillGray(0.35)
        canvas.drawString(_MARGIN, 9 * mm, f"thermscan {sheet.version}: {sheet.kind}")
        canvas.drawRightString(A4[0] - _MARGIN, 9 * mm, str(template.page))

    flow: list[Flowable] = [
        _text(f"{sheet.kind}: {sheet.title}"), _text(sheet.answer, 15, bold=True), _text(sheet.subline)
    ]  # fmt: skip
    for block in sheet.blocks:
        flow += _framed(block)
    document.build(flow, onFirstPage=foot, onLaterPages=foot)
    return buffer.getvalue()
