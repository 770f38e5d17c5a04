"""Blur, distortion and pairing against what was put into made pictures."""

import numpy as np
import pytest
from scipy.special import erf

from thermscan.calibrate.lens import calibrate_lens, pair_pictures
from thermscan.calibrate.optics import calibrate_optics, slit_response, smallest_width_px
from thermscan.model.errors import InputError
from thermscan.model.pose import Lens, map_points


def slanted_edge(blur, *, angle=8.0, noise=0.01, seed=1):
    """Integrate a blurred edge over square pixels by 8 x 8 subsamples."""
    fine = (np.arange(40 * 8) + 0.5) / 8 - 0.5
    x, y = np.meshgrid(fine, fine)
    turn = np.deg2rad(angle)
    across = (x - 19.3) * np.cos(turn) + (y - 20.1) * np.sin(turn)
    sharp = 25 + 10 * (1 + erf(across / (np.sqrt(2) * blur))) / 2
    picture = sharp.reshape(40, 8, 40, 8).mean(axis=(1, 3))
    return picture + np.random.default_rng(seed).normal(0, noise, picture.shape)


@pytest.mark.parametrize("blur", [0.4, 0.7, 1.2, 2.5])
@pytest.mark.parametrize("angle", [5.0, 12.0, 95.0])
def test_the_blur_of_a_slanted_edge(blur, angle):
    found, _ = calibrate_optics(slanted_edge(blur, angle=angle), date="2026-01-05", method="made")
    assert found.blur_px == pytest.approx(blur, abs=0.02 + 0.02 * blur)
    assert found.blur_error_px < 0.05


@pytest.mark.parametrize("blur", [0.5, 0.8, 1.5])
@pytest.mark.parametrize("width", [2.0, 4.0])
@pytest.mark.parametrize("sign", [1, -1])
def test_the_blur_of_a_slit_of_known_width(blur, width, sign):
    fine = (np.arange(40 * 8) + 0.5) / 8 - 0.5
    x, y = np.meshgrid(fine, fine)
    across = (x - 19.3) * np.cos(0.2) + (y - 20.1) * np.sin(0.2)
    edges = [(1 + erf((across + side * width / 2) / (np.sqrt(2) * blur))) / 2 for side in (1, -1)]
    picture = (25 + sign * 10 * (edges[0] - edges[1])).reshape(40, 8, 40, 8).mean(axis=(1, 3))
    picture += np.random.default_rng(4).normal(0, 0.01, picture.shape)
    found, _ = calibrate_optics(picture, slit_px=width, date="2026-01-05", method="made")
    assert found.blur_px == pytest.approx(blur, abs=0.03 + 0.02 * blur)


def test_the_response_of_a_long_slit_by_direct_integration():
    fine = np.linspace(-0.5, 0.5, 201)
    share = np.mean([(erf((1.5 - p) / np.sqrt(2) / 0.8) + erf((1.5 + p) / np.sqrt(2) / 0.8)) / 2 for p in fine])
    assert slit_response(3.0, 0.8) == pytest.approx(share, abs=0.004)


def test_the_smallest_part_by_direct_integration():
    # A square of that width under a Gaussian of 1 px, seen by the middle pixel, integrated numerically.
    width = smallest_width_px(1.0)
    fine = np.linspace(-0.5, 0.5, 41)
    line = np.mean([(erf((width / 2 - p) / np.sqrt(2)) + erf((width / 2 + p) / np.sqrt(2))) / 2 for p in fine])
    assert line**2 == pytest.approx(0.95, abs=0.002)


def test_no_edge_is_refused():
    random = np.random.default_rng(2)
    with pytest.raises(InputError, match="edge"):
        calibrate_optics(random.normal(25, 1, (30, 30)), path="r.tiff", date="2026-01-05", method="made")
    with pytest.raises(InputError, match="a slit of 30 px does not fit this box"):
        calibrate_optics(np.zeros((30, 30)), slit_px=30.0, path="r.tiff", date="2026-01-05", method="made")
    with pytest.raises(InputError, match="narrower than 8 pixels"):
        calibrate_optics(np.zeros((5, 30)), path="r.tiff", date="2026-01-05", method="made")


