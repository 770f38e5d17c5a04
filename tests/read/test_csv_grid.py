"""Temperature grids in all spellings, against grids written by numpy.savetxt and by hand."""

import io

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from thermscan.model.errors import InputError
from thermscan.read.formats import OpenOptions, open_recording

RNG = np.random.default_rng(7)
FRAME = np.round(RNG.normal(24.0, 0.8, (6, 8)), 2)
FRAMES = np.round(RNG.normal(24.0, 0.8, (3, 6, 8)), 2)


def text_of(frame, *, separator=",", decimal=".", form="%.2f", unit="", tail="", first_row=None, first_column=None):
    """Spell one frame; the index row and column are lists of texts or None."""
    rows = []
    for i, row in enumerate(frame):
        cells = [(form % v).replace(".", decimal) + unit for v in row]
        rows.append(([first_column[i]] if first_column else []) + cells)
    if first_row:
        rows.insert(0, first_row)
    return "".join(separator.join(row) + tail + "\n" for row in rows)


def read(tmp_path, content, *, name="grid.csv", **options):
    path = tmp_path / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return open_recording(path, options=OpenOptions(**options))


def frames_of(recording):
    return recording.store.read(0, recording.frames)


@pytest.mark.parametrize(
    "spelling",
    [
        {},
        {"separator": ";"},
        {"separator": "\t"},
        {"separator": " "},
        {"separator": "   "},
        {"separator": ", "},
        {"separator": ";", "decimal": ","},
        {"separator": "\t", "decimal": ","},
        {"separator": " ", "decimal": ","},
        {"separator": "; ", "decimal": ","},
        {"tail": ","},
        {"separator": ";", "decimal": ",", "tail": ";"},
        {"separator": "\t", "tail": "\t"},
        {"unit": "C"},
        {"unit": " °C"},
        {"unit": "°C", "separator": ";", "decimal": ","},
        {"unit": " C", "separator": " "},
        {"unit": "\u2103"},
        {"unit": " degC"},
        {"form": "%.6e"},
        {"form": '"%.2f"'},
        {"form": '"%.2f"', "decimal": ","},
        {"form": "%+8.2f"},
    ],
)
def test_each_spelling_gives_the_same_numbers(tmp_path, spelling):
    recording = read(tmp_path, text_of(FRAME, **spelling))
    assert recording.unit == "celsius"
    np.testing.assert_allclose(frames_of(recording), FRAME[None], atol=1e-5)
    assert recording.warnings == ()


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_encodings_and_line_ends(tmp_path, encoding, end):
    text = "temperature in °C\n" + text_of(FRAME, separator=";", decimal=",")
    recording = read(tmp_path, text.replace("\n", end).encode(encoding))
    np.testing.assert_allclose(frames_of(recording), FRAME[None], atol=1e-5)
    assert recording.notes == ("1 leading text line was skipped, the first is 'temperature in °C'",)


@pytest.mark.parametrize(("delimiter", "form"), [(",", "%.4f"), (";", "%.18e"), ("\t", "%g"), (" ", "%.3f")])
def test_reads_what_numpy_writes(tmp_path, delimiter, form):
    buffer = io.StringIO()
    np.savetxt(buffer, FRAME, delimiter=delimiter, fmt=form)
    np.testing.assert_allclose(frames_of(read(tmp_path, buffer.getvalue())), FRAME[None], atol=1e-5)


def test_numpy_header_with_hash_is_leading_text(tmp_path):
    buffer = io.StringIO()
    np.savetxt(buffer, FRAME, delimiter=",", header="shot 12 of the bench\nmeasured at noon")
    recording = read(tmp_path, buffer.getvalue())
    np.testing.assert_allclose(frames_of(recording), FRAME[None], atol=1e-5)
    assert recording.notes[0] == "2 leading text lines were skipped, the first is '# shot 12 of the bench'"


def test_frames_parted_by_blank_lines(tmp_path):
    recording = read(tmp_path, "\n".join(text_of(f) for f in FRAMES) + "\n\n")
    assert recording.frames == 3
    np.testing.assert_allclose(frames_of(recording), FRAMES, atol=1e-5)


