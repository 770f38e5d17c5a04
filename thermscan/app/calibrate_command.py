"""``thermscan calibrate``: what a camera and a surface do, measured on the bench."""

from __future__ import annotations

import datetime as dt
import functools
from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from thermscan.app.opening import open_one
from thermscan.app.options import Reading, frame_range, recording_options
from thermscan.model.errors import InputError

if TYPE_CHECKING:
    from thermscan.calibrate.reference import TrueTemperature
    from thermscan.calibrate.region import Box
    from thermscan.model.budget import Quantity
    from thermscan.model.camera_profile import CameraProfile
    from thermscan.model.recording import Recording
    from thermscan.show.calibration_page import CalibrationPage

CAUTION = (
    "Boiling water and steam, hot plates and heat guns burn; mains parts stay closed; local rules and licensed "
    "practice come before anything said here."
)


@click.group(epilog="Example: thermscan calibrate noise plate.tiff --out mycamera.json")
def command() -> None:
    """Measure a camera or a surface and write it into a profile, with one page (PNG) about it.

    The bench recipes stand in calibration/README.md. A profile is used with --camera FILE, or by its name in a
    recording's sidecar.
    """


@dataclass(frozen=True)
class Target:
    """Where a calibration goes: the profile to write, the one whose other sections are kept, and what is said of it."""

    out: str
    into: str | None
    name: str | None
    date: str
    method: str | None
    force: bool


def target_options(function: Callable[..., object]) -> Callable[..., object]:
    """Add the options for the profile; the command gets them as one ``target``."""

    @functools.wraps(function)
    def gathered(*args: object, **kwargs: Any) -> object:  # noqa: ANN401 - click's values
        target = Target(**{f.name: kwargs.pop(f.name) for f in fields(Target)})
        return function(*args, target=target, **kwargs)

    today = dt.datetime.now(tz=dt.UTC).date().isoformat()
    options = [
        click.option("--out", required=True, type=click.Path(), metavar="FILE.json", help="Profile to write."),
        click.option("--into", type=click.Path(), metavar="FILE.json", help="Profile whose other sections are kept."),
        click.option("--name", metavar="TEXT", help="Name of the camera; default: that of the file."),
        click.option("--date", default=today, show_default="today", metavar="YYYY-MM-DD", help="Day it was measured."),
        click.option("--method", metavar="TEXT", help="How it was measured, in your words."),
        click.option("--force", is_flag=True, help="Replace existing files."),
    ]
    result: Callable[..., object] = gathered
    for option in reversed(options):
        result = option(result)
    return result


def start_profile(target: Target, recording: Recording | None) -> CameraProfile:
    """Return the profile to add to: the one named with ``--into``, else an empty one; raises InputError."""
    from thermscan.model.camera_profile import CameraProfile
    from thermscan.read.profile import check_resolution, open_profile

    if target.into is not None:
        profile = open_profile(target.into)
        if recording is not None:
            check_resolution(profile, recording.rows, recording.columns, path=recording.path)
        return replace(profile, name=target.name or profile.name)
    size = (None, None) if recording is None else (recording.rows, recording.columns)
    return CameraProfile(target.name or Path(target.out).stem, "", *size)


def save(target: Target, profile: CameraProfile, page: CalibrationPage) -> None:
    """Write profile and page, and say so."""
    from thermscan.show.calibration_page import draw_calibration
    from thermscan.write.profile_file import write_profile

    path = write_profile(target.out, profile, force=target.force)
    say_page(path.with_suffix(".png"), page, draw_calibration(page), force=target.force)
    click.echo(f"{path}: use it with --camera {path}")


def say_page(path: Path, page: CalibrationPage, png: bytes, *, force: bool) -> None:
    """Write the page and print its numbers."""
    from thermscan.write.folder import write_whole

    if path.exists() and not force:
        raise InputError(str(path), "", "exists already", "give another name, or --force")
    write_whole(path, png)
    click.echo(f"{page.title}: {page.subtitle}")
    for name, value in page.lines:
        click.echo(f"  {name}: {value}")
    click.echo(f"{path}: one page about it")


