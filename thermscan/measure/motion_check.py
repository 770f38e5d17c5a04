"""Whether the motion found brings frames back onto the reference picture, or another place would fit better."""

from __future__ import annotations

import numpy as np
from scipy import fft

from thermscan.measure.motion_pictures import Preparation, steepness
from thermscan.measure.motion_scene import aligned
from thermscan.model.camera_events import CameraState
from thermscan.model.recording import Recording
from thermscan.model.settings import MotionSettings

NEAR_PX, FAR_PX = 2.0, 3.0  # of a working picture: up to here the same place, from there another


def misplaced_px(
    recording: Recording,
    camera: CameraState,
    how: Preparation,
    matrices: np.ndarray,
    reference: np.ndarray,
    settings: MotionSettings,
) -> np.ndarray:
    """Return how far from where the motion puts them frames would fit the reference better, ndarray (checked,), px.

    Parameters
    ----------
    recording : Recording
    camera : CameraState
    how : Preparation
    matrices : ndarray of shape (frames, 3, 3)
        Reference to frame, px.
    reference : ndarray of shape (rows, columns)
    settings : MotionSettings
        ``check_frames`` usable frames over the recording are checked.

    Returns
    -------
    ndarray
        Zero for a frame that fits where it was put.

    Notes
    -----
    A wrong coarse shift leads every later fit to a wrong place that looks like one. Each frame is brought back by the
    motion and correlated with the reference, fine details only, over all shifts up to a quarter of the picture; a
    place farther than three working pixels must beat the given one by ``check_margin`` of correlation. Heat makes a
    new picture in time: a place that fits the reference only poorly (``check_peak``) counts where the last frame that
    fitted agrees that this one lies elsewhere, and where the reference fits nowhere, that frame alone decides. Edges
    without their sign must fit better there as well: bare metal that mirrors somebody turns from dark to bright. Not
    valid for pictures without fine detail, and for motions wrong by less than that.
    """
    fixed = last = _fine(reference, how)
    away = []
    for i in checked_frames(camera, settings):
        moved = _back(recording, how, matrices, int(i))
        off, here, there = _better_px(fixed, moved, settings)
        if max(here, there) < settings.check_peak:
            since, _, peak = _better_px(last, moved, settings)
            off = since if off > 0 or peak >= settings.check_peak else 0.0
        if off == 0:
            last = moved
        away.append(off)
    return np.array(away) * how.factor


def checked_frames(camera: CameraState, settings: MotionSettings) -> np.ndarray:
    """Return the numbers of the usable frames that are checked, first and last among them."""
    usable = np.flatnonzero(camera.usable)
    return usable[np.linspace(0, len(usable) - 1, min(settings.check_frames, len(usable))).astype(int)]


def bridge(
    matrices: np.ndarray, error_px: np.ndarray, checked: np.ndarray, away_px: np.ndarray
) -> tuple[np.ndarray, np.ndarray, dict[int, str]]:
    """Return matrices and errors with the frames about misplaced ones bridged, and the reason for each such frame.

    Parameters
    ----------
    matrices : ndarray of shape (frames, 3, 3)
        Reference to frame, px.
    error_px : ndarray of shape (frames,)
    checked : ndarray of int, shape (checked,)
    away_px : ndarray of shape (checked,)
        Of ``misplaced_px``. Frames between the nearest checked ones that fit lie on the line between those.
    """
    fits = checked[away_px == 0]
    out, error, why = matrices.copy(), error_px.copy(), {}
    for frame, away in zip(checked[away_px > 0], away_px[away_px > 0], strict=True):
        before, after = fits[fits < frame], fits[fits > frame]
        low = int(before[-1]) if len(before) else int(after[0])
        high = int(after[0]) if len(after) else int(before[-1])
        first, last = (low + 1 if len(before) else 0), (high if len(after) else len(matrices))
        for i in range(first, last):
            share = (i - low) / (high - low) if high > low else 0.0
            out[i] = (1 - share) * matrices[low] + share * matrices[high]
            error[i] = max(error[i], float(away) / 4)
            why[i] = "the picture fits the first frames better elsewhere: something passes, or the motion was lost"
    return out, error, why


def _back(recording: Recording, how: Preparation, matrices: np.ndarray, number: int) -> np.ndarray:
    frame = recording.store.read(number, number + 1)[0] - np.float32(how.offset[number])
    if how.nearest is not None:
        frame = frame[how.nearest]
    return _fine(aligned(frame, matrices[number]), how)


def _fine(picture: np.ndarray, how: Preparation) -> np.ndarray:
    """Return the fine details of a full picture as a working picture, zero at the rim."""
    level = float(np.nanmedian(picture))
    filled = np.where(np.isfinite(picture), picture, level).astype(np.float32)
    fine = how.picture(filled + np.float32(how.offset[0]), 0)
    rows, columns = fine.shape
    taper = np.sqrt(np.outer(np.hanning(rows + 2)[1:-1], np.hanning(columns + 2)[1:-1]))
    # one hot place must not be all that is compared
    usual = 3.0 * float(np.median(np.abs(fine))) + 1e-9
    return np.clip(fine, -3 * usual, 3 * usual) * taper


def _better_px(fixed: np.ndarray, moved: np.ndarray, settings: MotionSettings) -> tuple[float, float, float]:
    """Return how far off a place fits better, working px (0: none does), the correlation here and the best there."""
    size = float(np.sqrt(np.sum(fixed**2) * np.sum(moved**2))) + 1e-12
    correlation = fft.irfft2(fft.rfft2(moved) * np.conj(fft.rfft2(fixed)), s=fixed.shape) / size
    rows, columns = fixed.shape
    down, right = (np.abs(fft.fftfreq(n, 1 / n)) for n in (rows, columns))
    away = np.hypot(down[:, None], right[None])
    here = float(correlation[away <= NEAR_PX].max())
    far = np.where((away > FAR_PX) & (down[:, None] <= rows / 4) & (right[None] <= columns / 4), correlation, -1)
    best = np.unravel_index(int(np.argmax(far)), far.shape)
    peak = float(far[best])
    is_better = peak > here + settings.check_margin and _edges_lie_there(fixed, moved, away, best)
    return (float(away[best]) if is_better else 0.0), here, peak


def _edges_lie_there(fixed: np.ndarray, moved: np.ndarray, away: np.ndarray, place: tuple[int, ...]) -> bool:
    """Tell whether edges of either sign fit better about a shift, (rows, columns), than about none."""
    correlation = fft.irfft2(fft.rfft2(steepness(moved)) * np.conj(fft.rfft2(steepness(fixed))), s=fixed.shape)
    there = np.roll(correlation, tuple(1 - int(n) for n in place), (0, 1))[:3, :3]
    return bool(there.max() > correlation[away <= NEAR_PX].max())
