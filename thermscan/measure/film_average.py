"""Several power-ups of one recording, laid over one another at their power-on and averaged."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from thermscan.measure.film import Clock
from thermscan.model.film import Film
from thermscan.model.recording import Recording
from thermscan.model.settings import FilmSettings
from thermscan.model.timing import PowerUp, Timing


@dataclass(frozen=True)
class Averaged:
    """A film, the numbers (from 1) of the power-ups averaged in it, and what is to be said of it."""

    film: Film
    numbers: tuple[int, ...]
    said: tuple[str, ...]


def single_run(timing: Timing) -> Timing:
    """Return the timing of the first power-up alone."""
    first = timing.power_ups[0]
    off_why = "" if first.off_s is not None else timing.off_why
    return replace(timing, off_s=first.off_s, off_why=off_why, power_ups=(first,), restarts=0)


def is_repeated(timing: Timing, *, settings: FilmSettings) -> bool:
    """Tell whether a recording holds several power-ups that may be averaged: none so short that a supply made it."""
    ups = timing.power_ups
    if timing.on_s is None or len(ups) < 2 or abs(ups[0].on_s.value - timing.on_s.value) > settings.average_cold_s:
        return False
    ends = [up.off_s for up in ups[:-1]]
    return all(
        end is not None and end.value - up.on_s.value >= settings.average_run_s
        for up, end in zip(ups[:-1], ends, strict=True)
    )


def run_clocks(
    recording: Recording, usable: np.ndarray, timing: Timing, edges_s: np.ndarray, *, settings: FilmSettings
) -> tuple[Clock, ...]:
    """Sort frames into cold ones and bins, once for each power-up, on its own clock.

    Parameters
    ----------
    recording : Recording
        With ``times_s``.
    usable : ndarray of bool, shape (frames,)
    timing : Timing
        With two power-ups or more.
    edges_s : ndarray of shape (bins + 1,), s
        Seconds since power-on, the same for all.
    settings : FilmSettings

    Returns
    -------
    tuple of Clock
        Cold are the frames before the first power-on, and of the others the last ``average_cold_s`` before theirs.
        Frames after a power-off count only where all runs took equally long, within a bin.
    """
    times = np.asarray(recording.times_s, float)
    guard = settings.guard_frames * float(np.median(np.diff(times)))
    lengths = [run_length(up, float(times[-1])) for up in timing.power_ups]
    alike = np.ptp(lengths) <= float(np.diff(edges_s[:2])[0])
    clocks = []
    for number, up in enumerate(timing.power_ups):
        early = min(up.on_s.low, up.on_s.value - guard)
        after = np.inf
        if number + 1 < len(timing.power_ups):
            following = timing.power_ups[number + 1].on_s
            after = min(following.low, following.value - guard)
        if not alike and up.off_s is not None:
            after = min(after, up.off_s.low)
        since = times - up.on_s.value
        bins = np.searchsorted(edges_s, since, side="right") - 1
        bins[(since < 0) | (since >= edges_s[-1]) | (times >= after)] = -2
        bins[_is_cold(times, early, timing.power_ups[number - 1] if number else None, settings)] = -1
        clocks.append(Clock(edges_s, "power_on", np.where(usable, bins, -2), up.on_s.value))
    return tuple(clocks)


def run_length(up: PowerUp, last_s: float) -> float:
    """Return how long a power-up lasted, s; to the end of the recording at ``last_s`` where it was still on."""
    return (last_s if up.off_s is None else up.off_s.value) - up.on_s.value


def _is_cold(times: np.ndarray, early: float, before: PowerUp | None, settings: FilmSettings) -> np.ndarray:
    """Tell which frames show a board before a power-up, bool (frames,)."""
    if before is None:
        return times < early
    off = before.off_s.high if before.off_s is not None else early
    return (times < early) & (times >= max(early - settings.average_cold_s, (off + early) / 2))


def average_runs(films: Sequence[Film], *, name: str, settings: FilmSettings) -> Averaged:
    """Average the rises of several power-ups of one board, each over its own cold frames.

    Parameters
    ----------
    films : sequence of Film
        One a power-up, in order, on one grid and one clock.
    name : str
        Of the recording, for what is said.
    settings : FilmSettings

    Returns
    -------
    Averaged
        The first film alone where no other power-up is fit, or where the first shows no cold frames.

    Notes
    -----
    Rises are weighted by frames, and the first one's cold picture is added again, so that temperatures stay those of
    the first power-up. A later power-up is left out where the heat left of the runs before it, at the places that warm
    most and beyond what the whole board kept, is more than ``average_left_share`` of the first run's: equations of
    heat are linear, so what of that fades within the run, and no more, is missing from its rise. It is left out too
    where it made another amount of heat than the first (``average_heat_share``): another state is no repetition.
    """
    first = films[0]
    kept, numbers, said = [first], [1], []
    for number, film in enumerate(films[1:], start=2):
        why = _unfit_because(first, film, settings)
        if why:
            said.append(f"{name}: power-up {number} is not averaged with the first: {why}")
        else:
            kept.append(film)
            numbers.append(number)
    if len(kept) == 1:
        return Averaged(first, (1,), tuple(said))
    listed = ", ".join(map(str, numbers[:-1])) + f" and {numbers[-1]}"
    said.insert(0, f"{name}: the rises of its power-ups {listed} are averaged, each from its own power-on")
    return Averaged(_mean_film(kept), tuple(numbers), tuple(said))


def _unfit_because(first: Film, film: Film, settings: FilmSettings) -> str:
    """Say why a power-up cannot be averaged with the first; empty where it can."""
    if first.cold is None:
        return "the first shows no cold frames"
    if film.cold is None:
        return "no frame shows the board just before it"
    rise, again = first.mean - first.cold, film.mean - film.cold
    shared = (first.frames > 0) & (film.frames > 0)
    use = first.inside & first.readable & film.readable & np.isfinite(film.cold + first.cold)
    use &= np.isfinite(rise[shared]).all(axis=0) & np.isfinite(again[shared]).all(axis=0)
    if not shared.any() or use.sum() < 4:
        return "no second of it can be compared"
    total, repeated = rise[shared][:, use].mean(axis=0), again[shared][:, use].mean(axis=0)
    warm = total >= np.quantile(total, 1 - settings.average_warm_share)
    reached = float(np.median(rise[shared][:, use][:, warm].max(axis=0)) - np.median(rise[shared][:, use].min(axis=0)))
    left = (film.cold - first.cold)[use]
    share = (float(np.median(left[warm])) - float(np.median(left))) / max(reached, 1e-9)
    if share > settings.average_left_share:
        return f"{share:.0%} of the heat of the run before it was left in the warm places"
    heat = _slope(total, repeated)
    if abs(heat - 1) > settings.average_heat_share:
        return f"it made {heat:.2f} times the heat of the first"
    return ""


def _slope(x: np.ndarray, y: np.ndarray) -> float:
    """Return the slope of ``y`` against ``x``, both free of their means."""
    x, y = x - x.mean(), y - y.mean()
    return float((x * y).sum() / max(float((x * x).sum()), 1e-12))


def _mean_film(films: Sequence[Film]) -> Film:
    """Return the first film with its rise averaged with those of the others, weighted by frames."""
    first = films[0]
    total = np.zeros(first.mean.shape, np.float64)
    weight = np.zeros(first.mean.shape, np.float64)
    for film in films:
        rise = film.mean - film.cold
        known = np.isfinite(rise)
        share = film.frames[:, None, None] * known
        total += np.where(known, rise, 0.0) * share
        weight += share
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(weight > 0, total / weight, np.nan) + first.cold
    frames = np.array([f.frames.sum() for f in films], float)
    weights = frames / frames.sum()
    # the noise of cold pictures adds as the squares of their weights
    cold_frames = 1.0 / sum(w**2 / f.cold_frames for w, f in zip(weights, films, strict=True))
    saturated = [f.saturated for f in films if f.saturated is not None]
    return replace(
        first,
        mean=mean.astype(np.float32),
        frames=np.sum([f.frames for f in films], axis=0),
        cold_frames=max(1, int(cold_frames)),
        noise=np.sqrt(np.mean([f.noise**2 for f in films], axis=0)),
        inside=np.all([f.inside for f in films], axis=0),
        readable=np.all([f.readable for f in films], axis=0),
        saturated=np.any(saturated, axis=0) if saturated else None,
        flags=frozenset().union(*(f.flags for f in films), {"power_ups_averaged"}),
        cold_series=None,
    )