def box_option(name: str, about: str, *, required: bool = False) -> Callable[..., Any]:
    """Return an option for a box of pixels."""
    return click.option(name, metavar="X0,Y0,X1,Y1", required=required, help=about)


def parse_box(text: str, recording: Recording, option: str) -> Box:
    """Read a box of pixels; raises InputError."""
    from thermscan.calibrate.region import Box, check_box

    try:
        values = [int(piece) for piece in text.split(",")]
    except ValueError:
        values = []
    if len(values) != 4:
        raise InputError(option, "", f"{text!r} is not four whole numbers", "give X0,Y0,X1,Y1 in pixels")
    return check_box(Box(*values), recording, path=option)


def parse_true(text: str, sensor: str, cold_end: float, error: float | None) -> TrueTemperature:
    """Read a true temperature: degrees Celsius, ``ice``, ``boil:KPA`` or a thermometer's log; raises InputError."""
    import numpy as np

    from thermscan.calibrate.reference import TrueTemperature, of_boiling, of_ice, of_readings
    from thermscan.read.reference_log import open_reference_log

    try:
        if text == "ice":
            found = of_ice()
        elif text.startswith("boil:"):
            found = of_boiling(float(text.removeprefix("boil:")), path="--true")
        else:
            found = of_readings(np.array([float(text)]), "celsius", path="--true")
    except ValueError:
        log = open_reference_log(text)
        return of_readings(log.value, sensor, path=text, error_k=error, cold_end_c=cold_end)
    return found if error is None else TrueTemperature(found.value_c, error, found.method)


def true_options(function: Callable[..., object]) -> Callable[..., object]:
    """Add the options for true temperatures."""
    from thermscan.calibrate.reference import SENSORS

    for option in (
        click.option("--error", type=click.FloatRange(min=0), metavar="K", help="Standard uncertainty of --true."),
        click.option("--cold-end", type=float, default=0.0, metavar="C", help="Temperature of a thermocouple's ends."),
        click.option("--sensor", type=click.Choice(SENSORS), default="celsius", help="What wrote a log."),
        click.option("--true", "trues", multiple=True, required=True, metavar="C|ice|boil:KPA|LOG",
                     help="True temperature, one a recording in their order."),
    ):  # fmt: skip
        function = option(function)
    return function


def check_count(recordings: tuple[str, ...], trues: tuple[str, ...]) -> None:
    """Refuse recordings without a true temperature each."""
    if len(recordings) != len(trues):
        problem = f"{len(trues)} true temperatures for {len(recordings)} recordings"
        raise InputError("--true", "", problem, "give one for each recording, in their order")


@command.command(
    epilog="Example: thermscan calibrate temperature ice.tiff warm.tiff boil.tiff --true ice --true 50.1 "
    f"--true boil:98.2 --out mycamera.json   {CAUTION}"
)
@click.argument("recordings", nargs=-1, required=True, type=click.Path())
@true_options
@click.option("--form", type=click.Choice(["line", "curve", "shown"]), help="Default: line for counts, else shown.")
@box_option("--box", "Where the reference is; default: the middle of the picture.")
@click.option(
    "--fills-picture", is_flag=True, help="The references are even over the whole picture: measure pixels too."
)
@recording_options
@target_options
def temperature(
    *,
    recordings: tuple[str, ...],
    trues: tuple[str, ...],
    sensor: str,
    cold_end: float,
    error: float | None,
    form: str | None,
    box: str | None,
    fills_picture: bool,
    how: Reading,
    target: Target,
) -> None:
    """Fit the scale of a camera to RECORDINGS of references of known temperature, the camera at emissivity 1."""
    from thermscan.app.calibration_page import temperature_page
    from thermscan.calibrate.temperature import calibrate_temperature, measure_reference
    from thermscan.model.settings import CalibrationSettings

    check_count(recordings, trues)
    opened = [open_one(path, how) for path in recordings]
    known = [parse_true(text, sensor, cold_end, error) for text in trues]
    found = calibrate_temperature(
        [
            measure_reference(r, t.value_c, t.error_k, box=None if box is None else parse_box(box, r, "--box"))
            for r, t in zip(opened, known, strict=True)
        ],
        form=form or ("line" if opened[0].unit == "count" else "shown"),
        date=target.date,
        method=target.method or "; ".join(dict.fromkeys(t.method for t in known)),
        fills_picture=fills_picture,
        settings=CalibrationSettings(),
    )
    profile = replace(start_profile(target, opened[0]), scale=found.scale)
    if found.pixels is not None:
        profile = replace(profile, pixels=found.pixels, pixel_offset_k=found.pixel_offset_k)
    save(target, profile, temperature_page(profile, found, sources_of(opened)))


