"""``thermscan baseline``: known-good recordings combined once."""

from __future__ import annotations

import click

from thermscan.app.opening import check_marks, open_board_or_size, open_one, same_side
from thermscan.app.options import Reading, board_options, recording_options
from thermscan.model.errors import InputError


@click.command(epilog="Example: thermscan baseline good_1.tiff good_2.tiff --board board.json --out good.npz")
@click.argument("goods", nargs=-1, required=True, type=click.Path(), metavar="GOOD...")
@board_options
@recording_options
@click.option("--out", required=True, type=click.Path(), metavar="FILE", help="Baseline file to write (.npz).")
@click.option("--force", is_flag=True, help="Replace an existing file.")
@click.option("--json", "as_json", is_flag=True, help="Print the answer as JSON.")
def command(
    *,
    goods: tuple[str, ...],
    board_path: str | None,
    size: str | None,
    how: Reading,
    out: str,
    force: bool,
    as_json: bool,
) -> None:
    """Combine recordings of known-good boards into one file, to be given to --good from then on.

    Two or three cold starts of different boards tell the spread between good boards; one cannot.
    """
    import json

    from thermscan.app.progress import progress_bar
    from thermscan.model.settings import Settings
    from thermscan.pipeline.good_boards import combine_good_boards
    from thermscan.write.baseline_file import check_baseline_path, write_baseline

    board = open_board_or_size(board_path, size)
    if board is None:
        raise InputError("--board", "", "a baseline needs its board", "give --board FILE or --size WxH")
    path = check_baseline_path(out, force=force)
    recordings = tuple(open_one(good, how) for good in goods)
    check_marks(recordings, board)
    seen = same_side(recordings)
    tell, finish = progress_bar(quiet=as_json)
    baseline, warnings = combine_good_boards(recordings, board, side=seen, settings=Settings(), tell=tell)
    finish()
    write_baseline(path, baseline)
    facts = {"file": out, "boards": baseline.count, "seconds": float(baseline.edges_s[-1]), "warnings": list(warnings)}
    if as_json:
        click.echo(json.dumps(facts, indent=2))
        return
    for warning in warnings:
        click.echo(f"warning: {warning}", err=True)
    click.echo(f"{out}: {baseline.count} good boards, {facts['seconds']:.1f} s with power on; use it as --good {out}")
