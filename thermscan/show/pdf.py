"""The report as PDF: the page's content on two to four sheets, answer first, with text that can be searched."""

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
from reportlab.platypus import (
    Flowable,
    Image,
    KeepTogether,
    ListFlowable,
    Paragraph,
    SimpleDocTemplate,
    Spacer,
    TableStyle,
)
from reportlab.platypus import Table as PdfTable

from thermscan.model.board import Board
from thermscan.model.result import Result
from thermscan.model.result_maps import ResultMaps
from thermscan.show.content import Card, Content, Fact, Table, report_content
from thermscan.show.picture import legible, save_bytes
from thermscan.show.report import ReportPictures, draw_pictures

_BODY, _BOLD = "thermscan-body", "thermscan-bold"
_MARGIN = 16 * mm
_WIDTH = A4[0] - 2 * _MARGIN
_MOST_SHEETS = 4
_SMALLEST = 70 * mm  # height of a picture that can still be read
_LONGEST = 330  # characters of one sentence before it is cut: over any step of ours, below hostile names
# Rows printed of each table, so that four sheets are enough; the rest is counted and stands in the CSV files.
_ROWS = {"hotspots": 10, "parts": 14, "budget": 8, "sources": 6, "registration": 6, "events": 8, "inputs": 9}
_SHARES = {
    "hotspots": (0.05, 0.08, 0.14, 0.25, 0.2, 0.18, 0.1),
    "parts": (0.09, 0.1, 0.13, 0.17, 0.14, 0.15, 0.1, 0.12),
    "budget": (0.17, 0.12, 0.13, 0.12, 0.12, 0.34),
    "sources": (0.2, 0.2, 0.3, 0.15, 0.15),
    "registration": (0.14, 0.1, 0.1, 0.1, 0.1, 0.08, 0.13, 0.15, 0.1),
    "events": (0.15, 0.15, 0.1, 0.12, 0.48),
    "inputs": (0.09, 0.24, 0.2, 0.47),
}


def _load_fonts() -> None:
    """Register the fonts that come with matplotlib: they hold every letter that the pictures can draw."""
    folder = Path(mpl.get_data_path()) / "fonts" / "ttf"
    known = pdfmetrics.getRegisteredFontNames()
    for name, file in ((_BODY, "DejaVuSans.ttf"), (_BOLD, "DejaVuSans-Bold.ttf")):
        if name not in known:
            pdfmetrics.registerFont(TTFont(name, str(folder / file)))


def _style(size: float, *, bold: bool = False, after: float = 2.0, before: float = 0.0) -> ParagraphStyle:
    """Return a paragraph style; long words are broken so that nothing runs off the sheet."""
    return ParagraphStyle(
        f"style-{size}-{bold}-{after}-{before}",
        fontName=_BOLD if bold else _BODY,
        fontSize=size,
        leading=1.28 * size,
        spaceAfter=after,
        spaceBefore=before,
        splitLongWords=1,
        keepWithNext=int(bold),
    )


_TITLE = (15, True, 2.0, 0.0)
_HEAD = (11, True, 3.0, 7.0)
_TEXT = (8.5, False, 2.0, 0.0)
_SMALL = (7.3, False, 1.0, 1.0)
_CELL = (6.8, False, 0.0, 0.0)
_CELL_HEAD = (6.8, True, 0.0, 0.0)


def _text(words: object, look: tuple[float, bool, float, float], *, longest: int = _LONGEST) -> Paragraph:
    """Return a paragraph of plain text: what stands in it is never read as markup."""
    plain = legible(words)
    plain = plain if len(plain) <= longest else plain[: longest - 1] + "…"
    size, bold, after, before = look
    return Paragraph(escape(plain), _style(size, bold=bold, after=after, before=before))


def _bullets(sentences: Sequence[str], *, numbered: bool = False, most: int = 8) -> Flowable:
    """Return sentences as a list; what does not fit is counted."""
    shown = list(sentences[:most])
    if len(sentences) > most:
        shown.append(f"and {len(sentences) - most} more in the HTML report")
    items = [_text(sentence, _TEXT) for sentence in shown]
    return ListFlowable(items, bulletType="1" if numbered else "bullet", leftIndent=12, bulletFontName=_BODY,
                        bulletFontSize=8.5 if numbered else 6, start=None if numbered else "•")  # fmt: skip


class _FittingImage(Image):
    """A picture that gives way a little where the sheet has not quite room for it."""

    def wrap(self, available_width: float, available_height: float) -> tuple[float, float]:
        """Shrink to the height that is left, but not below ``_SMALLEST``: then it moves to the next sheet."""
        if _SMALLEST <= available_height < self.drawHeight:
            self.drawWidth *= available_height / self.drawHeight
            self.drawHeight = available_height
        return super().wrap(available_width, available_height)


