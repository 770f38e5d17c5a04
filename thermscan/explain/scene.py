"""The evidence as a table of places and stages of the run: what each did, and how far good boards differ there."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from scipy.stats import t as student_t

from thermscan.model.board import Board, Part
from thermscan.model.evidence import Evidence
from thermscan.model.result import PartReading
from thermscan.model.settings import ExplainSettings

BLIND_K = 1e4  # noise of a stage in which a place was not seen: it then tells nothing
STAGE_EDGES = (0.0, 0.2, 0.5, 0.8, 1.0)  # of the seconds seen: early heat is local, late heat is strong


@dataclass(frozen=True)
class Scene:
    """Places (parts, then bare blocks of board) by stages of the run.

    Attributes
    ----------
    refs : tuple of str or None
        Refdes of each place, None for bare board.
    kinds : tuple of str
    x_mm, y_mm, radius_mm : ndarray of shape (places,)
        Centre and the standard deviation of a Gaussian of the same area.
    excess_k, own_k : ndarray of shape (places, stages), K (or counts)
        Measured excess, and the rise of a good board there.
    noise_k, spread_k : ndarray of shape (places, stages)
        Standard error from camera and placing, and the standard deviation between good boards. ``spread_k`` is
        common to all stages of a place.
    times_s : ndarray of shape (stages,)
        Mean time since power-on of each stage.
    is_seen : ndarray of bool, shape (places,)
        False for parts whose surface cannot be read: they keep their place, and their numbers count for nothing.
    floor_scale : float
        Counts for a kelvin where the scale is not known (guessed from the noise), else 1.
    box_mm : tuple of float or None
        Least and largest x and y of the outline, at which heat is turned back; None where no outline is known.
    """

    refs: tuple[str | None, ...]
    kinds: tuple[str, ...]
    x_mm: np.ndarray
    y_mm: np.ndarray
    radius_mm: np.ndarray
    excess_k: np.ndarray
    own_k: np.ndarray
    noise_k: np.ndarray
    spread_k: np.ndarray
    times_s: np.ndarray
    is_seen: np.ndarray
    floor_scale: float = 1.0
    box_mm: tuple[float, float, float, float] | None = None

    @property
    def places(self) -> int:
        """Number of places."""
        return len(self.refs)

    def index(self, ref: str) -> int | None:
        """Return the row of a part, None where it is not on this side."""
        return self.refs.index(ref) if ref in self.refs else None

    def sees(self, ref: str) -> bool:
        """Tell whether a part is seen itself: on this side, and of a surface that can be read."""
        row = self.index(ref)
        return row is not None and bool(self.is_seen[row])

    def significance(self) -> np.ndarray:
        """Return the last stage's excess over noise and spread together, ndarray (places,)."""
        scale = np.hypot(self.noise_k[:, -1], self.spread_k[:, -1])
        return np.where(self.is_seen, self.excess_k[:, -1] / np.maximum(scale, 1e-12), 0.0)


def set_scene(evidence: Evidence, board: Board | None, *, settings: ExplainSettings) -> Scene | None:
    """Average courses and map over the stages of the run; None where there is nothing to average.

    Notes
    -----
    Noise of a stage is the bins' noise over the root of their number, but never under ``noise_kept`` of it: part
    of it is shared by all bins (frames before power-on, placing). The spread is widened by a share of the own
    heat and a floor, the more the fewer good boards there are (``ExplainSettings``). Parts that are not seen,
    on the far side too, keep a row: they may heat or cool what is seen.
    """
    stages = _stages(evidence)
    if not stages:
        return None
    rows = [_part_row(p, board, stages, settings) for p in evidence.parts]
    if not any(r.is_seen for r in rows) and evidence.excess is None:
        return None
    known = {r.ref for r in rows}
    rows += [_unseen_row(p, len(stages)) for p in (board.parts if board else ()) if p.fitted and p.ref not in known]
    rows += _bare_rows(evidence, board, stages, settings)
    if not any(r.is_seen for r in rows):
        return None
    scene = _gather(rows, evidence, stages, settings)
    return scene if board is None else replace(scene, box_mm=board.box_mm)


@dataclass(frozen=True)
class _Row:
    ref: str | None
    kind: str
    x_mm: float
    y_mm: float
    radius_mm: float
    excess_k: np.ndarray
    own_k: np.ndarray
    noise_k: np.ndarray
    spread_k: np.ndarray
    is_seen: bool


