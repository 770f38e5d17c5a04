"""Hands each part's reading, surface and surroundings to the radiometry, and its answer back to the part."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from thermscan.find.part_reading import footprint, mean_over
from thermscan.measure.radiometry import View, check_view, gain
from thermscan.measure.radiometry_budget import (
    Conditions,
    Resolution,
    SurfaceTemperature,
    check_by_draws,
    check_difference_by_draws,
    temperature_of,
    usual_conditions,
)
from thermscan.measure.radiometry_camera import band_of
from thermscan.measure.radiometry_recording import as_received, background_c, without_window
from thermscan.model.board import Board, Part
from thermscan.model.budget import Quantity
from thermscan.model.errors import InputError
from thermscan.model.film import Excess, Film
from thermscan.model.quantity import Measured
from thermscan.model.recording import Facts, Recording
from thermscan.model.result import Hotspot, PartReading, RiseRate
from thermscan.model.result_maps import ResultMaps
from thermscan.model.settings import RadiometrySettings
from thermscan.model.surface import Surface, find_surface
from thermscan.physics.uncertainty import NORMAL_95
from thermscan.pipeline.resolution import bodies, resolution_of


@dataclass(frozen=True)
class Seen:
    """What the user says of how the board was looked at; None where nothing is said."""

    emissivity: float | None = None
    reflected_c: float | None = None
    transmission: float | None = None


def room_level_c(film: Film) -> float:
    """Return the coolest tenth of what the film shows, bench included, before power-on where that was filmed."""
    picture = film.mean[0] if film.cold is None else film.cold
    return float(np.nanquantile(picture, 0.1))


def reflected_quantity(facts: Facts, film: Film, seen: Seen, *, settings: RadiometrySettings) -> Quantity:
    """Return the reflected apparent temperature: as given, as the camera was told, the air's, or the bench's."""
    for value, error, source in (
        (seen.reflected_c, settings.reflected_given_k, "given with --reflected"),
        (facts.reflected_c, settings.reflected_given_k, "as the camera was told"),
        (facts.ambient_c, settings.reflected_air_k, "the air's temperature from the sidecar"),
    ):
        if value is not None:
            return Quantity("reflected temperature", value, error, unit="C", source=source)
    source = "the coolest part of the picture; --reflected sets it"
    return Quantity("reflected temperature", room_level_c(film), settings.reflected_air_k, unit="C", source=source)


def unnamed_surface(table: Sequence[Surface], seen: Seen, *, settings: RadiometrySettings) -> Surface:
    """Return the surface of parts whose own is not named: as given, else any that a camera can read."""
    if seen.emissivity is not None:
        half = settings.emissivity_given
        low, high = max(seen.emissivity - half, 0.01), min(seen.emissivity + half, 1.0)
        return Surface("as given", seen.emissivity, low, high, readable=True, source="given with --emissivity")
    readable = [s for s in table if s.readable]
    low = min((s.low for s in readable), default=0.8)
    high = max((s.high for s in readable), default=0.97)
    source = "the board file names no surface; bare metal is left out"
    return Surface("any readable", (low + high) / 2, low, high, readable=True, source=source)


def check_seen(seen: Seen) -> Seen:
    """Return what the user says of the view if it is possible, else raise InputError."""
    if seen.emissivity is not None:
        check_view(View(seen.emissivity), path="--emissivity")
    if seen.reflected_c is not None:
        check_view(View(reflected_c=seen.reflected_c), path="--reflected")
    if seen.transmission is not None:
        check_view(View(transmission=seen.transmission), path="--transmission")
    return seen


def check_applied(recording: Recording) -> None:
    """Refuse a sidecar that says that the camera compensated for surroundings hotter than all it saw.

    Looks at the first, the middle and the last frame; raises InputError.
    """
    facts = recording.facts
    if facts.reflected_c is None or facts.emissivity in (None, 1.0) or recording.unit != "celsius":
        return
    looked = {0, recording.frames // 2, recording.frames - 1}
    hottest = max(float(np.nanmax(recording.store.read(i, i + 1))) for i in looked)
    if facts.reflected_c > hottest:
        problem = f"{facts.reflected_c:g} C is hotter than anything in the picture ({hottest:.1f} C)"
        hint = "the sign would turn; correct the sidecar, or leave the key out"
        raise InputError(recording.path, "reflected_c", problem, hint)


def before_window(recording: Recording, seen: Seen) -> Recording:
    """Return a recording as it would have looked without the window that ``seen`` tells of.

    The window counts as warm as what is reflected: as given, else the air, else the coolest part of the picture.
    """
    if seen.transmission is None or seen.transmission == 1.0:
        return recording
    band = band_of(recording)
    received = as_received(recording, band=band)
    window_c = seen.reflected_c if seen.reflected_c is not None else recording.facts.ambient_c
    window_c = background_c(received) if window_c is None else window_c
    return without_window(received, View(1.0, window_c, seen.transmission, window_c), band=band)


def check_against(seen: Seen, film: Film) -> None:
    """Refuse surroundings that are said to be hotter than anything on the board; raises InputError."""
    if seen.reflected_c is None or film.unit != "celsius":
        return
    hottest = float(np.nanmax(np.where(film.inside, film.mean, np.nan)))
    if seen.reflected_c > hottest:
        problem = f"{seen.reflected_c:g} C is hotter than anything on the board ({hottest:.1f} C)"
        raise InputError("--reflected", "", problem, "the correction would turn its sign; measure it on crumpled foil")


def add_temperatures(
    parts: tuple[PartReading, ...],
    excess: Excess,
    board: Board,
    recording: Recording,
    *,
    seen: Seen,
    surfaces: tuple[Surface, ...],
    settings: RadiometrySettings,
) -> tuple[PartReading, ...]:
    """Return the parts with their temperatures, and with rise and excess of their own surface where it is named.

    Parameters
    ----------
    parts : tuple of PartReading
    excess : Excess
        Its film holds apparent temperatures of the faulty board.
    board : Board
    recording : Recording
        Of the faulty board: its facts and its camera's profile.
    seen : Seen
    surfaces : tuple of Surface
    settings : RadiometrySettings
    """
    film = excess.film
    random = np.random.default_rng(0)  # the same recording gives the same bytes
    check_against(check_seen(seen), film)
    if film.unit != "celsius":
        why = "counts without a scale"
        return tuple(replace(p, why={**p.why, "temperature_c": why}) for p in parts)
    conditions = usual_conditions(
        reflected_quantity(recording.facts, film, seen, settings=settings),
        profile=recording.profile,
        settings=settings,
    )
    if seen.transmission is not None:
        # taken off the frames already (see before_window): what is left is how well it is known
        share = settings.transmission_given / (NORMAL_95 * seen.transmission)
        through = Quantity("transmission", 1.0, share, source=f"--transmission {seen.transmission:g}, taken off")
        conditions = replace(conditions, transmission=through)
    unnamed = unnamed_surface(surfaces, seen, settings=settings)
    drift = rise_drift_k(parts)
    occupied = bodies(board, film.grid, side=parts[0].side if parts else "top")
    out = []
    for given in parts:
        reading = replace(given, rise_k=_widened(given.rise_k, drift))
        if reading.excess_course_k is None or reading.state == "unreadable":
            reason = reading.why.get("state", "") or "it was not seen"
            out.append(replace(reading, why={**reading.why, "temperature_c": reason}))
            continue
        part = board.part(reading.ref)
        surface = find_surface(part.seen_surface, surfaces)
        is_named = surface is not None or seen.emissivity is not None
        apparent = _apparent(part, excess)
        if apparent is None:
            out.append(reading)
            continue
        known = (apparent.value, *(None if m is None else m.value for m in (reading.excess_k, reading.rise_k)))
        blurred = resolution_of(part, excess, occupied, known, settings=settings)
        case = _Case(apparent, surface or unnamed, conditions, *blurred)
        corrected = _corrected(reading, case, is_named=is_named)
        if corrected.temperature_c is not None:
            apart = reading.excess_k if is_named else None
            drawn = _drawn(case, apart, random=random, draws=settings.draws)
            corrected = replace(corrected, temperature_drawn_c=drawn[0], excess_drawn_k=drawn[1])
        out.append(corrected)
    return tuple(out)


def own_places(
    hotspots: tuple[Hotspot, ...], before: Sequence[PartReading], after: Sequence[PartReading]
) -> tuple[Hotspot, ...]:
    """Return the places with the excess and rate of their part's own surface, where that part's was corrected.

    Parameters
    ----------
    hotspots : tuple of Hotspot
    before, after : sequence of PartReading
        Without and with their own surfaces.

    Notes
    -----
    A place takes the gain of its first part's surface; its interval takes that part's share for the emissivity. What
    blur took is not put back: a place is no part. Places without such a part stay apparent.
    """
    was = {p.ref: p for p in before}
    own = {p.ref: p for p in after if p.excess_k is not None and was[p.ref].excess_k != p.excess_k}
    out = []
    for place in hotspots:
        part = own.get(place.parts[0]) if place.parts else None
        if part is None or part.excess_k is None or place.excess_k is None or part.excess_k.value == 0:
            out.append(place)
            continue
        terms = {t.name: t for t in part.temperature_budget}
        reading, emissivity, reflected = (
            terms.get(name) for name in ("noise of the reading", "emissivity", "reflected temperature")
        )
        if reading is None or emissivity is None or reflected is None:
            out.append(place)
            continue
        ratio = float(gain(reading.value, View(emissivity.value, reflected.value)))
        share = abs((emissivity.difference_k or 0.0) / part.excess_k.value)
        rate = place.rise_rate
        if rate is not None:
            rate = replace(rate, k_per_s=_grown(rate.k_per_s, ratio, share))
        out.append(replace(place, excess_k=_grown(place.excess_k, ratio, share), rise_rate=rate))
    return tuple(out)


def _grown(measured: Measured, ratio: float, share: float) -> Measured:
    """Return a value times a ratio that is known to a share of itself, one standard deviation."""
    own = measured.scaled(ratio)
    return Measured.normal(own.value, math.hypot(own.standard_error, own.value * share))


def hatched(maps: ResultMaps, parts: Sequence[PartReading], board: Board) -> ResultMaps:
    """Return the maps with the bodies of surfaces that a camera cannot read marked so: pictures hatch them."""
    blind = np.zeros(maps.readable.shape, bool)
    points = maps.grid.points_mm()
    for reading in parts:
        if reading.state == "unreadable" and "unreadable" in reading.flags:
            blind |= board.part(reading.ref).contains(points[..., 0], points[..., 1])
    return replace(maps, readable=maps.readable & ~blind) if blind.any() else maps


def rise_drift_k(parts: Sequence[PartReading]) -> float:
    """Return how far the coolest tenth of the parts' rises lies from none, K: what a drift of the camera may be.

    Some part of a board stays cold for the first seconds. Taken as one standard deviation of every rise, since it is an
    estimate itself; 0 with fewer than five parts, which cannot tell. The excess is not touched: good boards show the
    spread of it.
    """
    rises = [p.rise_k.value for p in parts if p.rise_k is not None and p.state != "unreadable"]
    return abs(float(np.quantile(rises, 0.1))) if len(rises) >= 5 else 0.0


def _widened(measured: Measured | None, error: float) -> Measured | None:
    """Return a value with another standard error joined to its own."""
    if measured is None:
        return None
    return Measured.normal(measured.value, math.hypot(measured.standard_error, error))


def _apparent(part: Part, excess: Excess) -> Quantity | None:
    """Return what the camera shows for a part in the last second with power on, and the standard error of its noise."""
    film, window = excess.film, excess.last_second()
    spot = footprint(part, film.grid, pixel_mm=film.pixel_mm)
    course = mean_over(film.mean, spot)[window.start : window.stop]
    if not np.isfinite(course).any():
        return None
    frames = max(int(np.sum(film.frames[window.start : window.stop])), 1)
    noise = float(mean_over(film.noise[None], spot)[0]) / math.sqrt(frames)
    noise = noise if math.isfinite(noise) else 0.0
    return Quantity("noise of the reading", float(np.nanmean(course)), noise, unit="C", source="measured")


@dataclass(frozen=True)
class _Case:
    """One part as it was seen: its reading, its surface, and what blur took from its excess and from its rise."""

    apparent: Quantity
    surface: Surface
    conditions: Conditions
    of_excess: Resolution
    of_rise: Resolution

    def solve(self, difference: Measured | None, resolution: Resolution) -> SurfaceTemperature:
        """Ask for temperature and difference."""
        between = None if difference is None else _between(difference)
        return temperature_of(self.apparent, self.surface, self.conditions, difference=between, resolution=resolution)


def _corrected(reading: PartReading, case: _Case, *, is_named: bool) -> PartReading:
    """Return one part with its temperature and, where its surface is named, its own rise and excess."""
    answer = case.solve(reading.excess_k, case.of_excess)
    if answer.temperature is None:
        return replace(reading, why={**reading.why, "temperature_c": answer.why})
    why = {key: text for key, text in reading.why.items() if key != "temperature_c"}
    changes: dict[str, object] = {}
    if is_named and answer.difference is not None:
        changes["excess_k"] = answer.difference.measured
        risen = case.solve(reading.rise_k, case.of_rise).difference
        if risen is not None:
            changes["rise_k"] = risen.measured
        if reading.rise_rate is not None:
            changes["rise_rate"] = _own_rate(reading.rise_rate, case)
    return replace(
        reading, temperature_c=answer.temperature.measured, temperature_budget=answer.terms, why=why, **changes
    )


def _drawn(
    case: _Case, difference: Measured | None, *, random: np.random.Generator, draws: int
) -> tuple[Measured, Measured | None]:
    """Return one part's temperature and excess with their intervals by Monte Carlo."""
    known = (case.apparent, case.surface, case.conditions)
    how = {"random": random, "draws": draws, "resolution": case.of_excess}
    found = [check_by_draws(*known, **how)]
    if difference is not None:
        found.append(check_difference_by_draws(*known, _between(difference), **how))
    made = [Measured(mean, min(low, mean), max(high, mean)) for mean, _, low, high in found]
    return made[0], made[1] if difference is not None else None


def _own_rate(rate: RiseRate, case: _Case) -> RiseRate:
    """Return a rise rate of the surface itself: what the camera saw times the gain of the reading."""
    surface, conditions = case.surface, case.conditions
    view = View(surface.emissivity, conditions.reflected_c.value)
    ratio = float(gain(case.apparent.value, view, band=conditions.band))
    share = (surface.high - surface.low) / (2 * NORMAL_95 * surface.emissivity)
    return replace(rate, k_per_s=_grown(rate.k_per_s, ratio, share))


def _between(difference: Measured) -> Quantity:
    """Return an apparent difference as an input of a budget."""
    return Quantity("noise and spread", difference.value, difference.standard_error, unit="K", source="measured")
