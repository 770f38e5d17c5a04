import cv2
import numpy as np
import pytest

from thermscan.measure.film import choose_edges, make_film, set_clock
from thermscan.measure.film_relief import at_height, see_relief
from thermscan.measure.placement_lean import lean_of_placement, lean_of_view
from thermscan.measure.placement_pose import nominal_view, view_from_similarity
from thermscan.model.board import Board, Part
from thermscan.model.camera_events import CameraState
from thermscan.model.film import BoardGrid
from thermscan.model.pose import Placement, Pose, Track, map_points
from thermscan.model.recording import Recording
from thermscan.model.settings import FilmSettings, PlacementSettings
from thermscan.model.timing import Timing

SHAPE = (120, 160)
SETTINGS = PlacementSettings()


def tilted(side="top", turn_deg=(14.0, -9.0, 0.0)):
    """Return a view of a board of 60 x 40 mm at 2 px/mm, tilted."""
    base = nominal_view(SHAPE, (30.0, 20.0), side, SETTINGS)
    flat = view_from_similarity(base, scale=2.0, angle_rad=0.4, centre_px=np.array([78.0, 61.0]))
    return flat.moved(np.radians([*turn_deg, 0, 0, 0, 0, 0]))


def board_of(*parts):
    plain = Board.rectangle(60.0, 40.0)
    return Board("made up", plain.outline_mm, parts=parts)


@pytest.mark.parametrize("side", ["top", "bottom"])
def test_a_raised_point_appears_where_opencv_projects_it(side):
    view = tilted(side)
    points = np.random.default_rng(3).uniform([0, 0], [60, 40], (50, 2))
    height = np.random.default_rng(4).uniform(0, 12, 50)
    raised = np.column_stack([points, view.toward * height])
    origin = view.shift_mm - view.rotation[:, :2] @ view.centre_mm
    seen, _ = cv2.projectPoints(raised, cv2.Rodrigues(view.rotation)[0], origin, view.camera_matrix(), None)
    ours = map_points(view.homography(), at_height(points, height, lean_of_view(view)))
    assert np.abs(ours - seen[:, 0]).max() < 1e-6
    assert np.abs(map_points(view.homography(), points) - seen[:, 0]).max() > 2.0


def test_the_lean_of_a_placement_is_that_of_its_view():
    view, board = tilted(), board_of()
    found = lean_of_placement(Placement(view.homography(), 0.1, "layout"), board, SHAPE, side="top", settings=SETTINGS)
    points = np.array([[5.0, 5.0], [55.0, 35.0]])
    assert np.abs(at_height(points, 8.0, found) - at_height(points, 8.0, lean_of_view(view))).max() < 0.02


def test_a_picture_without_millimetres_has_no_lean():
    placement = Placement(np.eye(3), 0.0, "frame")
    assert lean_of_placement(placement, board_of(), SHAPE, side="top", settings=SETTINGS) is None


def blocked(view, board, place, own_mm):
    """Tell by small steps along the line of sight whether a part stands between a point and the camera."""
    eye = -view.rotation.T @ (view.shift_mm - view.rotation[:, :2] @ view.centre_mm)
    start = np.array([*place, own_mm])
    z = np.arange(own_mm + 0.02, 15.0, 0.02)
    x, y, _ = (start + ((z - own_mm) / (eye[2] - own_mm))[:, None] * (eye - start)).T
    return any((p.contains(x, y) & (z < p.height_mm)).any() for p in board.parts if p.height_mm)


def test_hidden_cells_are_those_that_a_ray_does_not_reach():
    view = tilted()
    board = board_of(
        Part("C1", x=20, y=15, w=8, h=8, height_mm=10.0),
        Part("U1", x=30, y=22, w=12, h=7, rotation=30.0, height_mm=2.0),
        Part("R1", x=45, y=30, w=4, h=4),
    )
    grid = BoardGrid.over(board, 1.3, margin_mm=0.0)
    relief = see_relief(grid, board, side="top", lean=lean_of_view(view))
    points = grid.points_mm()
    own = np.zeros(grid.shape)
    for part in board.parts[1::-1]:
        own[part.contains(points[..., 0], points[..., 1])] = part.height_mm
    truth = np.array([[blocked(view, board, points[i, j], own[i, j]) for j in range(grid.shape[1])]
                      for i in range(grid.shape[0])])  # fmt: skip
    assert truth.sum() > 20
    assert (truth != relief.hidden).mean() < 0.01


@pytest.mark.parametrize(("w", "h", "height_mm"), [(0.6, 0.3, 0.3), (0.5, 0.3, 1.5), (3.0, 2.0, 0.3)])
def test_a_small_or_low_part_does_not_hide_its_own_spot(w, h, height_mm):
    """Two or three cells stand for a body of less than a pixel: none of them may be its shadow."""
    grid = BoardGrid.over(board_of(), 0.5, margin_mm=0.0)
    x, y = grid.points_mm()[20, 30] + (0.2, 0.22)  # between four cells
    relief = see_relief(grid, board_of(Part("C1", x=x, y=y, w=w, h=h, height_mm=height_mm)), side="top",
                        lean=lean_of_view(tilted()))  # fmt: skip
    assert not relief.hidden.any()


@pytest.mark.parametrize("height_mm", [None, 0.0])
def test_flat_boards_are_seen_as_they_are(height_mm):
    board = board_of(Part("C1", x=20, y=15, w=8, h=8, height_mm=height_mm))
    grid = BoardGrid.over(board, 1.0, margin_mm=0.0)
    relief = see_relief(grid, board, side="top", lean=lean_of_view(tilted()))
    assert not relief.hidden.any()
    assert np.array_equal(relief.points_mm, grid.points_mm())


@pytest.mark.parametrize("leans", [True, False])
def test_a_tall_part_is_read_at_its_top_face_and_what_it_hides_is_left_out(leans):
    view, board = tilted(), board_of(Part("C1", x=20, y=15, w=8, h=8, height_mm=10.0))
    frame = np.full(SHAPE, 20.0, np.float32)
    top = map_points(view.homography(10.0), board.parts[0].corners_mm())
    cv2.fillConvexPoly(frame, np.round(top).astype(np.int32), 40.0)
    recording = Recording.from_array(np.stack([frame, frame]), np.array([0.0, 0.1]))
    placement = Placement(view.homography(), 0.05, "marks")
    lean = lean_of_view(view) if leans else None
    track = Track((Pose(placement.matrix, 0.05),) * 2, placement, lean=lean)
    camera = CameraState(np.full(SHAPE, 0.05), np.zeros(SHAPE, bool), np.ones(2, bool), np.zeros(2))
    edges = choose_edges(recording.times_s, Timing(), until_s=None, settings=FilmSettings())
    clock = set_clock(recording, camera.usable, Timing(), edges, settings=FilmSettings())
    grid = BoardGrid.over(board, 0.5, margin_mm=0.0)
    film = make_film(recording, camera, track, clock, grid=grid, board=board, settings=FilmSettings())
    points = grid.points_mm()
    inner = board.parts[0].contains(points[..., 0], points[..., 1], margin_mm=-1.0)
    beside = ~board.parts[0].contains(points[..., 0], points[..., 1], margin_mm=1.0)
    warm = np.nan_to_num(film.mean[0], nan=20.0) > 30
    assert (film.mean[0][inner].mean() > 39.5) == leans
    assert (warm[beside].sum() > 50) != leans  # a rim of a pixel or so is left: the picture is painted in whole pixels
    behind = see_relief(grid, board, side="top", lean=lean_of_view(view)).hidden
    assert behind.sum() > 50
    assert film.inside[behind].any() != leans