def _stages(evidence: Evidence) -> list[np.ndarray]:
    """Return index arrays of the bins of each stage: those with power on and with data, empty stages left out."""
    times = np.asarray(evidence.times_s)
    known = np.zeros(len(times))
    courses = [p.excess_course_k for p in evidence.parts if p.excess_course_k is not None]
    if evidence.excess is not None:
        known = np.isfinite(evidence.excess.excess[:, evidence.excess.film.inside]).mean(axis=1)
    elif courses:
        known = np.isfinite(np.stack(courses)).mean(axis=0)
    used = known >= 0.5 * max(float(known.max(initial=0.0)), 1e-9)
    if evidence.clock_is_power_on and np.any(used & (times > 0)):
        used &= times > 0
        on_for = evidence.excess.film.on_for_s if evidence.excess is not None else None
        if on_for is not None and np.any(used & (times <= on_for)):
            used &= times <= on_for
    used = np.flatnonzero(used)
    if len(used) == 0 or not known.any():
        return []
    edges = np.round(np.array(STAGE_EDGES) * len(used)).astype(int)
    pieces = [used[a:b] for a, b in pairwise(edges)]
    return [p for p in pieces if len(p)]


def _mean(course: np.ndarray | None, stages: list[np.ndarray]) -> np.ndarray:
    if course is None:
        return np.full(len(stages), np.nan)
    course = np.asarray(course, float)
    out = np.full(len(stages), np.nan)
    for i, bins in enumerate(stages):
        values = course[bins[bins < len(course)]]
        values = values[np.isfinite(values)]
        if len(values):
            out[i] = values.mean()
    return out


def _noise(course: np.ndarray | None, stages: list[np.ndarray], settings: ExplainSettings) -> np.ndarray:
    counts = np.array([len(b) for b in stages])
    return _mean(course, stages) * np.maximum(1 / np.sqrt(counts), settings.noise_kept)


def _part_row(reading: PartReading, board: Board | None, stages: list[np.ndarray], settings: ExplainSettings) -> _Row:
    part = _find(board, reading.ref)
    excess = _mean(reading.excess_course_k, stages)
    rise = _mean(reading.rise_course_k, stages)
    own = np.maximum(rise - excess, 0.0)
    noise, spread = _noise(reading.noise_course_k, stages, settings), _mean(reading.spread_course_k, stages)
    known = np.isfinite(excess) & np.isfinite(noise) & np.isfinite(spread)
    seen = reading.state not in ("unreadable", "unknown") and _is_enough(known)
    if seen:
        excess, own, noise, spread = _with_gaps(known, excess, own, noise, spread)
    radius = float(np.sqrt(part.w * part.h / (2 * np.pi))) if part else 1.0
    return _Row(
        reading.ref,
        reading.kind,
        part.x if part else 0.0,
        part.y if part else 0.0,
        max(radius, 0.2),
        excess,
        np.nan_to_num(own),
        noise,
        spread,
        seen,
    )


def _is_enough(known: np.ndarray) -> np.ndarray | bool:
    """Tell whether stages, ndarray (stages, ...), tell of a place: the last one, and half of all."""
    return known[-1] & (known.mean(axis=0) >= 0.5)


def _with_gaps(
    known: np.ndarray, excess: np.ndarray, own: np.ndarray, noise: np.ndarray, spread: np.ndarray
) -> tuple[np.ndarray, ...]:
    """Return courses, ndarray (stages,) each, with unknown stages filled in, so that they say nothing."""
    at = np.arange(len(known))
    filled = [np.interp(at, at[known], course[known]) for course in (excess, np.nan_to_num(own), noise, spread)]
    return filled[0], filled[1], np.where(known, filled[2], BLIND_K), filled[3]


def _unseen_row(part: Part, stages: int) -> _Row:
    zero = np.zeros(stages)
    radius = float(np.sqrt(part.w * part.h / (2 * np.pi)))
    return _Row(part.ref, part.kind, part.x, part.y, max(radius, 0.2), zero, zero, zero, zero, is_seen=False)


def _find(board: Board | None, ref: str) -> Part | None:
    return next((p for p in board.parts if p.ref == ref), None) if board is not None else None