def sources_of(recordings: list[Recording]) -> tuple[tuple[str, str], ...]:
    """Return name and digest of each recording."""
    return tuple((r.name, r.sha256) for r in recordings)


@command.command(epilog="Example: thermscan calibrate noise plate.tiff --out mycamera.json")
@click.argument("recording", type=click.Path())
@recording_options
@target_options
def noise(*, recording: str, how: Reading, target: Target) -> None:
    """Measure noise by its parts and drift from a RECORDING of an even, steady plate that fills the picture."""
    from thermscan.app.calibration_page import noise_page
    from thermscan.calibrate.noise import calibrate_noise
    from thermscan.calibrate.region import mean_picture

    opened = open_one(recording, how)
    section = calibrate_noise(opened, date=target.date, method=target.method or "even plate, parts in t, v, h")
    profile = replace(start_profile(target, opened), noise=section)
    save(target, profile, noise_page(profile, section, mean_picture(opened).mean, sources_of([opened])))


@command.command(epilog="Example: thermscan calibrate optics edge.tiff --box 60,40,100,80 --out mycamera.json")
@click.argument("recording", type=click.Path())
@box_option("--box", "Around one straight edge between two even temperatures.", required=True)
@recording_options
@target_options
def optics(*, recording: str, box: str, how: Reading, target: Target) -> None:
    """Measure blur and the smallest part that can be read, from a RECORDING of a straight, slightly slanted edge."""
    from thermscan.app.calibration_page import optics_page
    from thermscan.calibrate.optics import calibrate_optics
    from thermscan.calibrate.region import mean_picture

    opened = open_one(recording, how)
    cut = mean_picture(opened).mean[parse_box(box, opened, "--box").slices]
    section, edge = calibrate_optics(cut, path=recording, date=target.date, method=target.method or "slanted edge")
    profile = replace(start_profile(target, opened), optics=section)
    save(target, profile, optics_page(profile, section, edge, sources_of([opened])))


@command.command(epilog="Example: thermscan calibrate lens grid.tiff --grid 9x7 --out mycamera.json")
@click.argument("recording", type=click.Path())
@click.option("--grid", required=True, metavar="COLUMNSxROWS", help="Dots of the grid, 4x4 or more.")
@recording_options
@target_options
def lens(*, recording: str, grid: str, how: Reading, target: Target) -> None:
    """Measure the lens's distortion from a RECORDING of a flat grid of warm dots or holes."""
    from thermscan.app.calibration_page import lens_page
    from thermscan.calibrate.lens import calibrate_lens
    from thermscan.calibrate.region import mean_picture

    columns, _, rows = grid.lower().partition("x")
    if not (columns.isdigit() and rows.isdigit()):
        raise InputError("--grid", "", f"{grid!r} is not COLUMNSxROWS", "for example 9x7")
    opened = open_one(recording, how)
    mean = mean_picture(opened).mean
    method = target.method or f"grid of {columns} x {rows} dots"
    section, fit = calibrate_lens(mean, int(columns), int(rows), path=recording, date=target.date, method=method)
    profile = replace(start_profile(target, opened), lens=section)
    save(target, profile, lens_page(profile, section, fit, mean, sources_of([opened])))


