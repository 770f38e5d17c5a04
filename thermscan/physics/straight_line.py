"""A straight line by least squares with its covariance: calibration lines (JCGM 100:2008, annex H.3)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Line:
    """``y = intercept + slope (x - x0)`` with the covariance of (intercept, slope), ndarray (2, 2).

    ``scatter`` is the standard deviation of the residuals, ``freedom`` their degrees of freedom; where no residual
    freedom is left the covariance comes from the stated errors of the points alone.
    """

    x0: float
    intercept: float
    slope: float
    covariance: np.ndarray
    scatter: float
    freedom: int

    def at(self, x: float | np.ndarray) -> np.ndarray:
        """Evaluate the line."""
        return self.intercept + self.slope * (np.asarray(x, float) - self.x0)

    def error_at(self, x: float | np.ndarray) -> np.ndarray:
        """Return the standard uncertainty of the line (not of a new point) at x."""
        dx = np.asarray(x, float) - self.x0
        c = self.covariance
        return np.sqrt(np.maximum(c[0, 0] + 2 * dx * c[0, 1] + dx**2 * c[1, 1], 0.0))


def fit_line(x: np.ndarray, y: np.ndarray, *, x0: float = 0.0, error: np.ndarray | None = None) -> Line:
    """Fit a line to points.

    Parameters
    ----------
    x, y : ndarray of shape (n,), n of two or more
    x0 : float
        Place at which the intercept is taken.
    error : ndarray of shape (n,), optional
        Standard uncertainty of each y. Points are weighted by it, and the covariance is enlarged where the points
        scatter more than it says. Without it all points weigh the same and the scatter alone counts.

    Raises
    ------
    ValueError
        With fewer than two points, two points and no errors, or no spread in x.
    """
    x, y = np.asarray(x, float), np.asarray(y, float)
    if x.size < 2 or np.ptp(x) == 0 or (x.size == 2 and error is None):
        msg = "a line needs two points at different places, and three where their errors are not known"
        raise ValueError(msg)
    sigma = np.ones_like(x) if error is None else np.asarray(error, float)
    matrix = np.stack([np.ones_like(x), x - x0], axis=1) / sigma[:, None]
    inverse = np.linalg.inv(matrix.T @ matrix)
    intercept, slope = inverse @ (matrix.T @ (y / sigma))
    residual = y - intercept - slope * (x - x0)
    freedom = x.size - 2
    chi2 = float(np.sum((residual / sigma) ** 2)) / freedom if freedom else 0.0
    scatter = float(np.sqrt(np.sum(residual**2) / freedom)) if freedom else 0.0
    covariance = inverse * (chi2 if error is None else max(chi2, 1.0))
    return Line(x0, float(intercept), float(slope), covariance, scatter, freedom)
