"""The main job: a faulty recording against known-good ones, or against itself."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import compress

import numpy as np

from thermscan.explain.suspect import explain
from thermscan.find.energy import keep_books, mean_power_w
from thermscan.find.energy_plate import measure_plate
from thermscan.find.excess import combine, excess_over, only_while_alike, onto
from thermscan.find.excess_spilled import with_spilled
from thermscan.find.hotspot import find_hotspots, readable_first
from thermscan.find.part_reading import read_parts, with_unclear
from thermscan.find.passing import without_passing
from thermscan.find.source import find_sources
from thermscan.find.source_map import SourceMap, map_sources
from thermscan.model.board import Board, outline_hash
from thermscan.model.evidence import Evidence, Priors, Swap
from thermscan.model.film import Baseline, Excess, Rise
from thermscan.model.pose import Track
from thermscan.model.quantity import Measured
from thermscan.model.reading import Reading
from thermscan.model.recording import Drive, Recording
from thermscan.model.result import Hotspot, InputFile, PartReading, Ranking, Result
from thermscan.model.result_maps import ResultMaps
from thermscan.model.settings import Settings
from thermscan.model.source_fit import SourceFit
from thermscan.model.surface import Surface
from thermscan.model.timing import Timing, before_words, rate_of
from thermscan.physics.plate import default_plate
from thermscan.pipeline.answer import Found, make_maps, make_result
from thermscan.pipeline.film_set import FilmSet, Placed, make_films
from thermscan.pipeline.good_choice import choose_goods
from thermscan.pipeline.heat_maps import heat_maps
from thermscan.pipeline.place import place_all
from thermscan.pipeline.prepare import prepare_all
from thermscan.pipeline.progress import Tell, silent
from thermscan.pipeline.rates import add_rates
from thermscan.pipeline.temperatures import Seen, add_temperatures, hatched, own_places

# What the warmest places of a board that takes power reach within seconds, at the least; judgement.
WARM_K, WARM_SIGMAS = 1.0, 6.0


@dataclass(frozen=True)
class Job:
    """What is to be compared.

    Attributes
    ----------
    faulty : Recording
    goods : tuple of Recording
    baseline : Baseline or None
        A combined baseline from a file; used where there are no good recordings.
    before : Recording or None
        An earlier recording of the SAME board, used as baseline; ``changed`` names the parts swapped since.
    board : Board or None
    side : {'top', 'bottom'}
    readings : tuple of Reading
    inject : Drive or None
        Overrides the sidecar's drive.
    surfaces : tuple of Surface
        The surface table.
    priors : Priors or None
    seen : Seen
        Emissivity and reflected temperature as the user states them.
    delivered_w : Measured or None
        Power that leaves the board through connectors, as the user states it.
    files : tuple of InputFile
        What else was read (board file, readings, ...), listed in the result with its SHA-256.
    """

    faulty: Recording
    goods: tuple[Recording, ...] = ()
    baseline: Baseline | None = None
    before: Recording | None = None
    changed: tuple[str, ...] = ()
    board: Board | None = None
    side: str = "top"
    readings: tuple[Reading, ...] = ()
    inject: Drive | None = None
    surfaces: tuple[Surface, ...] = ()
    priors: Priors | None = None
    seen: Seen = field(default_factory=Seen)
    files: tuple[InputFile, ...] = ()
    delivered_w: Measured | None = None


@dataclass(frozen=True)
class Comparison:
    """The answer with everything that is written or drawn from it."""

    result: Result
    maps: ResultMaps
    board: Board
    tracks: tuple[Track, ...]
    excess: Excess
    fit: SourceFit = field(default_factory=lambda: SourceFit((), None))


def compare(job: Job, *, settings: Settings, tell: Tell = silent) -> Comparison:
    """Compare one board with good ones, with its own past, or with itself.

    Parameters
    ----------
    job : Job
    settings : Settings
    tell : Tell
        Told how the work is getting on.

    Returns
    -------
    Comparison
    """
    others = (job.before,) if job.before is not None else job.goods
    prepared = prepare_all((job.faulty, *others), settings=settings, tell=tell, upto=0.6)
    tell("placing the board", 0.6)
    drive = job.inject or job.faulty.facts.drive
    is_injection = drive is not None and drive.mode == "injection"
    placed, board = place_all(prepared, job.board, side=job.side, is_injection=is_injection, settings=settings)
    tell("taking the difference", 0.7)
    everyone, whole = placed, job
    used, said = ((True,) * len(placed), ()) if job.before else choose_goods(placed, is_injection=is_injection)
    placed = tuple(compress(placed, used))
    if not all(used):
        job = replace(job, goods=tuple(compress(job.goods, used[1:])))
    films = make_films(placed[0], placed[1:], board=board, settings=settings)
    baseline = _baseline(job, films, board, settings=settings)
    excess = _excess(job, films, baseline, board, restarts=films.timing.restarts, settings=settings)
    excess = replace(excess, warnings=(*excess.warnings, *said, *_clock_words(films, placed), *films.said))
    tell("finding places and parts", 0.8)
    found = replace(_find(job, films, excess, placed, board, settings=settings), used=used)
    tell("finding where the heat is made", 0.85)
    fit, made = _sources(job, excess, films.timing, placed, board, settings=settings)
    tell("reasoning", 0.95)
    ranking = _explain(job, films, excess, found, fit, placed, board, settings=settings)
    result = make_result(whole, found, fit, ranking, everyone, excess, board, settings=settings)
    tell("done", 1.0)
    maps = replace(make_maps(excess, films.faulty, baseline), heat=heat_maps(fit, made))
    return Comparison(
        result,
        hatched(maps, found.parts, board),
        board,
        tuple(p.track for p in everyone),
        excess,
        fit,
    )


def _clock_words(films: FilmSet, placed: Sequence[Placed]) -> tuple[str, ...]:
    """Say where boards are compared although they share no clock, and where this one may take no power at all."""
    if films.share_clock or not films.goods:
        return ()
    rates = [r for p in placed if (r := rate_of(p.prepared.recording.times_s)) is not None]
    before = before_words(min(rates, default=None))
    said = [
        "power-on is not seen in every recording: the ends of the runs are compared as if they were one state, which"
        f" says far less, and no watts can be told; film each board from {before} before power-on"
    ]
    own = placed[0].prepared.timing
    seen = [p.prepared.recording.name for p in placed[1:] if p.prepared.timing.on_s is not None]
    if own.on_s is None and own.on_why.startswith("not_seen") and seen and not _is_warm(films.faulty):
        said.append(
            f"no moment is seen at which this board begins to warm, as {seen[0]} does: if the bench supply shows next"
            " to no current, begin at its supply, connector, fuse and first regulator"
        )
    return tuple(said)


def _is_warm(rise: Rise) -> bool:
    """Tell whether some place of the board is warmer at the end than its coolest regions, or than it was while cold."""
    bins = np.flatnonzero(np.isfinite(rise.rise).any(axis=(1, 2)))
    if not len(bins):
        return False
    last, inside = rise.rise[bins[-1]], rise.film.inside & rise.film.readable
    known = inside & np.isfinite(last)
    error = float(np.nanmedian(np.broadcast_to(rise.error, rise.rise.shape)[bins[-1]][known])) if known.any() else 0.0
    return known.any() and float(np.quantile(last[known], 0.99)) > max(WARM_K, WARM_SIGMAS * error)


def _baseline(job: Job, films: FilmSet, board: Board, *, settings: Settings) -> Baseline | None:
    """Combine the good boards, or bring the baseline from a file onto this grid and clock."""
    faulty = films.faulty.film
    if films.goods:
        sources = [(r.name, r.sha256) for r in ((job.before,) if job.before is not None else job.goods)]
        alike = [only_while_alike(rise, faulty) for rise in films.goods] if films.share_clock else films.goods
        return combine(
            alike, outline_hash=outline_hash(board), side=job.side, sources=sources, settings=settings.excess
        )
    if job.baseline is not None:
        return onto(job.baseline, faulty.grid, faulty.edges_s)
    return None


def _excess(
    job: Job, films: FilmSet, baseline: Baseline | None, board: Board, *, restarts: int | None, settings: Settings
) -> Excess:
    """Take the difference, without what passed before the camera (a supply that restarts comes and goes itself)."""
    error = float(
        np.hypot(films.faulty.film.position_error_mm, max([g.film.position_error_mm for g in films.goods], default=0))
    )
    basis = "itself_before" if job.before is not None else "good_boards"
    excess = excess_over(films.faulty, baseline, position_error_mm=error, basis=basis, settings=settings.excess)
    excess = excess if restarts else without_passing(excess, settings=settings.detection)
    return with_spilled(excess, board, side=job.side, surfaces=job.surfaces, optics_px=settings.source.optics_px)


def _find(
    job: Job, films: FilmSet, excess: Excess, placed: Sequence[Placed], board: Board, *, settings: Settings
) -> Found:
    """Find hot and cold places and read the parts, with their rates."""
    hotspots: tuple[Hotspot, ...] = find_hotspots(excess, board, side=job.side, settings=settings.detection)
    parts: tuple[PartReading, ...] = read_parts(
        excess, films.faulty, board, side=job.side, surfaces=job.surfaces, settings=settings.detection
    )
    hotspots, parts = add_rates(hotspots, parts, placed, board, excess, job.baseline, settings=settings.rate)
    own = add_temperatures(
        parts,
        excess,
        board,
        job.faulty,
        seen=job.seen,
        surfaces=job.surfaces,
        settings=settings.radiometry,
    )
    own = with_unclear(own)
    return Found(own_places(readable_first(hotspots, own), parts, own), own, films.share_clock)


def _runs(timing: Timing) -> tuple[tuple[float, float | None], ...] | None:
    """Return the runs in seconds since power-on; None where power-on is not known."""
    if timing.on_s is None or not timing.power_ups:
        return None
    start = timing.on_s.value
    return tuple(
        (up.on_s.value - start, None if up.off_s is None else up.off_s.value - start) for up in timing.power_ups
    )


def _good_supply_w(job: Job, placed: Sequence[Placed]) -> Measured | None:
    """Return the good boards' volts times amps, mean while on and over the boards, None where none was logged."""
    goods = job.goods if job.before is None else ()
    logged = [mean_power_w(r.facts.supply, p.prepared.timing) for r, p in zip(goods, placed[1:], strict=False)]
    known = [w for w in logged if w is not None]
    if not known or len(known) < len(logged):
        return None
    spread = float(np.hypot(np.std([w.value for w in known]), max(w.standard_error for w in known)))
    return Measured.normal(float(np.mean([w.value for w in known])), spread)


