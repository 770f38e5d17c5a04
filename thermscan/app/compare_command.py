"""``thermscan compare``: the main job on the user's files."""

from __future__ import annotations

from pathlib import Path

import click

from thermscan.app.compare_job import CompareRequest, run_compare
from thermscan.app.options import Reading, board_options, output_options, recording_options, show_options

EXAMPLE = "Example: thermscan compare faulty.tiff --good good_1.tiff --good good_2.tiff --board board.json --out result"


@click.command(epilog=EXAMPLE)
@click.argument("faulty", type=click.Path())
@click.option(
    "--good",
    "goods",
    multiple=True,
    type=click.Path(),
    metavar="GOOD",
    help="Recording of a known-good board, or a baseline file; again for each further board.",
)
@click.option(
    "--before",
    type=click.Path(),
    metavar="OLD",
    help="Earlier recording of the SAME board, as baseline: the spread between boards drops out.",
)
@click.option("--changed", default="", metavar="R4,C14", help="With --before: parts swapped or removed since.")
@board_options
@click.option("--readings", "readings_path", type=click.Path(), metavar="FILE", help="Meter readings (readings.csv).")
@click.option(
    "--inject",
    metavar="NET:VOLTS:AMPS",
    help="A bench supply fed this net, the rest unpowered: power off and discharge first, never above the "
    "net's own voltage, lowest current limit first; local codes and licensed practice go first.",
)
@click.option(
    "--delivered",
    type=click.FloatRange(min=0.0),
    metavar="W",
    help="Power that leaves the board through connectors, W: for the energy balance with the supply's log.",
)
@click.option("--priors", type=click.Path(), metavar="FILE", help="Own priors instead of calibration/diagnosis.json.")
@click.option(
    "--emissivity", type=float, metavar="E", help="Emissivity of parts whose surface the board file does not name."
)
@click.option(
    "--reflected", type=float, metavar="C", help="Reflected apparent temperature, as read on crumpled foil, C."
)
@click.option(
    "--transmission", type=float, metavar="T", help="Of a window before the board that the camera was not told of."
)
@click.option(
    "--emissivity-map", type=click.Path(), metavar="FILE", help="Map of this board (thermscan calibrate map --board)."
)
@recording_options
@output_options
@click.option("--save-poses", is_flag=True, help="Also write poses.npz: the homography of every frame.")
@show_options
def command(
    faulty: str,
    *,
    goods: tuple[str, ...],
    before: str | None,
    changed: str,
    board_path: str | None,
    size: str | None,
    readings_path: str | None,
    inject: str | None,
    delivered: float | None,
    priors: str | None,
    emissivity: float | None,
    reflected: float | None,
    transmission: float | None,
    emissivity_map: str | None,
    how: Reading,
    out: str,
    force: bool,
    save_poses: bool,
    as_json: bool,
    fahrenheit: bool,
) -> None:
    """Find what is at fault on the board of the recording FAULTY.

    FAULTY is a multi-page TIFF, a folder or glob of 16-bit pictures, CSV temperature grids or a NumPy array, with
    its sidecar (.json) beside it where there is one. Best with two or more recordings of known-good boards of the
    same type; without any, the board is compared with itself, which is much weaker and says so.
    """
    parts = tuple(ref.strip() for ref in changed.split(",") if ref.strip())
    request = CompareRequest(
        faulty,
        goods,
        before,
        parts,
        board_path,
        size,
        readings_path,
        inject,
        priors,
        how,
        Path(out),
        force,
        save_poses,
        emissivity,
        reflected,
        transmission,
        emissivity_map,
        delivered,
    )
    run_compare(request, as_json=as_json, fahrenheit=fahrenheit)
