"""The pictures that a placement is fitted to, at several resolutions."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from scipy.ndimage import gaussian_filter

from thermscan.measure.placement_pose import View
from thermscan.model.pose import Motion


@dataclass(frozen=True)
class Scene:
    """Pictures of one board from one place.

    Attributes
    ----------
    channels : ndarray of shape (channels, rows, columns)
        Static contrast first, then heat change; each scaled to a robust spread of one, invalid pixels filled.
    valid : ndarray of bool, shape (rows, columns)
    shrink : int
        Factor by which this scene is smaller than the picture it was made from.
    warm_px : ndarray of shape (places, 2), px of the picture it was made from
        Places that warm with the power.
    """

    channels: np.ndarray
    valid: np.ndarray
    shrink: int = 1
    warm_px: np.ndarray = field(default_factory=lambda: np.zeros((0, 2)))

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.valid.shape[0], self.valid.shape[1]


def _filled(picture: np.ndarray, valid: np.ndarray) -> np.ndarray:
    """Return the picture with invalid pixels replaced by a smooth mean of their neighbours."""
    if valid.all():
        return np.array(picture, float)
    value = np.where(valid, picture, 0.0)
    out, left = value.copy(), ~valid
    for sigma in (1.0, 3.0, 9.0, 27.0):
        weight = gaussian_filter(valid.astype(float), sigma)
        smooth = gaussian_filter(value, sigma) / np.maximum(weight, 1e-12)
        take = left & (weight > 1e-3)
        out[take], left = smooth[take], left & ~take
    out[left] = np.median(picture[valid]) if valid.any() else 0.0
    return out


def make_scene(motion: Motion, *, channels: int = 3) -> Scene:
    """Return the scene of a stabilised recording: its reference picture and what warms.

    Parameters
    ----------
    motion : Motion
    channels : int
        Largest number of pictures to use.

    Returns
    -------
    Scene
        Pictures without contrast are left out, but one is always kept.
    """
    pictures = [np.asarray(motion.reference, float), *np.asarray(motion.change, float)][:channels]
    valid = np.isfinite(pictures).all(axis=0)
    kept = []
    for picture in pictures:
        if not valid.any():
            break
        middle = float(np.median(picture[valid]))
        low, high = np.percentile(picture[valid], [5, 95])
        spread = max(float(high - low) / 3.29, 1e-3 * float(np.ptp(picture[valid])))
        if spread > 0:
            kept.append((_filled(picture, valid) - middle) / spread)
    if not kept:
        kept.append(np.zeros(valid.shape))
    return Scene(np.array(kept), valid, warm_px=motion.warm_px)


def softened(scene: Scene, knee: float) -> Scene:
    """Return the scene with contrast beyond ``knee`` compressed (arsinh of the channels), fainter edges as they are.

    A hand in view is then not much stronger evidence of an outline than the edges of a board that stays cold.
    """
    return replace(scene, channels=knee * np.arcsinh(scene.channels / knee))


def shrink_scene(scene: Scene, factor: int, blur_px: float) -> Scene:
    """Return the scene blurred by ``blur_px`` of its own pixels, then averaged over ``factor`` by ``factor``."""
    channels = scene.channels
    if blur_px > 0:
        channels = np.array([gaussian_filter(c, blur_px, mode="nearest") for c in channels])
    if factor == 1:
        return replace(scene, channels=channels)
    rows, columns = (size // factor * factor for size in scene.shape)

    def mean(picture: np.ndarray) -> np.ndarray:
        cut = picture[..., :rows, :columns]
        return cut.reshape(*cut.shape[:-2], rows // factor, factor, columns // factor, factor).mean(axis=(-3, -1))

    valid = mean(scene.valid.astype(float)) > 0.5
    return replace(scene, channels=mean(channels), valid=valid, shrink=scene.shrink * factor)


def shrink_view(view: View, factor: float) -> View:
    """Return the view in a picture ``factor`` times smaller, made by averaging whole pixels (below one: larger)."""
    centre = tuple((c + 0.5) / factor - 0.5 for c in view.centre_px)
    return replace(view, focal_px=view.focal_px / factor, centre_px=(centre[0], centre[1]))
