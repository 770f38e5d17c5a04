"""The log: a chain that shows changes, whole after a kill at any moment, and safe with two writers."""

import json
import os
import subprocess
import sys

import pytest

from thermscan.case.log import FIRST, LOG_NAME, TORN_NAME, append, entry_digest, parse_log, read_log
from thermscan.model.case_settings import CaseSettings
from thermscan.model.errors import InputError

TIME = "2026-03-01T10:00:00+01:00"


def test_entries_are_chained_plain_lines(tmp_path):
    first = append(tmp_path, "note", {"text": "Größe <b> ok"}, time=TIME)
    second = append(tmp_path, "cost", {"amount": 4.2}, time=TIME)
    assert (first.previous, second.previous) == (FIRST, first.sha256)
    lines = (tmp_path / LOG_NAME).read_text(encoding="utf-8").splitlines()
    assert [json.loads(line)["number"] for line in lines] == [1, 2]
    assert "Größe <b> ok" in lines[0]
    assert read_log(tmp_path).entries == (first, second)


def test_digest_is_the_sha256_of_the_sorted_compact_json(tmp_path):
    # The reference spelling by hand; `sha256sum` of these bytes gives the same (coreutils).
    fields = {"number": 1, "time": "t", "kind": "note", "data": {"b": 1, "a": "ä"}, "previous": "p"}
    plain = '{"data":{"a":"ä","b":1},"kind":"note","number":1,"previous":"p","time":"t"}'
    file = tmp_path / "plain"
    file.write_text(plain, encoding="utf-8")
    out = subprocess.run(["sha256sum", str(file)], capture_output=True, text=True, check=True).stdout.split()[0]
    assert entry_digest(fields) == out


@pytest.mark.parametrize("cut", [1, 20, -1])
def test_an_unfinished_entry_is_left_out_and_set_aside(tmp_path, cut):
    append(tmp_path, "note", {"text": "one"}, time=TIME)
    whole = (tmp_path / LOG_NAME).read_bytes()
    append(tmp_path, "note", {"text": "two"}, time=TIME)
    both = (tmp_path / LOG_NAME).read_bytes()
    torn = both[: len(whole) + cut] if cut > 0 else both[:cut]
    (tmp_path / LOG_NAME).write_bytes(torn)
    reading = read_log(tmp_path)
    assert [e.data["text"] for e in reading.entries] == ["one"]
    assert reading.is_torn
    append(tmp_path, "note", {"text": "three"}, time=TIME)
    assert [e.data["text"] for e in read_log(tmp_path).entries] == ["one", "three"]
    assert (tmp_path / TORN_NAME).read_bytes() == torn[len(whole) :] + b"\n"


def test_garbage_with_a_line_end_after_a_power_cut_is_set_aside(tmp_path):
    append(tmp_path, "note", {"text": "one"}, time=TIME)
    with (tmp_path / LOG_NAME).open("ab") as file:
        file.write(b"\0\0\0\0\n")
    append(tmp_path, "note", {"text": "two"}, time=TIME)
    assert len(read_log(tmp_path).entries) == 2


def test_changed_and_missing_lines_are_told(tmp_path):
    for text in ("one", "two", "three"):
        append(tmp_path, "note", {"text": text}, time=TIME)
    path = tmp_path / LOG_NAME
    lines = path.read_bytes().splitlines(keepends=True)
    for content, line in (
        (b"".join([lines[0], lines[1].replace(b"two", b"twa"), lines[2]]), "line 2: was changed"),
        (b"".join([lines[0], lines[2]]), "line 2: was changed"),
        (b"".join([lines[0], b"{}\n", lines[2]]), "line 2: is damaged"),
    ):
        path.write_bytes(content)
        with pytest.raises(InputError, match=line):
            append(tmp_path, "note", {"text": "four"}, time=TIME)
        assert path.read_bytes() == content


def test_a_check_sees_the_entries_under_the_lock_and_may_refuse(tmp_path):
    append(tmp_path, "note", {"text": "one"}, time=TIME)

    def refuse(entries):
        raise InputError("case", "", f"{len(entries)} entries")

    with pytest.raises(InputError, match="1 entries"):
        append(tmp_path, "note", {"text": "two"}, time=TIME, check=refuse)
    assert len(read_log(tmp_path).entries) == 1