def _bare_rows(
    evidence: Evidence, board: Board | None, stages: list[np.ndarray], settings: ExplainSettings
) -> list[_Row]:
    """Average the map over square blocks of bare, readable board."""
    found = evidence.excess
    if found is None:
        return []
    film = found.film
    grid = film.grid
    bare = film.inside & film.readable
    points = grid.points_mm()
    for part in board.parts_on(evidence.side) if board else ():
        bare = bare & ~part.contains(points[..., 0], points[..., 1], margin_mm=settings.bare_margin_mm)
    area = max(float(film.inside.sum()) * grid.step_mm**2, 1.0)
    block = max(settings.block_mm, np.sqrt(area / settings.most_blocks), 1.5 * grid.step_mm)
    column = np.floor((points[..., 0] - points[0, 0, 0]) / block).astype(int)
    row = np.floor((points[..., 1] - points[0, 0, 1]) / block).astype(int)
    label = row * (column.max() + 1) + column
    maps = [np.broadcast_to(m, found.excess.shape) for m in (found.excess, found.own_heat, found.spread)]
    layers = [np.stack([_mean_of_known(m[bins]) for bins in stages]) for m in maps]
    told = np.isfinite(layers[0])
    bare = bare & _is_enough(told)
    counts = np.array([len(b) for b in stages])
    gain = np.maximum(1 / np.sqrt(counts), settings.noise_kept)
    least = settings.least_block_share * (block / grid.step_mm) ** 2
    rows = []
    for name in np.unique(label[bare]):
        cells = bare & (label == name)
        if cells.sum() < least:
            continue
        known = told[:, cells].any(axis=1)
        independent = max(1.0, cells.sum() * grid.step_mm**2 / max(4 * np.pi * film.correlation_mm**2, grid.step_mm**2))
        average = max(1 / np.sqrt(independent), settings.noise_kept)
        camera, position = found.split_noise(cells / cells.sum())
        error = _mean(np.sqrt(average**2 * camera + position), stages)
        excess, own, spread = (_mean_of_known(layer[:, cells].T) for layer in layers)
        excess, own, noise, spread = _with_gaps(known & np.isfinite(error), excess, own, error, spread)
        x, y = points[cells].mean(axis=0)
        rows.append(
            _Row(
                None,
                "board",
                float(x),
                float(y),
                block / np.sqrt(2 * np.pi),
                excess,
                np.maximum(own, 0.0),
                noise * gain,
                np.nan_to_num(spread),
                is_seen=True,
            )
        )
    return rows


def _mean_of_known(layers: np.ndarray) -> np.ndarray:
    """Mean over the first axis of what is finite, NaN where nothing is."""
    known = np.isfinite(layers)
    count = known.sum(axis=0)
    return np.where(count > 0, np.where(known, layers, 0.0).sum(axis=0) / np.maximum(count, 1), np.nan)


def _gather(rows: list[_Row], evidence: Evidence, stages: list[np.ndarray], settings: ExplainSettings) -> Scene:
    own = np.stack([r.own_k for r in rows])
    noise = np.stack([r.noise_k for r in rows])
    spread = np.stack([r.spread_k for r in rows])
    seen = np.array([r.is_seen for r in rows])
    known = noise[seen][np.isfinite(noise[seen])]
    typical = float(np.median(known)) if known.size else settings.floor_k
    noise = np.where(np.isfinite(noise) & (noise > 0), noise, max(typical, 1e-6))
    spread = np.where(np.isfinite(spread), np.maximum(spread, 0.0), 0.0)
    own = own * _sure_share(own, noise, settings)
    floor, share = healthy_scale(evidence, settings)
    scale = typical / settings.floor_k if evidence.unit == "count" else 1.0
    floor *= scale
    spread = left_out_widening(evidence, settings) * np.sqrt(spread**2 + floor**2 + (share * own) ** 2)
    excess = np.where(seen[:, None], np.stack([np.nan_to_num(r.excess_k) for r in rows]), 0.0)
    noise = np.hypot(noise, _stray(rows, np.where(seen[:, None], np.abs(excess), 0.0), settings))
    return Scene(
        tuple(r.ref for r in rows),
        tuple(r.kind for r in rows),
        np.array([r.x_mm for r in rows]),
        np.array([r.y_mm for r in rows]),
        np.array([r.radius_mm for r in rows]),
        excess,
        own,
        noise,
        spread,
        np.array([max(float(np.mean(evidence.times_s[b])), 1e-3) for b in stages]),
        seen,
        scale,
    )


