"""Starts of the search without clicks: where the lines of the layout agree with the edges of coarse pictures."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import zip_longest

import numpy as np
from scipy import fft

from thermscan.measure.placement_pose import View, nominal_view, view_from_similarity
from thermscan.measure.placement_scene import Scene, shrink_scene
from thermscan.model.board import Board
from thermscan.model.settings import PlacementSettings

_LEAST_BODY_PX = 1.5  # width from which a body has edges in the picture that is searched
_HOLE_CORNERS = 12


@dataclass(frozen=True)
class Start:
    """A coarse candidate: how well its lines agree with the edges, and its view in full-size pixels."""

    score: float
    view: View


def edge_tensor(scene: Scene) -> np.ndarray:
    """Return edge direction by doubled angle, ndarray (2, rows, columns), strength 0 to 1, summed over channels.

    Doubling the angle makes a bright-to-dark edge equal to a dark-to-bright one. Strength saturates at a few
    times the usual gradient of the channel, so one hot part does not outweigh a faint outline.
    """
    total = np.zeros((2, *scene.shape))
    for channel in scene.channels:
        gy, gx = np.gradient(channel)
        power = gx**2 + gy**2
        usual = 2.0 * float(np.median(power[scene.valid])) + 1e-12 if scene.valid.any() else 1.0
        share = scene.valid / (power + usual)
        total += np.array([(gx**2 - gy**2) * share, 2 * gx * gy * share])
    return total / len(scene.channels)


def _edge_samples(corners_mm: np.ndarray, centre_mm: np.ndarray, spacing_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """Return points along a closed line relative to the board centre (y down) and the doubled angle of its normals."""
    local = (corners_mm - centre_mm) * [1.0, -1.0]
    points, angles = [], []
    for a, b in zip(local, np.roll(local, -1, axis=0), strict=True):
        count = max(1, round(float(np.hypot(*(b - a))) / spacing_mm))
        t = (np.arange(count) + 0.5) / count
        points.append(a + t[:, None] * (b - a))
        angles.append(np.full(count, 2 * (np.arctan2(b[1] - a[1], b[0] - a[0]) + np.pi / 2)))
    return np.vstack(points), np.concatenate(angles)


def _layout_samples(
    board: Board, side: str, centre_mm: np.ndarray, scale: float
) -> tuple[np.ndarray, np.ndarray] | None:
    """Return the same along the bodies and holes that are large enough at ``scale`` px/mm; None where none is."""
    least = _LEAST_BODY_PX / scale
    shapes = [p.corners_mm() for p in board.parts_on(side) if min(p.w, p.h) >= least]
    turn = np.linspace(0.0, 2 * np.pi, _HOLE_CORNERS, endpoint=False)
    round_one = np.column_stack([np.cos(turn), np.sin(turn)]) / 2
    shapes += [np.array([h.x, h.y]) + h.d * round_one for h in board.holes if h.d >= least]
    if not shapes:
        return None
    points, angles = zip(*(_edge_samples(s, centre_mm, 0.7 / scale) for s in shapes), strict=True)
    return np.vstack(points), np.concatenate(angles)


def _splat(points: np.ndarray, weights: np.ndarray, size: tuple[int, int]) -> np.ndarray:
    """Spread weighted points over the four nearest cells of a wrapped grid, ndarray (kinds, rows, columns)."""
    base = np.floor(points).astype(int)
    part = points - base
    out = np.zeros((len(weights), size[0] * size[1]))
    for dx in (0, 1):
        for dy in (0, 1):
            share = (part[:, 0] if dx else 1 - part[:, 0]) * (part[:, 1] if dy else 1 - part[:, 1])
            cell = (base[:, 1] + dy) % size[0] * size[1] + (base[:, 0] + dx) % size[1]
            for kind, weight in enumerate(weights):
                out[kind] += np.bincount(cell, weight * share, minlength=out.shape[1])
    return out.reshape(len(weights), *size)


def is_half_turn_symmetric(board: Board) -> bool:
    """Tell whether the outline turned by 180 degrees about its middle covers itself (to 1 % of its size)."""
    x0, y0, x1, y1 = board.box_mm
    other = np.array([x0 + x1, y0 + y1]) - board.outline_mm
    gaps = np.sqrt(((other[:, None] - board.outline_mm[None]) ** 2).sum(axis=2)).min(axis=1)
    return bool(gaps.max() < 0.01 * max(x1 - x0, y1 - y0))


def _scales(board: Board, shape: tuple[int, int], settings: PlacementSettings) -> np.ndarray:
    """Return scales from the smallest board worth measuring to one that overfills the frame, px/mm."""
    x0, y0, x1, y1 = board.box_mm
    longer, shorter = max(x1 - x0, y1 - y0), min(x1 - x0, y1 - y0)
    low = settings.smallest_share * min(shape) / longer
    high = settings.largest_share * max(max(shape) / longer, min(shape) / shorter)
    count = max(2, int(np.ceil(np.log(high / low) / settings.scale_step)) + 1)
    return np.geomspace(low, high, count)


def _peaks(score: np.ndarray, most: int) -> list[tuple[float, int, int]]:
    found = []
    work = score.copy()
    for _ in range(most):
        row, column = np.unravel_index(int(np.argmax(work)), work.shape)
        if not np.isfinite(work[row, column]):
            break
        found.append((float(work[row, column]), int(row), int(column)))
        work[max(row - 2, 0) : row + 3, max(column - 2, 0) : column + 3] = -np.inf
    return found


def find_starts(scene: Scene, board: Board, *, side: str, settings: PlacementSettings) -> list[Start]:
    """Return placements whose outline, or whose whole layout, lies on edges: the best of each, two to one.

    Parameters
    ----------
    scene : Scene
        Full size.
    board : Board
    side : {'top', 'bottom'}
    settings : PlacementSettings

    Returns
    -------
    list of Start
        At most a few hundred, straight from above; tilt is left to refinement.

    Notes
    -----
    Correlates the doubled-angle edge picture with the outline for every turn and scale by fast Fourier transform, and
    with outline, bodies and holes together: connectors that lean over the outline hide it, and parts that stay as cold
    as their board show nothing, so neither finds every board alone. Places where part of the outline leaves the frame
    are scored by the part that is seen.
    """
    factor = max(1, round(max(scene.shape) / settings.search_px))
    edges = _Edges(shrink_scene(scene, factor, 0.35 * factor if factor > 1 else 0.4))
    x0, y0, x1, y1 = board.box_mm
    centre = np.array([(x0 + x1) / 2, (y0 + y1) / 2])
    base = nominal_view(scene.shape, (centre[0], centre[1]), side, settings)
    mirror = np.array([1.0, 1.0]) if side == "top" else np.array([-1.0, 1.0])
    by_outline: list[Start] = []
    by_layout: list[Start] = []
    whole = 180.0 if is_half_turn_symmetric(board) else 360.0
    for scale in _scales(board, edges.shape, settings):
        outline = _edge_samples(board.outline_mm, centre, 0.7 / scale)
        layout = _layout_samples(board, side, centre, scale)
        for degrees in np.arange(0, 360.0, settings.turn_step_deg):
            turn = float(np.radians(degrees))
            pose = scale * mirror, mirror[0], turn
            if layout is None and degrees >= whole:
                break
            plain = edges.agreement(*_posed(outline, *pose))
            seen = edges.seen(_posed(outline, *pose)[0])
            size = np.sqrt(np.maximum(seen, 0.2))
            scores = [(by_outline, plain)] if degrees < whole else []
            if layout is not None:
                both = plain + settings.layout_weight * edges.agreement(*_posed(layout, *pose))
                scores.append((by_layout, both))
            for found, values in scores:
                score = np.where(seen > settings.seen_share, values / size, -np.inf)
                for value, row, column in _peaks(score, 2):
                    place = (np.array([column, row]) + 0.5) * factor - 0.5
                    view = view_from_similarity(base, scale=scale * factor, angle_rad=turn, centre_px=place)
                    found.append(Start(value, view))
    by_layout.sort(key=lambda s: -s.score)
    by_outline.sort(key=lambda s: -s.score)
    three = zip_longest(by_layout, by_outline[::2], by_outline[1::2])
    return [s for each in three for s in each if s is not None]


def _posed(
    samples: tuple[np.ndarray, np.ndarray], scale: np.ndarray, handed: float, turn: float
) -> tuple[np.ndarray, np.ndarray]:
    """Return samples of a line scaled (mirrored where ``handed`` is -1) and turned: points, doubled angles."""
    points, doubled = samples
    spin = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    return scale * points @ spin.T, handed * doubled + 2 * turn


class _Edges:
    """The edges of a small picture, to be correlated with many templates."""

    def __init__(self, scene: Scene) -> None:
        self.shape = scene.shape
        rows, columns = scene.shape
        self.size = (fft.next_fast_len(2 * rows, real=True), fft.next_fast_len(2 * columns, real=True))
        self.edges = fft.rfft2(edge_tensor(scene), self.size)
        self.valid = fft.rfft2(scene.valid.astype(float), self.size)

    def agreement(self, points: np.ndarray, doubled: np.ndarray) -> np.ndarray:
        """Return the mean agreement of edges with a line put at every pixel, ndarray (rows, columns), -1 to 1."""
        weights = np.array([np.cos(doubled), np.sin(doubled)]) / len(doubled)
        template = fft.rfft2(_splat(points, weights, self.size))
        return self._cut((np.conj(template) * self.edges).sum(axis=0))

    def seen(self, points: np.ndarray) -> np.ndarray:
        """Return the share of a line put at every pixel that lies on valid pixels, ndarray (rows, columns)."""
        template = fft.rfft2(_splat(points, np.full((1, len(points)), 1 / len(points)), self.size)[0])
        return self._cut(np.conj(template) * self.valid)

    def _cut(self, spectrum: np.ndarray) -> np.ndarray:
        return fft.irfft2(spectrum, self.size)[: self.shape[0], : self.shape[1]]
