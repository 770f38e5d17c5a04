"""The maps in watts: drawn where they exist, and the same numbers in the file."""

import json
from dataclasses import replace

import numpy as np
import tifffile

from thermscan.model.film import BoardGrid
from thermscan.model.result_maps import HeatMap
from thermscan.show.heat_made import draw_heat
from thermscan.show.report import draw_pictures
from thermscan.write.excess_map import write_heat_maps


def with_heat(maps, board):
    grid = BoardGrid.over(board, 2.0)
    points = grid.points_mm()
    inside = board.inside(points[..., 0], points[..., 1])
    spot = np.where(inside, 20 * np.exp(-((points - [35.7, 28.4]) ** 2).sum(axis=-1) / 8), np.nan)
    return replace(
        maps,
        heat=(
            HeatMap("made", "heat made from 0.0 to 4.0 s", grid, spot, "by some criterion"),
            HeatMap("made", "heat made from 4.0 to 8.0 s", grid, spot / 2, "by some criterion"),
            HeatMap("limit", "smallest heat that would have been seen", grid, np.where(inside, 5.0, np.nan), "5 mW"),
        ),
    )


def test_maps_in_watts_are_drawn_where_there_are_any(result, maps, board):
    assert draw_pictures(result, maps, board).heat is None
    seen = with_heat(maps, board)
    assert draw_heat(result, seen, board) == draw_heat(result, seen, board)
    dark = replace(
        seen, heat=tuple(replace(h, values=h.values * (0.2 if i == 1 else 1)) for i, h in enumerate(seen.heat))
    )
    assert draw_heat(result, dark, board) != draw_heat(result, seen, board)


def test_files_hold_the_maps_with_their_places(tmp_path, result, maps, board):
    seen = with_heat(maps, board)
    made, limit = write_heat_maps(tmp_path, result, seen)
    with tifffile.TiffFile(made) as file:  # reference reader
        said = json.loads(file.pages[0].description)
        pages = [page.asarray() for page in file.pages]
    assert (said["unit"], len(pages), said["pages"]) == ("mW/mm2", 2, [h.title for h in seen.heat[:2]])
    row, column = np.unravel_index(np.nanargmax(pages[0]), pages[0].shape)
    assert abs(said["x0_mm"] + said["step_mm"] * column - 35.7) <= 1.0
    assert abs(said["y0_mm"] - said["step_mm"] * row - 28.4) <= 1.0
    assert np.nanmax(pages[1]) == np.float32(np.nanmax(pages[0]) / 2)
    with tifffile.TiffFile(limit) as file:
        assert json.loads(file.pages[0].description)["unit"] == "mW"


def test_nothing_is_written_where_watts_are_not_known(tmp_path, result, maps):
    assert write_heat_maps(tmp_path, result, maps) == ()
    assert not list(tmp_path.iterdir())
