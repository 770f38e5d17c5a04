"""Poses to poses.npz."""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from thermscan.write.folder import write_whole


def write_poses(path: str | Path, faulty: np.ndarray, goods: Sequence[np.ndarray] = ()) -> Path:
    """Write the poses of all frames of all recordings.

    Parameters
    ----------
    path : str or Path
        Usually ``DIR/poses.npz``.
    faulty : ndarray of shape (frames, 3, 3)
        Homographies board mm to pixels of the frames as recorded; all NaN where a frame has no pose
        (``Track.matrices()``).
    goods : sequence of such arrays
        In command order; they become ``good_1``, ``good_2`` and so on.

    Returns
    -------
    Path

    Raises
    ------
    ValueError
        Where an array has another shape or a pose is only partly NaN.
    """
    arrays = {"faulty": _checked(faulty)} | {f"good_{i}": _checked(good) for i, good in enumerate(goods, start=1)}
    buffer = io.BytesIO()
    np.savez_compressed(buffer, **arrays)
    return write_whole(path, buffer.getvalue())


def _checked(matrices: np.ndarray) -> np.ndarray:
    """Return float64 poses after checking their shape and that each is whole or absent."""
    poses = np.asarray(matrices, dtype=np.float64)
    if poses.ndim != 3 or poses.shape[1:] != (3, 3):
        msg = f"poses need the shape (frames, 3, 3), got {poses.shape}"
        raise ValueError(msg)
    known = np.isfinite(poses).reshape(len(poses), 9)
    if not np.array_equal(known.any(axis=1), known.all(axis=1)):
        msg = "a pose is partly NaN"
        raise ValueError(msg)
    return poses
