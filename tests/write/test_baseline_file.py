import numpy as np
import pytest

from thermscan.model.film import Baseline, BoardGrid, Film, Rise
from thermscan.read.baseline_file import open_baseline
from thermscan.write.baseline_file import write_baseline


def _baseline(with_films):
    rng = np.random.default_rng(7)
    grid, edges = BoardGrid(0.5, 1.0, 0.5, 6, 4), np.linspace(0, 3, 4)
    full = np.ones(grid.shape, bool)
    films = []
    for i in range(2):
        mean = rng.normal(25, 1, (3, *grid.shape))
        film = Film(
            grid,
            edges,
            "power_on",
            mean,
            np.ones(3, int),
            mean[0],
            4,
            np.full(grid.shape, 0.05 * (i + 1)),
            0.3,
            0.1,
            full,
            full,
            0.5,
        )
        films.append(Rise(film, mean - 25, np.full((1, *grid.shape), 0.02), "cold_frames"))
    stack = np.stack([rise.rise for rise in films])
    return Baseline(
        grid,
        edges,
        stack.mean(axis=0),
        stack.std(axis=0),
        np.full((1, *grid.shape), 0.02),
        2,
        "hash",
        "top",
        "cold_frames",
        (("good_1.tiff", "ab" * 32), ("good_2.tiff", "cd" * 32)),
        tuple(films) if with_films else (),
        (("good_2.tiff", "warmer than the others"),),
    )


@pytest.mark.parametrize("with_films", [True, False])
def test_everything_comes_back(tmp_path, with_films):
    baseline = _baseline(with_films)
    path = write_baseline(tmp_path / "good.npz", baseline)
    with np.load(path, allow_pickle=False) as file:
        assert int(file["format_version"]) == 1
        assert str(file["outline_hash"]) == "hash"
        assert (str(file["side"]), str(file["reference"]), int(file["count"])) == ("top", "cold_frames", 2)
        grid = BoardGrid(*(file[k].item() for k in ("x0_mm", "y0_mm", "step_mm", "columns", "rows")))
        assert grid == baseline.grid
        np.testing.assert_array_equal(file["seconds"], baseline.edges_s)
        np.testing.assert_allclose(file["mean"], baseline.mean, rtol=1e-6)
        np.testing.assert_allclose(file["spread"], baseline.spread, rtol=1e-6)
        assert file["error"].shape == baseline.mean.shape
        assert file["source_names"].tolist() == ["good_1.tiff", "good_2.tiff"]
        assert file["source_sha256"].tolist() == ["ab" * 32, "cd" * 32]
        assert file["odd_reasons"].tolist() == ["warmer than the others"]
        assert ("rises" in file.files) is with_films
        if with_films:
            # Root mean square of 0.05 and 0.10.
            np.testing.assert_allclose(file["noise"], np.sqrt((0.05**2 + 0.10**2) / 2), rtol=1e-6)


def test_same_baseline_gives_the_same_bytes(tmp_path):
    first = write_baseline(tmp_path / "a.npz", _baseline(with_films=True)).read_bytes()
    assert write_baseline(tmp_path / "b.npz", _baseline(with_films=True)).read_bytes() == first


def test_reader_gives_the_baseline_back(tmp_path):
    baseline = _baseline(with_films=True)
    read = open_baseline(write_baseline(tmp_path / "good.npz", baseline), side="top")
    assert (read.grid, read.count, read.sources, read.odd) == (
        baseline.grid,
        baseline.count,
        baseline.sources,
        baseline.odd,
    )
    np.testing.assert_allclose(read.mean, baseline.mean, rtol=1e-6)
    np.testing.assert_allclose(read.films[1].rise, baseline.films[1].rise, rtol=1e-6)