@command.command(
    epilog="Example: thermscan calibrate pair --mark 10,12,60,85 --mark 148,9,890,70 ... --out mycamera.json"
)
@click.option("--mark", "marks", multiple=True, required=True, metavar="XT,YT,XV,YV",
              help="A place in the thermal and in the visible picture, px; four or more.")  # fmt: skip
@target_options
def pair(*, marks: tuple[str, ...], target: Target) -> None:
    """Fit the map from the thermal to the visible picture to marks seen in both."""
    import numpy as np

    from thermscan.app.calibration_page import pairing_page
    from thermscan.calibrate.lens import pair_pictures

    rows = []
    for text in marks:
        try:
            rows.append([float(piece) for piece in text.split(",")])
        except ValueError:
            rows.append([])
        if len(rows[-1]) != 4:
            raise InputError("--mark", "", f"{text!r} is not four numbers", "give XT,YT,XV,YV in pixels")
    table = np.array(rows)
    method = target.method or f"{len(rows)} marks"
    section, fit = pair_pictures(table[:, :2], table[:, 2:], path="--mark", date=target.date, method=method)
    profile = replace(start_profile(target, None), pairing=section)
    save(target, profile, pairing_page(profile, section, fit))


def box_quantity(recording: Recording, text: str, option: str, error_k: float) -> Quantity:
    """Return the mean of a box of a recording, C, with the camera's error for such a difference."""
    import math

    import numpy as np

    from thermscan.calibrate.region import mean_picture
    from thermscan.model.budget import Quantity

    if recording.unit != "celsius":
        raise InputError(recording.path, "", "holds counts, so temperatures are not known", "give --scale and --offset")
    values = mean_picture(recording).mean[parse_box(text, recording, option).slices]
    own = float(np.nanstd(values) / math.sqrt(values.size))
    return Quantity(option.lstrip("-"), float(np.nanmean(values)), math.hypot(own, error_k), unit="C", source="read")


@command.command(
    epilog="Example: thermscan calibrate surface plate.tiff --surface 20,20,40,40 --tape 60,20,80,40 "
    f"--foil 100,20,120,40 --name brass --out surfaces.json   {CAUTION}"
)
@click.argument("recording", type=click.Path())
@box_option("--surface", "Where the surface is.", required=True)
@box_option("--tape", "Where tape or paint of known emissivity is, on the same warm plate.")
@click.option("--tape-emissivity", type=float, default=0.95, metavar="E", help="Of that tape.")
@click.option(
    "--true", "true_c", type=float, metavar="C", help="True temperature by contact thermometer, without tape."
)
@box_option("--foil", "Where crumpled foil shows the reflected temperature.")
@click.option("--reflected", type=float, metavar="C", help="Reflected temperature, where it was read before.")
@click.option("--camera-error", type=float, default=0.3, metavar="K", help="Error of differences within a picture.")
@click.option("--name", required=True, metavar="WORD", help="Name of the surface, for board files.")
@click.option("--out", required=True, type=click.Path(), metavar="surfaces.json", help="Surface table to write.")
@click.option("--force", is_flag=True, help="Replace existing files.")
@recording_options
def surface(
    *,
    recording: str,
    surface: str,
    tape: str | None,
    tape_emissivity: float,
    true_c: float | None,
    foil: str | None,
    reflected: float | None,
    camera_error: float,
    name: str,
    out: str,
    force: bool,
    how: Reading,
) -> None:
    """Measure a surface's emissivity on a warm plate, beside tape or under a contact thermometer, camera at 1.

    The table written holds all surfaces that are known, and this one.
    """
    from thermscan.app.calibration_page import surface_page
    from thermscan.calibrate.region import mean_picture
    from thermscan.calibrate.surface import calibrate_surface, reflected_from_foil, temperature_from_tape
    from thermscan.model.budget import Quantity
    from thermscan.model.settings import CalibrationSettings
    from thermscan.read.surface_table import open_surfaces
    from thermscan.show.calibration_page import draw_calibration
    from thermscan.write.surface_file import measured_surface, write_surfaces

    if (tape is None) == (true_c is None):
        raise InputError("--tape", "", "give either --tape or --true", "one of them tells the true temperature")
    if (foil is None) == (reflected is None):
        raise InputError("--foil", "", "give either --foil or --reflected", "one of them tells what is reflected")
    if not 0 < tape_emissivity <= 1:
        raise InputError("--tape-emissivity", "", f"{tape_emissivity:g} is no emissivity", "above 0, up to 1")
    opened = open_one(recording, how)
    around = (
        Quantity("reflected temperature", float(reflected or 0.0), 0.5, unit="C", source="given")
        if foil is None
        else reflected_from_foil(box_quantity(opened, foil, "--foil", camera_error))
    )
    true = (
        Quantity("true temperature", float(true_c or 0.0), 0.5, unit="C", source="contact thermometer")
        if tape is None
        else temperature_from_tape(
            box_quantity(opened, tape, "--tape", camera_error),
            Quantity("tape emissivity", tape_emissivity, 0.01, source="given"),
            around,
        )
    )
    shown = box_quantity(opened, surface, "--surface", camera_error)
    found = calibrate_surface(shown, true, around, path=recording, settings=CalibrationSettings())
    page = surface_page(name, found, mean_picture(opened).mean, sources_of([opened]))
    own = measured_surface(name, found.emissivity.measured, source=f"measured, recording {opened.name}")
    rest = tuple(s for s in open_surfaces(out if Path(out).is_file() else None) if s.name != name)
    path = write_surfaces(out, (own, *rest), force=force)
    say_page(path.with_name(f"{path.stem}_{name}.png"), page, draw_calibration(page), force=force)
    click.echo(f"{path}: lay it into your user folder as surfaces.json, and name the surface {name!r} in board files")


