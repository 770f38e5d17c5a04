"""A hand that reaches into the picture for a moment."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from thermscan.physics.radiation import band_radiance

SKIN_C = 33.0  # usual skin temperature of a hand indoors, from memory
EDGE_PX = 1.5  # a hand near the lens is out of focus


@dataclass(frozen=True)
class Visitor:
    """A hand as a disc on an arm that comes straight in from one edge and goes back the same way.

    Attributes
    ----------
    from_s, to_s : float
    start_px, reach_px : tuple of float
        Where it enters, and how far in it comes: column and row.
    radius_px : float
    """

    from_s: float
    to_s: float
    start_px: tuple[float, float]
    reach_px: tuple[float, float]
    radius_px: float

    def cover(self, radiance: np.ndarray, time_s: float) -> np.ndarray:
        """Return a frame with the hand in front of it, ndarray (rows, columns), W m-2 sr-1."""
        if not self.from_s < time_s < self.to_s:
            return radiance
        share = np.sin(np.pi * (time_s - self.from_s) / (self.to_s - self.from_s))
        start, reach = np.array(self.start_px), np.array(self.reach_px) - self.start_px
        tip = start + share * reach
        rows, columns = np.indices(radiance.shape)
        along = ((columns - start[0]) * reach[0] + (rows - start[1]) * reach[1]) / (reach @ reach)
        along = np.minimum(along, share)
        off = np.hypot(columns - start[0] - along * reach[0], rows - start[1] - along * reach[1])
        hand = np.hypot(columns - tip[0], rows - tip[1])
        depth = np.maximum(self.radius_px - hand, 0.6 * self.radius_px - off)
        mask = 1.0 / (1.0 + np.exp(-np.clip(depth / EDGE_PX, -40, 40)))
        return ((1 - mask) * radiance + mask * band_radiance(SKIN_C)).astype(np.float32)


def draw_visitor(random: np.random.Generator, last_s: float, *, resolution: tuple[int, int]) -> Visitor:
    """Draw when and where a hand comes in; it reaches up to a third of the picture for one to two seconds."""
    size = np.array(resolution, float)
    stay = float(random.uniform(0.8, 2.0))
    begin = float(random.uniform(0.1, 0.9)) * max(last_s - stay, 0.1)
    edge = random.integers(4)
    along = random.uniform(0.2, 0.8)
    start = np.array([[along, -0.1], [along, 1.1], [-0.1, along], [1.1, along]][edge]) * size
    tip = start + (0.5 * size - start) * random.uniform(0.3, 0.7)
    radius = float(random.uniform(0.06, 0.12) * size.min())
    return Visitor(begin, begin + stay, (float(start[0]), float(start[1])), (float(tip[0]), float(tip[1])), radius)
