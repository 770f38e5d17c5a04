"""Opens what a comparison needs, runs it, writes the results and prints the answer."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from thermscan.app.opening import (
    check_distinct,
    check_injected_net,
    check_marks,
    open_board_or_size,
    open_one,
    open_settings,
    parse_injection,
    same_side,
    split_goods,
)
from thermscan.app.options import Reading
from thermscan.app.progress import progress_bar
from thermscan.model.board import Board
from thermscan.model.errors import InputError, nearest
from thermscan.model.quantity import Measured

if TYPE_CHECKING:
    from thermscan.model.result import InputFile, Result, Suspect
    from thermscan.pipeline.compare import Comparison, Job

STATED = 0.05  # standard error, as a share, of power that the user states; common practice, no source
WORTH_A_LOOK = 0.01  # probability from which a suspect is printed where none is accused; judgement


@dataclass(frozen=True)
class CompareRequest:
    """What the command line asks for."""

    faulty: str
    goods: tuple[str, ...]
    before: str | None
    changed: tuple[str, ...]
    board_path: str | None
    size: str | None
    readings_path: str | None
    inject: str | None
    priors: str | None
    how: Reading
    out: Path
    force: bool
    save_poses: bool
    emissivity: float | None = None
    reflected_c: float | None = None
    transmission: float | None = None
    emissivity_map: str | None = None
    delivered_w: float | None = None


def check_request(request: CompareRequest) -> None:
    """Refuse what contradicts itself, before anything is read."""
    from thermscan.write.folder import check_output_folder

    if request.before and request.goods:
        raise InputError("--before", "", "known-good boards are given as well", "give --before or --good, not both")
    if request.changed and not request.before:
        raise InputError("--changed", "", "there is no earlier recording", "name it with --before")
    check_output_folder(request.out, force=request.force)


def open_job(request: CompareRequest) -> Job:
    """Open all files of a comparison; raises InputError."""
    from thermscan.pipeline.compare import Job
    from thermscan.pipeline.temperatures import Seen, before_window, check_applied, check_seen
    from thermscan.read.prior_file import open_priors
    from thermscan.read.reading_file import open_readings
    from thermscan.read.surface_table import open_surfaces

    seen = check_seen(Seen(request.emissivity, request.reflected_c, request.transmission))
    board = open_board_or_size(request.board_path, request.size)
    check_changed(request.changed, board)
    faulty = before_window(open_one(request.faulty, request.how), seen)
    before = before_window(open_one(request.before, request.how), seen) if request.before else None
    goods, baseline = split_goods(request.goods, board, side=faulty.facts.side, how=request.how)
    if baseline is not None and seen.transmission is not None:
        raise InputError("--transmission", "", "the baseline file was made without it", "give the good recordings")
    goods = tuple(before_window(good, seen) for good in goods)
    told = [("of the faulty board", faulty), *((f"of a good board ({good.name})", good) for good in goods)]
    check_distinct([*told, *([("before", before)] if before else [])])
    recordings = (faulty, *goods, *((before,) if before else ()))
    side = same_side(recordings)
    for recording in recordings:
        check_applied(recording)
    check_marks(recordings, board)
    inject = parse_injection(request.inject)
    check_injected_net(inject or faulty.facts.drive, board)
    job = Job(
        faulty=faulty,
        goods=goods,
        baseline=baseline,
        before=before,
        changed=request.changed,
        board=board,
        side=side,
        readings=open_readings(request.readings_path) if request.readings_path else (),
        inject=inject,
        surfaces=open_surfaces(),
        priors=open_priors(request.priors),
        seen=seen,
        files=other_files(request),
        delivered_w=None
        if request.delivered_w is None
        else Measured.normal(request.delivered_w, STATED * request.delivered_w),
    )
    return with_map(job, request.emissivity_map)


def with_map(job: Job, path: str | None) -> Job:
    """Give the parts the surfaces of a board's own emissivity map; raises InputError where there are no parts."""
    if path is None:
        return job
    from thermscan.pipeline.surface_map import mapped_surfaces
    from thermscan.read.surface_map import open_surface_map

    found = open_surface_map(path)
    if job.board is None or not job.board.parts:
        raise InputError("--emissivity-map", "", "no parts are known", "give the board file with --board")
    if found.side != job.side:
        problem = f"shows the {found.side} side, the recordings the {job.side}"
        raise InputError(path, "", problem, "make a map of the side that was filmed")
    board, surfaces, refs = mapped_surfaces(job.board, job.surfaces, found)
    if not refs:
        raise InputError(path, "", "shows none of the parts of the board file", "use the map of this board")
    return replace(job, board=board, surfaces=surfaces)


def other_files(request: CompareRequest) -> tuple[InputFile, ...]:
    """List the files beside the recordings, with their SHA-256."""
    from thermscan.model.result import InputFile
    from thermscan.read.baseline_file import is_baseline
    from thermscan.read.digest import digest_of

    baselines = [path for path in request.goods if Path(path).is_file() and is_baseline(path)]
    named = [
        ("board", request.board_path),
        ("readings", request.readings_path),
        ("priors", request.priors),
        ("emissivity map", request.emissivity_map),
        ("camera profile", request.how.camera),
        *(("baseline", path) for path in baselines),
    ]
    return tuple(InputFile(role, path, digest_of((path,))) for role, path in named if path)


