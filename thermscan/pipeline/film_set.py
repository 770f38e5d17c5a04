"""The films of all boards on one grid and one clock."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from thermscan.find.excess import rise_of
from thermscan.find.excess_mirrored import without_mirrored
from thermscan.find.excess_reflection import without_reflection
from thermscan.measure.film import (
    Clock,
    choose_edges,
    choose_grid,
    last_off_s,
    make_film,
    set_clock,
    steady_edges,
)
from thermscan.measure.film_average import Averaged, average_runs, is_repeated, run_clocks, single_run
from thermscan.measure.picture_blur import edge_blurs_px, optics_blur_px
from thermscan.model.board import Board
from thermscan.model.film import BoardGrid, Film, Rise
from thermscan.model.pose import Track
from thermscan.model.settings import Settings
from thermscan.model.timing import Timing
from thermscan.pipeline.prepare import Prepared


@dataclass(frozen=True)
class Placed:
    """A prepared recording with its poses, its pixel size and its position error relative to the others."""

    prepared: Prepared
    track: Track
    relative_error_px: float
    pixel_mm: float


@dataclass(frozen=True)
class FilmSet:
    """Rises of the faulty board and of each good one, on one grid, one clock and one reference.

    ``timing`` is what holds for the faulty one's rise: its first power-up alone where several were averaged. ``said``
    tells what was averaged, or why not.
    """

    faulty: Rise
    goods: tuple[Rise, ...]
    share_clock: bool
    timing: Timing = field(default_factory=Timing)
    said: tuple[str, ...] = ()


def film_of(
    placed: Placed, *, timing: Timing, grid: BoardGrid, edges_s: np.ndarray, board: Board, settings: Settings
) -> Film:
    """Resample one recording, with what the stages after it need to know of its switching."""
    one = placed.prepared
    clock = set_clock(one.recording, one.camera.usable, timing, edges_s, settings=settings.film)
    return _finished(placed, _on_clock(placed, clock, grid, board, settings), timing)


def _on_clock(placed: Placed, clock: Clock, grid: BoardGrid, board: Board, settings: Settings) -> Film:
    """Resample one recording on a clock."""
    one = placed.prepared
    pattern = None if one.motion.is_tripod else one.motion.pattern
    return make_film(
        one.recording, one.camera, placed.track, clock, grid=grid, board=board, pattern=pattern, settings=settings.film
    )


def _finished(placed: Placed, film: Film, timing: Timing) -> Film:
    """Add what the stages after it need to know of the switching."""
    one = placed.prepared
    off = last_off_s(timing)
    on_for = None if off is None or timing.on_s is None else off - timing.on_s.value
    flags = film.flags | ({"warm_start"} if timing.warm_start else set())
    blur = _profile_blur_px(one)
    return replace(
        film,
        on_for_s=on_for,
        blur_mm=(blur or 0.0) * film.pixel_mm,
        blur_basis="" if blur is None else "profile",
        flags=frozenset(flags),
        position_error_mm=placed.relative_error_px * film.pixel_mm,
    )


def _profile_blur_px(one: Prepared) -> float | None:
    """Return the optics' blur from the camera's profile, px, None where it is not known."""
    profile = one.recording.profile
    return None if profile is None or profile.optics is None else profile.optics.blur_px


def with_blur(rise: Rise, placed: Placed, others: Sequence[Placed], *, settings: Settings) -> Rise:
    """Add the optics' blur on the board: the camera profile's, else that of the sharpest edges of the recordings.

    Recordings with pictures of another size were made with another camera and are left out.
    """
    one = placed.prepared
    if _profile_blur_px(one) is not None:
        return rise
    shape = (one.recording.rows, one.recording.columns)
    alike = [p.prepared for p in (placed, *others)]
    widths = [
        width
        for p in alike
        if (p.recording.rows, p.recording.columns) == shape
        for width in edge_blurs_px(
            p.recording, p.camera, p.motion, p.timing, picture=settings.picture, settings=settings.optics
        )
    ]
    blur = optics_blur_px(widths, settings=settings.optics)
    if blur is None:
        return rise
    return replace(rise, film=replace(rise.film, blur_mm=blur * rise.film.pixel_mm, blur_basis="edges"))


def averaged_film(
    placed: Placed, *, timing: Timing, grid: BoardGrid, edges_s: np.ndarray, board: Board, settings: Settings
) -> Averaged:
    """Resample one recording of several power-ups, those that repeat the first averaged with it."""
    one = placed.prepared
    clocks = run_clocks(one.recording, one.camera.usable, timing, edges_s, settings=settings.film)
    films = [_on_clock(placed, clock, grid, board, settings) for clock in clocks]
    averaged = average_runs(films, name=one.recording.name, settings=settings.film)
    return replace(averaged, film=_finished(placed, averaged.film, single_run(timing)))


def make_films(faulty: Placed, goods: Sequence[Placed], *, board: Board, settings: Settings) -> FilmSet:
    """Resample the faulty and the good recordings to the faulty one's grid.

    Where every recording shows its power-on they are compared second by second. Otherwise each is averaged over the
    end of its run, as if that were the same state; ``share_clock`` is then False. Several power-ups of one recording
    are averaged where they repeat one another.
    """
    grid = choose_grid(board, faulty.pixel_mm, settings=settings.film)
    timings = [p.prepared.timing for p in (faulty, *goods)]
    share = all(timing.on_s is not None for timing in timings)
    if share or not goods:
        films, timing, said = _clocked_films(faulty, goods, grid, board, settings)
    else:
        films, timing, said = [], timings[0], ()
        for placed in (faulty, *goods):
            one = placed.prepared
            edges = steady_edges(one.recording.times_s, one.timing, settings=settings.film)
            unclocked = Timing(on_why=one.timing.on_why)
            films.append(film_of(placed, timing=unclocked, grid=grid, edges_s=edges, board=board, settings=settings))
    over_ambient = any(film.cold is None for film in films)
    if share and timing.restarts in (0, None):
        films, more = _unreflecting(films, (faulty, *goods), settings)
        said += more
    rises = [rise_of(film, over_ambient=over_ambient, settings=settings.excess) for film in films]
    if share and timing.restarts in (0, None):
        rises, more = _unmirrored(rises, (faulty, *goods), settings)
        said += more
    said += tuple(
        f"{placed.prepared.recording.name} was still cooling when it was switched on, which makes its rise less"
        " certain: film it after a longer pause"
        for placed, rise in zip((faulty, *goods), rises, strict=True)
        if "warm_start" in rise.film.flags
    )
    first = with_blur(rises[0], faulty, goods, settings=settings)
    return FilmSet(first, tuple(rises[1:]), share, timing, said)


def _unreflecting(
    films: Sequence[Film], placed: Sequence[Placed], settings: Settings
) -> tuple[list[Film], tuple[str, ...]]:
    """Take off each film what bare metal mirrors of somebody who comes or goes, and say so."""
    out, said = [], []
    for film, one in zip(films, placed, strict=True):
        clear, found = without_reflection(film, settings=settings.reflection, excess=settings.excess)
        out.append(clear)
        for reflection in found:
            when = " and ".join(
                f"{abs(start):.1f} s {'after' if start > 0 else 'before'} power-on" for start, _ in reflection.when_s
            )
            said.append(
                f"{one.prepared.recording.name}: bare metal all over the board mirrors somebody who comes or goes,"
                f" {when} (typically {reflection.typical_k:.1f} K): taken off, and what stays uncertain is counted in;"
                " stand still while filming"
            )
    return out, tuple(said)


def _unmirrored(
    rises: Sequence[Rise], placed: Sequence[Placed], settings: Settings
) -> tuple[list[Rise], tuple[str, ...]]:
    """Leave out of each board's rise what mirrors somebody who moves, and say so."""
    out, said = [], []
    for rise, one in zip(rises, placed, strict=True):
        clear, part = without_mirrored(rise, settings=settings.detection)
        out.append(clear)
        if part > 0:
            name, percent = one.prepared.recording.name, f"{100 * part:.0f} %" if part >= 0.01 else "under 1 %"
            said.append(
                f"{name}: {percent} of the board gets colder while it is on, as no heat does: bare metal that mirrors"
                " somebody who moves; these places are left out; stand still, or put matte tape on them"
            )
    return out, tuple(said)