def test_frames_parted_by_rows_of_separators(tmp_path):
    recording = read(tmp_path, ";;;;;;;\n".join(text_of(f, separator=";", decimal=",") for f in FRAMES))
    np.testing.assert_allclose(frames_of(recording), FRAMES, atol=1e-5)


def test_titles_of_frames_are_skipped_and_their_times_used(tmp_path):
    text = "\n".join(f"Frame {i}, t = {i * 0.25:.2f} s\n" + text_of(f) for i, f in enumerate(FRAMES))
    recording = read(tmp_path, text)
    np.testing.assert_allclose(frames_of(recording), FRAMES, atol=1e-5)
    np.testing.assert_allclose(recording.times_s, [0, 0.25, 0.5])
    assert "frame times are taken from the frames' titles" in recording.notes


@pytest.mark.parametrize("start", [0, 1])
@pytest.mark.parametrize("corner", ["", "0", "row"])
def test_index_row_and_column_are_dropped_and_said(tmp_path, start, corner):
    head = [corner, *(str(i + start) for i in range(8))]
    side = [str(i + start) for i in range(6)]
    recording = read(tmp_path, text_of(FRAME, first_row=head, first_column=side))
    np.testing.assert_allclose(frames_of(recording), FRAME[None], atol=1e-5)
    said = " ".join(recording.notes)
    assert "the first column only counts rows and was dropped" in said
    assert corner == "row" or "the first row only counts columns and was dropped" in said


def test_index_row_alone_and_column_alone(tmp_path):
    alone = read(tmp_path, text_of(FRAME, first_row=[str(i) for i in range(8)]))
    np.testing.assert_allclose(frames_of(alone), FRAME[None], atol=1e-5)
    beside = read(tmp_path, text_of(FRAME, first_column=[f"{i}.00" for i in range(1, 7)]))
    np.testing.assert_allclose(frames_of(beside), FRAME[None], atol=1e-5)


def test_index_column_that_counts_on_through_the_frames(tmp_path):
    text = "\n".join(text_of(f, first_column=[str(k * 6 + i) for i in range(6)]) for k, f in enumerate(FRAMES))
    np.testing.assert_allclose(frames_of(read(tmp_path, text)), FRAMES, atol=1e-5)


def test_a_frame_that_is_no_index_keeps_its_first_row(tmp_path):
    frame = FRAME.copy()
    frame[0] = np.arange(20.0, 28.0)  # counts, but neither from 0 nor from 1
    np.testing.assert_allclose(frames_of(read(tmp_path, text_of(frame))), frame[None], atol=1e-5)


def test_cells_without_a_number_are_kept_with_a_warning(tmp_path):
    cells = [row.split(",") for row in text_of(FRAME).split()]
    cells[2][3], cells[4][0], cells[5][7] = "NaN", "", "--"
    recording = read(tmp_path, "\n".join(",".join(row) for row in cells))
    bad = np.isnan(frames_of(recording)[0])
    assert {tuple(p) for p in np.argwhere(bad)} == {(2, 3), (4, 0), (5, 7)}
    assert recording.warnings[0] == "3 cells hold no number and are left out"


def test_an_empty_last_cell_and_a_long_minus(tmp_path):
    recording = read(tmp_path, "1.5,\u22122.25,3\n4.5,5.5,\n7.5,8.5,9\n")
    np.testing.assert_allclose(frames_of(recording)[0], [[1.5, -2.25, 3], [4.5, 5.5, np.nan], [7.5, 8.5, 9]])


# NIST SP 811 appendix B: 98.6 F = 37.0 C, 32 F = 0 C; 273.15 K = 0 C.
@pytest.mark.parametrize(
    ("value", "unit", "header", "expected"),
    [
        (98.6, "F", "", 37.0),
        (32.0, "F", "", 0.0),
        (310.15, "K", "", 37.0),
        (310.15, "", "Temperature [K]\n", 37.0),
        (98.6, "", "values in Fahrenheit\n", 37.0),
        (37.0, "", "unit: celsius\n", 37.0),
        (98.6, "", "Units; F\n", 37.0),
    ],
)
def test_units_in_cells_and_header(tmp_path, value, unit, header, expected):
    frame = np.full((4, 5), value)
    frame[0, 0] += 1.0
    recording = read(tmp_path, header + text_of(frame, separator=";", unit=unit))
    assert recording.unit == "celsius"
    assert frames_of(recording)[0, 1, 1] == pytest.approx(expected, abs=1e-4)


