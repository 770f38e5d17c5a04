"""Edges read as switchings of the board: on, off, on again; and which edges are no switchings."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from thermscan.measure.power_fit import Profile, moment_profile
from thermscan.measure.power_pools import PoolSeries, choose_apart
from thermscan.measure.power_response import EdgeFit
from thermscan.model.settings import TimingSettings


@dataclass(frozen=True)
class SwitchTrain:
    """Edges read as switchings.

    Attributes
    ----------
    runs : tuple of (int or None, int or None)
        Edge of power-on (None: it was on before) and edge of power-off (None: still on) of each run.
    profiles : dict of edge to Profile
        Log-likelihood of the moment of each edge in ``runs``.
    """

    runs: tuple[tuple[int | None, int | None], ...]
    profiles: dict[int, Profile] = field(default_factory=dict)


def believable_train(pools: PoolSeries, fit: EdgeFit, *, settings: TimingSettings) -> SwitchTrain:
    """Read the edges as switchings, leaving out those that are no start or end of heating.

    Parameters
    ----------
    pools : PoolSeries
    fit : EdgeFit
    settings : TimingSettings

    Returns
    -------
    SwitchTrain

    Notes
    -----
    An edge is left out where most of its places follow a step rather than a response to power (offsets of the camera,
    something that moves into view), or where the same places show other kinks, outside the time that the power is
    on, of more than ``settings.restless_share`` of its strength (moving things, unsteady pixels).
    """
    signs = edge_signs(fit, settings=settings)
    mixed = signs == 0
    profiles: dict[int, Profile] = {}
    while True:
        runs = read_runs(fit, signs, settings=settings)
        inside = _inside(fit, runs, settings)
        dropped = False
        for number in (n for run in runs for n in run if n is not None):
            chosen = places_of(pools, fit, number, float(signs[number]), settings=settings)
            if number not in profiles:
                profiles[number] = moment_profile(
                    pools, fit, number, chosen, sign=float(signs[number]), settings=settings
                )
            is_lone = any(run[0] is None and run[1] == number for run in runs)
            if (
                profiles[number].step_share > settings.step_share
                or _is_faint(fit, number, settings.lone_sigmas if is_lone else settings.switch_sigmas)
                or _is_restless(fit, number, chosen, inside, settings)
                or ((number, None) in runs and _has_faded(pools, fit, number, chosen, settings))
                or _is_common(fit, number, mixed & ~(inside & (not is_lone)), settings)
            ):
                signs[number], dropped = 0, True
                break
        if not dropped:
            return SwitchTrain(runs, {n: profiles[n] for run in runs for n in run if n is not None})


def places_of(pools: PoolSeries, fit: EdgeFit, number: int, sign: float, *, settings: TimingSettings) -> np.ndarray:
    """Return the cells, ndarray (sources,), that answer edge ``number`` first; the three strongest if none is sure."""
    strength = sign * fit.response[number] / fit.error[number]
    chosen = choose_apart(pools, strength, settings=settings)
    return chosen if len(chosen) else np.argsort(-strength)[:3]


def _inside(fit: EdgeFit, runs: tuple[tuple[int | None, int | None], ...], settings: TimingSettings) -> np.ndarray:
    """Say which edges are switchings, lie between a power-on and its power-off, or mend the shape of one."""
    out = np.zeros(len(fit.times_s), bool)
    for start, stop in runs:
        begin = -np.inf if start is None else fit.times_s[start] - settings.rival_s
        end = np.inf if stop is None else fit.times_s[stop] + settings.rival_s
        out |= (fit.times_s >= begin) & (fit.times_s <= end)
    return out


def _is_faint(fit: EdgeFit, number: int, sigmas: float) -> bool:
    """Say whether no place answers an edge clearly enough."""
    return bool(np.abs(fit.response[number] / fit.error[number]).max() < sigmas)


def _is_common(fit: EdgeFit, number: int, others: np.ndarray, settings: TimingSettings) -> bool:
    """Say whether kinks that are no switchings, some places up and some down, come as strong as this one."""
    z = np.abs(fit.response / fit.error)
    strength = np.square(np.where(z > settings.source_sigmas, z, 0.0)).sum(axis=1)
    far = others & (np.abs(fit.times_s - fit.times_s[number]) > settings.rival_s)
    return bool(far.any() and strength[far].max() > settings.restless_share * strength[number])


def _has_faded(pools: PoolSeries, fit: EdgeFit, number: int, chosen: np.ndarray, settings: TimingSettings) -> bool:
    """Say whether most places of a power-on without a power-off end as they were before: no heat stayed in them."""
    times = pools.times_s
    before = (times < fit.times_s[number]) & (times > fit.times_s[number] - 2.0 * fit.horizon_s)
    end = times > times[-1] - fit.horizon_s
    if not before.any() or times[-1] < fit.times_s[number] + 3.0 * fit.horizon_s:
        return False
    change = pools.values[np.ix_(end, chosen)].mean(axis=0) - pools.values[np.ix_(before, chosen)].mean(axis=0)
    return bool(np.median(change / np.abs(fit.response[number][chosen])) < settings.faded_share)


def _is_restless(fit: EdgeFit, number: int, chosen: np.ndarray, inside: np.ndarray, settings: TimingSettings) -> bool:
    """Say whether the places of an edge show other strong kinks while the power is off."""
    z = np.square(fit.response[:, chosen] / fit.error[:, chosen]).sum(axis=1)
    others = z[~inside]
    return bool(len(others) and others.max() > settings.restless_share * z[number])


def edge_signs(fit: EdgeFit, *, settings: TimingSettings) -> np.ndarray:
    """Return 1 for an edge at which places begin to warm, -1 to cool, 0 where both or none do."""
    z = fit.response / fit.error
    up = np.square(np.where(z > settings.source_sigmas, z, 0.0)).sum(axis=1)
    down = np.square(np.where(z < -settings.source_sigmas, z, 0.0)).sum(axis=1)
    balance = (up - down) / np.maximum(up + down, 1e-12)
    return np.where(balance > settings.purity, 1, np.where(balance < -settings.purity, -1, 0))


def read_runs(
    fit: EdgeFit, signs: np.ndarray, *, settings: TimingSettings
) -> tuple[tuple[int | None, int | None], ...]:
    """Read edges as runs: (edge of power-on or None, edge of power-off or None) each.

    The board is on from a warming edge until the power left, the median over the places that warmed of their
    share, falls below ``settings.off_share``; later warming edges are stages of the same start.
    """
    runs: list[tuple[int | None, int | None]] = []
    start: int | None = None
    is_on = False
    level = np.zeros(fit.response.shape[1])
    for number, sign in enumerate(signs):
        if sign > 0 and not is_on:
            start, is_on, level = number, True, np.clip(fit.response[number], 0, None)
        elif sign > 0:
            level = level + fit.response[number]
        elif sign < 0 and is_on:
            if _share_left(level, fit, signs, number, settings) < settings.off_share:
                runs.append((start, _strongest_behind(fit, signs, number, settings)))
                is_on = False
            else:
                level = np.clip(level + fit.response[number], 0, None)
        elif sign < 0 and not runs:
            runs.append((None, _strongest_behind(fit, signs, number, settings)))
    if is_on:
        runs.append((start, None))
    return tuple(runs)


def _behind(fit: EdgeFit, signs: np.ndarray, number: int, settings: TimingSettings) -> np.ndarray:
    """Say which edges are this one or follow it so closely, without warming, that they mend its shape."""
    near = (fit.times_s >= fit.times_s[number]) & (fit.times_s < fit.times_s[number] + settings.rival_s)
    warming = np.flatnonzero((signs > 0) & (np.arange(len(signs)) > number))
    if len(warming):
        near[warming[0] :] = False
    return near


def _strongest_behind(fit: EdgeFit, signs: np.ndarray, number: int, settings: TimingSettings) -> int:
    """Return the edge that answers most clearly of a cooling edge and those right behind it."""
    near = np.flatnonzero(_behind(fit, signs, number, settings) & (signs < 0))
    strength = np.square(fit.response[near] / fit.error[near]).sum(axis=1)
    return int(near[int(np.argmax(strength))])


def _share_left(level: np.ndarray, fit: EdgeFit, signs: np.ndarray, number: int, settings: TimingSettings) -> float:
    """Share of the power left after a cooling edge and those right behind it, median over places that had any."""
    change = fit.response[_behind(fit, signs, number, settings)].sum(axis=0)
    error = fit.error[number]
    had = level > settings.source_sigmas * error
    if not had.any():
        had = level >= np.sort(level)[-3]
    left = (level[had] + change[had]) / level[had]
    order = np.argsort(left)
    weight = np.cumsum((level[had] / error[had])[order])
    return float(left[order][np.searchsorted(weight, weight[-1] / 2)])
