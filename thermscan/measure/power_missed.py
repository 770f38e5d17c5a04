"""Power-on that a recording does not show by itself, found by what boards of its type do at theirs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from thermscan.measure.power_shift import BoardCourses, Shift, shift_between
from thermscan.model.quantity import Measured
from thermscan.model.settings import TimingSettings
from thermscan.model.timing import PowerUp, Timing

_ROUNDS = 4  # of comparing again from the moment found
_SAME_S = 0.11  # shift from which a moment found stays: two of those tried
_FEWEST = 3  # samples that must show the board cold


def found_among(like: BoardCourses, missed: BoardCourses, *, settings: TimingSettings) -> Timing:
    """Return the timing of a board with the power-on at which it does what another one does at its own.

    Parameters
    ----------
    like : BoardCourses
        With a power-on.
    missed : BoardCourses
        Without one.
    settings : TimingSettings

    Returns
    -------
    Timing
        As it was where nothing fits: its courses must be those of the other board, with about one gain at all places,
        and its places must be seen level before.

    Notes
    -----
    Moments a second apart are taken for the power-on in turn, and each is moved to where the courses of the two boards
    agree best (``shift_between``), until it stays. Of several that stay the one with the least unexplained variance
    counts; the interval reaches over all whose unexplained variance is nearly as small.
    """
    own = missed.timing
    first = float(missed.times_s[0])
    last = float(missed.times_s[-1]) if own.off_s is None else own.off_s.low
    found: list[tuple[float, Shift]] = []
    for start in np.arange(first + settings.missed_before_s, last - settings.align_least_s, 1.0):
        one = _settled(like, missed, float(start), settings)
        if one is not None and one[0] >= first + settings.missed_before_s and _is_level(missed, one[0], settings):
            found.append(one)
    found = [f for f in found if _is_alike(f[1], settings)]
    if not found:
        return own
    at, shift = max(found, key=lambda f: f[1].alike)
    near = [f for f in found if 1 - f[1].alike <= settings.missed_ratio * (1 - shift.alike)]
    assert like.timing.on_s is not None
    half = like.timing.on_s.high - like.timing.on_s.value, like.timing.on_s.value - like.timing.on_s.low
    high, low = (float(np.hypot(1.96 * shift.error_s, h)) for h in half)
    on = Measured(at, min(t for t, _ in near) - low, max(t for t, _ in near) + high)
    if on.high - on.low > settings.missed_width_s:
        return own
    said = "power-on is not seen in this recording alone: it is where the board begins to warm as the others do"
    return replace(own, on_s=on, on_why="", power_ups=(PowerUp(on, own.off_s),), warnings=(*own.warnings, said))


def _settled(
    like: BoardCourses, missed: BoardCourses, start: float, settings: TimingSettings
) -> tuple[float, Shift] | None:
    """Return where a moment moves to and stays, s, with the shift last found there; None where it does not."""
    for _ in range(_ROUNDS):
        timing = replace(missed.timing, on_s=Measured(start, start, start))
        shift = shift_between(like, replace(missed, timing=timing), settings=settings)
        if shift is None:
            return None
        start += shift.seconds
        if abs(shift.seconds) <= _SAME_S:
            return start, shift
    return None


def _is_alike(shift: Shift, settings: TimingSettings) -> bool:
    """Tell whether one gain, near one, brings the courses of both boards together at nearly all places."""
    near_one = 1 / settings.missed_gain < shift.gain < settings.missed_gain
    return near_one and shift.alike >= settings.missed_alike and shift.gain_spread <= settings.align_gain


def _is_level(board: BoardCourses, at: float, settings: TimingSettings) -> bool:
    """Tell whether the places that warm most after a moment were level before it, over as many seconds."""
    since = board.times_s - at
    reach = min(-float(since[0]), settings.missed_level_s)
    before, after = (board.values[(since >= low) & (since < low + reach)] for low in (-reach, 0.0))
    late = board.values[(since >= 0) & (since < 2 * settings.align_least_s)]
    if min(len(before), len(after)) < _FEWEST:
        return False
    rise = late[-_FEWEST:].mean(axis=0) - late[:_FEWEST].mean(axis=0)
    seen = np.isfinite(rise) & np.isfinite(board.noise)
    if not seen.any():
        return False
    warm = seen & (rise > settings.source_share * np.quantile(rise[seen], 0.97))
    few = max(1, min(len(before), len(after)) // 3)
    ahead, gained = (
        float((part[-few:, warm].mean(axis=0) - part[:few, warm].mean(axis=0)).mean()) for part in (before, after)
    )
    noise = float(np.sqrt(2 / few * np.mean(board.noise[warm] ** 2) / warm.sum()))
    return gained > settings.source_sigmas * noise and -gained < ahead < settings.missed_level * gained
