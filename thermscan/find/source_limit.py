"""What this recording could have shown: the smallest power that would have been listed, place by place."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.special import ndtri

from thermscan.find.source_candidate import NO_SOURCE_KINDS, centred
from thermscan.find.source_search import LinearFit, sweep
from thermscan.find.source_state import Search
from thermscan.find.source_template import Place
from thermscan.model.board import Board
from thermscan.model.film import BoardGrid
from thermscan.model.quantity import watts_words
from thermscan.model.result import PartReading
from thermscan.model.source_fit import SourceFit

# Share of the packages thought of that show a source less than the one the limit is stated for: which one a part has is
# not known, and a limit should hold for most.
HARD_PACKAGES = 0.1
SHARE_OF_BOARD = 0.9  # what is stated for the board holds on so much of it


def needed_deviations(log_odds: float, evidence_share: float) -> float:
    """Return the standard deviations at which a source reaches even odds, plus 1.645 for a 95 % chance of that.

    A source of z deviations gains about ``z^2 / 2 - 3`` in log evidence; the 3 stands for the width of the prior. Only
    ``evidence_share`` of it counts for listing a source.
    """
    return float(np.sqrt(2 * (3.0 - log_odds / evidence_share)) + ndtri(0.95))


def needed_over_own(search: Search, place: Place) -> float:
    """Return the power, as seen, by which a part's own heat must differ to be no healthy difference with 95 %, W.

    The templates of the plate never have quite the shape that good boards show, so that a fit alone would promise more.
    """
    ref = "" if place.part is None else place.part.ref
    if not ref or ref not in search.owners:
        return 0.0
    count = search.settings.spread_freedom
    student = np.sqrt(count * np.expm1(-2 * search.log_odds(place) / (count + 1)))
    spread = float(search.nuisance.sigma[search.owners.index(ref)])
    return float((student + ndtri(0.95)) * spread * search.own_w.get(ref, 0.0))


def limit_map(search: Search, fit: LinearFit) -> np.ndarray:
    """Return the detection limit for a free spot on the seen face, ndarray (rows, columns), W.

    Near a source that was found, another one must stand out of the error of what that one is thought to warm.
    Infinite outside the board and where nothing is readable within two blur widths.
    """
    data, board = search.data, search.maker.board
    x0, y0, x1, y1 = board.box_mm
    kernel = search.maker.templates(Place((x0 + x1) / 2, (y0 + y1) / 2), (search.middle,), bare=True)[0]
    weight = data.picture(fit.weight)
    _, information = sweep(np.zeros_like(weight), weight, centred(data.grid, kernel, board))
    z = needed_deviations(search.log_odds(Place(0.0, 0.0)), search.settings.evidence_share)
    points = data.grid.points_mm()
    seen = board.inside(points[..., 0], points[..., 1]) & (information > 1e-9)
    limit = np.full(data.grid.shape, np.inf)
    others = np.abs(data.picture(warmed_by_others(search)))[-1]
    limit[seen] = np.hypot(z / np.sqrt(information[seen]), stand_out_w(search, others, kernel[-1].max())[seen])
    return limit / data.gain


def warmed_by_others(search: Search, ref: str = "") -> np.ndarray:
    """Return the rise that found sources make, each taken as positive, but for the one at ``ref``; (samples,), K."""
    found = [f for f in search.found if f.place.part is None or f.place.part.ref != ref]
    return sum((np.abs(f.power_seen * f.template) for f in found), np.zeros(search.base_variance.shape))


def stand_out_w(search: Search, others_k: np.ndarray | float, peak_k_per_w: float) -> np.ndarray | float:
    """Return the power that stands out of twice the standard error of what other sources are thought to warm, W."""
    return 2 * search.settings.model_error * others_k / max(peak_k_per_w, 1e-9)


def part_limits(search: Search, fit: LinearFit) -> dict[str, float]:
    """Return the detection limit for a source inside each part, W, healthy differences of its own heat included.

    Parts of which no readable place shows enough (``most_limit_w``) are left out.
    """
    out = {}
    for c in search.candidates:
        _, g = fit.project(c.templates)
        z = needed_deviations(search.log_odds(c.place), search.settings.evidence_share)
        mean = c.templates.mean(axis=0)
        peak = int(np.argmax(mean))
        other = stand_out_w(search, float(warmed_by_others(search, c.place.part.ref)[peak]), float(mean[peak]))
        healthy = needed_over_own(search, c.place)
        seen = float(np.sqrt(z**2 / np.quantile(g, HARD_PACKAGES) + other**2 + healthy**2))
        limit = seen / search.data.gain
        if limit < search.settings.most_limit_w:
            out[c.place.part.ref] = limit
    return out


def cover_limits(
    limit_w: np.ndarray, grid: BoardGrid, part_w: dict[str, float], board: Board, *, side: str
) -> dict[str, float]:
    """Return the detection limit for heat under each shield and heat sink of the filmed side, dict of refdes to W.

    The largest over the parts that it covers and the bare board under it; infinite where nothing would be seen.
    """
    points = grid.points_mm()
    out = {}
    for cover in board.parts_on(side):
        if not cover.fitted or cover.kind not in NO_SOURCE_KINDS:
            continue
        under = limit_w[cover.contains(points[..., 0], points[..., 1]) & board.inside(points[..., 0], points[..., 1])]
        covered = [part_w.get(p.ref, np.inf) for p in board.parts if p.fitted and p.covered_by == cover.ref]
        limits = [*under.tolist(), *covered]
        if limits:
            out[cover.ref] = float(max(limits))
    return out


def board_limit_w(limit_w: np.ndarray | None) -> float | None:
    """Return the one detection limit that is stated for a board: it holds on nine tenths of what is readable, W.

    ``limit_w`` is that of each place, ndarray (rows, columns); None where there is none, or nothing is readable.
    """
    finite = np.zeros(0) if limit_w is None else limit_w[np.isfinite(limit_w)]
    return float(np.quantile(finite, SHARE_OF_BOARD)) if finite.size else None


def limit_sentence(limit_w: np.ndarray, part_w: dict[str, float], cover_w: dict[str, float]) -> str:
    """Say the limits in a sentence: of the board, of half of the parts, of the worst one, and what covers hide."""
    stated = board_limit_w(limit_w)
    if stated is None:
        return "nothing of the board is readable: no power is too large to be missed"
    text = f"a source above {watts_words(stated)} would have been seen on nine tenths of the board"
    half = float(np.median(list(part_w.values()))) if part_w else 0.0
    if half > stated:
        text += f", in half of the parts one above {watts_words(half)}, for healthy parts differ in heat of their own"
    worst = max(part_w, key=lambda r: part_w[r], default=None)
    if worst is not None:
        text += f"; in {worst} nothing below {watts_words(part_w[worst])}"
    for ref, limit in cover_w.items():
        text += f"; under {ref} nothing" + (f" below {watts_words(limit)}" if np.isfinite(limit) else " at all")
    return text


def with_limits(parts: Sequence[PartReading], fit: SourceFit, board: Board) -> tuple[PartReading, ...]:
    """Return the readings of parts with the detection limit of each, or the reason why it has none."""
    out = []
    for reading in parts:
        limit = fit.part_limit_w.get(reading.ref)
        reason = "" if limit is not None else _no_limit(reading, fit, board)
        why = {**reading.why, "detection_limit_w": reason} if reason else reading.why
        out.append(replace(reading, detection_limit_w=limit, why=why))
    return tuple(out)


def _no_limit(reading: PartReading, fit: SourceFit, board: Board) -> str:
    """Say why a part has no detection limit."""
    if fit.detection_limit_w is None:
        return fit.why.get("sources", "no sources of heat were sought in this recording")
    if reading.kind in NO_SOURCE_KINDS:
        return f"a {reading.kind} makes no heat of its own"
    if not board.part(reading.ref).fitted:
        return "it is not fitted"
    return "nothing readable is near enough to show heat made in it"
