"""The excess explained by sources of heat: what leaves the inversion of the heat equation."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from thermscan.model.film import BoardGrid
from thermscan.model.result import EnergyBooks, HeatSource


@dataclass(frozen=True)
class SourceFit:
    """Sources found in one excess, strongest evidence first, with the books and limits of this recording.

    Attributes
    ----------
    sources : tuple of HeatSource
    energy : EnergyBooks or None
    grid : BoardGrid or None
        Coarse grid of the maps below; None where nothing was fitted.
    explained_k : ndarray of shape (bins, rows, columns) or None, K
        What the sources explain at ``times_s``.
    residual_k : ndarray, same shape, K
        What is left, NaN where nothing is readable.
    times_s : ndarray of shape (bins,), s
    detection_limit_w : ndarray of shape (rows, columns) or None, W
        Smallest power at each place that would have been listed with 95 % chance; infinite where nothing is seen.
    part_limit_w : dict of refdes to W
        The same for a source inside each part.
    plate_text : str
        Which plate was used and where its numbers come from.
    why : dict of key to sentence
        Reasons for what is missing.
    limit_text : str or None
        The detection limit of this recording in a sentence.
    """

    sources: tuple[HeatSource, ...]
    energy: EnergyBooks | None
    grid: BoardGrid | None = None
    explained_k: np.ndarray | None = None
    residual_k: np.ndarray | None = None
    times_s: np.ndarray | None = None
    detection_limit_w: np.ndarray | None = None
    part_limit_w: dict[str, float] = field(default_factory=dict)
    plate_text: str = ""
    warnings: tuple[str, ...] = ()
    why: dict[str, str] = field(default_factory=dict)
    limit_text: str | None = None
