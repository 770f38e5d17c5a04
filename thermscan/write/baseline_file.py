"""Known-good boards combined once and kept: the baseline file."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np

from thermscan.model.errors import InputError
from thermscan.model.film import Baseline
from thermscan.write.folder import write_whole

FORMAT_VERSION = 1


def write_baseline(path: str | Path, baseline: Baseline) -> Path:
    """Write a baseline as one ``.npz`` file.

    Parameters
    ----------
    path : str or Path
    baseline : Baseline

    Returns
    -------
    Path

    Notes
    -----
    Keys: ``format_version`` (1), ``outline_hash``, ``side``, ``reference``, ``count``; the grid as ``x0_mm``,
    ``y0_mm``, ``step_mm``, ``columns``, ``rows``; ``seconds`` (ends of the time bins, bins + 1); ``mean``, ``spread``,
    ``error`` (bins, rows, columns; K; rows go up in y; NaN where no board has data); ``noise`` (rows, columns; of one
    frame, root mean square over the boards; empty where the boards themselves are no longer at hand);
    ``source_names``, ``source_sha256``; ``odd_names``, ``odd_reasons``; and, where the boards are at hand, ``rises``
    (boards, bins, rows, columns), so that the spread can be judged anew when boards are added.
    """
    grid = baseline.grid
    odd = np.array(baseline.odd, dtype=str).reshape(-1, 2)
    sources = np.array(baseline.sources, dtype=str).reshape(-1, 2)
    arrays: dict[str, np.ndarray] = {
        "format_version": np.array(FORMAT_VERSION),
        "outline_hash": np.array(baseline.outline_hash),
        "side": np.array(baseline.side),
        "reference": np.array(baseline.reference),
        "count": np.array(baseline.count),
        "x0_mm": np.array(grid.x0_mm),
        "y0_mm": np.array(grid.y0_mm),
        "step_mm": np.array(grid.step_mm),
        "columns": np.array(grid.columns),
        "rows": np.array(grid.rows),
        "seconds": np.asarray(baseline.edges_s, float),
        "mean": np.asarray(baseline.mean, np.float32),
        "spread": np.asarray(baseline.spread, np.float32),
        "error": np.asarray(np.broadcast_to(baseline.error, np.shape(baseline.mean)), np.float32),
        "noise": _noise(baseline),
        "source_names": sources[:, 0],
        "source_sha256": sources[:, 1],
        "odd_names": odd[:, 0],
        "odd_reasons": odd[:, 1],
    }
    if baseline.films:
        arrays["rises"] = np.stack([rise.rise for rise in baseline.films]).astype(np.float32)
    buffer = io.BytesIO()
    np.savez_compressed(buffer, **arrays)
    return write_whole(path, buffer.getvalue())


def _noise(baseline: Baseline) -> np.ndarray:
    """Return the noise of one frame at each cell, root mean square over the boards; empty where none is at hand."""
    if not baseline.films:
        return np.zeros((0, 0), np.float32)
    squares = [np.asarray(rise.film.noise, float) ** 2 for rise in baseline.films]
    return np.sqrt(np.mean(squares, axis=0)).astype(np.float32)


def check_baseline_path(path: str | Path, *, force: bool = False) -> Path:
    """Refuse a baseline path that exists (unless ``force``) or whose folder cannot be written; raises InputError."""
    target = Path(path)
    if target.suffix != ".npz":
        raise InputError(str(path), "", "is not named .npz", "name the baseline file with the ending .npz")
    if target.exists() and not force:
        raise InputError(str(path), "", "exists already", "name a new file, or overwrite with --force")
    if not target.absolute().parent.is_dir():
        raise InputError(str(path), "", "its folder does not exist", "make the folder first")
    return target
