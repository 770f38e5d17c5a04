import dataclasses
import json

import numpy as np
import pytest
import tifffile
from PIL import Image

from thermscan.write.excess_map import write_excess_map


@pytest.fixture
def path(result, maps, tmp_path):
    return write_excess_map(tmp_path / "excess.tiff", result, maps)


def test_another_library_reads_the_same_floats(path, maps):
    with Image.open(path) as image:
        read = np.array(image)
    expected = np.where(maps.inside & maps.readable, maps.excess[maps.shown], np.nan)[::-1]
    np.testing.assert_array_equal(read, expected.astype(np.float32))


def test_tags_by_their_numbers(path, maps):
    # TIFF 6.0: 258 bits, 282/283 resolution, 296 its unit (3: centimetre), 339 sample format (3: float).
    with tifffile.TiffFile(path) as file:
        assert len(file.pages) == 1
        tags = file.pages[0].tags
        assert (tags[258].value, tags[339].value, tags[296].value) == (32, 3, 3)
        for number in (282, 283):
            top, bottom = tags[number].value
            assert top / bottom == pytest.approx(10 / maps.grid.step_mm, rel=1e-6)


def test_description_places_a_pixel_on_the_board(path, maps, result):
    with tifffile.TiffFile(path) as file:
        said = json.loads(file.pages[0].description)
        picture = file.pages[0].asarray()
    row, column = np.unravel_index(np.nanargmax(picture), picture.shape)
    # The made map is hottest at C14: x 35.6, y 28.5 mm.
    assert said["x0_mm"] + said["step_mm"] * column == pytest.approx(35.6, abs=0.8)
    assert said["y0_mm"] - said["step_mm"] * row == pytest.approx(28.5, abs=0.8)
    assert said["seconds"] == pytest.approx(maps.shown_s)
    assert said["sha256"]["faulty"] == result.inputs[0].sha256
    assert said["unit"] == "K"


def test_picture_without_millimetres_claims_no_scale(result, maps, tmp_path):
    without = dataclasses.replace(result, picture_px=(90, 60), units="count")
    path = write_excess_map(tmp_path / "excess.tiff", without, maps)
    with tifffile.TiffFile(path) as file:
        assert file.pages[0].tags[296].value == 1
        said = json.loads(file.pages[0].description)
    assert "step_mm" not in said
    assert "own picture" in said["orientation"]
    assert said["unit"] == "count"