@command.command(epilog="Example: thermscan calibrate map cold.tiff warm.tiff --true 23.1 --true 58.0 --out map.tiff")
@click.argument("cold", type=click.Path())
@click.argument("warm", type=click.Path())
@click.option("--cold-frames", callback=frame_range, metavar="A:B", help="Frames of COLD, where one file holds both.")
@click.option("--warm-frames", callback=frame_range, metavar="A:B", help="Frames of WARM, likewise.")
@true_options
@click.option("--out", required=True, type=click.Path(), metavar="FILE.tiff", help="Map to write, 32-bit float.")
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
    out: str,
    force: bool,
    how: Reading,
) -> None:
    """Learn a board's emissivity map from two even temperatures, COLD and WARM, unpowered, camera unmoved."""
    import math

    from thermscan.app.calibration_page import map_page
    from thermscan.calibrate.region import mean_picture
    from thermscan.calibrate.surface import emissivity_map
    from thermscan.model.budget import Quantity
    from thermscan.model.settings import CalibrationSettings
    from thermscan.show.calibration_page import draw_calibration
    from thermscan.write.surface_file import write_map

    check_count((cold, warm), trues)
    opened = [
        open_one(path, replace(how, frames=frames or how.frames))
        for path, frames in ((cold, cold_frames), (warm, warm_frames))
    ]
    known = [parse_true(text, sensor, cold_end, error) for text in trues]
    pictures = [mean_picture(r) for r in opened]
    noise_k = math.sqrt(float(pictures[1].variance.mean()) / pictures[1].frames)
    cold_true, warm_true = (Quantity("true temperature", t.value_c, t.error_k, unit="C") for t in known)
    found = emissivity_map(
        pictures[0].mean,
        pictures[1].mean,
        cold_true,
        warm_true,
        noise_k=noise_k,
        path=warm,
        settings=CalibrationSettings(),
    )
    path = write_map(out, found.emissivity, force=force)
    page = map_page(found, sources_of(opened))
    say_page(path.with_suffix(".png"), page, draw_calibration(page), force=force)
