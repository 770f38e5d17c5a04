"""Places every recording on one board; without a board file the faulty one's own picture is the board."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from thermscan.measure.film import pixel_size_mm
from thermscan.measure.placement import doubted, place_board
from thermscan.measure.placement_lean import lean_of_placement
from thermscan.measure.placement_match import Match, match_placements, place_by_pattern
from thermscan.measure.placement_search import board_points
from thermscan.measure.power_alignment import aligned
from thermscan.measure.power_cells import on_board
from thermscan.measure.power_on import find_power, warm_first
from thermscan.measure.power_shift import board_courses
from thermscan.measure.power_warm import has_warmed
from thermscan.measure.track import make_track, recorded_matrices
from thermscan.model.board import Board
from thermscan.model.pose import Placement, Track, map_points, normalised
from thermscan.model.settings import Settings
from thermscan.pipeline.film_set import Placed
from thermscan.pipeline.prepare import Prepared


def picture_as_board(prepared: Prepared) -> tuple[Board, Placement]:
    """Return the picture itself as a board of one unit a pixel, x right and y up from its lower left edge."""
    columns, rows = prepared.recording.columns, prepared.recording.rows
    board = Board.rectangle(columns, rows, name="the faulty board's own picture")
    matrix = np.array([[1.0, 0.0, -0.5], [0.0, -1.0, rows - 0.5], [0.0, 0.0, 1.0]])
    return board, Placement(matrix, 0.0, "frame")


def match_all(prepared: Sequence[Prepared], board: Board, *, side: str, settings: Settings) -> Match:
    """Place every recording on the board, then bring the good ones into line with the faulty one."""
    placements = [
        place_board(
            p.motion, board, marks=p.recording.facts.marks, side=side, camera=p.camera, settings=settings.placement
        )
        for p in prepared
    ]
    return match_placements(
        prepared[0].motion,
        [p.motion for p in prepared[1:]],
        placements[0],
        placements[1:],
        board,
        side=side,
        names=_good_names(prepared),
        settings=settings.placement,
    )


def _good_names(prepared: Sequence[Prepared]) -> list[str]:
    return [p.recording.name for p in prepared[1:]]


def match_pictures(prepared: Sequence[Prepared], *, settings: Settings) -> tuple[Match, Board]:
    """Register the good recordings to the faulty picture on the thermal pattern alone; the picture is the board."""
    board, own = picture_as_board(prepared[0])
    found = place_by_pattern(
        prepared[0].motion,
        [p.motion for p in prepared[1:]],
        names=_good_names(prepared),
        settings=settings.placement,
    )
    goods = tuple(replace(good, matrix=normalised(good.matrix @ own.matrix)) for good in found.goods)
    return replace(found, faulty=own, goods=goods), board


def place_all(
    prepared: Sequence[Prepared], board: Board | None, *, side: str, is_injection: bool = False, settings: Settings
) -> tuple[tuple[Placed, ...], Board]:
    """Place the faulty board (first) and the good ones, and bring their power-ons into line.

    Parameters
    ----------
    prepared : sequence of Prepared
        The faulty recording first.
    board : Board or None
    side : {'top', 'bottom'}
    is_injection : bool
        One net alone is fed: boards then share no start-up.
    settings : Settings

    Returns
    -------
    tuple of Placed, Board
        The board given, or the faulty board's own picture where none was.
    """
    match, board = (
        match_pictures(prepared, settings=settings)
        if board is None
        else (match_all(prepared, board, side=side, settings=settings), board)
    )
    placed, is_given = [], match.faulty.method != "frame"
    for number, (one, found) in enumerate(zip(prepared, (match.faulty, *match.goods), strict=True)):
        one = replace(one, motion=one.motion.within(map_points(found.matrix, board_points(board))))  # noqa: PLW2901
        placement = doubted(found, one.motion, settings=settings.placement)
        shape = one.motion.reference.shape
        lean = lean_of_placement(placement, board, shape, side=side, settings=settings.placement)
        note = (placement.reason,) if placement.trusted and placement.reason else ()
        warnings = note if number else (*match.warnings, *note)
        track = make_track(one.motion, placement, side=side, lens=one.lens, warnings=warnings, lean=lean)
        error = placement.error_px if number else 0.0
        if is_given and placement.trusted:
            one = _timed_on_board(one, placement, board, settings=settings)  # noqa: PLW2901
        placed.append(Placed(one, track, error, pixel_size_mm(placement.matrix, board)))
    return tuple(placed if is_injection else _in_line(placed, board, settings=settings)), board


def _in_line(placed: Sequence[Placed], board: Board, *, settings: Settings) -> list[Placed]:
    """Return the same, power-ons of those placed for sure moved where the courses of the others contradict them."""
    out, courses = list(placed), {}
    for number, one in enumerate(placed):
        cells, placement = one.prepared.cells, one.track.placement
        if cells is not None and placement.trusted:
            timing = one.prepared.timing
            courses[number] = board_courses(cells, placement.matrix, board, timing, settings=settings.timing)
    for number, timing in zip(courses, aligned(tuple(courses.values()), settings=settings.timing), strict=True):
        out[number] = replace(placed[number], prepared=replace(placed[number].prepared, timing=timing))
    return out


def _timed_on_board(one: Prepared, placement: Placement, board: Board, *, settings: Settings) -> Prepared:
    """Read the switching times again from what shows the board alone, now that it is known what does.

    A power-on that only the whole picture shows is kept, bench that warms with the board tells as well; so is one that
    it shows before the board's own where places warm meanwhile.
    """
    if one.cells is None:
        return one
    outline = map_points(placement.matrix, board.outline_mm)
    cells = on_board(one.cells, outline, settings=settings.timing)
    if cells is None:
        return one
    timing = find_power(one.recording, one.camera, cells, settings=settings.timing)
    if timing.on_s is None and one.timing.on_s is not None:
        return one
    seen = None if one.recording.facts.supply else timing.on_s  # a log tells better what the temperatures leave open
    if seen is not None and has_warmed(one.cells, seen, timing.off_s, settings=settings.timing):
        whole = one.timing.on_s
        if whole is None or whole.high < seen.low:  # the heat before is that of the power-on that the picture shows
            return one
        return replace(one, timing=warm_first(one.timing.visits))
    return replace(one, timing=replace(timing, visits=one.timing.visits))


def recorded_poses(tracks: Sequence[Track], board: Board) -> list[np.ndarray]:
    """Return for each recording the homographies, ndarray (frames, 3, 3), closest to the pixels as recorded."""
    return [recorded_matrices(track, board.outline_mm) for track in tracks]
