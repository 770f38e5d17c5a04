import os
import subprocess
import sys

import pytest

from thermscan.model.errors import InputError
from thermscan.write.folder import check_output_folder, whole_folder, write_whole


def _names(folder):
    return sorted(entry.name for entry in folder.iterdir())


def _fail_in(folder, *, force):
    with whole_folder(folder, force=force) as made:
        (made / "result.json").write_text("new")
        raise RuntimeError


def test_file_is_written_whole_and_nothing_else_stays(tmp_path):
    path = write_whole(tmp_path / "a.json", b"one")
    assert write_whole(path, b"two") == path
    assert path.read_bytes() == b"two"
    assert _names(tmp_path) == ["a.json"]


def test_files_get_the_usual_mode(tmp_path):
    mask = os.umask(0o027)
    try:
        path = write_whole(tmp_path / "a", b"x")
    finally:
        os.umask(mask)
    assert path.stat().st_mode & 0o777 == 0o640


def test_missing_folder_is_refused_in_one_line(tmp_path):
    with pytest.raises(InputError, match="cannot be written: no such file or directory"):
        write_whole(tmp_path / "none" / "a", b"x")


def test_folder_appears_only_when_all_went_well(tmp_path):
    target = tmp_path / "deep" / "out"
    with whole_folder(target) as made:
        (made / "result.json").write_text("{}")
        (made / "overlay.png").write_bytes(b"png")
        assert not target.exists()
    assert _names(target) == ["overlay.png", "result.json"]
    assert _names(tmp_path) == ["deep"]


def test_failure_leaves_nothing(tmp_path):
    with pytest.raises(RuntimeError):
        _fail_in(tmp_path / "out", force=False)
    assert _names(tmp_path) == []


def test_folder_with_results_is_refused_and_left_as_it_was(tmp_path):
    (tmp_path / "overlay.png").write_bytes(b"old")
    with pytest.raises(InputError, match=r"already holds results \(overlay.png\); .*--force"), whole_folder(tmp_path):
        pass
    assert (tmp_path / "overlay.png").read_bytes() == b"old"


def test_force_replaces_results_takes_stale_ones_away_and_keeps_other_files(tmp_path):
    for name in ("result.json", "poses.npz", "notes.txt"):
        (tmp_path / name).write_text("old")
    with whole_folder(tmp_path, force=True) as made:
        (made / "result.json").write_text("new")
    assert _names(tmp_path) == ["notes.txt", "result.json"]
    assert (tmp_path / "result.json").read_text() == "new"
    assert (tmp_path / "notes.txt").read_text() == "old"


def test_failure_under_force_keeps_the_old_results(tmp_path):
    (tmp_path / "result.json").write_text("old")
    with pytest.raises(RuntimeError):
        _fail_in(tmp_path, force=True)
    assert (tmp_path / "result.json").read_text() == "old"
    assert _names(tmp_path) == ["result.json"]


def test_folder_with_only_other_files_is_used(tmp_path):
    (tmp_path / "faulty.tiff").write_bytes(b"x")
    assert check_output_folder(tmp_path) == tmp_path


def test_path_that_is_a_file_is_refused(tmp_path):
    (tmp_path / "out").write_text("x")
    with pytest.raises(InputError, match="is a file, not a folder"):
        check_output_folder(tmp_path / "out")
    with pytest.raises(InputError, match="cannot be written"):
        check_output_folder(tmp_path / "out" / "inner")


def test_killed_writer_leaves_the_old_file_whole(tmp_path):
    # The process dies between writing the temporary file and renaming it.
    (tmp_path / "result.json").write_text("old")
    script = (
        "import os; from thermscan.write import folder\n"
        "folder.os.replace = lambda *a: os._exit(9)\n"
        f"folder.write_whole({str(tmp_path / 'result.json')!r}, b'new')\n"
    )
    done = subprocess.run([sys.executable, "-c", script], check=False, env=os.environ | {"PYTHONPATH": os.getcwd()})
    assert done.returncode == 9
    assert (tmp_path / "result.json").read_text() == "old"
