"""Small plane motions as eight coefficients."""

from __future__ import annotations

from functools import cached_property

import numpy as np

NAMES = ("right", "down", "turn", "growth", "stretch", "shear", "keystone right", "keystone down")


class Coefficients:
    """Homographies near the identity as eight coefficients, each in pixels of displacement.

    The displacement at normalised place (x, y), -1 to 1 along the longer side, is to first order the sum of: (1, 0),
    (0, 1), (-y, x), (x, y), (x, -y), (y, x), (xx, xy), (xy, yy). Exactly: the four inner corners are displaced by that
    sum and the homography is the one through them, so conversion both ways is exact.

    Parameters
    ----------
    shape : (rows, columns) of the picture
    """

    def __init__(self, shape: tuple[int, int]) -> None:
        self.shape = shape
        self.centre = np.array([(shape[1] - 1) / 2, (shape[0] - 1) / 2])
        self.half = max(max(shape) / 2, 1.0)
        corners = np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]]) * [shape[1] - 1, shape[0] - 1]
        self.corners = corners * 0.8 + self.centre
        self.at_corners = self.fields(self.corners).transpose(0, 2, 1).reshape(8, 8)  # (corner, axis) x coefficient

    def fields(self, points: np.ndarray) -> np.ndarray:
        """Return the displacement fields at points, ndarray (n, 2) px, as ndarray (n, 8, 2)."""
        x, y = ((np.asarray(points, float) - self.centre) / self.half).T
        one, none = np.ones_like(x), np.zeros_like(x)
        pairs = [(one, none), (none, one), (-y, x), (x, y), (x, -y), (y, x), (x * x, x * y), (x * y, y * y)]
        return np.stack([np.stack(p, axis=-1) for p in pairs], axis=1)

    def to_matrix(self, coefficients: np.ndarray) -> np.ndarray:
        """Return homographies, ndarray (..., 3, 3), of coefficients, ndarray (..., 8)."""
        c = np.asarray(coefficients, float)
        moved = self.corners + (c @ self.at_corners.T).reshape(*c.shape[:-1], 4, 2)
        x, y = self.corners.T
        system = np.zeros((*c.shape[:-1], 8, 8))
        for axis in range(2):
            rows = slice(axis, 8, 2)
            system[..., rows, 3 * axis : 3 * axis + 3] = np.stack([x, y, np.ones(4)], axis=1)
            system[..., rows, 6] = -x * moved[..., axis]
            system[..., rows, 7] = -y * moved[..., axis]
        solved = np.linalg.solve(system, moved.reshape(*c.shape[:-1], 8, 1))[..., 0]
        return np.concatenate([solved, np.ones((*c.shape[:-1], 1))], axis=-1).reshape(*c.shape[:-1], 3, 3)

    def of_matrix(self, matrices: np.ndarray) -> np.ndarray:
        """Return the coefficients, ndarray (..., 8), of homographies, ndarray (..., 3, 3)."""
        m = np.asarray(matrices, float)
        ones = np.column_stack([self.corners, np.ones(4)])
        moved = ones @ np.swapaxes(m, -1, -2)
        displaced = moved[..., :2] / moved[..., 2:] - self.corners
        return np.linalg.solve(self.at_corners, displaced.reshape(*m.shape[:-2], 8, 1))[..., 0]

    @cached_property
    def pixels(self) -> np.ndarray:
        """Homogeneous coordinates of all pixels, ndarray (3, rows * columns)."""
        y, x = np.mgrid[: self.shape[0], : self.shape[1]]
        return np.stack([x.ravel(), y.ravel(), np.ones(x.size)]).astype(np.float64)

    @cached_property
    def everywhere(self) -> np.ndarray:
        """Displacement fields at all pixels, float32 ndarray (8, 2, rows * columns)."""
        return np.ascontiguousarray(self.fields(self.pixels[:2].T).transpose(1, 2, 0), dtype=np.float32)

    def distance(self, coefficients: np.ndarray) -> np.ndarray:
        """Return the rms displacement over a 5 x 5 grid of the inner picture, ndarray (...,), px."""
        steps = np.linspace(-0.4, 0.4, 5)
        grid = np.stack(np.meshgrid(steps * self.shape[1], steps * self.shape[0]), axis=-1).reshape(-1, 2)
        moved = np.tensordot(np.asarray(coefficients), self.fields(grid + self.centre), axes=(-1, 1))
        return np.sqrt((moved**2).sum(axis=-1).mean(axis=-1))
