"""What each part shows in one recording, once what all parts share is taken off."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from thermscan.model.case_settings import VerifySettings
from thermscan.model.quantity import Measured
from thermscan.model.result import PartReading

FEWEST = 8  # parts from which what they share is taken; judgement
FEWEST_WARM = 3  # of them warm enough to tell a common share of their rise; judgement
WARM_K = 1.0  # rise from which a part tells of a common share; judgement
PASSES = 30
TUKEY = 4.685  # Tukey's biweight at 95 % of the efficiency of least squares: Holland and Welsch 1977
WHOLE_BOARD = "the whole board"


@dataclass(frozen=True)
class Shared:
    """What all parts of a board have in common against their baseline.

    Attributes
    ----------
    offset_k : float
        Added to every part: drift of the camera, draught, the room.
    share : Measured or None
        Of each part's own rise: a supply or a board that makes more or less heat as a whole; None where too few parts
        warm up to tell.
    scatter_k : float
        What single parts scatter beyond their stated errors; standard deviation.
    reach_k : float
        Rise of a typical warm part, in which ``share`` is said in kelvin.
    """

    offset_k: float = 0.0
    share: Measured | None = None
    scatter_k: float = 0.0
    reach_k: float = 0.0


@dataclass(frozen=True)
class Seen:
    """One part in one recording: its excess as measured and its own, K, and whether it stands out.

    ``excess`` is over the baseline, its interval widened by what all parts share; ``own`` has that taken off.
    ``least_k`` is the difference from which it would stand out.
    """

    excess: Measured
    own: Measured
    at_s: float | None
    stands_out: bool
    least_k: float = 0.0

    @property
    def sign(self) -> float:
        """Return +1 for warmer, -1 for colder."""
        return math.copysign(1.0, self.own.value)


def can_be_judged(part: PartReading) -> bool:
    """Tell whether a part shows a temperature of its own in kelvin."""
    return part.excess_k is not None and part.significance is not None and part.state not in ("unreadable", "unknown")


def baseline_rise_k(part: PartReading) -> float:
    """Return how much the part rises on the boards it is compared with, K, 0 where that is not known."""
    if part.rise_k is None or part.excess_k is None:
        return 0.0
    return max(part.rise_k.value - part.excess_k.value, 0.0)


def rises_of(parts: Sequence[PartReading]) -> dict[str, float]:
    """Return the baseline's rise of each part by refdes, K."""
    return {part.ref: baseline_rise_k(part) for part in parts}


def shared_of(parts: Sequence[PartReading], rises: Mapping[str, float]) -> Shared:
    """Fit what all parts share: an offset and a share of each part's rise, parts at fault not counted.

    Parameters
    ----------
    parts : sequence of PartReading
    rises : mapping of refdes to K
        Of good boards; a part that is missing there is left out.

    Returns
    -------
    Shared
        The share's error is that of a single typical part where that is larger: boards differ as a whole too.

    Notes
    -----
    Excess = offset + share x rise by least squares with Tukey's biweight (Beaton and Tukey 1974), from the median of
    the calmest half; the scale is the median absolute residual over 0.6745, no finer than the stated errors. Not valid
    where more than half of the parts differ each in its own way.
    """
    use = [part for part in parts if can_be_judged(part) and part.ref in rises]
    if len(use) < FEWEST:
        return Shared()
    rise = np.array([rises[part.ref] for part in use])
    excess = np.array([part.excess_k.value for part in use])  # type: ignore[union-attr]
    error = np.maximum([part.excess_k.standard_error for part in use], 1e-3)  # type: ignore[union-attr]
    warm = rise >= WARM_K
    columns = np.stack([np.ones_like(rise), rise], axis=1)[:, : 2 if warm.sum() >= FEWEST_WARM else 1]
    calm = rise <= np.median(rise)
    fit = np.zeros(columns.shape[1])
    fit[0] = np.median(excess[calm])
    left, weight = excess, np.ones_like(rise)
    for _ in range(PASSES):
        left = excess - columns @ fit
        scale = max(1.0, float(np.median(np.abs(left) / error)) / 0.6745)
        weight = np.clip(1 - (left / (TUKEY * scale * error)) ** 2, 0.0, None) ** 2 / error**2
        moment = columns.T @ (weight[:, None] * columns)
        if np.linalg.cond(moment) > 1e10:
            break
        fit = np.linalg.solve(moment, columns.T @ (weight * excess))
    scatter = scatter_beyond(left[weight > 0], error[weight > 0])
    variance = np.linalg.pinv(columns.T @ ((weight * error**2 / (error**2 + scatter**2))[:, None] * columns))
    if len(fit) == 1:
        return Shared(float(fit[0]), None, scatter)
    own = math.sqrt(max(float(variance[1, 1]), 0.0))
    common = float(np.median(error[warm] / rise[warm]))
    return Shared(
        float(fit[0]), Measured.normal(float(fit[1]), max(own, common)), scatter, float(np.median(rise[warm]))
    )


def scatter_beyond(left: np.ndarray, error: np.ndarray) -> float:
    """Return the standard deviation that residuals need besides their stated errors, 0 where they need none.

    Notes
    -----
    The s at which the median of abs(left) / hypot(error, s) is 0.6745, as for a standard normal (tables); by bisection.
    """

    def middle(s: float) -> float:
        return float(np.median(np.abs(left) / np.hypot(error, s)))

    if left.size == 0 or middle(0.0) <= 0.6745:
        return 0.0
    low, high = 0.0, 2 * float(np.abs(left).max())
    for _ in range(40):
        half = (low + high) / 2
        low, high = (half, high) if middle(half) > 0.6745 else (low, half)
    return high


def see_parts(
    parts: Sequence[PartReading], rises: Mapping[str, float], *, sigma: float, settings: VerifySettings
) -> dict[str, Seen]:
    """Return what is seen of each part, by refdes, and of the whole board; what cannot be judged is left out.

    A part stands out where its own excess exceeds ``sigma`` standard deviations, and a floor in kelvin and as a share
    of its rise. The whole board does where the common share of the rises exceeds that share with its whole interval.
    """
    shared = shared_of(parts, rises)
    share = shared.share.value if shared.share is not None else 0.0
    seen = {}
    for part in parts:
        if not can_be_judged(part) or part.excess_k is None:
            continue
        rise = rises.get(part.ref, 0.0)
        common = shared.offset_k + share * rise
        own = part.excess_k.value - common
        spread = shared.share.standard_error * rise if shared.share is not None else 0.0
        error = math.sqrt(part.excess_k.standard_error**2 + shared.scatter_k**2 + spread**2)
        least = max(sigma * error, settings.floor_k, settings.floor_share * rise)
        shown = Measured.normal(part.excess_k.value, math.hypot(error, shared.offset_k))
        seen[part.ref] = Seen(shown, Measured.normal(own, error), part.excess_at_s, abs(own) >= least, least)
    whole = _whole_board(shared, next((p.excess_at_s for p in parts if can_be_judged(p)), None), settings=settings)
    return seen | ({} if whole is None else {WHOLE_BOARD: whole})


def _whole_board(shared: Shared, at_s: float | None, *, settings: VerifySettings) -> Seen | None:
    """Return what the board as a whole shows, in kelvin of a typical warm part."""
    if shared.share is None:
        return None
    value, error = shared.share.value * shared.reach_k, shared.share.standard_error * shared.reach_k
    least = min(abs(shared.share.low), abs(shared.share.high)) if shared.share.low * shared.share.high > 0 else 0.0
    said = Measured.normal(value, error)
    return Seen(said, said, at_s, least >= settings.floor_share)
