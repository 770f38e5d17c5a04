"""Opening a recording: sidecar, units, times, frame ranges, digests."""

import hashlib
import json

import numpy as np
import pytest
import tifffile

from thermscan.model.errors import InputError
from thermscan.model.recording import Drive
from thermscan.read.formats import FORMATS, OpenOptions, camera_scale, open_recording, parse_frames

FRAMES = np.random.default_rng(5).normal(4800, 20, (6, 5, 7)).astype(np.uint16)
SIDECAR = {
    "timestamps_s": [0.0, 0.1, 0.2, 0.35, 0.4, 0.5],
    "frame_rate_hz": 10,
    "unit": "count",
    "scale_k_per_count": 0.02,
    "offset_k": 200.0,
    "emissivity": 0.95,
    "reflected_c": 23.0,
    "transmission": 1.0,
    "ambient_c": 22.5,
    "side": "bottom",
    "supply": [{"time_s": 0.1, "volts": 12.0, "amps": 0.41}, {"time_s": 0.3, "volts": 12.0, "amps": 0.6}],
    "drive": {"mode": "injection", "net": "+3V3", "volts": 1.0, "amps": 2.0, "frequency_hz": None, "duty": None},
    "marks": [
        {"x_mm": 0, "y_mm": 60, "x_px": 1.2, "y_px": 0.5},
        {"x_mm": 90, "y_mm": 60, "x_px": 5.9, "y_px": 0.6},
        {"x_mm": 90, "y_mm": 0, "x_px": 5.8, "y_px": 4.1},
        {"x_mm": 0, "y_mm": 0, "x_px": 0.9, "y_px": 3.7},
    ],
    "camera": None,
}


@pytest.fixture
def stack(tmp_path):
    path = tmp_path / "faulty.tiff"
    tifffile.imwrite(path, FRAMES)
    return path


def write_sidecar(stack, **changes):
    stack.with_suffix(".json").write_text(json.dumps({**SIDECAR, **changes}))


def test_everything_in_the_sidecar_arrives(stack):
    write_sidecar(stack)
    recording = open_recording(stack)
    assert (recording.name, recording.unit, recording.sha256) == (
        "faulty",
        "celsius",
        hashlib.sha256(stack.read_bytes()).hexdigest(),
    )
    # kelvin = offset + scale x count; 273.15 K is 0 C
    np.testing.assert_allclose(recording.store.read(0, 6), FRAMES * 0.02 + 200 - 273.15, atol=1e-4)
    assert recording.saturated_at == pytest.approx(65535 * 0.02 + 200 - 273.15)
    np.testing.assert_array_equal(recording.times_s, SIDECAR["timestamps_s"])
    facts = recording.facts
    assert (facts.emissivity, facts.reflected_c, facts.transmission, facts.ambient_c) == (0.95, 23.0, 1.0, 22.5)
    assert (facts.side, len(facts.marks), facts.supply[1].amps) == ("bottom", 4, 0.6)
    assert facts.drive == Drive("injection", "+3V3", 1.0, 2.0, None, None)
    assert recording.warnings == ()


def test_nothing_known_stays_counts_without_times(stack):
    recording = open_recording(stack)
    assert recording.unit == "count"
    assert recording.times_s is None
    assert recording.times_why == "no frame times are known; give --frame-rate HZ or --times FILE"
    np.testing.assert_array_equal(recording.store.read(0, 6), FRAMES)


def test_options_beat_the_sidecar(stack):
    write_sidecar(stack)
    options = OpenOptions(scale_k_per_count=0.04, offset_k=100.0)
    recording = open_recording(stack, options=options)
    np.testing.assert_allclose(recording.store.read(0, 1)[0], FRAMES[0] * 0.04 + 100 - 273.15, atol=1e-3)