def check_changed(changed: tuple[str, ...], board: Board | None) -> None:
    """Refuse a changed part that the board file does not know."""
    if board is None or not board.parts:
        return
    known = [p.ref for p in board.parts]
    for ref in changed:
        if ref not in known:
            raise InputError("--changed", "", f"no part {ref!r} in the board file", nearest(ref, known))


def early_warnings(job: Job) -> tuple[str, ...]:
    """Return what is to be told before the work: a net that is fed too many volts, a size that cannot be meant."""
    from thermscan.model.pixel_scale import scale_words
    from thermscan.pipeline.fed_net import fed_net_warnings

    drive = job.inject or job.faulty.facts.drive
    return (
        *fed_net_warnings(drive, job.board),
        *scale_words(job.board, job.faulty.rows, job.faulty.columns),
    )


def run_compare(request: CompareRequest, *, as_json: bool, fahrenheit: bool) -> Comparison:
    """Run one comparison from files to files and print the answer."""
    check_request(request)
    job = open_job(request)
    early = early_warnings(job)
    for text in early:
        click.echo(f"warning: {text}", err=True)
    from thermscan.pipeline.compare import compare

    tell, finish = progress_bar(quiet=as_json)
    comparison = compare(job, settings=open_settings(), tell=tell)
    finish()
    write_comparison(comparison, request.out, force=request.force, poses=request.save_poses, fahrenheit=fahrenheit)
    if as_json:
        from thermscan.write.result_file import result_text

        click.echo(result_text(comparison.result), nl=False)
    else:
        print_answer(comparison, request.out, fahrenheit=fahrenheit, told=early)
    return comparison


def write_comparison(comparison: Comparison, out: Path, *, force: bool, poses: bool, fahrenheit: bool) -> None:
    """Write every file of a comparison, all or none."""
    from thermscan.pipeline.place import recorded_poses
    from thermscan.show.pdf import write_pdf
    from thermscan.show.report import draw_pictures, report_html
    from thermscan.write.excess_map import write_excess_map, write_heat_maps
    from thermscan.write.folder import whole_folder
    from thermscan.write.pose_file import write_poses
    from thermscan.write.result_file import write_result
    from thermscan.write.tables import write_tables

    result, maps, board = comparison.result, comparison.maps, comparison.board
    with whole_folder(out, force=force) as folder:
        pictures = draw_pictures(result, maps, board, fahrenheit=fahrenheit)
        for name, png in (
            ("overlay.png", pictures.overlay),
            ("side_by_side.png", pictures.side_by_side),
            ("curves.png", pictures.curves),
            ("heat_made.png", pictures.heat),
        ):
            if png is not None:
                (folder / name).write_bytes(png)
        html = report_html(result, maps, board, pictures=pictures, fahrenheit=fahrenheit)
        (folder / "report.html").write_text(html, encoding="utf-8")
        write_pdf(folder / "report.pdf", result, maps, board, pictures=pictures, fahrenheit=fahrenheit)
        write_excess_map(folder / "excess.tiff", result, maps)
        write_heat_maps(folder, result, maps)
        write_tables(folder, result, maps)
        if poses:
            first, *others = recorded_poses(comparison.tracks, board)
            write_poses(folder / "poses.npz", first, others)
        write_result(result, folder / "result.json")


def shown_suspects(result: Result) -> tuple[Suspect, ...]:
    """Return the suspects that the report shows open; where none is accused, only those that are worth a look."""
    from thermscan.show.words import framed_suspects

    if result.verdict == "suspect":
        return framed_suspects(result)
    return tuple(s for s in result.suspects[:3] if s.probability >= WORTH_A_LOOK)


def print_answer(comparison: Comparison, out: Path, *, fahrenheit: bool = False, told: tuple[str, ...] = ()) -> None:
    """Print the answer in plain words: verdict, leading suspects with reasons, what to do next, where it all is.

    ``told`` are the warnings that were printed before the work.
    """
    from thermscan.show.fahrenheit import with_fahrenheit
    from thermscan.show.words import answer, name_of, result_cautions, say, say_place, say_share

    result = comparison.result
    click.echo(answer(result))
    suspects, steps = shown_suspects(result), result.next_steps[:3]
    warnings = tuple(text for text in result.warnings if text not in told)
    cautions = tuple(caution.text for caution in result_cautions(result, comparison.board))
    if fahrenheit:
        suspects = tuple(replace(s, reasons=with_fahrenheit(s.reasons)) for s in suspects)
        steps, warnings, cautions = with_fahrenheit((steps, warnings, cautions))
    for rank, suspect in enumerate(suspects, 1):
        power = say(suspect.power_w, "w") if suspect.power_w is not None else "power not known"
        click.echo(f"\n{rank}. {name_of(suspect)}: {suspect.fault_text} ({say_share(suspect.probability)})")
        click.echo(f"   at {say_place(suspect, result)}; {power}")
        for reason in suspect.reasons:
            click.echo(f"   - {reason}")
    if steps:
        click.echo("\nNext:")
    for step in steps:
        click.echo(f"   {step}")
    for warning in warnings:
        click.echo(f"warning: {warning}", err=True)
    for caution in cautions:
        click.echo(f"caution: {caution}")
    click.echo(f"\nReport: {out / 'report.html'}")
    click.echo(f"Also in {out}: overlay.png, side_by_side.png, curves.png, report.pdf, result.json, tables (CSV)")
