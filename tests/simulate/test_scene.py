"""The picture falls where the pose says, and carries the radiance that Planck's law gives."""

import numpy as np
import pytest

from thermscan.model.board import Board, Part
from thermscan.model.pose import Lens, map_points
from thermscan.physics.radiation import band_radiance, radiance_temperature
from thermscan.simulate.material import EMISSIVITY
from thermscan.simulate.scene import Look, Optics, Scene
from thermscan.simulate.stack import CellGrid
from thermscan.simulate.viewpoint import draw_viewpoint, plane_matrix

AMBIENT = 22.0


def flat_look(*, reflected_k=0.0):
    return Look(np.zeros((16, 16), np.float32), 400.0, reflected_k, (0.0, 0.0))


def board_with(parts, *, side="top"):
    outline = np.array([[0, 0], [60, 0], [60, 45], [0, 45]], float)
    return Board("even", outline, 1.6, parts=tuple(parts))


def scene_and_view(board, *, side="top", tilt=15.0, rotation=25.0, resolution=(160, 120), optics=None, look=None):
    view = draw_viewpoint(
        board,
        np.linspace(0, 1, 3),
        np.random.default_rng(3),
        resolution=resolution,
        side=side,
        angles_deg=(tilt, rotation),
        fill=0.75,
    )
    scene = Scene(
        board,
        CellGrid.over(board, 1.0),
        look or flat_look(),
        side=side,
        resolution=resolution,
        pixel_mm=0.5,
        ambient_c=AMBIENT,
        optics=optics or Optics(0.8, perfect_surfaces=True),
    )
    return scene, view


def centroid(picture):
    weight = np.clip(picture - np.median(picture), 0.02 * np.ptp(picture), None) - 0.02 * np.ptp(picture)
    rows, columns = np.indices(picture.shape)
    return np.array([(weight * columns).sum(), (weight * rows).sum()]) / weight.sum()


def render_hot_part(scene, view, temperatures):
    grid = scene.grid
    cells = np.full((grid.rows, grid.columns), AMBIENT)
    return scene.radiance(view.projections[0], cells, np.column_stack([temperatures, temperatures]))


@pytest.mark.parametrize("side", ["top", "bottom"])
@pytest.mark.parametrize("place", [(12.3, 30.1), (47.9, 8.4)])
def test_hot_part_is_where_the_matrix_says(side, place):
    board = board_with([Part("R1", "other", *place, 2.0, 2.0, height_mm=0.001, side=side)])
    scene, view = scene_and_view(board, side=side)
    found = centroid(render_hot_part(scene, view, [60.0]))
    assert found == pytest.approx(map_points(view.matrices[0], np.array(place)), abs=0.03)


def test_tall_part_is_displaced_by_its_height():
    board = board_with([Part("C1", "other", 40.0, 30.0, 2.0, 2.0, height_mm=8.0)])
    scene, view = scene_and_view(board)
    top = map_points(plane_matrix(view.projections[0], 8.0), np.array([40.0, 30.0]))
    foot = map_points(view.matrices[0], np.array([40.0, 30.0]))
    assert np.hypot(*(top - foot)) > 1.5
    found = centroid(render_hot_part(scene, view, [60.0]))
    # top and walls are at one temperature, so the centre of heat lies between foot and top
    along = (found - foot) @ (top - foot) / np.sum((top - foot) ** 2)
    assert 0.3 < along < 1.0


def test_underside_is_mirrored():
    board = board_with([])
    _, above = scene_and_view(board, tilt=0.0, rotation=0.0)
    _, below = scene_and_view(board, side="bottom", tilt=0.0, rotation=0.0)
    assert np.linalg.det(above.matrices[0][:2, :2]) < 0  # y up on the board, down in the picture
    assert np.linalg.det(below.matrices[0][:2, :2]) > 0


def test_warm_board_cell_is_where_the_matrix_says():
    board = board_with([])
    scene, view = scene_and_view(board)
    grid = scene.grid
    xx, yy = grid.centres
    cells = AMBIENT + 20 * np.exp(-0.5 * ((xx - 21.4) ** 2 + (yy - 17.7) ** 2) / 2.0**2)
    picture = scene.radiance(view.projections[0], cells, np.zeros((0, 2)))
    expected = map_points(view.matrices[0], np.array([21.4, 17.7]))
    assert centroid(picture) == pytest.approx(expected, abs=0.05)


def test_radiance_of_a_surface_is_emitted_plus_mirrored():
    # Two-term balance: e L(T) + (1 - e) L(T_reflected).
    board = board_with([])
    scene, view = scene_and_view(board, optics=Optics(0.0), look=flat_look(reflected_k=8.0))
    grid = scene.grid
    picture = scene.radiance(view.projections[0], np.full((grid.rows, grid.columns), 50.0), np.zeros((0, 2)))
    column, row = np.round(map_points(view.matrices[0], np.array([30.0, 22.0]))).astype(int)
    e = EMISSIVITY["solder_mask"]
    expected = e * band_radiance(50.0) + (1 - e) * band_radiance(AMBIENT + 8.0)
    assert radiance_temperature(picture[row, column]) == pytest.approx(radiance_temperature(expected), abs=0.05)


def test_lens_moves_the_picture_as_opencv_does():
    import cv2

    lens = Lens(-0.05, 0.0, 90.0, (79.5, 59.5))
    board = board_with([Part("R1", "other", 55.0, 5.0, 2.0, 2.0, height_mm=0.001)])
    scene, view = scene_and_view(board, optics=Optics(0.8, lens, perfect_surfaces=True))
    flat = map_points(view.matrices[0], np.array([55.0, 5.0]))
    camera = np.array([[90.0, 0, 79.5], [0, 90.0, 59.5], [0, 0, 1]])
    ray = np.array([[(flat[0] - 79.5) / 90, (flat[1] - 59.5) / 90, 1.0]])
    published, _ = cv2.projectPoints(ray, np.zeros(3), np.zeros(3), camera, np.array([-0.05, 0, 0, 0.0]))
    assert np.hypot(*(published.ravel() - flat)) > 0.3
    assert centroid(render_hot_part(scene, view, [60.0])) == pytest.approx(published.ravel(), abs=0.04)


def test_blur_keeps_the_sum_and_widens_the_spot():
    board = board_with([Part("R1", "other", 30.0, 22.0, 1.0, 1.0, height_mm=0.001)])
    sums, peaks = [], []
    for blur in (0.0, 1.0):
        scene, view = scene_and_view(board, optics=Optics(blur, perfect_surfaces=True))
        picture = render_hot_part(scene, view, [60.0]) - band_radiance(AMBIENT)
        sums.append(picture.sum())
        peaks.append(picture.max())
    assert sums[1] == pytest.approx(sums[0], rel=0.01)
    assert peaks[1] < 0.7 * peaks[0]


def test_large_body_is_warmer_over_its_die():
    board = board_with([Part("U1", "chip", 30.0, 22.0, 12.0, 12.0, height_mm=1.2)])
    scene, view = scene_and_view(board)
    grid = scene.grid
    cells = np.full((grid.rows, grid.columns), AMBIENT)
    picture = scene.radiance(view.projections[0], cells, np.array([[40.0, 60.0]]))
    middle = map_points(plane_matrix(view.projections[0], 1.2), np.array([[30.0, 22.0], [25.5, 17.5]]))
    centre, edge = (radiance_temperature(picture[round(y), round(x)]) for x, y in middle)
    assert 45.0 < centre < 49.0
    assert 39.0 < edge < 42.0
