"""``thermscan calibrate``: what a camera and a surface do, measured on the bench."""

from __future__ import annotations

from dataclasses import replace

import click

from thermscan.app import surface_command
from thermscan.app.calibrate_options import (
    CAUTION,
    Target,
    box_option,
    check_count,
    parse_band,
    parse_box,
    parse_true,
    save,
    sources_of,
    start_profile,
    target_options,
    true_options,
)
from thermscan.app.opening import open_one
from thermscan.app.options import Reading, recording_options
from thermscan.model.errors import InputError


@click.group(epilog="Example: thermscan calibrate noise plate.tiff --out mycamera.json")
def command() -> None:
    """Measure a camera or a surface and write it into a profile, with one page (PNG) about it.

    The bench recipes stand in calibration/README.md. A profile is used with --camera FILE, or by its name in a
    recording's sidecar.
    """


@command.command(
    epilog="Example: thermscan calibrate temperature ice.tiff warm.tiff boil.tiff --true ice --true 50.1 "
    f"--true boil:98.2 --out mycamera.json\n\n{CAUTION}"
)
@click.argument("recordings", nargs=-1, required=True, type=click.Path())
@true_options
@click.option("--form", type=click.Choice(["line", "curve", "shown"]), help="Default: line for counts, else shown.")
@box_option("--box", "Where the reference is; default: the middle of the picture.")
@click.option(
    "--fills-picture", is_flag=True, help="The references are even over the whole picture: measure pixels too."
)
@click.option(
    "--zero",
    "zero_count",
    type=float,
    metavar="COUNT",
    help="For --form curve: counts at zero radiance, where known; else fitted.",
)
@click.option("--band", metavar="LOW,HIGH", help="Band of the camera, micrometres; default: the profile's, else 8,14.")
@click.option(
    "--response",
    type=click.Path(),
    metavar="FILE",
    help="Response over the band: lines of MICROMETRES,RELATIVE_RESPONSE.",
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
    zero_count: float | None,
    band: str | None,
    response: str | None,
    how: Reading,
    target: Target,
) -> None:
    """Fit the scale of a camera to RECORDINGS of references of known temperature, the camera at emissivity 1."""
    from thermscan.app.calibration_page import temperature_page
    from thermscan.calibrate.temperature import band_of_profile, calibrate_temperature, measure_reference
    from thermscan.model.settings import CalibrationSettings

    check_count(recordings, trues)
    opened = [open_one(path, how) for path in recordings]
    known = [parse_true(text, sensor, cold_end, error) for text in trues]
    start = start_profile(target, opened[0])
    start = replace(start, band=parse_band(band, response, target) or start.band)
    found = calibrate_temperature(
        [
            measure_reference(r, t.value_c, t.error_k, box=None if box is None else parse_box(box, r, "--box"))
            for r, t in zip(opened, known, strict=True)
        ],
        form=form or ("line" if opened[0].unit == "count" else "shown"),
        date=target.date,
        method=target.method or "; ".join(dict.fromkeys(t.method for t in known)),
        fills_picture=fills_picture,
        zero_count=zero_count,
        band=band_of_profile(start),
        settings=CalibrationSettings(),
    )
    profile = replace(start, scale=found.scale)
    if found.pixels is not None:
        profile = replace(profile, pixels=found.pixels, pixel_offset_k=found.pixel_offset_k)
    save(target, profile, temperature_page(profile, found, sources_of(opened)))


@command.command(epilog="Example: thermscan calibrate noise plate.tiff --out mycamera.json")
@click.argument("recording", type=click.Path())
@recording_options
@target_options
def noise(*, recording: str, how: Reading, target: Target) -> None:
    """Measure noise by its parts and drift from a RECORDING of an even, steady plate that fills the picture.

    Where two or more shutter corrections are seen, their interval and step are measured as well.
    """
    from thermscan.app.calibration_page import noise_page
    from thermscan.calibrate.noise import calibrate_noise, calibrate_shutter, noise_notes
    from thermscan.calibrate.region import mean_picture

    opened = open_one(recording, how)
    section = calibrate_noise(opened, date=target.date, method=target.method or "even plate, parts in t, v, h")
    profile = replace(start_profile(target, opened), noise=section)
    shutter = calibrate_shutter(opened, date=target.date)
    profile = replace(profile, shutter=shutter or profile.shutter)
    notes, mean = noise_notes(opened, section), mean_picture(opened).mean
    save(target, profile, noise_page(profile, section, mean, sources_of([opened]), shutter, notes=notes))


@command.command(epilog="Example: thermscan calibrate optics edge.tiff --box 60,40,100,80 --out mycamera.json")
@click.argument("recording", type=click.Path())
@box_option("--box", "Around one straight edge between two even temperatures, or one slit.", required=True)
@click.option("--slit", "slit_px", type=float, metavar="PX", help="Width in pixels of a slit seen instead of an edge.")
@recording_options
@target_options
def optics(*, recording: str, box: str, slit_px: float | None, how: Reading, target: Target) -> None:
    """Measure blur and the smallest part that can be read, from a RECORDING of a straight, slightly slanted edge.

    Or of a slit of known width (--slit): its width in mm times the pixels per mm of the same picture.
    """
    from thermscan.app.calibration_page import optics_page
    from thermscan.calibrate.fitness import check_range, frames_of
    from thermscan.calibrate.optics import FRAMES_TRIED, calibrate_optics
    from thermscan.calibrate.region import mean_picture

    opened = open_one(recording, how)
    place = parse_box(box, opened, "--box")
    check_range(opened, place)
    cut, frames = mean_picture(opened).mean[place.slices], frames_of(opened, place, most=FRAMES_TRIED)
    method = target.method or ("slanted edge" if slit_px is None else f"slit of {slit_px:g} px")
    section, edge = calibrate_optics(
        cut, frames=frames, slit_px=slit_px, path=recording, date=target.date, method=method
    )
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


command.add_command(surface_command.surface)
command.add_command(surface_command.reflected)
command.add_command(surface_command.map)
