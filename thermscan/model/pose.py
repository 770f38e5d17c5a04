"""Where the board lies in a frame: millimetres to pixels, or the reason why that is not known."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np


def map_points(matrix: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Send points, ndarray (..., 2), through a homography, ndarray (3, 3); returns ndarray (..., 2)."""
    points = np.asarray(points, float)
    flat = points.reshape(-1, 2)
    matrix = np.asarray(matrix, float)
    out = flat @ matrix[:, :2].T + matrix[:, 2]
    return (out[:, :2] / out[:, 2:]).reshape(points.shape)


def normalised(matrix: np.ndarray) -> np.ndarray:
    """Return a homography scaled so that its last element is 1."""
    return matrix / matrix[2, 2]


@dataclass(frozen=True)
class Lens:
    """Radial distortion in OpenCV's model: ``(k1, k2)`` with focal length and centre in pixels."""

    k1: float
    k2: float
    focal_px: float
    centre_px: tuple[float, float]

    def distort(self, points_px: np.ndarray) -> np.ndarray:
        """Move ideal pixels, ndarray (..., 2), to where the lens puts them: r (1 + k1 r2 + k2 r4)."""
        offset = (np.asarray(points_px, float) - self.centre_px) / self.focal_px
        r2 = (offset**2).sum(axis=-1, keepdims=True)
        return offset * (1 + self.k1 * r2 + self.k2 * r2**2) * self.focal_px + self.centre_px


@dataclass(frozen=True)
class Pose:
    """Board millimetres to pixels of one frame.

    Attributes
    ----------
    matrix : ndarray of shape (3, 3)
        Homography, ``matrix[2, 2] == 1``: millimetres (x right, y up, seen from the top) to pixels (x right,
        y down, (0, 0) the centre of the top left pixel). For an underside recording it contains the mirroring.
    error_px : float
        Standard error of a mapped point, root mean square over the board, px.
    bridged : str
        Empty, or the reason why this pose was interpolated from its neighbours.
    """

    matrix: np.ndarray
    error_px: float
    bridged: str = ""

    def to_px(self, points_mm: np.ndarray) -> np.ndarray:
        """Map board points, ndarray (..., 2) in mm, to pixels."""
        return map_points(self.matrix, points_mm)

    def to_mm(self, points_px: np.ndarray) -> np.ndarray:
        """Map pixels, ndarray (..., 2), to board mm."""
        return map_points(np.linalg.inv(self.matrix), points_px)


@dataclass(frozen=True)
class NoPose:
    """A frame that could not be placed; false in a test."""

    reason: str

    def __bool__(self) -> bool:
        return False


