"""``thermscan verify``: after a repair, is the fault gone, and did anything else change."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from thermscan.app.opening import (
    check_distinct,
    check_marks,
    open_board_or_size,
    open_one,
    open_settings,
    same_side,
    split_goods,
)
from thermscan.app.options import Reading, board_options, output_options, recording_options, show_options
from thermscan.model.errors import InputError

if TYPE_CHECKING:
    from thermscan.pipeline.verify import Verified, VerifyJob

EXAMPLE = (
    "Example: thermscan verify cold_1.tiff cold_2.tiff --good good_1.tiff --before faulty.tiff --board board.json "
    "--readings readings.csv --out verified"
)


@dataclass(frozen=True)
class VerifyRequest:
    """What the command line asks for."""

    after: tuple[str, ...]
    goods: tuple[str, ...]
    before: str | None
    long_run: str | None
    run_for: float | None
    board_path: str | None
    size: str | None
    readings_path: str | None
    how: Reading


@click.command(epilog=EXAMPLE)
@click.argument("after", nargs=-1, required=True, type=click.Path(), metavar="AFTER...")
@click.option("--good", "goods", multiple=True, required=True, type=click.Path(), metavar="GOOD",
              help="Recording of a known-good board, or a baseline file; again for each further board.")  # fmt: skip
@click.option("--before", type=click.Path(), metavar="FAULTY", help="The same board before the repair.")
@click.option(
    "--long", "long_run", type=click.Path(), metavar="LONG", help="A run after the repair to thermal balance."
)
@click.option("--run-for", type=click.FloatRange(min=1), metavar="S",
              help="Stated time that one run must reach; default: thermal balance itself.")  # fmt: skip
@board_options
@click.option("--readings", "readings_path", type=click.Path(), metavar="FILE",
              help="Meter readings taken after the repair (readings.csv); rails are checked by them.")  # fmt: skip
@recording_options
@output_options
@show_options
def command(
    after: tuple[str, ...],
    *,
    goods: tuple[str, ...],
    before: str | None,
    long_run: str | None,
    run_for: float | None,
    board_path: str | None,
    size: str | None,
    readings_path: str | None,
    how: Reading,
    out: str,
    force: bool,
    as_json: bool,
    fahrenheit: bool,
) -> None:
    """Verify a repair from the recordings AFTER it, each a cold start.

    It passes when the fault was seen before and is gone, nothing is new, two cold starts were seen, one run reached
    thermal balance (or the stated time), nothing restarted and every rail was measured within its tolerance. What was
    not done is listed as not done. A recording does not test function or safety: local codes and licensed practice
    say what else must be tested.
    """
    from thermscan.app.progress import progress_bar
    from thermscan.pipeline.verify import verify

    check_verify_folder(out, force=force)
    job = open_verify_job(VerifyRequest(after, goods, before, long_run, run_for, board_path, size, readings_path, how))
    tell, finish = progress_bar(quiet=as_json)
    verified = verify(job, settings=open_settings(), tell=tell)
    finish()
    write_verified(verified, Path(out), fahrenheit=fahrenheit)
    print_verified(verified, Path(out), as_json=as_json, fahrenheit=fahrenheit)


def check_verify_folder(out: str, *, force: bool) -> None:
    """Refuse an output folder that holds a verification or cannot be made, before any work is done."""
    from thermscan.write.folder import check_output_folder

    check_output_folder(out, force=force)
    if (Path(out) / "verification.json").exists() and not force:
        raise InputError(out, "", "already holds a verification", "name a new folder, or overwrite with --force")


def open_verify_job(request: VerifyRequest) -> VerifyJob:
    """Open all files of a verification; raises InputError."""
    from thermscan.pipeline.verify import VerifyJob
    from thermscan.read.reading_file import open_readings
    from thermscan.read.surface_table import open_surfaces

    board = open_board_or_size(request.board_path, request.size)
    if board is None:
        raise InputError("--board", "", "a verification needs the board", "give --board or --size")
    after = tuple(open_one(path, request.how) for path in request.after)
    before = open_one(request.before, request.how) if request.before else None
    long_run = open_one(request.long_run, request.how) if request.long_run else None
    goods, baseline = split_goods(request.goods, board, side=after[0].facts.side, how=request.how)
    others = tuple(r for r in (before, long_run) if r is not None)
    check_marks((*after, *goods, *others), board)
    told = [(f"after the repair ({r.name})", r) for r in after]
    told += [("before the repair", before)] if before else []
    told += [("of the long run", long_run)] if long_run else []
    check_distinct([*told, *((f"of a good board ({r.name})", r) for r in goods)])
    return VerifyJob(
        after=after,
        board=board,
        goods=goods,
        baseline=baseline,
        before=before,
        long_run=long_run,
        side=same_side((*after, *goods, *others)),
        readings=open_readings(request.readings_path) if request.readings_path else (),
        surfaces=open_surfaces(),
        run_for_s=request.run_for,
    )


def write_verified(verified: Verified, out: Path, *, fahrenheit: bool) -> None:
    """Write verification.json, the picture and the sheet; the JSON file last."""
    from thermscan.model.caution import cautions_for
    from thermscan.show.before_after import draw_before_after
    from thermscan.show.fahrenheit import with_fahrenheit
    from thermscan.show.sheet import sheet_html
    from thermscan.show.sheet_pdf import sheet_pdf
    from thermscan.show.verification_sheet import verification_sheet
    from thermscan.write.folder import make_folder, write_whole
    from thermscan.write.verification_file import write_verification

    verification = verified.verification
    picture = draw_before_after(verified.after, verified.before, verified.board, verification, fahrenheit=fahrenheit)
    sheet = verification_sheet(verification, picture=picture, cautions=cautions_for(verified.board))
    if fahrenheit:
        blocks = tuple(b if b.title == "Recordings" else with_fahrenheit(b) for b in sheet.blocks)
        sheet = replace(sheet, answer=with_fahrenheit(sheet.answer), blocks=blocks)
    folder = make_folder(out)
    (folder / "verification.json").unlink(missing_ok=True)
    write_whole(folder / "before_after.png", picture)
    write_whole(folder / "verification.html", sheet_html(sheet).encode("utf-8"))
    write_whole(folder / "verification.pdf", sheet_pdf(sheet))
    write_verification(verification, folder / "verification.json")


def print_verified(verified: Verified, out: Path, *, as_json: bool, fahrenheit: bool = False) -> None:
    """Print the answer in plain words, or as JSON."""
    from thermscan.model.caution import cautions_for
    from thermscan.show.fahrenheit import with_fahrenheit
    from thermscan.show.verification_sheet import STATE_WORDS, answer_words
    from thermscan.write.verification_file import verification_text

    verification = verified.verification
    if as_json:
        click.echo(verification_text(verification), nl=False)
        return
    cautions = tuple(caution.text for caution in cautions_for(verified.board))
    if fahrenheit:
        verification, cautions = with_fahrenheit((verification, cautions), but=("inputs", "board_name"))
    click.echo(answer_words(verification))
    for place in verification.places[:6]:
        click.echo(f"  {place.sentence}")
    click.echo("")
    for criterion in verification.criteria:
        click.echo(f"{criterion.name}: {STATE_WORDS[criterion.state]} ({criterion.found}; wanted: {criterion.wanted})")
    for warning in verification.warnings:
        click.echo(f"warning: {warning}", err=True)
    for caution in cautions:
        click.echo(f"caution: {caution}")
    click.echo(
        f"\nSheet: {out / 'verification.html'}; also there: verification.pdf, before_after.png, verification.json"
    )