def test_whole_numbers_of_a_camera_stay_counts(tmp_path):
    counts = RNG.integers(7000, 7100, (5, 6)).astype(float)
    recording = read(tmp_path, text_of(counts, form="%d"))
    assert recording.unit == "count"
    np.testing.assert_array_equal(frames_of(recording)[0], counts)


def test_whole_numbers_no_board_can_have_stay_counts(tmp_path):
    counts = np.array([[12, 40, 33], [700, 41, 38], [35, 36, 37]], float)
    assert read(tmp_path, text_of(counts, form="%d", separator=";")).unit == "count"


def test_whole_degrees_are_celsius(tmp_path):
    recording = read(tmp_path, text_of(np.round(FRAME), form="%d", separator=";"))
    assert recording.unit == "celsius"


def test_thousands_marks(tmp_path):
    counts = RNG.integers(27000, 27100, (5, 6))
    grouped = "\n".join(";".join(f"{v:,d}" for v in row) for row in counts)
    with pytest.raises(InputError, match="is ambiguous: it reads as 27"):
        read(tmp_path, grouped)
    recording = read(tmp_path, grouped, unit="count")
    np.testing.assert_array_equal(frames_of(recording)[0], counts)
    degrees = read(tmp_path, grouped, unit="celsius")
    np.testing.assert_allclose(frames_of(degrees)[0], counts / 1000, atol=1e-5)
    both = "\n".join(";".join(f"{v:,.1f}" for v in row) for row in counts / 10)
    np.testing.assert_allclose(frames_of(read(tmp_path, both, unit="count"))[0], counts / 10, atol=1e-3)


def test_one_file_a_frame_with_times_in_the_names(tmp_path):
    folder = tmp_path / "run"
    folder.mkdir()
    for i, frame in enumerate(FRAMES):
        (folder / f"frame_{i + 9:04d}_t{i * 0.25 + 3:.2f}s.csv").write_text("sensor A\n" + text_of(frame))
    for path in (folder, folder / "frame_*.csv"):
        recording = open_recording(path)
        np.testing.assert_allclose(frames_of(recording), FRAMES, atol=1e-5)
        np.testing.assert_allclose(recording.times_s, [3.0, 3.25, 3.5])


@settings(max_examples=40, deadline=None)
@given(
    frame=arrays(np.float32, (3, 4), elements=st.floats(-40, 58, width=32).map(lambda v: round(v, 3))),
    spelling=st.sampled_from([(",", "."), (";", "."), (";", ","), ("\t", ","), (" ", ","), (" ", ".")]),
    encoding=st.sampled_from(["utf-8-sig", "utf-16"]),
    with_tail=st.booleans(),
)
def test_write_then_read_is_equal(tmp_path_factory, frame, spelling, encoding, with_tail):
    separator, decimal = spelling
    if frame.min() == frame.max():
        frame = frame + np.arange(12, dtype=np.float32).reshape(3, 4) / 8
    text = text_of(frame, separator=separator, decimal=decimal, form="%.4f", tail=separator if with_tail else "")
    recording = read(tmp_path_factory.mktemp("csv"), text.encode(encoding), unit="celsius")
    np.testing.assert_allclose(frames_of(recording)[0], frame, atol=6e-5)


def test_large_grids_are_spooled(tmp_path, monkeypatch):
    monkeypatch.setattr("thermscan.read.raw_frames.SPOOL_BYTES", 300)
    recording = read(tmp_path, "\n".join(text_of(f) for f in FRAMES))
    np.testing.assert_allclose(frames_of(recording), FRAMES, atol=1e-5)
    np.testing.assert_allclose(recording.store.read(1, 2)[0], FRAMES[1], atol=1e-5)
