"""Poses of all frames: where the board lies in the reference picture, carried along by the motion of the picture."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from thermscan.model.pose import Lens, Motion, NoPose, Placement, Pose, Track, map_points

_NO_MOTION = "the frame could not be followed"


def _normal(matrix: np.ndarray) -> np.ndarray:
    return matrix / matrix[2, 2]


def _poses(motion: Motion, placement: Placement) -> Iterator[Pose | NoPose]:
    for frame, matrix in enumerate(np.asarray(motion.matrices, float)):
        why = motion.why.get(frame, "")
        error = float(np.hypot(motion.error_px[frame], placement.error_px))
        if not np.isfinite(matrix).all() or not np.isfinite(error):
            yield NoPose(why or _NO_MOTION)
            continue
        yield Pose(_normal(matrix @ placement.matrix), error, bridged=why)


def make_track(
    motion: Motion,
    placement: Placement,
    *,
    side: str = "top",
    lens: Lens | None = None,
    warnings: Sequence[str] = (),
    lean: np.ndarray | None = None,
) -> Track:
    """Return the pose of every frame: its motion after the placement in the reference picture.

    Parameters
    ----------
    motion : Motion
        Reference px to px of each frame.
    placement : Placement
        Board mm to px of the reference.
    side : {'top', 'bottom'}
    lens : Lens or None
        Of the camera, where the frames were undistorted before they were followed; then poses map to pixels of
        undistorted frames.
    warnings : sequence of str
        Sentences that belong to the placement.
    lean : ndarray of shape (3,), optional
        Where raised surfaces appear in the reference picture (``placement_lean.lean_of_placement``).

    Returns
    -------
    Track
        A frame without motion gets ``NoPose`` with its reason, an interpolated one keeps the reason in
        ``Pose.bridged``. ``error_px`` joins both errors as independent.
    """
    said = list(warnings)
    if not placement.trusted and placement.reason and placement.reason not in said:
        said.append(placement.reason)
    return Track(tuple(_poses(motion, placement)), placement, side, lens, tuple(said), lean)


def distort(lens: Lens, points_px: np.ndarray) -> np.ndarray:
    """Send undistorted pixels, ndarray (..., 2), to where the lens shows them (OpenCV's radial model)."""
    centre = np.asarray(lens.centre_px, float)
    ideal = (np.asarray(points_px, float) - centre) / lens.focal_px
    r2 = np.sum(ideal**2, axis=-1, keepdims=True)
    return ideal * (1 + lens.k1 * r2 + lens.k2 * r2 * r2) * lens.focal_px + centre


def undistort(lens: Lens, points_px: np.ndarray) -> np.ndarray:
    """Send recorded pixels, ndarray (..., 2), to where a lens without distortion would show them.

    Notes
    -----
    Newton's method on the radius; valid while the radial model still grows with the radius there (a real lens
    inside its picture).
    """
    centre = np.asarray(lens.centre_px, float)
    seen = (np.asarray(points_px, float) - centre) / lens.focal_px
    wanted = np.sqrt(np.sum(seen**2, axis=-1, keepdims=True))
    radius = wanted.copy()
    for _ in range(20):
        r2 = radius**2
        slope = np.maximum(1 + 3 * lens.k1 * r2 + 5 * lens.k2 * r2 * r2, 0.05)
        radius = radius - (radius * (1 + lens.k1 * r2 + lens.k2 * r2 * r2) - wanted) / slope
    return seen * np.where(wanted > 0, radius / np.maximum(wanted, 1e-12), 1.0) * lens.focal_px + centre


def _fit_homography(points: np.ndarray, places: np.ndarray, start: np.ndarray) -> np.ndarray:
    """Return the homography with the least squared distance in the picture, from a near start (Gauss-Newton)."""
    middle, size = points.mean(axis=0), max(float(np.ptp(points, axis=0).max()), 1e-9)
    scale = np.array([[size, 0, middle[0]], [0, size, middle[1]], [0, 0, 1.0]])
    local = np.column_stack([(points - middle) / size, np.ones(len(points))])
    matrix = _normal(start @ scale)
    for _ in range(10):
        full = local @ matrix.T
        xy = full[:, :2] / full[:, 2:]
        lead = local / full[:, 2:]
        empty = np.zeros_like(lead)
        jacobian = np.concatenate(
            [
                np.hstack([lead, empty, -xy[:, :1] * lead[:, :2]]),
                np.hstack([empty, lead, -xy[:, 1:] * lead[:, :2]]),
            ]
        )
        step = np.linalg.lstsq(jacobian, (places - xy).T.ravel(), rcond=None)[0]
        matrix = matrix + np.append(step, 0.0).reshape(3, 3)
    return _normal(matrix @ np.linalg.inv(scale))


def recorded_matrices(track: Track, outline_mm: np.ndarray) -> np.ndarray:
    """Return for each frame the homography closest to the pixels as recorded, lens included.

    Parameters
    ----------
    track : Track
    outline_mm : ndarray of shape (corners, 2), mm
        The board; agreement is sought over a 9 x 9 grid on its bounding box.

    Returns
    -------
    ndarray of shape (frames, 3, 3)
        Board mm to recorded px; all NaN where there is no pose. Without a lens these are the poses themselves.
        With one, no homography is exact: what remains is the bending of straight lines by the lens.
    """
    matrices = track.matrices()
    if track.lens is None:
        return matrices
    low, high = np.min(outline_mm, axis=0), np.max(outline_mm, axis=0)
    x, y = np.meshgrid(np.linspace(low[0], high[0], 9), np.linspace(low[1], high[1], 9))
    points = np.column_stack([x.ravel(), y.ravel()])
    for frame, matrix in enumerate(matrices):
        if np.isfinite(matrix).all():
            matrices[frame] = _fit_homography(points, distort(track.lens, map_points(matrix, points)), matrix)
    return matrices
