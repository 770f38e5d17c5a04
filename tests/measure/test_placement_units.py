"""What units say about a displacement, against the published bound, and shifts against other libraries."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
import SimpleITK
from scipy import ndimage
from skimage import data, registration, transform

from thermscan.measure.motion_coarse import CoarseTracker
from thermscan.measure.placement_fit import Fit, _temper, layout_covariance
from thermscan.measure.placement_pose import PARAMETERS, nominal_view
from thermscan.measure.placement_tiles import Tile, TileSums
from thermscan.measure.placement_units import Units, UnitSums, gather, sum_units
from thermscan.model.board import Board, Part
from thermscan.model.settings import MotionSettings, PlacementSettings

SETTINGS = PlacementSettings()


def scene(down=0.0, right=0.0):
    y, x = np.mgrid[:128, :160].astype(float)
    rng = np.random.default_rng(3)
    out = np.zeros_like(y)
    for _ in range(25):
        a, b, w, height = rng.uniform(10, 118), rng.uniform(10, 150), rng.uniform(4, 9), rng.uniform(1, 10)
        out += height * np.exp(-((y - a - down) ** 2 + (x - b - right) ** 2) / (2 * w * w))
    return out


def sums_of(picture, noise, rng):
    down, right = np.gradient(picture)
    whole = Tile(slice(0, 128), slice(0, 160), picture.reshape(-1, 1), -right.reshape(-1, 1), -down.reshape(-1, 1))
    seen = picture + rng.normal(0, noise, picture.shape)
    one = Units(np.zeros(picture.shape, int), np.zeros(1))
    return sum_units([whole], seen[None], np.ones(picture.shape, bool), one, settings=SETTINGS)


def test_information_is_the_cramer_rao_bound_of_a_shift():
    # J = sum of gradient times its transpose over noise variance, known reference: Robinson & Milanfar, IEEE TIP
    # 13(9), 2004, from memory. For this scene and noise 0.5 the standard deviation is 0.013495 down, 0.014165 right.
    sums = sums_of(scene(), 0.5, np.random.default_rng(12))
    right, down = np.sqrt(np.diag(np.linalg.inv(sums.info[0, 0])))
    assert (down, right) == pytest.approx((0.013495, 0.014165), rel=0.06)  # weights of residuals beyond 2 sigma


def settled(info, moves, tolerance_px, places=None):
    """The shift that units, displaced by ``moves`` (units, 2), settle on, and the normal equations there."""
    steps = np.zeros((len(moves), 2, 8))
    steps[:, 0, 0] = steps[:, 1, 1] = 1.0
    found = np.zeros(2)
    for _ in range(12):
        sums = UnitSums(info, np.einsum("cuij,uj->cui", info, moves - found))
        normal = gather(sums, tolerance_px, steps, settings=SETTINGS, places=places)
        found = found + np.linalg.solve(normal.curvature[:2, :2], normal.slope[:2])
    return found, normal


def test_a_part_that_moved_does_not_move_the_board():
    # 40 units see a shift of (0.3, -0.2), one of great contrast was placed 2 px elsewhere.
    info = np.tile(100.0 * np.eye(2), (1, 41, 1, 1))
    info[0, 40] *= 50
    moves = np.tile([0.3, -0.2], (41, 1)) + np.random.default_rng(1).normal(0, 0.1, (41, 2))
    moves[40] += 2.0
    found, normal = settled(info, moves, np.full(41, 0.1))
    assert found == pytest.approx([0.3, -0.2], abs=0.06)
    plain = np.linalg.solve(info[0].sum(axis=0), np.einsum("uij,uj->i", info[0], moves))
    assert np.hypot(*(plain - [0.3, -0.2])) > 1.0
    spread = np.sqrt(np.diag(normal.covariance(1e-6 * np.eye(8))))[:2]
    assert (np.abs(found - [0.3, -0.2]) < 4 * spread).all()
    # never surer than the tolerance of 40 parts allows; the odd part makes it more careful, up to a factor of three
    least = 0.1 / np.sqrt(40)
    assert (spread > least).all()
    assert (spread < 3.5 * least).all()


def noisy_pair(noise, rng, shift):
    """What a shift of ``shift`` px to the right does to the score between two noisy pictures of one scene."""
    first = scene() + rng.normal(0, noise, (128, 160))
    second = scene(right=shift) + rng.normal(0, noise, (128, 160))
    down, right = np.gradient(second)
    whole = Tile(slice(0, 128), slice(0, 160), second.reshape(-1, 1), -right.reshape(-1, 1), -down.reshape(-1, 1))
    slopes = np.stack(np.gradient(first)[::-1])[None]
    one = Units(np.zeros(first.shape, int), np.zeros(1))
    return sum_units([whole], first[None], np.ones(first.shape, bool), one, settings=SETTINGS, slopes=slopes)


def test_slopes_of_noise_are_no_information():
    # The score of a known shift over the shift is what the pose answers to; noise in the slopes adds to information
    # (errors in variables, Fuller 1987, from memory) but not to the product of slopes of two pictures.
    answers, responses, infos = [], [], []
    for seed in range(6):
        ahead, behind = (noisy_pair(0.5, np.random.default_rng([seed, 4]), shift) for shift in (0.3, -0.3))
        answers.append((ahead.score[0, 0, 0] - behind.score[0, 0, 0]) / 0.6)
        responses.append((ahead.response[0, 0, 0, 0] + behind.response[0, 0, 0, 0]) / 2)
        infos.append((ahead.info[0, 0, 0, 0] + behind.info[0, 0, 0, 0]) / 2)
    assert np.mean(responses) == pytest.approx(np.mean(answers), rel=0.1)
    assert np.mean(infos) > 1.5 * np.mean(answers)


def test_errors_that_neighbours_share_are_in_the_covariance():
    # 100 units on a grid whose displacements are drawn with the correlation that the settings name: over many draws
    # the square of the error over its stated variance is one on average; taken each by itself, it would be far more.
    rng = np.random.default_rng(8)
    places = np.stack(np.meshgrid(np.linspace(0, 1, 10), np.linspace(0, 1, 10)), axis=-1).reshape(-1, 2)
    gap = np.sqrt(((places[:, None] - places[None]) ** 2).sum(axis=-1))
    alike = SETTINGS.alike_share * np.exp(-gap / SETTINGS.alike_reach)
    np.fill_diagonal(alike, 1.0)
    root = np.linalg.cholesky(alike)
    info = np.tile(100.0 * np.eye(2), (1, 100, 1, 1))
    squares = {"near": [], "alone": []}
    for _ in range(100):
        moves = 0.3 * root @ rng.normal(size=(100, 2))
        for name, some in (("near", places), ("alone", None)):
            found, normal = settled(info, moves, np.full(100, 0.1), some)
            squares[name] += list(found**2 / np.diag(normal.covariance(1e-6 * np.eye(8)))[:2])
    assert np.mean(squares["near"]) == pytest.approx(1.0, abs=0.35)
    assert np.mean(squares["alone"]) > 1.7


def itk_shift(first, second):
    """Shift that SimpleITK finds: correlation, linear sampling, gradient descent with a line search, from nothing."""
    method = SimpleITK.ImageRegistrationMethod()
    method.SetMetricAsCorrelation()
    method.SetInterpolator(SimpleITK.sitkLinear)
    method.SetOptimizerAsGradientDescentLineSearch(learningRate=1.0, numberOfIterations=60)
    method.SetOptimizerScalesFromPhysicalShift()
    method.SetShrinkFactorsPerLevel([2, 1])
    method.SetSmoothingSigmasPerLevel([1.0, 0.5])
    method.SetNumberOfThreads(1)
    method.SetInitialTransform(SimpleITK.TranslationTransform(2), inPlace=False)
    found = method.Execute(*(SimpleITK.GetImageFromArray(p) for p in (first, second)))
    return found.TransformPoint((0.0, 0.0))


def test_coarse_shift_agrees_with_scikit_image_opencv_and_simpleitk():
    # skimage.data.camera(); a Fourier shift, found by scikit-image to 0.01 px (Guizar-Sicairos 2008, from memory).
    picture = transform.resize(data.camera().astype(float), (120, 160), anti_aliasing=True)
    moved = np.fft.ifft2(ndimage.fourier_shift(np.fft.fft2(picture), (-3.4, 2.3))).real
    theirs, _, _ = registration.phase_cross_correlation(picture, moved, upsample_factor=100)
    assert -theirs == pytest.approx([-3.4, 2.3], abs=0.02)
    tracker = CoarseTracker(picture.shape, MotionSettings())
    pictures = [p - ndimage.gaussian_filter(p, 3.0) for p in (picture, moved)]
    tracker.add(pictures[0].astype(np.float32))
    right, down = tracker.add(pictures[1].astype(np.float32))
    assert (down, right) == pytest.approx(tuple(-theirs), abs=0.5)
    start = np.eye(2, 3, dtype=np.float32)
    start[0, 2], start[1, 2] = right, down
    # a Fourier shift wraps around: the rim is left out
    inner = (slice(8, -8), slice(8, -8))
    a, b = ((p - p.mean())[inner].astype(np.float32) for p in (picture, moved))
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 200, 1e-9)
    _, found = cv2.findTransformECC(a, b, start, cv2.MOTION_TRANSLATION, stop, None, 5)
    assert found[:, 2] == pytest.approx([2.3, -3.4], abs=0.05)  # the coarse shift is near enough for ECC to end there
    assert itk_shift(a, b) == pytest.approx([2.3, -3.4], abs=0.1)  # linear sampling blurs between pixels


def test_few_blocks_do_not_make_a_pose_look_sure():
    # Least squares of eight parameters from twelve values: residuals over n - p give the variance without bias
    # (Seber & Lee, Linear Regression Analysis, theorem 3.3, from memory); numpy.polyfit divides by the same.
    rng, n, sigma = np.random.default_rng(5), 12, 2.0
    columns = np.fft.fft(np.eye(n))[:, 1:5] / np.sqrt(n / 2)
    basis = np.hstack([columns.real, columns.imag])
    variances = []
    for _ in range(300):
        values = rng.normal(0, sigma, n)
        left = values - basis @ (basis.T @ values)
        scores = basis * left[:, None]
        sums = TileSums(basis.T @ basis, scores.sum(axis=0), scores.T @ scores, np.zeros(n), n)
        variances.append(1 / _temper(sums, 1e-9 * np.eye(8)))
    assert np.mean(variances) == pytest.approx(sigma**2, rel=0.1)


def test_an_outline_without_parts_is_known_less_well_than_its_edges_say():
    """Connectors that lean over an edge, and bodies whose height nobody states, are drawn nowhere in such a file."""
    bare = Board.rectangle(100, 60)
    view = nominal_view((120, 160), (50.0, 30.0), "top", SETTINGS)
    fit = Fit(view, 1e-4 * np.eye(PARAMETERS), np.zeros(1), 0.0)
    listed = replace(bare, parts=(Part("U1", "chip", 50, 30, 9, 9),))
    ratio = layout_covariance(fit, bare, SETTINGS) / layout_covariance(fit, listed, SETTINGS)
    np.testing.assert_allclose(ratio, SETTINGS.bare_doubt**2)
    assert SETTINGS.bare_doubt > 1.5
