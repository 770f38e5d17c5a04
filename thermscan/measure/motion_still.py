"""A camera that stands still: no more jitter than the fits' own error, and no knock."""

from __future__ import annotations

import numpy as np

from thermscan.measure.motion_course import Evidence, own_variances
from thermscan.model.settings import MotionSettings


def clear_frames(evidence: Evidence, settings: MotionSettings) -> np.ndarray:
    """Tell which frames show where they lie, bool ndarray (frames,).

    Those whose own error is at most ``clear_ratio`` times that of the best quarter; a board that is still cold may
    show next to nothing.
    """
    used = np.trace(evidence.weight, axis1=1, axis2=2) > 0
    if not used.any():
        return used
    own = own_variances(evidence)[:, :2].sum(axis=1)
    return used & (own <= settings.clear_ratio**2 * np.quantile(own[used], 0.25))


def tells_no_motion(evidence: Evidence, clear: np.ndarray, settings: MotionSettings) -> bool:
    """Tell whether the picture stands still: no more jitter than the fits' own error, and drift that heat can feign.

    Judged on the ``clear`` frames: a hand shakes before the board warms and after. A camera that was knocked has not
    stood still: heat feigns drift, and no jump from one frame to the next.
    """
    used = np.trace(evidence.weight, axis1=1, axis2=2) > 0
    if clear.sum() < 3:
        return bool(used.sum() < 3)
    shifts = evidence.values[clear][:, :2]
    own = own_variances(evidence)[clear][:, :2].sum(axis=1)
    # where the picture is changing so much that frames do not show where they lie, a jump over them is no motion
    is_joined = np.diff(np.cumsum(used)[clear]) == 1
    if not is_joined.any():
        return False
    jitter = np.mean((np.diff(shifts, axis=0)[is_joined] ** 2).sum(axis=1)) - 2 * 1.5**2 * np.median(own)
    drift = np.mean(((shifts - shifts.mean(axis=0)) ** 2).sum(axis=1))
    if knocked(shifts, np.sqrt(np.maximum(own, 0.0)), is_joined, settings=settings):
        return False
    return bool(jitter < settings.still_jitter_px**2 and drift < settings.still_drift_px**2)


def still_share(frames: int, settings: MotionSettings) -> float:
    """Return by what share of a frame's own error a camera may still move that frames show to stand still.

    The variance of a jitter on top of errors of variance v is known to v times the square root of 2 / n from n frames
    (variance of a sample variance of normal errors, from memory): its standard deviation falls with the fourth root.
    """
    return max(settings.still_least, frames**-0.25)


def knocked(
    shifts: np.ndarray, own_px: np.ndarray, is_joined: np.ndarray | None = None, *, settings: MotionSettings
) -> bool:
    """Tell whether shifts, ndarray (frames, 2), px, jump from one level to another and stay there.

    ``own_px``, ndarray (frames,), are their own standard errors; ``is_joined``, bool ndarray (frames - 1,), tells which
    steps count, None all. A jump must be larger than ``knock_px``, stand out of its errors and of what lies beside it,
    and most of it must be left over the ``knock_frames`` after it.
    """
    count = settings.knock_frames
    steps = np.linalg.norm(np.diff(shifts, axis=0), axis=1)
    for i in range(count - 1, len(steps) - count + 1):
        around = np.r_[steps[i - count + 1 : i], steps[i + 1 : i + count]]
        least = max(
            settings.knock_px,
            settings.knock_sigmas * float(np.hypot(own_px[i], own_px[i + 1])),
            settings.knock_beside * float(np.median(around)),
            2.0 * float(around.max()),
        )
        if steps[i] < least or not (is_joined is None or is_joined[i]):
            continue
        levels = shifts[i - count + 1 : i + 1].mean(axis=0), shifts[i + 1 : i + 1 + count].mean(axis=0)
        if np.linalg.norm(levels[1] - levels[0]) > settings.knock_left * steps[i]:
            return True
    return False