def _stray(rows: list[_Row], size: np.ndarray, settings: ExplainSettings) -> np.ndarray:
    """Return what the largest difference may do at each place by paths not modelled, K, ndarray (places, stages).

    ``size`` is ndarray (places, stages), K, 0 where nothing is seen. Near the largest difference a share of it: that is
    how wrong the pattern of its heat is. Far from it, what reaches everywhere, stray light in the lens say, shows on
    bare board too and is no more than most of that shows, where enough of it is seen.
    """
    stray = np.broadcast_to(settings.stray_share * size.max(axis=0), size.shape)
    bare = np.array([r.is_seen and r.ref is None for r in rows])
    if bare.sum() < settings.stray_blocks:
        return stray
    hottest = rows[int(np.argmax(size[:, -1]))]
    away = np.array([np.hypot(r.x_mm - hottest.x_mm, r.y_mm - hottest.y_mm) for r in rows])
    near = np.exp(-((away / settings.stray_mm) ** 2))[:, None]
    return np.minimum(stray, np.maximum(np.median(size[bare], axis=0), near * stray))


def _sure_share(own: np.ndarray, noise: np.ndarray, settings: ExplainSettings) -> np.ndarray:
    """Return how much of a good board's warmth is sure to be warmth, 0 to 1.

    The noise of the good boards stands in the excess as well, with the other sign: taken for warmth it would look
    like heat that is missing.
    """
    doubt = settings.own_sigma * noise
    return np.clip(1.0 - (doubt / np.maximum(own, 1e-9)) ** 2, 0.0, 1.0)


def healthy_scale(evidence: Evidence, settings: ExplainSettings) -> tuple[float, float]:
    """Return what to add to the spread: a floor, K, and a share of the own heat, by the number of good boards."""
    if evidence.basis == "itself_before":
        return settings.floor_k, settings.repeat_share
    if evidence.good_boards >= 3:
        return settings.floor_k, settings.share_many
    if evidence.good_boards == 2:
        return settings.floor_k, settings.share_two
    if evidence.good_boards == 1:
        return settings.floor_k, settings.share_one
    return settings.floor_k, settings.share_none


def left_out_widening(evidence: Evidence, settings: ExplainSettings) -> float:
    """Return how much wider good boards differ than expected, 1 or more, from each of them judged by the others.

    The larger of the median and the 95th percentile of the sizes of their parts' differences, each over that of the
    t distribution they are expected to follow. 1 where there are too few values to tell.
    """
    sizes = [abs(z) for board in evidence.left_out for _, z in left_out_sizes(board, evidence, settings)]
    if len(sizes) < settings.least_left_out:
        return 1.0
    usual = student_t(tail_of(evidence.good_boards, settings))
    widest = max(
        float(np.median(sizes)) / float(usual.ppf(0.75)), float(np.quantile(sizes, 0.95)) / float(usual.ppf(0.975))
    )
    return float(np.clip(widest, 1.0, settings.most_widening))


def tail_of(good_boards: int, settings: ExplainSettings) -> float:
    """Degrees of freedom of the heavy-tailed differences: fewer good boards, heavier tails."""
    if good_boards >= 3:
        return settings.tail_many
    return {2: settings.tail_two, 1: settings.tail_one}.get(good_boards, settings.tail_none)


def left_out_sizes(
    board: tuple[PartReading, ...], evidence: Evidence, settings: ExplainSettings
) -> list[tuple[str, float]]:
    """Return (refdes, difference over what is expected of it) for each readable part of a good board left out.

    The median of the later half of the bins in which the part was seen on both sides: somebody who leans in at the end
    of one recording is not how good boards differ.
    """
    floor, share = healthy_scale(evidence, settings)
    out = []
    for part in board:
        if part.excess_course_k is None or part.state in ("unreadable", "unknown"):
            continue
        courses = (part.excess_course_k, part.noise_course_k, part.spread_course_k, part.rise_course_k)
        rows = np.stack([np.full(len(courses[0]), np.nan) if c is None else np.asarray(c, float) for c in courses])
        known = np.flatnonzero(np.isfinite(rows).all(axis=0))
        if not len(known):
            continue
        excess, noise, spread, rise = rows[:, known[len(known) // 2 :]]
        own = np.maximum(rise - excess, 0.0)
        scale = np.sqrt(noise**2 + spread**2 + floor**2 + (share * own) ** 2)
        if (scale > 0).all():
            out.append((part.ref, float(np.median(excess / scale))))
    return out
