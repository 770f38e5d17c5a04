"""The films of all boards on one grid and one clock."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from thermscan.find.excess import rise_of
from thermscan.measure.film import (
    choose_edges,
    choose_grid,
    last_off_s,
    make_film,
    set_clock,
    steady_edges,
)
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
    """Rises of the faulty board and of each good one, on one grid, one clock and one reference."""

    faulty: Rise
    goods: tuple[Rise, ...]
    share_clock: bool


def film_of(
    placed: Placed, *, timing: Timing, grid: BoardGrid, edges_s: np.ndarray, board: Board, settings: Settings
) -> Film:
    """Resample one recording, with what the stages after it need to know of its switching."""
    one = placed.prepared
    clock = set_clock(one.recording, one.camera.usable, timing, edges_s, settings=settings.film)
    pattern = None if one.motion.is_tripod else one.motion.pattern
    film = make_film(
        one.recording, one.camera, placed.track, clock, grid=grid, board=board, pattern=pattern, settings=settings.film
    )
    off = last_off_s(timing)
    on_for = None if off is None or timing.on_s is None else off - timing.on_s.value
    flags = film.flags | ({"warm_start"} if timing.warm_start else set())
    return replace(
        film,
        on_for_s=on_for,
        blur_mm=_blur_mm(one, film.pixel_mm),
        flags=frozenset(flags),
        position_error_mm=placed.relative_error_px * film.pixel_mm,
    )


def _blur_mm(one: Prepared, pixel_mm: float) -> float:
    """Return the optics' blur on the board from the camera's profile, 0 where it is not known."""
    profile = one.recording.profile
    return 0.0 if profile is None or profile.optics is None else profile.optics.blur_px * pixel_mm


def make_films(faulty: Placed, goods: Sequence[Placed], *, board: Board, settings: Settings) -> FilmSet:
    """Resample the faulty and the good recordings to the faulty one's grid.

    Where every recording shows its power-on they are compared second by second. Otherwise each is averaged over the
    end of its run, as if that were the same state; ``share_clock`` is then False.
    """
    grid = choose_grid(board, faulty.pixel_mm, settings=settings.film)
    everyone = (faulty, *goods)
    share = all(p.prepared.timing.on_s is not None for p in everyone)
    films = []
    for placed in everyone:
        timing, times = placed.prepared.timing, placed.prepared.recording.times_s
        if share or not goods:
            first = faulty.prepared
            edges = choose_edges(first.recording.times_s, first.timing, until_s=None, settings=settings.film)
        else:
            timing, edges = Timing(on_why=timing.on_why), steady_edges(times, timing, settings=settings.film)
        films.append(film_of(placed, timing=timing, grid=grid, edges_s=edges, board=board, settings=settings))
    over_ambient = any(film.cold is None for film in films)
    rises = [rise_of(film, over_ambient=over_ambient, settings=settings.excess) for film in films]
    return FilmSet(rises[0], tuple(rises[1:]), share)