def test_a_side_that_the_sidecar_states_otherwise_is_refused(stack):
    write_sidecar(stack)
    with pytest.raises(InputError) as caught:
        open_recording(stack, options=OpenOptions(side="top"))
    assert str(caught.value).endswith(
        "faulty.json: side: says bottom, --side says top; correct the sidecar, or leave --side out"
    )
    assert open_recording(stack, options=OpenOptions(side="bottom")).facts.side == "bottom"
    write_sidecar(stack, side=None)
    assert open_recording(stack, options=OpenOptions(side="bottom")).facts.side == "bottom"
    assert open_recording(stack).facts.side == "top"


def test_times_beat_the_frame_rate_and_disagreement_is_said(stack):
    write_sidecar(stack, frame_rate_hz=10.4)
    assert open_recording(stack).warnings == ()
    write_sidecar(stack, frame_rate_hz=12.0)
    recording = open_recording(stack)
    np.testing.assert_array_equal(recording.times_s, SIDECAR["timestamps_s"])
    assert recording.warnings == ("the times say 10 frames/s and the frame rate 12; the times are used",)


def test_frame_rate_alone(stack):
    recording = open_recording(stack, options=OpenOptions(frame_rate_hz=8.0, frames=(2, None)))
    np.testing.assert_allclose(recording.times_s, np.array([2, 3, 4, 5]) / 8)


@pytest.mark.parametrize(
    "content",
    [
        "0\n0.1\n0.2\n0.3\n0.4\n0.5\n",
        "frame,time_on_s,other\n0,0.0,9\n1,0.1,9\n2,0.2,9\n3,0.3,9\n4,0.4,9\n5,0.5,9\n",
        "time_s;frame\n0,0;0\n0,1;1\n0,2;2\n0,3;3\n0,4;4\n0,5;5\n",
        "\ufeff0 0.0\n1 0.1\n2 0.2\n3 0.3\n4 0.4\n5 0.5\n",
        "[0, 0.1, 0.2, 0.3, 0.4, 0.5]",
        "n;time (ms)\n1;0\n2;100\n3;200\n4;300\n5;400\n6;500\n",
        "time\n" + "".join(f"2026-01-03T10:15:00.{i}\n" for i in range(6)),
    ],
)
def test_times_file(stack, tmp_path, content):
    (tmp_path / "times.csv").write_text(content)
    options = OpenOptions(times=str(tmp_path / "times.csv"), frames=(1, 4))
    np.testing.assert_allclose(open_recording(stack, options=options).times_s, [0.1, 0.2, 0.3], atol=1e-6)


@pytest.mark.parametrize(
    ("content", "problem"),
    [
        ("0\n1\nx\n3\n4\n5\n", "row 3, column 1: 'x' is not a time; give seconds"),
        ("a,b\n1,2\n", "row 1: no column of times among a, b; name it time_s"),
        ("1,2,3\n", "row 1: has 3 columns and no heading; head the column of times time_s"),
        ("0\n1\n2\n", "3 times for 6 frames; give one time for each frame"),
        ("0\n1\n2\n3\n2\n5\n", "times, entry 4: 2 does not come after 3; times must increase strictly"),
    ],
)
def test_bad_times_file(stack, tmp_path, content, problem):
    path = tmp_path / "times.csv"
    path.write_text(content)
    with pytest.raises(InputError) as caught:
        open_recording(stack, options=OpenOptions(times=str(path)))
    assert str(caught.value) == f"{path}: {problem}"


def test_a_range_of_frames(stack):
    write_sidecar(stack)
    recording = open_recording(stack, options=OpenOptions(frames=parse_frames("1:4")))
    assert recording.frames == 3
    np.testing.assert_allclose(recording.store.read(0, 3), FRAMES[1:4] * 0.02 + 200 - 273.15, atol=1e-4)
    np.testing.assert_array_equal(recording.times_s, [0.1, 0.2, 0.35])
    assert parse_frames(":7") == (None, 7)
    assert parse_frames("3:") == (3, None)


