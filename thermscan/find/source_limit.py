"""What this recording could have shown: the smallest power that would have been listed, place by place."""

from __future__ import annotations

import numpy as np
from scipy.special import ndtri

from thermscan.find.source_candidate import centred
from thermscan.find.source_search import LinearFit, sweep
from thermscan.find.source_state import Search
from thermscan.find.source_template import Place

# Share of the packages thought of that show a source less than the one the limit is stated for: which one a part has is
# not known, and a limit should hold for most.
HARD_PACKAGES = 0.1


def needed_deviations(log_odds: float, evidence_share: float) -> float:
    """Return the standard deviations at which a source reaches even odds, plus 1.645 for a 95 % chance of that.

    A source of z deviations gains about ``z^2 / 2 - 3`` in log evidence; the 3 stands for the width of the prior. Only
    ``evidence_share`` of it counts for listing a source.
    """
    return float(np.sqrt(2 * (3.0 - log_odds / evidence_share)) + ndtri(0.95))


def limit_map(search: Search, fit: LinearFit) -> np.ndarray:
    """Return the detection limit for a free spot on the seen face, ndarray (rows, columns), W.

    Infinite outside the board and where nothing is readable within two blur widths.
    """
    data, board = search.data, search.maker.board
    x0, y0, x1, y1 = board.box_mm
    kernel = search.maker.templates(Place((x0 + x1) / 2, (y0 + y1) / 2), (search.middle,))[0]
    weight = data.picture(fit.weight)
    _, information = sweep(np.zeros_like(weight), weight, centred(data.grid, kernel, board))
    z = needed_deviations(search.log_odds(Place(0.0, 0.0)), search.settings.evidence_share)
    points = data.grid.points_mm()
    seen = board.inside(points[..., 0], points[..., 1]) & (information > 1e-9)
    limit = np.full(data.grid.shape, np.inf)
    limit[seen] = z / np.sqrt(information[seen]) / data.gain
    return limit


def part_limits(search: Search, fit: LinearFit) -> dict[str, float]:
    """Return the detection limit for a source inside each part, W, healthy differences of its own heat included."""
    out = {}
    for c in search.candidates:
        _, g = fit.project(c.templates)
        z = needed_deviations(search.log_odds(c.place), search.settings.evidence_share)
        out[c.place.part.ref] = float(z / np.sqrt(np.quantile(g, HARD_PACKAGES)) / search.data.gain)
    return out


def limit_sentence(limit_w: np.ndarray, part_w: dict[str, float]) -> str:
    """Say the limits in a sentence: nine tenths of the board, and the part that hides most."""
    finite = limit_w[np.isfinite(limit_w)]
    if not finite.size:
        return "nothing of the board is readable: no power is too large to be missed"
    text = f"a source above {watts(np.quantile(finite, 0.9))} would have been seen on nine tenths of the board"
    worst = max(part_w, key=lambda r: part_w[r], default=None)
    return text if worst is None else f"{text}; in {worst} nothing below {watts(part_w[worst])}"


def watts(power_w: float) -> str:
    """Return a power in words, two digits."""
    value, unit = (power_w, "W") if power_w >= 1 else (power_w * 1e3, "mW")
    return f"{float(f'{value:.2g}'):g} {unit}"