def _clocked_films(
    faulty: Placed, goods: Sequence[Placed], grid: BoardGrid, board: Board, settings: Settings
) -> tuple[list[Film], Timing, tuple[str, ...]]:
    """Resample every recording to seconds since power-on; a good board's later power-ups count where they repeat.

    Returns the films, the timing that holds for the faulty one's, and what was averaged or why not.
    """
    timing, times = faulty.prepared.timing, faulty.prepared.recording.times_s
    said: tuple[str, ...] = ()
    films: list[Film] = []
    several = times is not None and is_repeated(timing, settings=settings.film)
    if several:
        first = single_run(timing)
        until = times[times < timing.power_ups[1].on_s.low]
        edges = choose_edges(until, first, until_s=None, settings=settings.film)
        average = averaged_film(faulty, timing=timing, grid=grid, edges_s=edges, board=board, settings=settings)
        said = average.said
        if len(average.numbers) > 1:
            films, timing = [average.film], first
    if not films:
        edges = choose_edges(times, timing, until_s=None, settings=settings.film)
        films = [film_of(faulty, timing=timing, grid=grid, edges_s=edges, board=board, settings=settings)]
    is_course = several and len(timing.power_ups) > 1  # the power-ups follow one another in the film
    for placed in goods:
        own = placed.prepared.timing
        if is_course or not is_repeated(own, settings=settings.film):
            films.append(film_of(placed, timing=own, grid=grid, edges_s=edges, board=board, settings=settings))
            continue
        average = averaged_film(placed, timing=own, grid=grid, edges_s=edges, board=board, settings=settings)
        films.append(average.film)
        said += average.said
    return films, timing, said