def _picture(png: bytes, *, width: float = _WIDTH, highest: float = 110 * mm) -> Image:
    """Return a picture at the sheet's width, or less where it would be too high."""
    columns, rows = ImageReader(io.BytesIO(png)).getSize()
    height = width * rows / columns
    if height > highest:
        width, height = width * highest / height, highest
    return _FittingImage(io.BytesIO(png), width=width, height=height, hAlign="LEFT")


def _facts(facts: Sequence[Fact], *, longest: int = _LONGEST) -> PdfTable:
    """Return labels and values in two columns."""
    rows = [[_text(fact.label, _CELL_HEAD, longest=40), _text(fact.value, _CELL, longest=longest)] for fact in facts]
    table = PdfTable(rows, colWidths=[0.19 * _WIDTH, 0.81 * _WIDTH], hAlign="LEFT")
    table.setStyle(
        TableStyle(
            [
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("TOPPADDING", (0, 0), (-1, -1), 1),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 1),
                ("LEFTPADDING", (0, 0), (-1, -1), 0),
            ]
        )
    )
    return table


def _card(card: Card, *, reasons: int) -> Flowable:
    """Return one suspect: name, fault and probability, numbers in one paragraph, reasons."""
    head = f"{card.number}  {card.name}: {card.fault}, {card.share}"
    numbers = "; ".join(f"{fact.label} {fact.value}" for fact in card.facts)
    pieces: list[Flowable] = [_text(head, (9.5, True, 1.0, 4.0), longest=110)]
    if card.text:
        pieces.append(_text(card.text, _TEXT))
    pieces += [_bullets(card.reasons, most=reasons), _text(numbers, _SMALL, longest=420)]
    if card.rivals:
        pieces.append(_text(f"could also be: {card.rivals}", _SMALL))
    pieces += [_text(note, _SMALL) for note in card.notes]
    return KeepTogether(pieces)


def _table(table: Table, share: float) -> list[Flowable]:
    """Return a table with its title, cut to the rows that fit; parts like the good ones are only counted."""
    rows = table.rows
    if table.name == "parts":
        rows = tuple(row for row in rows if row[2] != "like the good boards") or rows[:3]
    most = max(2, int(share * _ROWS[table.name]))
    left_out = len(table.rows) - min(len(rows), most)
    pieces: list[Flowable] = [_text(table.title, _HEAD)]
    if table.note:
        pieces.append(_text(table.note, _TEXT))
    if rows:
        cells = [[_text(head or "sense", _CELL_HEAD) for head in table.heads]]
        cells += [[_text(cell, _CELL, longest=90) for cell in row] for row in rows[:most]]
        widths = [share * _WIDTH for share in _SHARES[table.name]]
        body = PdfTable(cells, colWidths=widths, hAlign="LEFT", repeatRows=1)
        body.setStyle(TableStyle([
            ("VALIGN", (0, 0), (-1, -1), "TOP"), ("LINEBELOW", (0, 0), (-1, 0), 0.8, colors.black),
            ("LINEBELOW", (0, 1), (-1, -1), 0.25, colors.HexColor("#c8c4ba")), ("LEFTPADDING", (0, 0), (-1, -1), 2),
            ("RIGHTPADDING", (0, 0), (-1, -1), 2), ("TOPPADDING", (0, 0), (-1, -1), 1.2),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 1.8),
        ]))  # fmt: skip
        pieces.append(body)
    if left_out > 0:
        where = f"{table.name}.csv" if table.name in ("hotspots", "parts") else "result.json"
        like = ", those like the good boards among them," if table.name == "parts" else ""
        pieces.append(_text(f"{left_out} more{like} in {where}", (7, False, 2.0, 2.0)))
    return pieces


def _boxed(title: str, sentences: Sequence[str], tone: str) -> Flowable:
    """Return a framed note."""
    inner = [_text(title, (9, True, 1.0, 0.0)), _bullets(sentences, most=6)]
    box = PdfTable([[inner]], colWidths=[_WIDTH], hAlign="LEFT")
    box.setStyle(TableStyle([("BOX", (0, 0), (-1, -1), 0.9, colors.HexColor("#8a5a00")),
                             ("BACKGROUND", (0, 0), (-1, -1), colors.HexColor(tone))]))  # fmt: skip
    return box


