"""After the repair: recordings of the same board against good boards and against itself before."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from thermscan import __version__
from thermscan.find.excess import combine, excess_over, only_while_alike, onto, rise_of
from thermscan.find.hotspot import find_hotspots
from thermscan.find.part_reading import read_parts
from thermscan.find.verify import RepairEvidence, State, to_verification, verify_repair
from thermscan.find.verify_criteria import WARMEST_SHARE, Run, is_cold, warmth_at_start
from thermscan.measure.film import choose_edges
from thermscan.model.board import Board, outline_hash
from thermscan.model.case_record import Verification
from thermscan.model.case_settings import VerifySettings
from thermscan.model.film import Baseline, Excess, Rise
from thermscan.model.pixel_scale import scale_words, seen_words
from thermscan.model.reading import Reading, unknown_net_words
from thermscan.model.recording import Recording
from thermscan.model.result import PartReading
from thermscan.model.result_maps import ResultMaps
from thermscan.model.settings import Settings
from thermscan.model.surface import Surface
from thermscan.pipeline.answer import make_maps
from thermscan.pipeline.film_set import FilmSet, Placed, film_of, make_films
from thermscan.pipeline.place import place_all
from thermscan.pipeline.prepare import prepare_all
from thermscan.pipeline.progress import Tell, silent

EDGE_PX = 3.0  # pixels over which the optics mix board and background; judgement


@dataclass(frozen=True)
class VerifyJob:
    """What a repair is to be verified by.

    Attributes
    ----------
    after : tuple of Recording
        One or more cold starts after the repair, each against the good boards.
    goods : tuple of Recording
    baseline : Baseline or None
        A combined baseline from a file; used where there are no good recordings.
    before : Recording or None
        The same board before the repair.
    long_run : Recording or None
        A run to thermal balance after the repair; only its settling, start and restarts are judged.
    board : Board
    side : {'top', 'bottom'}
    readings : tuple of Reading
    surfaces : tuple of Surface
    run_for_s : float or None
        Stated time that stands for thermal balance.
    """

    after: tuple[Recording, ...]
    board: Board
    goods: tuple[Recording, ...] = ()
    baseline: Baseline | None = None
    before: Recording | None = None
    long_run: Recording | None = None
    side: str = "top"
    readings: tuple[Reading, ...] = ()
    surfaces: tuple[Surface, ...] = ()
    run_for_s: float | None = None


@dataclass(frozen=True)
class Verified:
    """The answer with the maps of its pictures; ``before`` None where there is no recording from before."""

    verification: Verification
    after: ResultMaps
    before: ResultMaps | None
    board: Board


@dataclass(frozen=True)
class _Placing:
    """Every recording placed on the board, by its role."""

    after: tuple[Placed, ...]
    before: Placed | None
    goods: tuple[Placed, ...]
    long_run: Placed | None


def verify(
    job: VerifyJob, *, settings: Settings, verifying: VerifySettings | None = None, tell: Tell = silent
) -> Verified:
    """Judge a repair from recordings.

    Parameters
    ----------
    job : VerifyJob
    settings : Settings
    verifying : VerifySettings, optional
    tell : Tell

    Returns
    -------
    Verified
    """
    placing = _place(job, settings=settings, tell=tell)
    tell("taking the differences", 0.75)
    first, rest = placing.after[0], placing.after[1:]
    before = () if placing.before is None else (placing.before,)
    films = make_films(first, (*rest, *before, *placing.goods), board=job.board, settings=settings)
    after_rises = (films.faulty, *films.goods[: len(rest)])
    before_rise = films.goods[len(rest)] if before else None
    good_rises = films.goods[len(rest) + len(before) :]
    error = _position_error(films)
    against_good = [
        _over(rise, _baseline(job, good_rises, rise, films, settings=settings), error, settings=settings)
        for rise in (*after_rises, *(() if before_rise is None else (before_rise,)))
    ]
    tell("finding what differs", 0.85)
    states = [
        _state(name, e, r, job, settings=settings) for name, e, r in _named(job, against_good, films, bool(before))
    ]
    evidence = RepairEvidence(
        after=tuple(states[: len(after_rises)]),
        before=states[-1] if before else None,
        paired=_paired(job, after_rises, before_rise, error, settings=settings),
        runs=_runs(job, placing, after_rises, settings=settings, verifying=verifying or VerifySettings()),
        rails=job.board.rails,
        readings=job.readings,
        run_for_s=job.run_for_s,
        board=job.board,
        edge_mm=EDGE_PX * first.pixel_mm,
    )
    verification = to_verification(
        verify_repair(evidence, settings=verifying),
        inputs=_inputs(job),
        board_name=job.board.name,
        side=job.side,
        warnings=_warnings(job, placing, films, against_good),
        version=__version__,
    )
    tell("done", 1.0)
    maps = _maps(job, against_good, after_rises[0], before_rise, good_rises, films, settings=settings)
    return Verified(verification, maps[0], maps[1], job.board)


def _place(job: VerifyJob, *, settings: Settings, tell: Tell) -> _Placing:
    """Prepare and place every recording, the first one after the repair as the reference."""
    before = () if job.before is None else (job.before,)
    long_run = () if job.long_run is None else (job.long_run,)
    recordings = (*job.after, *before, *job.goods, *long_run)
    prepared = prepare_all(recordings, settings=settings, tell=tell, upto=0.65)
    tell("placing the board", 0.65)
    placed, _ = place_all(prepared, job.board, side=job.side, settings=settings)
    n, b, g = len(job.after), len(before), len(job.goods)
    return _Placing(placed[:n], placed[n] if b else None, placed[n + b : n + b + g], placed[-1] if long_run else None)


def _position_error(films: FilmSet) -> float:
    errors = [film.film.position_error_mm for film in films.goods]
    return float(np.hypot(films.faulty.film.position_error_mm, max(errors, default=0.0)))


def _baseline(
    job: VerifyJob, goods: Sequence[Rise], rise: Rise, films: FilmSet, *, settings: Settings
) -> Baseline | None:
    """Combine the good boards as far as they were on together with one recording."""
    if goods:
        alike = [only_while_alike(good, rise.film) for good in goods] if films.share_clock else list(goods)
        sources = [(r.name, r.sha256) for r in job.goods]
        return combine(
            alike, outline_hash=outline_hash(job.board), side=job.side, sources=sources, settings=settings.excess
        )
    if job.baseline is not None:
        return onto(job.baseline, rise.film.grid, rise.film.edges_s)
    return None


def _over(rise: Rise, baseline: Baseline | None, error_mm: float, *, settings: Settings) -> Excess:
    return excess_over(rise, baseline, position_error_mm=error_mm, settings=settings.excess)


def _named(
    job: VerifyJob, excesses: Sequence[Excess], films: FilmSet, has_before: bool
) -> list[tuple[str, Excess, Rise]]:
    """Return name, excess and rise of each recording after and before the repair, in order."""
    names = [r.name for r in job.after] + ([job.before.name] if has_before and job.before is not None else [])
    rises = (films.faulty, *films.goods)[: len(names)]
    return list(zip(names, excesses, rises, strict=True))


def _parts(excess: Excess, rise: Rise, job: VerifyJob, *, settings: Settings) -> tuple[PartReading, ...]:
    return read_parts(excess, rise, job.board, side=job.side, surfaces=job.surfaces, settings=settings.detection)


def _state(name: str, excess: Excess, rise: Rise, job: VerifyJob, *, settings: Settings) -> State:
    """Find what differs from the good boards in one recording."""
    places = find_hotspots(excess, job.board, side=job.side, settings=settings.detection)
    return State(name, _parts(excess, rise, job, settings=settings), places)


def _paired(
    job: VerifyJob, after: Sequence[Rise], before: Rise | None, error_mm: float, *, settings: Settings
) -> tuple[tuple[PartReading, ...], ...]:
    """Compare each recording after the repair with the one before: the spread between boards drops out."""
    if before is None:
        return ()
    out = []
    for rise in after:
        own = combine(
            [only_while_alike(before, rise.film)],
            outline_hash=outline_hash(job.board),
            side=job.side,
            sources=(),
            settings=settings.excess,
        )
        excess = excess_over(rise, own, position_error_mm=error_mm, basis="itself_before", settings=settings.excess)
        out.append(_parts(excess, rise, job, settings=settings))
    return tuple(out)


def warmest_course(rise: Rise) -> np.ndarray:
    """Return the mean rise of the warmest readable cells against time, ndarray (bins,), K."""
    film = rise.film
    use = film.inside & film.readable & np.isfinite(rise.rise).any(axis=0)
    if not use.any():
        return np.full(len(film.edges_s) - 1, np.nan)
    cells = rise.rise[:, use]
    peak = np.nanmax(cells, axis=0)
    warmest = cells[:, peak >= np.quantile(peak, 1 - WARMEST_SHARE)]
    known = np.isfinite(warmest)
    total = np.where(known, warmest, 0.0).sum(axis=1)
    return np.where(known.any(axis=1), total / np.maximum(known.sum(axis=1), 1), np.nan)


def cold_start(rise: Rise, *, power_on_seen: bool, settings: VerifySettings) -> tuple[bool | None, str]:
    """Tell whether a run began cold: (True, False or None where that cannot be told, why not)."""
    film = rise.film
    if not power_on_seen or film.cold is None:
        return None, "its power-on is not seen"
    use = film.inside & film.readable & np.isfinite(film.cold) & np.isfinite(rise.rise).any(axis=0)
    if not use.any():
        return None, "no readable place"
    left, reached = warmth_at_start(film.cold[use], np.nanmax(rise.rise[:, use], axis=0))
    if is_cold(left, reached, settings=settings):
        return True, ""
    return False, f"still {left:.1f} K warm from an earlier run"


def _run(placed: Placed, rise: Rise, *, settings: VerifySettings) -> Run:
    """Describe one power-up."""
    prepared, film = placed.prepared, rise.film
    timing, times = prepared.timing, prepared.recording.times_s
    cold, why = cold_start(rise, power_on_seen=timing.on_s is not None, settings=settings)
    on_for = film.on_for_s
    if on_for is None and timing.on_s is not None and times is not None:
        on_for = float(times[-1]) - timing.on_s.value
    return Run(prepared.recording.name, cold, timing.restarts, on_for, film.centres_s, warmest_course(rise), why)


def _runs(
    job: VerifyJob, placing: _Placing, after: Sequence[Rise], *, settings: Settings, verifying: VerifySettings
) -> tuple[Run, ...]:
    """Describe every power-up after the repair, the long one on its own seconds."""
    runs = [_run(placed, rise, settings=verifying) for placed, rise in zip(placing.after, after, strict=True)]
    long_run = placing.long_run
    if long_run is not None:
        prepared = long_run.prepared
        edges = choose_edges(prepared.recording.times_s, prepared.timing, until_s=None, settings=settings.film)
        grid = after[0].film.grid
        film = film_of(long_run, timing=prepared.timing, grid=grid, edges_s=edges, board=job.board, settings=settings)
        rise = rise_of(film, over_ambient=film.cold is None, settings=settings.excess)
        runs.append(_run(long_run, rise, settings=verifying))
    return tuple(runs)


def _inputs(job: VerifyJob) -> tuple[tuple[str, str, str], ...]:
    """Return (role, path, SHA-256) of every recording."""
    rows = [("after", r) for r in job.after] + [("good", r) for r in job.goods]
    rows += [("before", job.before)] if job.before is not None else []
    rows += [("long run", job.long_run)] if job.long_run is not None else []
    named = [(role, r.path, r.sha256) for role, r in rows]
    if job.baseline is not None and not job.goods:
        named += [("good, in the baseline file", name, digest) for name, digest in job.baseline.sources]
    return tuple(named)


def _warnings(job: VerifyJob, placing: _Placing, films: FilmSet, excesses: Sequence[Excess]) -> tuple[str, ...]:
    """Return what weakens the answer, each once."""
    said = []
    everyone = (*placing.after, *((placing.before,) if placing.before else ()), *placing.goods)
    for placed in everyone:
        name = placed.prepared.recording.name
        own = (*placed.prepared.recording.warnings, *placed.prepared.timing.warnings, *placed.track.warnings)
        said += [f"{name}: {text}" for text in own]
        if not placed.track.placement.trusted:
            said.append(f"{name}: its place on the board is not certain ({placed.track.placement.reason})")
    said += unknown_net_words(job.readings, job.board)
    first = placing.after[0]
    frame = (first.prepared.recording.rows, first.prepared.recording.columns)
    said += [*scale_words(job.board, *frame), *seen_words(job.board, *frame, first.pixel_mm)]
    said += [text for excess in excesses for text in excess.warnings]
    said += films.said
    if not films.share_clock:
        said.append("not every recording shows its power-on: the ends of the runs are compared, not second by second")
    if job.after[0].unit == "count":
        said.append("counts without a scale: nothing can be judged in kelvin; give --scale and --offset, or --camera")
    if excesses[0].count == 1:
        said.append("one good board only: how far good boards differ is assumed, not measured; film two or three")
    return tuple(dict.fromkeys(said))


def _maps(
    job: VerifyJob,
    excesses: Sequence[Excess],
    after: Rise,
    before: Rise | None,
    goods: Sequence[Rise],
    films: FilmSet,
    *,
    settings: Settings,
) -> tuple[ResultMaps, ResultMaps | None]:
    """Return the maps of the first recording after the repair and of the one before, at the same bin."""
    first = make_maps(excesses[0], after, _baseline(job, goods, after, films, settings=settings))
    if before is None:
        return first, None
    second = make_maps(excesses[-1], before, _baseline(job, goods, before, films, settings=settings))
    shown = min(first.shown_bin, second.shown_bin)
    return replace(first, shown_bin=shown), replace(second, shown_bin=shown)
