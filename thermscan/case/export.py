"""A case as files to send: sheets as HTML and PDF, and everything in one zip with its hashes."""

from __future__ import annotations

import hashlib
import io
import zipfile
from collections.abc import Mapping
from pathlib import Path

from thermscan.case.folder import CaseFolder, check_files, recording_path
from thermscan.case.log import LOCK_NAME
from thermscan.case.sheet_blocks import CaseView
from thermscan.case.sheets import SHEETS, make_sheet
from thermscan.case.state import documents_of, state_of
from thermscan.model.board import Board
from thermscan.model.case_settings import CaseSettings
from thermscan.model.errors import InputError
from thermscan.show.sheet import sheet_html
from thermscan.show.sheet_pdf import sheet_pdf

SUMS_NAME = "SHA256SUMS"
ZIP_NAME = "case.zip"
_FIRST_DAY = (1980, 1, 1, 0, 0, 0)  # one date for every file, so that the same case gives the same bytes


def view_case(
    case: CaseFolder, board: Board | None, *, version: str = "", settings: CaseSettings | None = None
) -> CaseView:
    """Gather what the sheets are made from; raises InputError where a stored comparison is lost."""
    return CaseView(
        case, state_of(case, board, settings=settings), board, documents_of(case), check_files(case), version
    )


def export_names(kinds: tuple[str, ...] = SHEETS) -> tuple[str, ...]:
    """Return the names of the files that an export writes."""
    return (*(f"{kind}.{ending}" for kind in kinds for ending in ("html", "pdf")), ZIP_NAME)


def sheet_files(view: CaseView, kinds: tuple[str, ...] = SHEETS) -> dict[str, bytes]:
    """Return the sheets as files: name to content, HTML and PDF of the same content."""
    files = {}
    for kind in kinds:
        sheet = make_sheet(kind, view)
        files[f"{kind}.html"] = sheet_html(sheet).encode("utf-8")
        files[f"{kind}.pdf"] = sheet_pdf(sheet)
    return files


def case_files(case: CaseFolder, *, recordings: bool = False) -> dict[str, bytes]:
    """Return the files of a case by name; with ``recordings`` those that lie outside the folder as well.

    Raises
    ------
    InputError
        Where a recording that is asked for is gone.
    """
    files = {}
    for path in sorted(case.path.rglob("*")):
        name = path.relative_to(case.path).as_posix()
        if path.is_file() and path.name != LOCK_NAME and not any(p.startswith(".") for p in Path(name).parts):
            files[name] = path.read_bytes()
    for entry in case.entries if recordings else ():
        if entry.kind == "recording":
            files |= _recording_files(recording_path(case, entry), entry.number)
    return files


def _recording_files(path: Path, number: int) -> dict[str, bytes]:
    """Return a recording's files, its sidecar among them, under the number of its entry."""
    if not path.exists():
        raise InputError(str(path), "", "is no longer there", "put it back, or export without recordings")
    inside = sorted(p for p in path.rglob("*") if p.is_file()) if path.is_dir() else [path]
    home = path if path.is_dir() else path.parent
    beside = path.with_suffix(".json")
    found = inside + ([beside] if beside.is_file() and beside not in inside else [])
    names = [p.relative_to(home).as_posix() if p.is_relative_to(home) else p.name for p in found]
    return {f"recordings/{number:04d}/{name}": p.read_bytes() for name, p in zip(names, found, strict=True)}


def sums_text(files: Mapping[str, bytes]) -> str:
    """Return the list of hashes in the form that ``sha256sum -c`` checks."""
    lines = [f"{hashlib.sha256(content).hexdigest()}  {name}" for name, content in sorted(files.items())]
    return "\n".join(lines) + "\n"


def zip_bytes(files: Mapping[str, bytes]) -> bytes:
    """Return files and their SHA256SUMS as one zip, the same bytes for the same files."""
    sums = {SUMS_NAME: sums_text(files).encode("utf-8")}
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in sorted({**files, **sums}.items()):
            info = zipfile.ZipInfo(name, _FIRST_DAY)
            info.external_attr = 0o644 << 16
            info.compress_type = zipfile.ZIP_DEFLATED
            archive.writestr(info, content)
    return buffer.getvalue()
