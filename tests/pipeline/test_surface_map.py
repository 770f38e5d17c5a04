"""A board's emissivity map: learned on a made board at two even temperatures, written, read back, used for parts."""

import numpy as np
import pytest
import tifffile
from click.testing import CliRunner
from scipy import ndimage

from thermscan.app.cli import command
from thermscan.measure.radiometry import View, reading_of
from thermscan.model.board import Board, Part
from thermscan.model.budget import Quantity
from thermscan.model.errors import InputError
from thermscan.model.film import BoardGrid
from thermscan.model.recording import Facts, Mark, Recording
from thermscan.model.settings import CalibrationSettings, Settings
from thermscan.model.surface import Surface, SurfaceMap
from thermscan.pipeline.surface_map import learn_map, mapped_surfaces
from thermscan.read.surface_map import open_surface_map
from thermscan.write.surface_file import write_map, write_surface_map

ROOM_C = 22.0
TRUE = {"U1": 0.93, "C1": 0.70, "X1": 0.12}
TO_PX = np.array([[1.5, 0.04, 8.0], [0.03, -1.5, 52.0], [0.0, 0.0, 1.0]])


def made_board():
    rectangle = Board.rectangle(40, 28, name="made")
    parts = (
        Part("U1", "chip", x=10, y=9, w=10, h=9),
        Part("C1", "capacitor", x=28, y=9, w=9, h=8),
        Part("X1", "shield", x=20, y=21, w=12, h=7, surface="tape"),
        Part("J1", "connector", x=34, y=22, w=5, h=5, side="bottom"),
    )
    return Board(name="made", outline_mm=rectangle.outline_mm, parts=parts)


def even_board(board, celsius, *, seed, counts=False):
    """Film a warm even board before an even bench; four samples a pixel each way, a little blur."""
    y, x = np.mgrid[0 : 64 * 4, 0 : 80 * 4] / 4 - 0.375
    at = np.stack([x, y, np.ones_like(x)], axis=-1) @ np.linalg.inv(TO_PX).T
    mm = at[..., :2] / at[..., 2:]
    inside = board.inside(mm[..., 0], mm[..., 1])
    shown = np.full(x.shape, ROOM_C)
    shown[inside] = float(reading_of(celsius, View(0.9, ROOM_C)))
    for ref, emissivity in TRUE.items():
        body = board.part(ref).contains(mm[..., 0], mm[..., 1])
        shown[body] = float(reading_of(celsius, View(emissivity, ROOM_C)))
    picture = ndimage.gaussian_filter(shown.reshape(64, 4, 80, 4).mean(axis=(1, 3)), 0.6)
    frames = picture + np.random.default_rng(seed).normal(0, 0.05, (12, *picture.shape))
    marks = []
    for corner in board.outline_mm:
        px = TO_PX @ [*corner, 1.0]
        marks.append(Mark(float(corner[0]), float(corner[1]), float(px[0] / px[2]), float(px[1] / px[2])))
    unit = "count" if counts else "celsius"
    facts = Facts(ambient_c=ROOM_C, marks=tuple(marks))
    return Recording.from_array(frames.astype(np.float32), np.arange(12) / 9.0, name="even", unit=unit, facts=facts)


def learn(board, cold, warm):
    truths = (Quantity("cold", 24.0, 0.1, unit="C"), Quantity("warm", 52.0, 0.1, unit="C"))
    return learn_map(
        cold, warm, board, truths=truths, camera_error_k=0.1, calibration=CalibrationSettings(), settings=Settings()
    )


@pytest.fixture(scope="module")
def learned():
    board = made_board()
    return learn(board, even_board(board, 24.0, seed=1), even_board(board, 52.0, seed=2))


def test_every_part_gets_the_emissivity_it_was_made_with(learned):
    board, table, refs = mapped_surfaces(made_board(), (), learned)
    assert refs == ("U1", "C1", "X1")  # J1 is on the other side
    for ref, surface in zip(refs, table, strict=True):
        # the blur of optics and pixels mixes up to an eighth of such a body with the board around it (0.9)
        assert surface.emissivity == pytest.approx(TRUE[ref], abs=0.008 + abs(TRUE[ref] - 0.9) / 8)
        assert surface.readable == (ref != "X1")
        assert board.part(ref).surface == surface.name
    assert board.part("J1").surface is None


def test_a_map_goes_before_what_the_board_file_says(learned):
    table = (Surface("tape", 0.95, 0.93, 0.97, readable=True, words=("tape",)),)
    board, surfaces, _ = mapped_surfaces(made_board(), table, learned)
    from thermscan.model.surface import find_surface

    assert not find_surface(board.part("X1").surface, surfaces).readable


def test_a_map_is_written_and_read_back(learned, tmp_path):
    path = str(write_surface_map(tmp_path / "map.tiff", learned))
    again = open_surface_map(path)
    assert again.grid.shape == learned.grid.shape
    assert (again.grid.x0_mm, again.grid.y0_mm) == pytest.approx((learned.grid.x0_mm, learned.grid.y0_mm))
    assert again.emissivity == pytest.approx(learned.emissivity, abs=1e-6, nan_ok=True)
    assert again.error == pytest.approx(learned.error, abs=1e-6, nan_ok=True)
    with pytest.raises(InputError, match="exists already"):
        write_surface_map(path, learned)


def test_counts_are_refused():
    board = made_board()
    with pytest.raises(InputError, match="even: holds counts; give --scale and --offset, or --camera"):
        learn(board, even_board(board, 24.0, seed=1), even_board(board, 52.0, seed=2, counts=True))


def flat_map(board, *, side="top"):
    grid = BoardGrid.over(board, 0.5)
    return SurfaceMap(grid, np.full(grid.shape, 0.9), np.full(grid.shape, 0.01), side, 0.6)


@pytest.mark.parametrize(
    ("make", "line"),
    [
        (lambda p, b: p.write_text("none"), "is no emissivity map"),
        (lambda p, b: write_map(p, np.ones((4, 4)), np.ones((4, 4))), "does not say where on a board it lies"),
        (lambda p, b: write_surface_map(p, flat_map(b, side="bottom")), "shows the bottom side"),
        (lambda p, b: None, "cannot be read"),
    ],
)
def test_maps_that_cannot_be_used_are_refused_in_one_line(tmp_path, make, line):
    import json

    board = made_board()
    make(tmp_path / "map.tiff", board)
    np.save(tmp_path / "faulty.npy", np.random.default_rng(0).normal(25.0, 0.1, (4, 32, 40)))
    parts = [{"ref": p.ref, "x": p.x, "y": p.y, "w": p.w, "h": p.h, "side": p.side} for p in board.parts]
    document = {"outline_mm": board.outline_mm.tolist(), "parts": parts}
    (tmp_path / "board.json").write_text(json.dumps(document), encoding="utf-8")
    words = ["compare", tmp_path / "faulty.npy", "--unit", "celsius", "--board", tmp_path / "board.json"]
    said = CliRunner().invoke(
        command, [str(w) for w in (*words, "--emissivity-map", tmp_path / "map.tiff", "--out", tmp_path / "out")]
    )
    assert said.exit_code == 2
    assert line in said.output
    assert said.output.strip().count("\n") == 0
    assert not (tmp_path / "out").exists()


def test_the_file_says_what_it_holds(tmp_path):
    board = made_board()
    path = write_surface_map(tmp_path / "map.tiff", flat_map(board))
    with tifffile.TiffFile(path) as file:
        assert len(file.pages) == 2
        assert "standard uncertainty" in file.pages[0].description
