"""SHA-256 of files against the published example of FIPS 180-4 (message ``abc``; value from memory)."""

import pytest

from thermscan.model.errors import InputError
from thermscan.read.digest import digest_of


def test_digest_is_that_of_the_standard(tmp_path):
    path = tmp_path / "abc"
    path.write_bytes(b"abc")
    assert digest_of((str(path),)) == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_several_files_have_one_digest_whatever_their_order(tmp_path):
    for name in ("a", "b"):
        (tmp_path / name).write_bytes(name.encode())
    paths = [str(tmp_path / "a"), str(tmp_path / "b")]
    assert digest_of(paths) == digest_of(paths[::-1]) != digest_of(paths[:1])


def test_a_missing_file_is_one_clear_line(tmp_path):
    with pytest.raises(InputError, match="cannot be read"):
        digest_of((str(tmp_path / "no"),))
