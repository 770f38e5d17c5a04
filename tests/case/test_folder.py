"""The folder of a case: made whole, refused where it is none, and files that moved or changed are told."""

import hashlib
import json

import pytest

from thermscan.case.folder import case_file, check_files, digest_of, keep_file, new_case, open_case, relative_name
from thermscan.model.case_record import CaseHead
from thermscan.model.errors import InputError


def test_new_case_is_plain_files(bench):
    case = bench.open()
    assert {p.name for p in case.path.iterdir()} == {"case.json", "log.jsonl", "log.lock", "board.json"}
    assert json.loads((case.path / "case.json").read_text())["format_version"] == 1
    assert [e.kind for e in case.entries] == ["opened"]
    assert not list(case.path.parent.glob(".*"))


def test_a_folder_with_anything_in_it_is_refused(tmp_path):
    (tmp_path / "case").mkdir()
    (tmp_path / "case" / "mine.txt").write_text("mine")
    with pytest.raises(InputError, match="exists already and is not empty"):
        new_case(tmp_path / "case", CaseHead("d", "b", "t"), board=None, opened={})
    assert [p.name for p in (tmp_path / "case").iterdir()] == ["mine.txt"]


def test_no_case_and_newer_case_are_refused(bench, tmp_path):
    with pytest.raises(InputError, match="is no case: it holds no"):
        open_case(tmp_path)
    case = bench.open()
    head = json.loads((case.path / "case.json").read_text())
    before = (case.path / "log.jsonl").read_bytes()
    (case.path / "case.json").write_text(json.dumps(head | {"format_version": 2}))
    with pytest.raises(InputError, match=r"newer thermscan \(format 2, this one knows 1\)"):
        open_case(case.path)
    (case.path / "case.json").write_text("{")
    with pytest.raises(InputError, match="restore it from a copy"):
        open_case(case.path)
    (case.path / "case.json").write_text(json.dumps(head))
    (case.path / "log.jsonl").unlink()
    with pytest.raises(InputError, match="a case is nothing without its log"):
        open_case(case.path)
    (case.path / "log.jsonl").write_bytes(before)
    assert open_case(case.path).entries


def test_moved_and_changed_recordings_are_told(bench, tmp_path):
    case = bench.open()
    for name in ("a.tiff", "b.tiff"):
        (tmp_path / name).write_bytes(name.encode())
        case = bench.add(case, "recording", role="faulty", path=f"../{name}", sha256=digest_of(tmp_path / name))
    assert check_files(case) == ()
    (tmp_path / "a.tiff").rename(tmp_path / "c.tiff")
    (tmp_path / "b.tiff").write_bytes(b"other")
    gone, changed = check_files(case)
    assert gone.startswith("entry 2: ../a.tiff is no longer there")
    assert changed.startswith("entry 3: ../b.tiff changed since it was added")


def test_digest_of_a_file_is_sha256(tmp_path):
    # FIPS 180-2, appendix B.1: the message "abc"
    (tmp_path / "abc").write_bytes(b"abc")
    assert digest_of(tmp_path / "abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_digest_of_a_folder_notices_every_file(tmp_path):
    folder = tmp_path / "series"
    folder.mkdir()
    for i in range(3):
        (folder / f"{i}.csv").write_bytes(bytes([i]))
    first = digest_of(folder)
    (folder / "1.csv").write_bytes(b"changed")
    assert digest_of(folder) != first
    with pytest.raises(InputError, match="cannot be read"):
        digest_of(tmp_path / "nothing")


def test_kept_files_hold_their_hash_in_the_name(bench):
    case = bench.open()
    name, digest = keep_file(case, b"picture", "../../my photo.png", under="pictures")
    assert digest == hashlib.sha256(b"picture").hexdigest()
    assert name == f"pictures/{digest[:12]}_my_photo.png"
    assert keep_file(case, b"picture", "my photo.png", under="pictures") == (name, digest)


def test_paths_are_kept_relative_where_things_move_together(bench, tmp_path):
    case = bench.open("jobs")
    assert relative_name(case, tmp_path / "a.tiff") == "../a.tiff"
    assert relative_name(case, case.path / "in" / "a.tiff") == "in/a.tiff"
    assert relative_name(case, "/elsewhere/a.tiff") == "/elsewhere/a.tiff"


def test_a_log_cannot_fetch_files_from_outside_the_case(bench, tmp_path):
    (tmp_path / "secret.png").write_bytes(b"\x89PNG")
    case = bench.open()
    for name in ("../secret.png", str(tmp_path / "secret.png")):
        with pytest.raises(InputError, match="outside of it"):
            case_file(case, name)
