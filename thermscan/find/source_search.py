"""Linear fits with Gaussian priors: what is explained by chance, and what a further source would explain."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import linalg, signal


@dataclass(frozen=True)
class Columns:
    """Templates that are in the model whatever is found, each with the standard deviation of its amplitude."""

    templates: np.ndarray  # (columns, samples)
    sigma: np.ndarray  # (columns,)

    def with_more(self, templates: np.ndarray, sigma: np.ndarray) -> Columns:
        """Return the columns with further ones behind."""
        return Columns(np.concatenate([self.templates, templates]), np.concatenate([self.sigma, sigma]))


@dataclass(frozen=True)
class LinearFit:
    """Gaussian posterior of the amplitudes, and the data cleared of them.

    Attributes
    ----------
    mean : ndarray of shape (columns,)
    covariance : ndarray of shape (columns, columns)
    residual : ndarray of shape (samples,)
    weight : ndarray of shape (samples,)
        Inverse variance.
    log_evidence : float
        Up to a constant of data and weights.
    """

    columns: Columns
    mean: np.ndarray
    covariance: np.ndarray
    residual: np.ndarray
    weight: np.ndarray
    log_evidence: float

    @classmethod
    def of(cls, y: np.ndarray, weight: np.ndarray, columns: Columns) -> LinearFit:
        """Fit ``y`` (samples,) with inverse variances ``weight`` (samples,)."""
        t = columns.templates
        weighted = t * weight
        gram = weighted @ t.T
        right = weighted @ y
        precision = gram + np.diag(columns.sigma.astype(float) ** -2.0)
        factor = linalg.cho_factor(precision)
        mean = linalg.cho_solve(factor, right)
        covariance = linalg.cho_solve(factor, np.eye(len(mean)))
        log_det = 2 * np.log(np.diag(factor[0])).sum() + 2 * np.log(columns.sigma).sum()
        evidence = 0.5 * (float(right @ mean) - log_det)
        return cls(columns, mean, covariance, y - mean @ t, weight, evidence)

    def project(self, templates: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return for each template (candidates, samples) its pull on the residual and its free information.

        Both are ndarray (candidates,): ``b = f' M y`` and ``g = f' M f`` with M the inverse covariance of the data
        once the columns are integrated out. A candidate's best amplitude is ``b / g`` with variance ``1 / g``.
        """
        weighted = templates * self.weight
        b = weighted @ self.residual
        cross = weighted @ self.columns.templates.T
        g = np.einsum("ij,ij->i", weighted, templates) - np.einsum("ij,jk,ik->i", cross, self.covariance, cross)
        return b, np.maximum(g, 1e-12)

    def project_many(self, templates: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return pulls ``b`` (k,) and the whole matrix ``f' M f`` (k, k) of a few templates (k, samples)."""
        weighted = templates * self.weight
        cross = weighted @ self.columns.templates.T
        return weighted @ self.residual, weighted @ templates.T - cross @ self.covariance @ cross.T


def gains(b: np.ndarray, g: np.ndarray, scales: tuple[float, ...]) -> np.ndarray:
    """Return the log Bayes factor of adding a source, averaged over prior standard deviations of its amplitude.

    ``0.5 (b^2 / (g + s^-2) - log(1 + s^2 g))`` for each scale s (a Gaussian prior integrated out).
    """
    each = [0.5 * (b**2 / (g + s**-2.0) - np.log1p(s**2 * g)) for s in scales]
    return np.logaddexp.reduce(np.stack(each), axis=0) - np.log(len(scales))


def sweep(residual: np.ndarray, weight: np.ndarray, kernel: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Slide a template over the grid: pull and information at every place.

    Parameters
    ----------
    residual, weight : ndarray of shape (bins, rows, columns)
    kernel : ndarray of shape (bins, 2 r + 1, 2 c + 1)
        Template centred in its middle.

    Returns
    -------
    b, g : ndarray of shape (rows, columns)
    """
    b = np.zeros(residual.shape[1:])
    g = np.zeros_like(b)
    for r, w, k in zip(residual, weight, kernel, strict=True):
        turned = k[::-1, ::-1]
        b += signal.fftconvolve(r * w, turned, mode="same")
        g += signal.fftconvolve(w, turned**2, mode="same")
    return b, np.maximum(g, 1e-12)