@pytest.mark.parametrize("angle", [0.0, 90.0, 0.9])
def test_an_edge_along_the_pixels_is_refused(angle):
    said = r"the edge runs along the pixels \(0\.[0-9] degrees\).* turn camera or edge by 5 to 20 degrees"
    with pytest.raises(InputError, match=said):
        calibrate_optics(slanted_edge(0.7, angle=angle), path="r.tiff", date="2026-01-05", method="made")


def moving(sigma_px, *, blur=0.7, count=40):
    """Frames of an edge that moves from frame to frame."""
    x, y = np.meshgrid(np.arange(40.0), np.arange(40.0))
    across = (x - 19.3) * np.cos(0.2) + (y - 20.1) * np.sin(0.2)
    places = np.random.default_rng(7).normal(0, sigma_px, count)
    frames = np.stack([25 + 5 * (1 + erf((across - p) / (np.sqrt(2) * np.hypot(blur, 0.289)))) for p in places])
    return frames + np.random.default_rng(8).normal(0, 0.05, frames.shape)


def test_an_edge_that_moves_widens_the_error_or_is_refused():
    still, shaken = (
        calibrate_optics(f.mean(axis=0), frames=f, date="2026-01-05", method="made")[0]
        for f in (moving(0.0), moving(0.15))
    )
    assert still.blur_error_px < 0.005
    assert 2 * shaken.blur_error_px > abs(shaken.blur_px - 0.7) > 0.005
    frames = moving(0.5)
    with pytest.raises(InputError, match=r"the edge moves by .* px while it is filmed; fix camera and edge"):
        calibrate_optics(frames.mean(axis=0), frames=frames, date="2026-01-05", method="made")


def dot_grid(lens, matrix, *, columns=9, rows=7, shape=(240, 320)):
    plan = np.stack(np.meshgrid(np.arange(columns), np.arange(rows)), axis=-1).reshape(-1, 2).astype(float)
    dots = lens.distort(map_points(matrix, plan))
    y, x = np.mgrid[: shape[0], : shape[1]]
    picture = np.full(shape, 24.0)
    for cx, cy in dots:
        picture += 8 * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2 * 1.8**2))
    return picture + np.random.default_rng(3).normal(0, 0.02, shape), dots


@pytest.mark.parametrize("k1", [-0.15, 0.0, 0.08])
def test_distortion_of_a_made_lens(k1):
    lens = Lens(k1, 0.0, float(np.hypot(320, 240) / 2), (159.5, 119.5))
    matrix = np.array([[33.0, 2.0, 25.0], [-1.5, 32.0, 22.0], [1e-3, 5e-4, 1.0]])
    picture, _ = dot_grid(lens, matrix)
    found, _ = calibrate_lens(picture, 9, 7, date="2026-01-05", method="made")
    assert found.error_px < 0.1
    fitted = Lens(found.k1, found.k2, found.focal_px, (found.centre_x_px, found.centre_y_px))
    corners = np.array([[20.0, 20.0], [300.0, 20.0], [20.0, 220.0], [160.0, 20.0]])
    assert fitted.distort(corners) - corners == pytest.approx(lens.distort(corners) - corners, abs=0.6)