# NIST SP 811 appendix B.
@pytest.mark.parametrize(
    ("unit", "value", "expected"),
    [("celsius", 37.0, 37.0), ("kelvin", 310.15, 37.0), ("fahrenheit", 98.6, 37.0), ("fahrenheit", -40.0, -40.0)],
)
def test_units(tmp_path, unit, value, expected):
    frames = np.full((2, 3, 4), value, np.float32)
    frames[:, 0, 0] += 1
    np.save(tmp_path / "a.npy", frames)
    recording = open_recording(tmp_path / "a.npy", options=OpenOptions(unit=unit))
    assert recording.store.read(0, 1)[0, 2, 2] == pytest.approx(expected, abs=1e-4)


def test_scale_is_not_applied_to_temperatures(tmp_path):
    np.save(tmp_path / "a.npy", FRAMES / 200.0)
    options = OpenOptions(unit="celsius", scale_k_per_count=0.01, offset_k=0.0)
    recording = open_recording(tmp_path / "a.npy", options=options)
    np.testing.assert_allclose(recording.store.read(0, 6), FRAMES / 200.0, atol=1e-5)
    assert recording.warnings == ("the scale of counts is not used, because the unit is celsius",)


def test_a_scale_on_the_command_line_beats_the_unit_of_the_sidecar(stack):
    stack.with_suffix(".json").write_text(json.dumps({"unit": "kelvin"}))
    recording = open_recording(stack, options=OpenOptions(scale_k_per_count=0.02, offset_k=200.0))
    np.testing.assert_allclose(recording.store.read(0, 6), FRAMES * 0.02 + 200 - 273.15, atol=1e-4)


def test_a_profile_does_not_make_counts_of_temperatures(tmp_path):
    np.save(tmp_path / "a.npy", FRAMES / 200.0)
    (tmp_path / "cam.json").write_text(json.dumps({"scale": {"scale_k_per_count": 0.02, "offset_k": 200.0}}))
    (tmp_path / "a.json").write_text(json.dumps({"camera": "cam"}))
    recording = open_recording(tmp_path / "a.npy", options=OpenOptions(profile_folders=(str(tmp_path),)))
    np.testing.assert_allclose(recording.store.read(0, 6), FRAMES / 200.0, atol=1e-5)


def test_marks_outside_the_picture_are_said(stack):
    marks = [dict(mark) for mark in SIDECAR["marks"]]
    marks[1]["x_px"] = 60
    write_sidecar(stack, marks=marks)
    assert open_recording(stack).warnings == ("mark 1 lies outside the picture of 7 x 5 pixels",)


def test_npy_npz_and_one_frame(tmp_path):
    np.save(tmp_path / "big.npy", FRAMES.astype(">u2"))
    np.testing.assert_array_equal(open_recording(tmp_path / "big.npy").store.read(0, 6), FRAMES)
    np.save(tmp_path / "fortran.npy", np.asfortranarray(FRAMES))
    np.testing.assert_array_equal(open_recording(tmp_path / "fortran.npy").store.read(0, 6), FRAMES)
    np.savez_compressed(tmp_path / "b.npz", frames=FRAMES, timestamps_s=np.arange(6) * 0.5)
    recording = open_recording(tmp_path / "b.npz")
    np.testing.assert_array_equal(recording.times_s, np.arange(6) * 0.5)
    np.save(tmp_path / "one.npy", FRAMES[0])
    assert open_recording(tmp_path / "one.npy").frames == 1


