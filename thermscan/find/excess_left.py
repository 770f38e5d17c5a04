"""Heat left from an earlier run: it goes on cooling after power-on, and a rise over the first frames misses it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage
from scipy.optimize import lsq_linear

from thermscan.find.excess_follow import follows
from thermscan.model.film import Film, Rise
from thermscan.model.settings import ExcessSettings

BODY_S, BOARD_S = 4.0, 40.0  # time constants: a body over its board, a board in still air; common practice, no source
SPREADS_MM2_S = 3.0  # heat spreading in a board with some copper, between bare FR-4 (0.4) and several planes (20)
STEPS = 5  # rounds of robust weighting
WILD = 2.0  # residuals beyond so many sigma count as if they were that far (Huber 1964)


@dataclass(frozen=True)
class LeftHeat:
    """What is to be added to an excess, and the standard error of that; both ndarray (bins, rows, columns), K."""

    correction: np.ndarray
    error: np.ndarray
    largest_k: float


def left_heat(
    faulty: Rise,
    goods: tuple[Rise, ...],
    excess: np.ndarray,
    scale: np.ndarray,
    own_heat: np.ndarray,
    *,
    settings: ExcessSettings,
) -> LeftHeat | None:
    """Work out what cooling of left heat did to an excess; None where the boards started alike, or nothing is known.

    Parameters
    ----------
    faulty, goods : Rise
        Over cold frames, on the same grid.
    excess, scale, own_heat : ndarray of shape (bins, rows, columns), K
        The difference, its standard deviation, and the good boards' rise.
    settings : ExcessSettings

    Notes
    -----
    Pictures before power-on of two boards of one type differ by the heat that is left in one of them, D, once their
    coolest regions are brought to one level: surfaces look the same on both. Cooling takes from each place a share of
    its own D (body over board, board in air) and evens it out over the plate, D - G * D with a Gaussian of variance
    2 a t (Carslaw and Jaeger, Conduction of Heat in Solids, 2nd ed., section 10.3). The amounts, from none
    to all of D, are fitted over the whole board at once by bounded least squares with Huber's weights: heat of a fault
    is an outlier to them. Reflections and surfaces that differ make such a D too, and do not cool: where the frames
    before power-on show by their slope that D stays, nothing is taken off, and where they cannot tell, what is taken
    off is as uncertain as it is large. Not valid where the earlier run ended within seconds
    of the first frame, or where the whole board is at fault.
    """
    apart = _apart(faulty.film, goods, own_heat)
    if apart is None:
        return None
    film = faulty.film
    known = film.inside & film.readable & np.isfinite(apart)
    noise = float(np.median(film.noise[known])) if known.any() else np.inf
    noise *= np.sqrt(1 / max(film.cold_frames, 1) + 1 / max(sum(g.film.cold_frames for g in goods), 1))
    largest = float(np.quantile(np.abs(apart[known]), 0.98)) if known.any() else 0.0
    least = settings.left_heat_k if film.unit == "celsius" else 0.0
    if largest < max(least, settings.left_heat_sigma * noise):
        return None
    cools = _is_cooling(film, goods, apart, known, settings)
    if cools is False:
        return None
    courses = _courses(np.where(known, apart, 0.0), film)
    used = known & np.isfinite(own_heat).any(axis=0)
    rows = np.isfinite(excess) & np.isfinite(own_heat) & used & (film.centres_s > 0)[:, None, None]
    if rows.sum() < settings.fewest_ring_cells:
        return None
    amounts = _fit(courses, excess, scale, rows)
    correction = sum(a * c for a, c in zip(amounts, courses, strict=True))
    correction = np.where(known, correction, 0.0).astype(np.float32)
    share = settings.left_heat_error if cools else max(settings.left_heat_error, 1.0)
    return LeftHeat(correction, share * np.abs(correction), float(np.abs(correction).max()))


def _is_cooling(
    film: Film, goods: tuple[Rise, ...], apart: np.ndarray, known: np.ndarray, settings: ExcessSettings
) -> bool | None:
    """Tell whether what boards differ by before power-on is seen to go; None where that cannot be told.

    Left heat goes at its size over a time constant, that of a board at the longest.
    """
    trends = [film.before, *(g.film.before for g in goods)]
    if any(t is None or t.apart_s < settings.cooling_apart_s for t in trends):
        return None
    slope = film.before.slope - np.mean([g.film.before.slope for g in goods], axis=0)  # type: ignore[union-attr]
    rate, error = follows(-slope, apart, known & np.isfinite(slope), tiles=settings.follow_tiles)
    if rate > settings.follow_sigmas * error and rate > 0.25 / BOARD_S:
        return True
    return False if rate + settings.follow_sigmas * error < 1 / BOARD_S else None


def _apart(film: Film, goods: tuple[Rise, ...], own_heat: np.ndarray) -> np.ndarray | None:
    """Return how much warmer each place was before power-on than on the good boards, K, ndarray (rows, columns)."""
    colds = [g.film.cold for g in goods if g.film.cold is not None and g.film.grid == film.grid]
    if film.cold is None or film.clock != "power_on" or len(colds) < len(goods) or not colds:
        return None
    apart = film.cold - np.mean(colds, axis=0)
    warm = np.nan_to_num(own_heat[np.isfinite(own_heat).any(axis=(1, 2))][-1]) if np.isfinite(own_heat).any() else None
    known = film.inside & film.readable & np.isfinite(apart)
    if warm is None or not known.any():
        return None
    calm = known & (warm <= np.quantile(warm[known], 0.25))
    return apart - float(np.median(apart[calm]))


def _courses(apart: np.ndarray, film: Film) -> list[np.ndarray]:
    """Return what each way of cooling takes from a rise until each second, ndarrays (bins, rows, columns), K."""
    times = np.maximum(film.centres_s, 0.0)
    shares = [1 - np.exp(-times / constant) for constant in (BODY_S, BOARD_S)]
    inside = film.inside.astype(float)
    spread = []
    for t in times:
        sigma = np.sqrt(2 * SPREADS_MM2_S * t) / film.grid.step_mm
        held = ndimage.gaussian_filter(inside, sigma, mode="constant")
        even = ndimage.gaussian_filter(apart * inside, sigma, mode="constant") / np.maximum(held, 1e-6)
        spread.append(apart - even)
    return [*(s[:, None, None] * apart for s in shares), np.stack(spread)]


def _fit(courses: list[np.ndarray], excess: np.ndarray, scale: np.ndarray, rows: np.ndarray) -> np.ndarray:
    """Return the amount of each course, 0 to 1: no place loses more than the heat that is left there."""
    sigma = np.broadcast_to(scale, excess.shape)[rows]
    columns = np.stack([c[rows] for c in courses], axis=1) / sigma[:, None]
    wanted = -excess[rows] / sigma
    weight = np.ones(len(wanted))
    amounts = np.zeros(columns.shape[1])
    for _ in range(STEPS):
        root = np.sqrt(weight)[:, None] * columns
        # the normal equations in triangular form: bounded least squares over a handful of rows
        triangle = np.linalg.cholesky(root.T @ root + 1e-9 * np.eye(columns.shape[1])).T
        target = np.linalg.solve(triangle.T, columns.T @ (weight * wanted))
        amounts = lsq_linear(triangle, target, bounds=(0.0, 1.0)).x
        residual = np.abs(wanted - columns @ amounts)
        weight = np.minimum(1.0, WILD / np.maximum(residual, 1e-9))
    return amounts
