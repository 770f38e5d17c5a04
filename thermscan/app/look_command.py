"""``thermscan look``: what is in a recording and whether it can be used."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from thermscan.app.opening import open_one
from thermscan.app.options import Reading, recording_options, show_options
from thermscan.app.progress import progress_bar
from thermscan.model.errors import InputError

if TYPE_CHECKING:
    from thermscan.model.look_report import LookReport
    from thermscan.model.recording import Recording


@click.command(epilog="Example: thermscan look faulty.tiff good_1.tiff --sheets pictures")
@click.argument("recordings", nargs=-1, required=True, type=click.Path(), metavar="RECORDING...")
@click.option(
    "--sheets",
    type=click.Path(),
    metavar="DIR",
    help="Folder for the contact sheets (PNG), made if missing; default: the current folder.",
)
@click.option("--no-sheets", is_flag=True, help="Write no contact sheet.")
@click.option("--force", is_flag=True, help="Replace contact sheets of an earlier look.")
@recording_options
@show_options
def command(
    *,
    recordings: tuple[str, ...],
    sheets: str | None,
    no_sheets: bool,
    force: bool,
    how: Reading,
    as_json: bool,
    fahrenheit: bool,
) -> None:
    """Say what is in each RECORDING: frames, times, noise, power-on and power-off, hottest places, and a contact sheet.

    Also the way to find out that a file is unusable, and why.
    """
    from thermscan.model.settings import Settings
    from thermscan.pipeline.look import look
    from thermscan.write.look_file import look_document, look_json

    documents = []
    for path in recordings:
        recording = open_one(path, how)
        target = None if no_sheets else sheet_path(recording.name, sheets, force=force)
        tell, finish = progress_bar(quiet=as_json)
        report, _ = look(recording, settings=Settings(), tell=tell)
        finish()
        if target is not None:
            write_sheet(target, report, recording, fahrenheit=fahrenheit)
        if as_json:
            documents.append(look_document(report))
        else:
            print_look(report, target, fahrenheit=fahrenheit)
    if as_json:
        click.echo(look_json(documents))


def sheet_path(name: str, folder: str | None, *, force: bool) -> Path:
    """Return where a contact sheet goes; raises InputError where one stands there already."""
    home = Path(folder or ".")
    if home.exists() and not home.is_dir():
        raise InputError(str(home), "", "is a file, not a folder", "name a folder with --sheets")
    target = home / f"{Path(name).stem}_look.png"
    if target.exists() and not force:
        raise InputError(str(target), "", "exists already", "name a folder with --sheets, or overwrite with --force")
    return target


def write_sheet(target: Path, report: LookReport, recording: Recording, *, fahrenheit: bool) -> None:
    """Draw and write the contact sheet of one recording."""
    from thermscan import __version__
    from thermscan.show.contact_sheet import SheetFacts, SheetFrame, choose_frames, draw_contact_sheet
    from thermscan.show.look_words import look_lines
    from thermscan.write.folder import make_folder, write_whole

    notes = event_frames(report, recording)
    numbers = choose_frames(recording.frames, wanted=tuple(notes))
    frames = []
    for n in numbers:
        time = None if recording.times_s is None else float(recording.times_s[n])
        frames.append(SheetFrame(n, recording.store.read(n, n + 1)[0], time, notes.get(n, "")))
    hottest = tuple((p.x_px, p.y_px) for p in report.hottest)
    lines = look_lines(report, fahrenheit=fahrenheit)
    facts = SheetFacts(report.name, report.unit, lines, hottest, report.sha256, __version__)
    make_folder(target.parent)
    write_whole(target, draw_contact_sheet(frames, facts, fahrenheit=fahrenheit))


def event_frames(report: LookReport, recording: Recording) -> dict[int, str]:
    """Return the frames worth seeing: first after power-on, last before power-off."""
    import numpy as np

    if recording.times_s is None:
        return {}
    notes = {}
    if report.timing.on_s is not None:
        notes[int(np.searchsorted(recording.times_s, report.timing.on_s.value))] = "power on"
    if report.timing.off_s is not None:
        notes[int(np.searchsorted(recording.times_s, report.timing.off_s.value)) - 1] = "before power-off"
    return notes


def print_look(report: LookReport, target: Path | None, *, fahrenheit: bool) -> None:
    """Print a look in plain words."""
    from thermscan.show.fahrenheit import with_fahrenheit
    from thermscan.show.look_words import look_lines

    click.echo(report.name)
    for line in look_lines(report, fahrenheit=fahrenheit):
        click.echo(f"  {line}")
    told = (report.notes, report.warnings)
    notes, warnings = with_fahrenheit(told) if fahrenheit else told
    for note in notes:
        click.echo(f"  note: {note}")
    for warning in warnings:
        click.echo(f"  warning: {warning}")
    if target is not None:
        click.echo(f"  contact sheet: {target}")