def _sources(
    job: Job, excess: Excess, timing: Timing, placed: Sequence[Placed], board: Board, *, settings: Settings
) -> tuple[SourceFit, SourceMap | None]:
    """Invert the heat equation where millimetres and kelvins are known, and add up the heat of the whole board."""
    if job.board is None:
        return SourceFit((), None, why={"sources": "no millimetres are known, so watts are not either"}), None
    plate = default_plate(board.thickness_mm, settings=settings.plate)
    given = {"supply_w": _good_supply_w(job, placed), "delivered_w": job.delivered_w}
    seen = {"side": job.side, "surfaces": job.surfaces}
    plate = measure_plate(excess, board, plate, **given, **seen, settings=settings.energy)
    how = {**seen, "runs_s": _runs(timing)}
    fit = find_sources(excess, board, plate, **how, settings=settings.source)
    if excess.film.unit != "celsius" or excess.film.clock != "power_on":
        return fit, None
    made = map_sources(excess, board, plate, **how, settings=settings.source_map)
    supply = mean_power_w(job.faulty.facts.supply, timing)
    given["supply_w"] = supply
    return replace(fit, energy=keep_books(excess, board, plate, **given, **seen, settings=settings.energy)), made


def _left_out(
    job: Job, films: FilmSet, excess: Excess, board: Board, *, settings: Settings
) -> tuple[tuple[PartReading, ...], ...]:
    """Judge each good board against the other ones as if it were the faulty one."""
    if len(films.goods) < 2 or job.before is not None:
        return ()
    alike = (
        [only_while_alike(rise, films.faulty.film) for rise in films.goods] if films.share_clock else list(films.goods)
    )
    out = []
    for i, rise in enumerate(alike):
        rest = combine(alike[:i] + alike[i + 1 :], outline_hash="", side=job.side, sources=(), settings=settings.excess)
        error = float(np.sqrt(2)) * rise.film.position_error_mm
        other = excess_over(rise, rest, position_error_mm=error, settings=settings.excess)
        other = replace(other, film=replace(other.film, on_for_s=excess.film.on_for_s))
        other = without_passing(other, settings=settings.detection)
        optics_px = settings.source.optics_px
        other = with_spilled(other, board, side=job.side, surfaces=job.surfaces, optics_px=optics_px)
        out.append(read_parts(other, rise, board, side=job.side, surfaces=job.surfaces, settings=settings.detection))
    return tuple(out)