@pytest.mark.parametrize("k1", [-0.25, 0.15])
def test_the_lens_agrees_with_another_library_on_the_same_dots(k1):
    # OpenCV's calibrateCamera (Zhang 2000, from memory) on the dots that were found, focal length and centre given.
    import cv2

    focal, centre, plan = 380.0, (159.5, 119.5), np.zeros((63, 3), np.float32)
    plan[:, :2] = np.stack(np.meshgrid(np.arange(9), np.arange(7)), axis=-1).reshape(-1, 2)
    turn = cv2.Rodrigues(np.array([0.12, -0.16, 0.03]))[0]
    camera = np.array([[focal, 0, centre[0]], [0, focal, centre[1]], [0, 0, 1]])
    matrix = camera @ np.column_stack([turn[:, 0], turn[:, 1], [-4.0, -3.0, 11.0]])
    picture, _ = dot_grid(Lens(k1, 0.0, focal, centre), matrix / matrix[2, 2])
    found, fit = calibrate_lens(picture, 9, 7, date="2026-01-05", method="made")
    flags = (
        cv2.CALIB_USE_INTRINSIC_GUESS | cv2.CALIB_FIX_PRINCIPAL_POINT | cv2.CALIB_FIX_FOCAL_LENGTH
        | cv2.CALIB_ZERO_TANGENT_DIST | cv2.CALIB_FIX_K3
    )  # fmt: skip
    seen = fit.seen_px.astype(np.float32)[:, None]
    left, _, bends, _, _ = cv2.calibrateCamera([plan], [seen], (320, 240), camera.copy(), None, flags=flags)
    own = Lens(found.k1, found.k2, found.focal_px, (found.centre_x_px, found.centre_y_px))
    other = Lens(float(bends.ravel()[0]), float(bends.ravel()[1]), focal, centre)
    places = fit.seen_px[[0, 8, 31, 54, 62]]
    # A bend that is even over the picture is the same as a scale: what a homography can take up is taken off.
    grown = [lens.distort(places) - np.array(centre) for lens in (own, other)]
    assert found.error_px == pytest.approx(left, abs=0.02)
    assert found.k1 * (focal / found.focal_px) ** 2 == pytest.approx(other.k1, abs=0.02)
    assert grown[0] == pytest.approx(grown[1], abs=0.5)


def test_a_wrong_grid_is_refused():
    picture, _ = dot_grid(Lens(0.0, 0.0, 200.0, (159.5, 119.5)), np.array([[33.0, 0, 25], [0, 32.0, 22], [0, 0, 1]]))
    with pytest.raises(InputError, match="dots, a grid of 12x9 has 108"):
        calibrate_lens(picture, 12, 9, path="g.tiff", date="2026-01-05", method="made")
    with pytest.raises(InputError, match="a grid of 3x3 is too small"):
        calibrate_lens(picture, 3, 3, path="g.tiff", date="2026-01-05", method="made")


def test_dots_that_make_no_grid_are_refused():
    picture = 30 + np.random.default_rng(5).normal(0, 0.01, (120, 160))
    with pytest.raises(InputError, match=r"the dots make no grid of 7x5: they lie .* px from the nearest one"):
        calibrate_lens(picture, 7, 5, path="g.tiff", date="2026-01-05", method="made")


def test_pairing_maps_thermal_to_visible():
    matrix = np.array([[5.8, 0.1, -30.0], [0.05, 5.9, 12.0], [1e-4, -5e-5, 1.0]])
    thermal = np.array([[10.0, 12.0], [148.0, 9.0], [151.0, 110.0], [8.0, 112.0], [80.0, 60.0], [40.0, 90.0]])
    visible = map_points(matrix, thermal)
    found, _ = pair_pictures(thermal, visible, date="2026-01-05", method="made")
    assert found.error_px < 1e-6
    alone, _ = pair_pictures(thermal[:4], visible[:4], date="2026-01-05", method="made")
    assert alone.error_px is None  # four marks are met exactly, which says nothing of their error
    places = np.array([[30.0, 30.0], [120.0, 100.0]])
    assert map_points(np.array(found.matrix), places) == pytest.approx(map_points(matrix, places), abs=1e-6)
    with pytest.raises(InputError, match="3 marks given, four or more are needed"):
        pair_pictures(thermal[:3], visible[:3], date="2026-01-05", method="made")
    line = np.array([[float(i), float(i)] for i in range(5)])
    with pytest.raises(InputError, match="the marks lie on one line"):
        pair_pictures(line, line, date="2026-01-05", method="made")
