"""Options and steps that the commands under ``calibrate`` share."""

from __future__ import annotations

import datetime as dt
import functools
from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from thermscan.model.errors import InputError

if TYPE_CHECKING:
    from thermscan.calibrate.reference import TrueTemperature
    from thermscan.calibrate.region import Box
    from thermscan.model.budget import Quantity
    from thermscan.model.camera_profile import BandSection, CameraProfile
    from thermscan.model.recording import Recording
    from thermscan.show.calibration_page import CalibrationPage

SENSORS = ("celsius", "pt100", "pt1000", "k")
CAUTION = (
    "Boiling water and steam, hot plates and heat guns burn; mains parts stay closed; local rules and licensed "
    "practice come before anything said here."
)


@dataclass(frozen=True)
class Target:
    """Where a calibration goes: the profile to write, the one whose other sections are kept, and what is said of it."""

    out: str
    into: str | None
    name: str | None
    date: str
    method: str | None
    force: bool


def date_option() -> Callable[..., Any]:
    """Return the option for the day of a measurement."""
    today = dt.datetime.now(tz=dt.UTC).date().isoformat()
    return click.option(
        "--date", default=today, show_default="today", metavar="YYYY-MM-DD", help="Day it was measured."
    )


def target_options(function: Callable[..., object]) -> Callable[..., object]:
    """Add the options for the profile; the command gets them as one ``target``."""

    @functools.wraps(function)
    def gathered(*args: object, **kwargs: Any) -> object:  # noqa: ANN401 - click's values
        target = Target(**{f.name: kwargs.pop(f.name) for f in fields(Target)})
        return function(*args, target=target, **kwargs)

    options = [
        click.option("--out", required=True, type=click.Path(), metavar="FILE.json", help="Profile to write."),
        click.option("--into", type=click.Path(), metavar="FILE.json", help="Profile whose other sections are kept."),
        click.option("--name", metavar="TEXT", help="Name of the camera; default: that of the file."),
        date_option(),
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
    for note in page.notes:
        click.echo(f"  {note}")
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


def parse_band(text: str | None, response: str | None, target: Target) -> BandSection | None:
    """Read ``LOW,HIGH`` and a response curve; None where neither is given; raises InputError."""
    from thermscan.model.camera_profile import BandSection
    from thermscan.read.profile import check_band
    from thermscan.read.reference_log import open_reference_log

    if text is None and response is None:
        return None
    curve: tuple[tuple[float, float], ...] = ()
    if response is not None:
        log = open_reference_log(response)
        if log.time_s is None:
            raise InputError(response, "", "holds one column", "give MICROMETRES,RELATIVE_RESPONSE a line")
        curve = tuple(zip(log.time_s.tolist(), log.value.tolist(), strict=True))
    try:
        ends = [float(p) for p in text.split(",")] if text is not None else [curve[0][0], curve[-1][0]]
    except ValueError:
        ends = []
    if len(ends) != 2:
        raise InputError("--band", "", f"{text!r} is not LOW,HIGH", "for example 7.5,13")
    return check_band(BandSection(target.date, target.method or "given", *ends, curve), path=response or "--band")


def true_options(function: Callable[..., object]) -> Callable[..., object]:
    """Add the options for true temperatures."""
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


def sources_of(recordings: list[Recording]) -> tuple[tuple[str, str], ...]:
    """Return name and digest of each recording."""
    return tuple((r.name, r.sha256) for r in recordings)


def box_quantity(recording: Recording, text: str, option: str, error_k: float) -> Quantity:
    """Return the mean of a box of a recording, C, with the camera's error for such a difference.

    What unevenness and drift of the box leave open is part of its error. Raises InputError where the box holds no one
    temperature.
    """
    import math

    import numpy as np

    from thermscan.calibrate.fitness import check_one_temperature, measure_steadiness
    from thermscan.calibrate.region import mean_picture
    from thermscan.model.budget import Quantity
    from thermscan.model.settings import CalibrationSettings

    check_celsius(recording)
    box, settings = parse_box(text, recording, option), CalibrationSettings()
    steadiness = measure_steadiness(recording, box, settings=settings)
    what = f"the box {option}"
    uneven = check_one_temperature(steadiness, 1.0, what, path=recording.path, settings=settings)
    values = mean_picture(recording).mean[box.slices]
    error = math.hypot(float(np.nanstd(values) / math.sqrt(values.size)), error_k, uneven)
    return Quantity(option.lstrip("-"), float(np.nanmean(values)), error, unit="C", source="read")


def check_celsius(recording: Recording) -> None:
    """Refuse raw counts where temperatures are needed."""
    if recording.unit != "celsius":
        raise InputError(recording.path, "", "holds counts, so temperatures are not known", "give --scale and --offset")
