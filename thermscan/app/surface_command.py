"""``thermscan calibrate surface``, ``reflected`` and ``map``: what surfaces do."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from thermscan.app.calibrate_options import (
    CAUTION,
    box_option,
    box_quantity,
    check_celsius,
    check_count,
    date_option,
    parse_box,
    parse_true,
    say_page,
    sources_of,
    true_options,
)
from thermscan.app.opening import open_board_or_size, open_one, same_side
from thermscan.app.options import Reading, board_options, frame_range, recording_options
from thermscan.model.errors import InputError

if TYPE_CHECKING:
    from thermscan.model.board import Board
    from thermscan.model.surface import SurfaceMap


@click.command(epilog="Example: thermscan calibrate reflected foil.tiff --foil 100,20,120,40")
@click.argument("recording", type=click.Path())
@box_option("--foil", "Where crumpled foil lies.", required=True)
@click.option("--camera-error", type=float, default=0.3, metavar="K", help="Error of the camera there.")
@recording_options
def reflected(*, recording: str, foil: str, camera_error: float, how: Reading) -> None:
    """Read the reflected apparent temperature on crumpled foil, for --reflected of compare."""
    from thermscan.calibrate.surface import reflected_from_foil

    found = reflected_from_foil(box_quantity(open_one(recording, how), foil, "--foil", camera_error))
    half = 1.96 * found.standard_uncertainty
    click.echo(
        f"reflected apparent temperature: {found.value:.2f} C ({found.value - half:.2f} to {found.value + half:.2f})"
    )
    click.echo(f"use it with --reflected {found.value:.2f}")


@click.command(
    epilog="Example: thermscan calibrate surface plate.tiff --surface 20,20,40,40 --tape 60,20,80,40 "
    f"--foil 100,20,120,40 --name brass --out surfaces.json\n\n{CAUTION}"
)
@click.argument("recording", type=click.Path())
@box_option("--surface", "Where the surface is.", required=True)
@box_option("--tape", "Where tape or paint of known emissivity is, on the same warm plate.")
@click.option("--tape-emissivity", type=float, default=0.95, metavar="E", help="Of that tape.")
@click.option(
    "--true", "true_c", type=float, metavar="C", help="True temperature by contact thermometer, without tape."
)
@click.option(
    "--error",
    type=click.FloatRange(min=0),
    default=0.5,
    show_default=True,
    metavar="K",
    help="Standard uncertainty of --true.",
)
@box_option("--foil", "Where crumpled foil shows the reflected temperature.")
@click.option("--reflected", type=float, metavar="C", help="Reflected temperature, where it was read before.")
@click.option("--camera-error", type=float, default=0.3, metavar="K", help="Error of differences within a picture.")
@click.option("--name", required=True, metavar="WORD", help="Name of the surface, for board files.")
@click.option("--out", required=True, type=click.Path(), metavar="surfaces.json", help="Surface table to write.")
@date_option()
@click.option("--force", is_flag=True, help="Replace existing files.")
@recording_options
def surface(
    *,
    recording: str,
    surface: str,
    tape: str | None,
    tape_emissivity: float,
    true_c: float | None,
    error: float,
    foil: str | None,
    reflected: float | None,
    camera_error: float,
    name: str,
    out: str,
    date: str,
    force: bool,
    how: Reading,
) -> None:
    """Measure a surface's emissivity on a warm plate, beside tape or under a contact thermometer, camera at 1.

    The table written holds all surfaces that are known, and this one.
    """
    from thermscan.app.calibration_page import surface_page
    from thermscan.calibrate.region import mean_picture
    from thermscan.calibrate.surface import calibrate_surface, reflected_from_foil, temperature_from_tape
    from thermscan.calibrate.temperature import band_of_profile
    from thermscan.model.budget import Quantity
    from thermscan.model.settings import CalibrationSettings
    from thermscan.physics.radiation import LONG_WAVE
    from thermscan.read.surface_table import open_surfaces
    from thermscan.show.calibration_page import draw_calibration
    from thermscan.write.surface_file import measured_surface, write_surfaces

    if (tape is None) == (true_c is None):
        raise InputError("--tape", "", "give either --tape or --true", "one of them tells the true temperature")
    if (foil is None) == (reflected is None):
        raise InputError("--foil", "", "give either --foil or --reflected", "one of them tells what is reflected")
    if not 0 < tape_emissivity <= 1:
        raise InputError("--tape-emissivity", "", f"{tape_emissivity:g} is no emissivity", "above 0, up to 1")
    if re.fullmatch(r"[A-Za-z0-9_-]+", name) is None:
        raise InputError("--name", "", f"{name!r} is no single word", "use letters, digits, _ and - only")
    opened = open_one(recording, how)
    band = LONG_WAVE if opened.profile is None else band_of_profile(opened.profile)
    around = (
        Quantity("reflected temperature", float(reflected or 0.0), 0.5, unit="C", source="given")
        if foil is None
        else reflected_from_foil(box_quantity(opened, foil, "--foil", camera_error))
    )
    true = (
        Quantity("true temperature", float(true_c or 0.0), error, unit="C", source="contact thermometer")
        if tape is None
        else temperature_from_tape(
            box_quantity(opened, tape, "--tape", camera_error),
            Quantity("tape emissivity", tape_emissivity, 0.01, source="given"),
            around,
            band=band,
        )
    )
    shown = box_quantity(opened, surface, "--surface", camera_error)
    found = calibrate_surface(shown, true, around, path=recording, band=band, settings=CalibrationSettings())
    boxes = []
    for label, text in (("surface", surface), ("tape", tape), ("foil", foil)):
        if text is not None:
            box = parse_box(text, opened, f"--{label}")
            boxes.append((label, box.x0, box.y0, box.x1, box.y1))
    mean = mean_picture(opened).mean
    method = f"{date}: {'contact thermometer' if tape is None else 'beside tape'}"
    page = surface_page((name, method), found, mean, sources_of([opened]), boxes=tuple(boxes))
    own = measured_surface(name, found.emissivity.measured, source=f"measured {date}, recording {opened.name}")
    rest = tuple(s for s in open_surfaces(out if Path(out).is_file() else None) if s.name != name)
    path = write_surfaces(out, (own, *rest), force=force)
    say_page(path.with_name(f"{path.stem}_{name}.png"), page, draw_calibration(page), force=force)
    click.echo(f"{path}: lay it into your user folder as surfaces.json, and name the surface {name!r} in board files")


@click.command(
    epilog="Example: thermscan calibrate map cold.tiff warm.tiff --true 23.1 --true 58.0 --board board.json "
    f"--out emissivity.tiff\n\nBoard unpowered, cells removed. {CAUTION}"
)
@click.argument("cold", type=click.Path())
@click.argument("warm", type=click.Path())
@click.option("--cold-frames", callback=frame_range, metavar="A:B", help="Frames of COLD, where one file holds both.")
@click.option("--warm-frames", callback=frame_range, metavar="A:B", help="Frames of WARM, likewise.")
@true_options
@click.option(
    "--camera-error",
    type=click.FloatRange(min=0),
    default=0.3,
    show_default=True,
    metavar="K",
    help="Error of the camera's difference between the two: drift and scale.",
)
@board_options
@click.option("--out", required=True, type=click.Path(), metavar="FILE.tiff", help="Map to write, 32-bit float.")
@date_option()
@click.option("--force", is_flag=True, help="Replace existing files.")
@recording_options
def map(  # noqa: A001 - the command's name
    *,
    cold: str,
    warm: str,
    cold_frames: tuple[int, int | None] | None,
    warm_frames: tuple[int, int | None] | None,
    trues: tuple[str, ...],
    sensor: str,
    cold_end: float,
    error: float | None,
    camera_error: float,
    board_path: str | None,
    size: str | None,
    out: str,
    date: str,
    force: bool,
    how: Reading,
) -> None:
    """Learn a board's emissivity map from two even temperatures, COLD and WARM, unpowered, camera unmoved.

    With --board (or --size) the map is written in the board's millimetres, for --emissivity-map of compare; without,
    in the pixels of this picture, to look at.
    """
    from thermscan.app.calibration_page import map_page
    from thermscan.calibrate.fitness import measure_drift
    from thermscan.calibrate.surface import EmissivityMap, picture_map
    from thermscan.model.budget import Quantity
    from thermscan.model.settings import CalibrationSettings, Settings
    from thermscan.show.calibration_page import draw_calibration
    from thermscan.write.surface_file import write_map, write_surface_map

    check_count((cold, warm), trues)
    opened = [
        open_one(path, replace(how, frames=frames or how.frames))
        for path, frames in ((cold, cold_frames), (warm, warm_frames))
    ]
    same_side((opened[0], opened[1]))
    known = [parse_true(text, sensor, cold_end, error) for text in trues]
    cold_true, warm_true = (Quantity("true temperature", t.value_c, t.error_k, unit="C") for t in known)
    board = open_board_or_size(board_path, size)
    for recording in opened:
        check_celsius(recording)
    camera_error = math.hypot(camera_error, *(measure_drift(r, settings=CalibrationSettings()) for r in opened))
    if board is None:
        found = picture_map(
            *opened, (cold_true, warm_true), camera_error_k=camera_error, settings=CalibrationSettings()
        )
        path = write_map(out, found.emissivity, found.error, force=force)
        used = "seen in this picture only; give --board to use it with compare"
    else:
        from thermscan.pipeline.surface_map import learn_map

        learned = learn_map(
            *opened, board, truths=(cold_true, warm_true), camera_error_k=camera_error,
            calibration=CalibrationSettings(), settings=Settings(),
        )  # fmt: skip
        learned = replace(learned, source=f"measured {date} by {learned.source}")
        path = write_surface_map(out, learned, force=force)
        found = EmissivityMap(learned.emissivity[::-1], learned.error[::-1])
        used = f"use it with compare --emissivity-map {path}"
    page = map_page(
        found, sources_of(opened), date=date, board_parts=_parts_said(board, learned) if board is not None else ()
    )
    say_page(path.with_suffix(".png"), page, draw_calibration(page), force=force)
    click.echo(f"{path}: {used}")


def _parts_said(board: Board, learned: SurfaceMap) -> tuple[tuple[str, str], ...]:
    """Say what the map gives for the parts, those farthest from the usual first."""
    from thermscan.pipeline.surface_map import mapped_surfaces

    _, table, refs = mapped_surfaces(board, (), learned)
    pairs = sorted(zip(refs, table, strict=True), key=lambda pair: pair[1].emissivity)
    lines = [
        (ref, f"{s.emissivity:.2f} ({s.low:.2f} to {s.high:.2f}){'' if s.readable else ', cannot be read'}")
        for ref, s in pairs
    ]
    return tuple(lines[:8])
