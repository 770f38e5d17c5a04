"""The baseline file: what is written is read back, and what does not fit is refused."""

import numpy as np
import pytest

from thermscan.model.board import Board, outline_hash
from thermscan.model.errors import InputError
from thermscan.model.film import Baseline, BoardGrid
from thermscan.read.baseline_file import is_baseline, open_baseline
from thermscan.write.baseline_file import write_baseline

BOARD = Board.rectangle(9, 6)
RNG = np.random.default_rng(4)


def make(**changes):
    grid = BoardGrid.over(BOARD, 1.0)
    shape = (3, *grid.shape)
    values = {
        "grid": grid,
        "edges_s": np.array([0.0, 1.0, 2.0, 4.0]),
        "mean": RNG.normal(2, 1, shape).astype(np.float32),
        "spread": RNG.uniform(0.1, 0.2, shape).astype(np.float32),
        "error": RNG.uniform(0.01, 0.02, shape).astype(np.float32),
        "count": 2,
        "outline_hash": outline_hash(BOARD),
        "side": "top",
        "reference": "cold_frames",
        "sources": (("good_1.tiff", "ab" * 32), ("good_2.tiff", "cd" * 32)),
        "odd": (("good_2", "warmer than the other"),),
    }
    return Baseline(**{**values, **changes})


def test_round_trip(tmp_path):
    baseline = make()
    path = write_baseline(tmp_path / "good.npz", baseline)
    assert is_baseline(path)
    back = open_baseline(path, board=BOARD, side="top")
    for key in ("grid", "count", "outline_hash", "side", "reference", "sources", "odd"):
        assert getattr(back, key) == getattr(baseline, key)
    for key in ("edges_s", "mean", "spread", "error"):
        np.testing.assert_array_equal(getattr(back, key), getattr(baseline, key))
    assert back.films == ()


def test_the_boards_own_rises_come_back(tmp_path):
    path = write_baseline(tmp_path / "good.npz", make())
    with np.load(path) as archive:
        arrays = dict(archive)
    arrays["rises"] = np.stack([arrays["mean"] - 0.1, arrays["mean"] + 0.1])
    np.savez(path, **arrays)
    back = open_baseline(path)
    assert len(back.films) == 2
    np.testing.assert_array_equal(back.films[1].rise, arrays["mean"] + np.float32(0.1))
    np.testing.assert_allclose(back.films[0].error, arrays["error"] * np.sqrt(2), rtol=1e-6)


def other_key(arrays):
    del arrays["spread"]


def other_version(arrays):
    arrays["format_version"] = np.array(7)


def other_shape(arrays):
    arrays["mean"] = arrays["mean"][:2]


def other_seconds(arrays):
    arrays["seconds"] = arrays["seconds"][::-1]


ANEW = "write it anew with thermscan baseline"


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        (other_key, f"is not a baseline file: no 'spread' in it; {ANEW}"),
        (other_version, f"has format version 7, this program reads 1; {ANEW}"),
        (other_shape, f"mean has shape (2, 6, 9), the grid and seconds give (3, 6, 9); {ANEW}"),
        (other_seconds, f"its seconds do not increase or its grid step is not above zero; {ANEW}"),
    ],
)
def test_broken_files(tmp_path, change, expected):
    path = write_baseline(tmp_path / "good.npz", make())
    with np.load(path) as archive:
        arrays = dict(archive)
    change(arrays)
    np.savez(path, **arrays)
    with pytest.raises(InputError) as caught:
        open_baseline(path)
    assert str(caught.value) == f"{path}: {expected}"


def test_other_outline_side_or_file(tmp_path):
    path = write_baseline(tmp_path / "good.npz", make())
    with pytest.raises(InputError) as caught:
        open_baseline(path, board=Board.rectangle(9, 6.1), side="top")
    assert str(caught.value) == (f"{path}: was made with another board outline; use the board file it was made with")
    with pytest.raises(InputError) as caught:
        open_baseline(path, board=BOARD, side="bottom")
    assert str(caught.value) == (
        f"{path}: shows the top side, the recording the bottom side; compare recordings of one side"
    )
    path.write_bytes(path.read_bytes()[:300])
    assert not is_baseline(path)
    with pytest.raises(InputError) as caught:
        open_baseline(path)
    assert str(caught.value) == f"{path}: is not a whole baseline file; {ANEW}"