def _explain(
    job: Job,
    films: FilmSet,
    excess: Excess,
    found: Found,
    fit: SourceFit,
    placed: Sequence[Placed],
    board: Board,
    *,
    settings: Settings,
) -> Ranking:
    """Gather the evidence and rank the suspects."""
    evidence = Evidence(
        parts=tuple(p for p in found.parts if p.excess_course_k is not None),
        times_s=excess.film.centres_s,
        excess=excess,
        hotspots=found.hotspots,
        sources=fit.sources,
        basis=excess.basis,
        good_boards=excess.count if excess.basis == "good_boards" else 0,
        side=job.side,
        timing=placed[0].prepared.timing,
        good_timings=tuple(p.prepared.timing for p in placed[1:]),
        readings=job.readings,
        supply=job.faulty.facts.supply,
        good_supplies=tuple(r.facts.supply for r in job.goods if r.facts.supply),
        drive=job.inject or job.faulty.facts.drive,
        left_out=_left_out(job, films, excess, board, settings=settings),
        swaps=_swaps(job, found),
        ambient_c=job.faulty.facts.ambient_c,
        unit=job.faulty.unit,
        clock_is_power_on=excess.film.clock == "power_on",
        flags=frozenset(excess.film.flags | _doubts(job, placed)),
        good_names=tuple(r.name for r in job.goods),
        good_ambients_c=tuple(r.facts.ambient_c for r in job.goods if r.facts.ambient_c is not None),
        good_drives=tuple(r.facts.drive for r in job.goods if r.facts.drive is not None),
        limit_is_stated=fit.limit_text is not None,
        frame_rate_hz=rate_of(job.faulty.times_s),
    )
    return explain(evidence, board, priors=job.priors, settings=settings.explain)


def _swaps(job: Job, found: Found) -> tuple[Swap, ...]:
    """Tell of each part changed since the earlier recording whether the board shows any difference from it."""
    if job.before is None:
        return ()
    differs = bool(found.hotspots) or any(p.state in ("hot", "cold") for p in found.parts)
    return tuple(Swap(ref, changed=differs) for ref in job.changed)


def _doubts(job: Job, placed: Sequence[Placed]) -> set[str]:
    """Return the flags of what makes places uncertain: no millimetres, or a placing that is not trusted."""
    flags = {"no_millimetres"} if job.board is None else set()
    return flags | (set() if all(p.track.placement.trusted for p in placed) else {"placement_untrusted"})