def test_numbers_that_are_none_are_refused(tmp_path):
    with pytest.raises(ValueError, match="JSON"):
        append(tmp_path, "cost", {"amount": float("nan")}, time=TIME)
    with pytest.raises(ValueError, match="unknown kind"):
        append(tmp_path, "rumour", {}, time=TIME)
    assert not (tmp_path / LOG_NAME).exists()


WRITER = """
import sys
from thermscan.case.log import append
for i in range(int(sys.argv[2])):
    append(sys.argv[1], "note", {"text": sys.argv[3] + str(i) + "x" * 3000}, time="t")
    print(i, flush=True)
"""


# Forks a writer fifty times, waits for its first entry, and kills it at a random moment after that. In a program of its
# own, since a test runner may have threads.
KILLER = """
import os, random, signal, sys, time
from thermscan.case.log import append, read_log

folder, random_ = sys.argv[1], random.Random(4)
append(folder, "note", {"text": "start"}, time="t")
told = torn = 1
for _ in range(50):
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        while True:
            append(folder, "note", {"text": "y" * 4000}, time="t")
            os.write(writer, b".")
    os.close(writer)
    done = len(os.read(reader, 1))
    time.sleep(random_.uniform(0, 0.006))
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    while more := os.read(reader, 4096):
        done += len(more)
    os.close(reader)
    reading = read_log(folder)
    # every entry that was acknowledged is there; at the most the one being written is not
    assert told + done <= len(reading.entries) <= told + done + 1, (told, done, len(reading.entries))
    told = len(reading.entries)
append(folder, "note", {"text": "end"}, time="t")
assert [e.number for e in read_log(folder).entries] == list(range(1, told + 2))
print(told)
"""


@pytest.mark.skipif(not hasattr(os, "fork"), reason="kills forked writers")
def test_killed_fifty_times_at_random_moments_the_log_stays_whole(tmp_path):
    run = subprocess.run(
        [sys.executable, "-c", KILLER, str(tmp_path)], check=False, capture_output=True, text=True, timeout=120
    )
    assert run.returncode == 0, run.stderr
    assert int(run.stdout) >= 51


@pytest.mark.parametrize("kept", range(0, 400, 37))
def test_a_write_cut_at_any_byte_loses_at_most_that_entry(tmp_path, kept):
    append(tmp_path, "note", {"text": "one"}, time=TIME)
    whole = (tmp_path / LOG_NAME).read_bytes()
    append(tmp_path, "note", {"text": "z" * 60}, time=TIME)
    both = (tmp_path / LOG_NAME).read_bytes()
    reading = parse_log(both[: min(len(whole) + kept, len(both))], path="log")
    assert len(reading.entries) == (2 if len(whole) + kept >= len(both) else 1)


def test_two_writers_at_once_keep_one_chain(tmp_path):
    jobs = [
        subprocess.Popen([sys.executable, "-c", WRITER, str(tmp_path), "25", name], stdout=subprocess.DEVNULL)
        for name in ("a", "b")
    ]
    assert [job.wait(60) for job in jobs] == [0, 0]
    entries = read_log(tmp_path).entries
    texts = [str(e.data["text"]).rstrip("x") for e in entries]
    assert sorted(texts) == sorted([f"a{i}" for i in range(25)] + [f"b{i}" for i in range(25)])
    for name in "ab":
        assert [t for t in texts if t[0] == name] == [f"{name}{i}" for i in range(25)]


def test_a_lock_that_is_kept_is_told_in_one_line(tmp_path):
    fcntl = pytest.importorskip("fcntl")
    append(tmp_path, "note", {"text": "one"}, time=TIME)
    with (tmp_path / "log.lock").open("w") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        with pytest.raises(InputError, match="another program is writing"):
            append(tmp_path, "note", {"text": "two"}, time=TIME, settings=CaseSettings(lock_wait_s=0.1))
    assert len(read_log(tmp_path).entries) == 1
