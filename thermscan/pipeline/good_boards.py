"""Known-good boards combined once, without a faulty one."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from thermscan.explain.condition import odd_good_boards
from thermscan.find.excess import combine, excess_over
from thermscan.find.part_reading import read_parts
from thermscan.model.board import Board, outline_hash
from thermscan.model.errors import InputError
from thermscan.model.evidence import Evidence
from thermscan.model.film import Baseline, Rise
from thermscan.model.pixel_scale import scale_words, seen_words
from thermscan.model.recording import Recording
from thermscan.model.settings import Settings
from thermscan.model.timing import before_words, rate_of, reason_words
from thermscan.pipeline.film_set import make_films
from thermscan.pipeline.place import place_all
from thermscan.pipeline.prepare import prepare_all
from thermscan.pipeline.progress import Tell, silent


def combine_good_boards(
    recordings: Sequence[Recording], board: Board, *, side: str, settings: Settings, tell: Tell = silent
) -> tuple[Baseline, tuple[str, ...]]:
    """Combine recordings of known-good boards on the grid and clock of the first.

    Returns
    -------
    Baseline, tuple of str
        The baseline, and warnings.

    Raises
    ------
    InputError
        Where a recording shows no power-on or its scale is not known: its seconds and kelvins would be guesses.
    """
    for recording in recordings:
        if recording.unit == "count":
            raise InputError(
                recording.path, "", "holds counts without a scale", "give --scale and --offset, or --camera"
            )
    prepared = prepare_all(recordings, settings=settings, tell=tell, upto=0.8)
    for one in prepared:
        if one.timing.on_s is None:
            problem = f"shows no power-on ({reason_words(one.timing.on_why)})"
            remedy = f"film {before_words(rate_of(one.recording.times_s))} before switching on"
            raise InputError(one.recording.path, "", problem, remedy)
    tell("combining", 0.8)
    placed, _ = place_all(prepared, board, side=side, settings=settings)
    films = make_films(placed[0], placed[1:], board=board, settings=settings)
    rises = (films.faulty, *films.goods)
    sources = [(r.name, r.sha256) for r in recordings]
    baseline = combine(rises, outline_hash=outline_hash(board), side=side, sources=sources, settings=settings.excess)
    tell("done", 1.0)
    first = placed[0].prepared.recording
    frame = (first.rows, first.columns)
    said = [*scale_words(board, *frame), *seen_words(board, *frame, placed[0].pixel_mm)]
    said += [
        f"{p.prepared.recording.name}: {text}"
        for p in placed
        for text in (*p.prepared.timing.warnings, *p.track.warnings)
    ]
    if len(recordings) == 1:
        said.append("one good board shows no spread between boards: a wider one is assumed; film two or three")
    said += films.said
    said += _odd_ones(rises, [r.name for r in recordings], board, side, settings=settings)
    return baseline, tuple(dict.fromkeys(said))


def _odd_ones(
    rises: Sequence[Rise], names: Sequence[str], board: Board, side: str, *, settings: Settings
) -> tuple[str, ...]:
    """Judge each good board by the others and say which one is odd; with two, that the pair differs."""
    if len(rises) < 2 or not board.parts:
        return ()
    left_out = []
    for i, rise in enumerate(rises):
        others = [*rises[:i], *rises[i + 1 :]]
        rest = combine(others, outline_hash="", side=side, sources=(), settings=settings.excess)
        error = float(np.hypot(rise.film.position_error_mm, max(o.film.position_error_mm for o in others)))
        excess = excess_over(rise, rest, position_error_mm=error, settings=settings.excess)
        left_out.append(read_parts(excess, rise, board, side=side, surfaces=(), settings=settings.detection))
    evidence = Evidence(left_out=tuple(left_out), good_boards=len(rises), good_names=tuple(names))
    return odd_good_boards(evidence, settings.explain)