@dataclass(frozen=True)
class Motion:
    """Movement of the picture over a recording, relative to its reference frame.

    Attributes
    ----------
    matrices : ndarray of shape (frames, 3, 3)
        Reference-picture pixels to pixels of each frame; NaN rows where the frame could not be followed.
    reference : ndarray of shape (rows, columns)
        Mean of the stabilised frames before power-on where there are any (else of all), sensor pattern
        removed where it could be told from the scene, unit of the frames, NaN where never seen.
    change : ndarray of shape (components, rows, columns)
        Temporal components of the scene in the reference picture (what warms), largest first.
    error_px : ndarray of shape (frames,)
        Standard error of the position of each frame relative to the frames that show most, px.
    is_tripod : bool
        True where no motion beyond its error was found, and the matrices are the identity.
    why : dict of frame number to reason
        For frames whose matrix is bridged or missing.
    pattern : ndarray of shape (rows, columns)
        Sensor pattern that stays with the pixels, same unit, zeros where it cannot be told from the scene.
    doubt : str
        Empty, or why the motion as a whole may be wrong.
    clear : ndarray of bool, shape (frames,), or None
        Frames that show where they lie; others are held by their neighbours and by what is usual. None: all.
    warm_px : ndarray of shape (places, 2), px of the reference picture
        Places that warm with the power, which lie on the board; none where that is not known.
    shares : ndarray of shape (frames, n, n), or None
        Error at n x n places, evenly over the picture from corner to corner, over ``error_px``, which is of the whole
        picture: tilting is left open where nothing sharp holds it. None: the same everywhere.
    """

    matrices: np.ndarray
    reference: np.ndarray
    change: np.ndarray
    error_px: np.ndarray
    is_tripod: bool
    why: dict[int, str] = field(default_factory=dict)
    pattern: np.ndarray | None = None
    doubt: str = ""
    clear: np.ndarray | None = None
    warm_px: np.ndarray = field(default_factory=lambda: np.zeros((0, 2)))
    shares: np.ndarray | None = None

    def within(self, points_px: np.ndarray) -> Motion:
        """Return the motion with the errors it has about points of the reference picture, ndarray (points, 2) px."""
        if self.shares is None:
            return self
        rows, columns = self.reference.shape
        number = self.shares.shape[1]
        places = np.clip(np.asarray(points_px, float) / [columns - 1, rows - 1], 0, 1) * (number - 1)
        across, down = np.maximum(1 - np.abs(places.T[:, :, None] - np.arange(number)), 0)
        weight = np.einsum("ir,ic->rc", down, across) / len(places)
        share = np.sqrt(np.einsum("trc,rc->t", self.shares**2, weight))
        return replace(self, error_px=self.error_px * share, shares=None)

    @property
    def followed_px(self) -> float | None:
        """Median standard error of the frames that show where they lie, px; None where no frame was followed.

        A frame that shows next to nothing is not smeared by lying somewhere else, and does not count.
        """
        seen = np.isfinite(self.matrices).all(axis=(1, 2))
        if self.clear is not None and (seen & self.clear).any():
            seen = seen & self.clear
        return float(np.median(self.error_px[seen])) if seen.any() else None


@dataclass(frozen=True)
class Placement:
    """Where the board lies in the reference picture of a recording.

    Attributes
    ----------
    matrix : ndarray of shape (3, 3)
        Board mm to pixels of the reference picture.
    error_px : float
        Standard error of a mapped point, rms over the board, px.
    method : str
        ``'marks'``, ``'outline'``, ``'layout'`` (outline, bodies and holes), ``'pattern'`` (matched to another
        recording) or ``'frame'`` (no millimetres known: board units are pixels of the picture itself).
    trusted : bool
        False where the fit may be wrong as a whole (rival start, disagreement); ``reason`` says why.
    margin : float or None
        How much better the best start was than the runner-up (log-likelihood per degree of freedom).
    covariance : ndarray of shape (8, 8) or None
        Of the pixels (x, y of one after the other) of the four corners of the board's bounding box: lower left, lower
        right, upper right, upper left, px2; of a matched good board relative to the faulty one.
    is_marked : bool
        True where clicked marks bound it: no other place is looked for.
    rivals : tuple of ndarray of shape (3, 3)
        Other places that fit about as well, where nothing else speaks against this one and it stands out of what its
        own layout turned or mirrored explains there; empty otherwise.
    """

    matrix: np.ndarray
    error_px: float
    method: str
    trusted: bool = True
    reason: str = ""
    margin: float | None = None
    covariance: np.ndarray | None = None
    is_marked: bool = False
    rivals: tuple[np.ndarray, ...] = ()


@dataclass(frozen=True)
class Track:
    """Poses of all frames of one recording.

    ``poses`` holds a Pose or NoPose a frame. ``placement`` says how the reference was found. ``lean``, ndarray (3,),
    says where raised surfaces appear: a point (x, y) at height h where the plane's ``(x, y, 1) + h lean`` does
    (homogeneous, mm); None where that is not known.
    """

    poses: tuple[Pose | NoPose, ...]
    placement: Placement
    side: str = "top"
    lens: Lens | None = None
    warnings: tuple[str, ...] = ()
    lean: np.ndarray | None = None

    def matrices(self) -> np.ndarray:
        """Return ndarray (frames, 3, 3), NaN where there is no pose (for poses.npz)."""
        empty = np.full((3, 3), np.nan)
        return np.array([p.matrix if isinstance(p, Pose) else empty for p in self.poses])
