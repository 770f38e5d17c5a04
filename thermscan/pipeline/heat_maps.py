"""Maps in watts for files and pictures: where heat is made, and how little of it would have been seen."""

from __future__ import annotations

import itertools

import numpy as np

from thermscan.find.source_map import SourceMap
from thermscan.model.result_maps import HeatMap
from thermscan.model.source_fit import SourceFit


def heat_maps(fit: SourceFit, made: SourceMap | None) -> tuple[HeatMap, ...]:
    """Return the stages of the source map and the map of detection limits, as far as there are any."""
    out = []
    if made is not None:
        stages = itertools.pairwise(made.stages_s)
        for values, (first, last) in zip(made.stages_mw_per_mm2, stages, strict=True):
            title = f"heat made from {first:.1f} to {last:.1f} s"
            out.append(HeatMap("made", title, made.grid, values, made.criterion))
    if fit.grid is not None and fit.detection_limit_w is not None:
        limit = np.where(np.isfinite(fit.detection_limit_w), fit.detection_limit_w * 1e3, np.nan)
        out.append(HeatMap("limit", "smallest heat that would have been seen", fit.grid, limit, fit.limit_text or ""))
    return tuple(out)
