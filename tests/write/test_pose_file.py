import numpy as np
import pytest

from thermscan.write.pose_file import write_poses


def _poses(frames, seed):
    poses = np.random.default_rng(seed).normal(size=(frames, 3, 3))
    poses[1] = np.nan
    return poses


def test_keys_stand_in_command_order_and_numbers_come_back(tmp_path):
    faulty, one, two = _poses(5, 1), _poses(3, 2), _poses(4, 3).astype(np.float32)
    path = write_poses(tmp_path / "poses.npz", faulty, [one, two])
    with np.load(path) as file:
        assert file.files == ["faulty", "good_1", "good_2"]
        assert all(file[name].dtype == np.float64 for name in file.files)
        np.testing.assert_array_equal(file["faulty"], faulty)
        np.testing.assert_array_equal(file["good_2"], two)
        assert np.isnan(file["good_1"][1]).all()


def test_same_poses_give_the_same_bytes(tmp_path):
    a = write_poses(tmp_path / "a.npz", _poses(5, 1)).read_bytes()
    assert write_poses(tmp_path / "b.npz", _poses(5, 1)).read_bytes() == a


def test_wrong_shapes_and_half_known_poses_are_refused(tmp_path):
    with pytest.raises(ValueError, match="shape"):
        write_poses(tmp_path / "a.npz", np.eye(3))
    half = _poses(5, 1)
    half[2, 0, 0] = np.nan
    with pytest.raises(ValueError, match="partly NaN"):
        write_poses(tmp_path / "a.npz", half)
    assert not (tmp_path / "a.npz").exists()