def test_camera_profile_from_sidecar_or_option(stack, tmp_path):
    profile = tmp_path / "profiles" / "bench cam.json"
    profile.parent.mkdir()
    profile.write_text(json.dumps({"scale": {"scale_k_per_count": 0.02, "offset_k": 200.0}}))
    stack.with_suffix(".json").write_text(json.dumps({"camera": "bench cam"}))
    expected = FRAMES * 0.02 + 200 - 273.15
    named = open_recording(stack, options=OpenOptions(profile_folders=(str(profile.parent),)))
    np.testing.assert_allclose(named.store.read(0, 6), expected, atol=1e-4)
    given = open_recording(stack, options=OpenOptions(camera=str(profile)))
    np.testing.assert_allclose(given.store.read(0, 6), expected, atol=1e-4)
    lost = open_recording(stack)
    assert lost.unit == "count"
    assert lost.warnings == ("the camera profile 'bench cam' named in the sidecar was not found",)
    assert camera_scale({"band_um": [8, 14]}) is None


@pytest.mark.parametrize("place", ["run.json", "run/run.json", "run/sidecar.json"])
def test_sidecar_of_a_folder(tmp_path, place):
    (tmp_path / "run").mkdir()
    for i, frame in enumerate(FRAMES):
        tifffile.imwrite(tmp_path / "run" / f"f{i}.tif", frame)
    (tmp_path / place).write_text(json.dumps({"side": "bottom"}))
    assert open_recording(tmp_path / "run").facts.side == "bottom"
    assert open_recording(tmp_path / "run" / "f*.tif").facts.side == "bottom"


def test_digest_of_a_series_does_not_depend_on_names(tmp_path):
    for folder, order in (("a", FRAMES), ("b", FRAMES[::-1])):
        (tmp_path / folder).mkdir()
        for i, frame in enumerate(order):
            tifffile.imwrite(tmp_path / folder / f"f{i}.tif", frame)
    assert open_recording(tmp_path / "a").sha256 == open_recording(tmp_path / "b").sha256
    assert len(open_recording(tmp_path / "a").sha256) == 64


def test_times_in_names_and_a_frame_rate(tmp_path):
    for i, frame in enumerate(FRAMES):
        tifffile.imwrite(tmp_path / f"t{i * 0.25:g}s.tif", frame)  # natural order alone would put 0.5 before 0.25
    recording = open_recording(tmp_path)
    np.testing.assert_allclose(recording.times_s, np.arange(6) * 0.25)
    np.testing.assert_array_equal(recording.store.read(0, 6), FRAMES)
    rated = open_recording(tmp_path, options=OpenOptions(frame_rate_hz=5.0))
    np.testing.assert_allclose(rated.times_s, np.arange(6) / 5)
    assert rated.warnings == ("the times say 4 frames/s and the frame rate 5; the frame rate is used",)


@pytest.mark.parametrize(
    ("names", "expected"),
    [
        (["a_0ms", "a_80ms", "a_160ms"], [0, 0.08, 0.16]),
        (["f1_t=1.5s", "f2_t=2.5s", "f3_t=4s"], [1.5, 2.5, 4.0]),
        (["20260103_101500_250", "20260103_101501_000", "20260103_101502_500"], [0, 0.75, 2.25]),
        (["2026-01-03T23-59-59", "2026-01-04T00-00-00", "2026-01-04T00-00-02"], [0, 1, 3]),
        (["shot1", "shot2", "shot3"], None),
        (["r4s1", "r4s2", "r4s3"], None),
    ],
)
def test_times_in_names(tmp_path, names, expected):
    for i, name in enumerate(names):
        tifffile.imwrite(tmp_path / f"{name}.tif", FRAMES[i])
    times = open_recording(tmp_path).times_s
    assert times is None if expected is None else np.allclose(times, expected)


def test_equal_times_in_names_are_not_used(tmp_path):
    for i in range(3):
        tifffile.imwrite(tmp_path / f"f{i}_t1s.tif", FRAMES[i])
    recording = open_recording(tmp_path)
    assert recording.times_s is None
    assert recording.warnings == ("times in the file names are not used: some files have the same time",)


def test_the_table_is_complete():
    assert len({form.name for form in FORMATS}) == len(FORMATS)
    for form in FORMATS:
        assert form.suffixes
        assert form.about
        assert all(s.startswith(".") for s in form.suffixes)
