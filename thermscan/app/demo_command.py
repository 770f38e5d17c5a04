"""``thermscan demo``: the main job on the recordings that come along."""

from __future__ import annotations

from pathlib import Path

import click

from thermscan.app.compare_job import CompareRequest, run_compare
from thermscan.app.options import Reading, output_options, show_options


@click.command(epilog="Example: thermscan demo --out demo-result")
@output_options
@show_options
def command(out: str, force: bool, as_json: bool, fahrenheit: bool) -> None:
    """Run the main job on sample_frames: an invented board, one faulty recording against two good ones."""
    from thermscan.read.data_folder import data_folder

    folder = data_folder("sample_frames")
    request = CompareRequest(
        faulty=str(folder / "faulty.tiff"),
        goods=(str(folder / "good_1.tiff"), str(folder / "good_2.tiff")),
        before=None,
        changed=(),
        board_path=str(folder / "board.json"),
        size=None,
        readings_path=str(folder / "readings.csv"),
        inject=None,
        priors=None,
        how=Reading(),
        out=Path(out),
        force=force,
        save_poses=True,
    )
    run_compare(request, as_json=as_json, fahrenheit=fahrenheit)
