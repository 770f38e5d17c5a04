"""Options that several commands share, each defined once."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass, fields
from typing import Any, TypeVar

import click

from thermscan.model.recording import UNITS

F = TypeVar("F", bound=Callable[..., object])


def frame_range(ctx: click.Context, parameter: click.Parameter, value: str | None) -> tuple[int, int | None] | None:  # noqa: ARG001
    """Read ``A:B`` as frames A up to, not including, B; either end may be left out."""
    if value is None:
        return None
    low, colon, high = value.partition(":")
    try:
        start, stop = int(low or 0), int(high) if high else None
    except ValueError:
        colon = ""
    if not colon or start < 0 or (stop is not None and stop <= start):
        message = f"{value!r} is not A:B with A smaller than B, counted from 0; for example 0:120 or 50:"
        raise click.BadParameter(message)
    return start, stop


@dataclass(frozen=True)
class Reading:
    """How recordings are to be read: the values of the shared options."""

    frames: tuple[int, int | None] | None = None
    frame_rate: float | None = None
    times: str | None = None
    unit: str | None = None
    scale: float | None = None
    offset: float | None = None
    side: str | None = None
    camera: str | None = None


def recording_options(function: Callable[..., object]) -> Callable[..., object]:
    """Add the options that say how recordings are to be read; the command gets them as one ``how``."""

    @functools.wraps(function)
    def gathered(*args: object, **kwargs: Any) -> object:  # noqa: ANN401 - click's values
        how = Reading(**{f.name: kwargs.pop(f.name) for f in fields(Reading)})
        return function(*args, how=how, **kwargs)

    options = [
        click.option("--frames", callback=frame_range, metavar="A:B", help="Use frames A up to B only (from 0)."),
        click.option("--frame-rate", type=click.FloatRange(min=0, min_open=True), metavar="HZ",
                     help="Frames per second, where the files carry no times."),
        click.option("--times", type=click.Path(), metavar="FILE", help="Text file with one time in seconds a frame."),
        click.option("--unit", type=click.Choice(UNITS), help="Unit of the numbers, where the files do not say."),
        click.option("--scale", type=float, metavar="K_PER_COUNT", help="Kelvin per count, for raw counts."),
        click.option("--offset", type=float, metavar="KELVIN", help="Kelvin at count 0, for raw counts."),
        click.option("--side", type=click.Choice(["top", "bottom"]), help="Side of the board that is seen."),
        click.option("--camera", type=click.Path(), metavar="FILE", help="Camera profile (JSON)."),
    ]  # fmt: skip
    result: Callable[..., object] = gathered
    for option in reversed(options):
        result = option(result)
    return result


def board_options(function: F) -> F:
    """Add ``--board`` and ``--size``."""
    for option in (
        click.option(
            "--size", metavar="WxH", help="Size of the board in mm, e.g. 90x60, where there is no board file."
        ),
        click.option("--board", "board_path", type=click.Path(), metavar="FILE", help="Board file (board.json)."),
    ):
        function = option(function)
    return function


def output_options(function: F) -> F:
    """Add ``--out`` and ``--force``."""
    for option in (
        click.option("--force", is_flag=True, help="Replace results of an earlier run in the output folder."),
        click.option("--out", required=True, type=click.Path(), metavar="DIR", help="Folder for the results."),
    ):
        function = option(function)
    return function


def show_options(function: F) -> F:
    """Add ``--json`` and ``--fahrenheit``."""
    for option in (
        click.option("--fahrenheit", is_flag=True, help="Show temperatures in degrees Fahrenheit."),
        click.option("--json", "as_json", is_flag=True, help="Print the answer as JSON."),
    ):
        function = option(function)
    return function