def _first_sheet(content: Content, pictures: ReportPictures) -> list[Flowable]:
    """Return the answer, the first suspects, what to do, the overlay."""
    shares = "   ".join(f"{share.label} {share.value}" for share in content.shares)
    pieces: list[Flowable] = [
        _text(content.answer, _TITLE, longest=300),
        _text(f"{content.title}; {content.subline}", _TEXT),
        _text(shares, _TEXT, longest=300),
    ]
    pieces += [_card(card, reasons=3) for card in content.cards[: content.open_cards]]
    pieces += [] if content.cards else [_text("No part or place is suspected.", _TEXT)]
    if len(content.cards) > content.open_cards:
        pieces.append(_text(f"{len(content.cards) - content.open_cards} more suspects in suspects.csv", _TEXT))
    steps = content.next_steps
    pieces += [
        _text("What to do next", _HEAD),
        _bullets(steps, numbered=True, most=4) if steps else _text("Nothing further is proposed.", _TEXT),
        Spacer(1, 1.5 * mm),
        _boxed("Before you do", content.cautions, "#fff8e6"),
        Spacer(1, 2 * mm),
        _picture(pictures.overlay, highest=104 * mm),
    ]
    if content.warnings:
        pieces += [Spacer(1, 1.5 * mm), _boxed("What weakens this answer", content.warnings, "#ffffff")]
    return pieces


def _rest(content: Content, pictures: ReportPictures, share: float) -> list[Flowable]:
    """Return pictures, tables and what the numbers mean; ``share`` of the usual rows."""
    pieces: list[Flowable] = []
    if content.moved_by:
        pieces += [_text("Readings and symptoms, and what each moved", _HEAD), _bullets(content.moved_by, most=4)]
    beside = _picture(pictures.side_by_side, highest=60 * mm)
    against = _picture(pictures.curves, highest=84 * mm if share else _SMALLEST)
    pieces += [
        KeepTogether([_text("Faulty, good and excess seen, at one scale", _HEAD), beside]),
        KeepTogether([_text("Against time", _HEAD), against]),
    ]
    for table in content.tables:
        pieces += _table(table, share)
    pieces += [_text("About this comparison", _HEAD), _facts(content.facts)]
    settings = content.settings[: int(6 * share) + 1] or (Fact("settings", "all at their defaults"),)
    pieces += [_text("Settings that differ from default", _HEAD), _facts(settings)]
    pieces += [_text("What the numbers mean, and when they are not valid", _HEAD), _facts(content.meanings)]
    return pieces


def _foot(content: Content, canvas: Canvas, number: int) -> None:
    """Write version and sheet number under each sheet."""
    canvas.setFont(_BODY, 7)
    canvas.setFillGray(0.35)
    canvas.drawString(
        _MARGIN, 9 * mm, f"thermscan {content.version}: an interval in brackets holds the true value with 95 %"
    )
    canvas.drawRightString(A4[0] - _MARGIN, 9 * mm, str(number))


def report_pdf(
    result: Result, pictures: ReportPictures, board: Board | None = None, *, fahrenheit: bool = False
) -> bytes:
    """Return the report as PDF, the same bytes for the same result.

    Parameters
    ----------
    result : Result
    pictures : ReportPictures
        From :func:`thermscan.show.report.draw_pictures`.
    board : Board or None
        For the cautions.
    fahrenheit : bool

    Returns
    -------
    bytes
        Two to four sheets of A4; long tables are cut and the rest counted.
    """
    _load_fonts()
    content = report_content(result, board, fahrenheit=fahrenheit)
    for share in (1.0, 0.6, 0.3, 0.0):
        pdf, sheets = _built(content, pictures, share)
        if sheets <= _MOST_SHEETS:
            break
    return pdf


def write_pdf(
    path: str | Path,
    result: Result,
    maps: ResultMaps,
    board: Board | None = None,
    *,
    pictures: ReportPictures | None = None,
    fahrenheit: bool = False,
) -> Path:
    """Write the report as PDF; the pictures are drawn here where they are not given.

    Raises
    ------
    InputError
        Where the path cannot be written.
    """
    pictures = pictures or draw_pictures(result, maps, board, fahrenheit=fahrenheit)
    return save_bytes(report_pdf(result, pictures, board, fahrenheit=fahrenheit), path)


def _built(content: Content, pictures: ReportPictures, share: float) -> tuple[bytes, int]:
    """Return the PDF with this share of table rows, and how many sheets it took."""
    buffer = io.BytesIO()
    document = SimpleDocTemplate(
        buffer,
        pagesize=A4,
        leftMargin=_MARGIN,
        rightMargin=_MARGIN,
        topMargin=13 * mm,
        bottomMargin=15 * mm,
        title=legible(content.answer)[:200],
        author=f"thermscan {content.version}",
        subject=legible(content.title)[:200],
        invariant=1,
        lang="en",
    )

    def foot(canvas: Canvas, template: SimpleDocTemplate) -> None:
        _foot(content, canvas, template.page)

    flow = [*_first_sheet(content, pictures), *_rest(content, pictures, share)]
    document.build(flow, onFirstPage=foot, onLaterPages=foot)
    return buffer.getvalue(), document.page
