"""TIFF and PNG frames, against bytes written by hand from the specifications and by other libraries."""

import struct
import zlib

import cv2
import numpy as np
import pytest
import tifffile

from thermscan.model.errors import InputError
from thermscan.read.formats import OpenOptions, open_recording

# The worked array: 3 x 4 counts of hundredths of a kelvin.
COUNTS = np.arange(12, dtype=np.uint16).reshape(3, 4) * 1000 + 27315
FRAMES = np.random.default_rng(5).normal(7000, 20, (7, 6, 9)).astype(np.uint16)


def tiff_bytes(pages, order):
    """Write a baseline greyscale TIFF by hand (TIFF 6.0 specification, section 4: header, then one entry a page)."""
    letter = "<" if order == b"II" else ">"
    out = order + struct.pack(letter + "H", 42)
    body, where = b"", len(out) + 4
    entries = []
    for page in pages:
        entries.append((where + len(body), page))
        body += page.astype(letter + "u2").tobytes()
    first = where + len(body)
    tail, offset = b"", first
    for i, (start, page) in enumerate(entries):
        rows, columns = page.shape
        tags = [(256, 3, columns), (257, 3, rows), (258, 3, 16), (259, 3, 1), (262, 3, 1), (273, 4, start)]
        tags += [(277, 3, 1), (278, 3, rows), (279, 4, page.size * 2)]
        entry = struct.pack(letter + "H", len(tags))
        for tag, kind, value in tags:
            entry += struct.pack(letter + "HHI", tag, kind, 1)
            entry += struct.pack(letter + "HH", value, 0) if kind == 3 else struct.pack(letter + "I", value)
        offset += len(entry) + 4
        tail += entry + struct.pack(letter + "I", 0 if i == len(entries) - 1 else offset)
    return out + struct.pack(letter + "I", first) + body + tail


def png_bytes(frame):
    """Write a 16-bit grey PNG by hand (PNG specification: IHDR depth 16, colour type 0; samples big-endian)."""

    def chunk(name, data):
        return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))

    rows, columns = frame.shape
    lines = b"".join(b"\0" + row.astype(">u2").tobytes() for row in frame)
    head = struct.pack(">IIBBBBB", columns, rows, 16, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(lines)) + chunk(b"IEND", b"")


def all_frames(recording):
    return recording.store.read(0, recording.frames)


def test_the_hand_written_bytes_are_what_the_specifications_say():
    # CRC of an empty IEND chunk as printed in the PNG specification.
    assert png_bytes(COUNTS)[-4:].hex() == "ae426082"
    assert len(tiff_bytes([COUNTS], b"II")) == 8 + 24 + 2 + 9 * 12 + 4


@pytest.mark.parametrize("order", [b"II", b"MM"])
def test_tiff_of_either_byte_order(tmp_path, order):
    path = tmp_path / "hand.tif"
    path.write_bytes(tiff_bytes([COUNTS, COUNTS[::-1], COUNTS + 7], order))
    recording = open_recording(path, options=OpenOptions(scale_k_per_count=0.01, offset_k=0.0))
    assert recording.unit == "celsius"
    # Hundredths of a kelvin: 27315 is 0 C exactly, 38315 is 110 C.
    np.testing.assert_allclose(all_frames(recording)[0], np.arange(12).reshape(3, 4) * 10.0, atol=1e-4)
    np.testing.assert_allclose(all_frames(recording)[2, 0, 0], 0.07, atol=1e-4)


@pytest.mark.parametrize(
    "how",
    [
        {},
        {"compression": "zlib"},
        {"compression": "zlib", "predictor": True},
        {"bigtiff": True},
        {"byteorder": ">"},
        {"rowsperstrip": 2},
        {"tile": (16, 16), "compression": "zlib"},
        {"truncate": True},
        {"metadata": None},
    ],
)
@pytest.mark.parametrize("dtype", ["u2", "i2", "f4"])
def test_tiff_of_another_writer(tmp_path, how, dtype):
    frames = (FRAMES.astype(np.int32) - (8000 if dtype == "i2" else 0)).astype(dtype)
    path = tmp_path / "a.tif"
    if dtype == "f4" and "predictor" in how:
        how = {"compression": "lzma"}  # the writer itself has no floating point predictor without a further package
    tifffile.imwrite(path, frames, photometric="minisblack", **how)
    recording = open_recording(path, options=OpenOptions(unit="count"))
    assert (recording.frames, recording.rows, recording.columns) == FRAMES.shape
    np.testing.assert_array_equal(all_frames(recording), frames)
    np.testing.assert_array_equal(recording.store.read(5, 99), frames[5:])
    np.testing.assert_array_equal(recording.store.read(2, 3)[0], frames[2])
    highest = {"u2": 65535.0, "i2": 32767.0, "f4": None}[dtype]
    assert recording.saturated_at == highest


def test_tiff_with_the_compression_of_opencv(tmp_path):
    path = tmp_path / "lzw.tif"
    assert cv2.imwritemulti(str(path), list(FRAMES))
    np.testing.assert_array_equal(all_frames(open_recording(path)), FRAMES)


def test_float_tiff_with_a_predictor(tmp_path):
    frame = np.random.default_rng(2).normal(25, 1, (6, 9)).astype(np.float32)
    how = [cv2.IMWRITE_TIFF_COMPRESSION, 8, cv2.IMWRITE_TIFF_PREDICTOR, 3]
    assert cv2.imwrite(str(tmp_path / "f.tif"), frame, how)
    with tifffile.TiffFile(tmp_path / "f.tif") as file:
        assert (int(file.pages[0].compression), int(file.pages[0].predictor)) == (8, 3)
    np.testing.assert_array_equal(all_frames(open_recording(tmp_path / "f.tif"))[0], frame)


@pytest.mark.parametrize("count", [3, 4])
@pytest.mark.parametrize("dtype", [np.uint16, np.float32])
def test_few_frames_that_a_writer_of_arrays_took_for_colours(tmp_path, count, dtype):
    frames = FRAMES[:count].astype(dtype)
    description = f'{{"shape": [{count}, 6, 9]}}'
    how = {"photometric": "rgb", "planarconfig": "separate"}
    tifffile.imwrite(tmp_path / "few.tif", frames, **how)
    with tifffile.TiffFile(tmp_path / "few.tif") as file:
        assert (len(file.pages), file.pages[0].description) == (1, description)
    recording = open_recording(tmp_path / "few.tif", options=OpenOptions(unit="count"))
    np.testing.assert_array_equal(all_frames(recording), frames)
    assert recording.notes[0] == f"{count} colour planes are read as {count} frames, as the file's description says"
    tifffile.imwrite(tmp_path / "photo.tif", frames, metadata=None, **how)
    with pytest.raises(InputError, match="is a colour picture and carries no temperatures"):
        open_recording(tmp_path / "photo.tif")


def test_preview_pictures_are_left_out(tmp_path):
    with tifffile.TiffWriter(tmp_path / "preview.tif") as writer:
        for frame in FRAMES:
            writer.write(frame, contiguous=False)
            writer.write(np.zeros((3, 4, 3), np.uint8), photometric="rgb", subfiletype=1)
    recording = open_recording(tmp_path / "preview.tif")
    np.testing.assert_array_equal(all_frames(recording), FRAMES)
    assert recording.notes[0] == "7 preview pictures left out"


def test_page_by_page_writing_and_one_page(tmp_path):
    with tifffile.TiffWriter(tmp_path / "pages.tif") as writer:
        for frame in FRAMES:
            writer.write(frame, contiguous=False)
    np.testing.assert_array_equal(all_frames(open_recording(tmp_path / "pages.tif")), FRAMES)
    tifffile.imwrite(tmp_path / "one.tif", FRAMES[0])
    np.testing.assert_array_equal(all_frames(open_recording(tmp_path / "one.tif")), FRAMES[:1])


def test_png_series_of_two_writers_in_natural_order(tmp_path):
    for i, frame in enumerate(FRAMES):
        name = tmp_path / f"shot_{i + 7}.png"  # shot_10 comes after shot_9
        if i % 2:
            assert cv2.imwrite(str(name), frame)
        else:
            name.write_bytes(png_bytes(frame))
    for path in (tmp_path, tmp_path / "shot_*.png"):
        recording = open_recording(path)
        np.testing.assert_array_equal(all_frames(recording), FRAMES)
        assert recording.unit == "count"


def test_tiff_series(tmp_path):
    for i, frame in enumerate(FRAMES):
        tifffile.imwrite(tmp_path / f"f{i}.tiff", frame, compression="zlib")
    np.testing.assert_array_equal(all_frames(open_recording(tmp_path)), FRAMES)


def test_bad_pixels_are_kept_with_a_warning(tmp_path):
    frames = FRAMES.astype(np.float32) / 300
    frames[:, 2, 3] = np.nan
    frames[0, 0, 0] = np.inf
    tifffile.imwrite(tmp_path / "nan.tif", frames)
    recording = open_recording(tmp_path / "nan.tif")
    assert np.argwhere(np.isnan(recording.store.read(0, 1)[0])).tolist() == [[0, 0], [2, 3]]
    assert recording.warnings == ("2 pixels hold no number (NaN) in some of the frames looked at",)
    counts = FRAMES.copy()
    counts[:, 1, 1] = 65535
    tifffile.imwrite(tmp_path / "full.tif", counts)
    assert "1 pixel is saturated" in open_recording(tmp_path / "full.tif").warnings[0]


def test_one_good_frame_among_blank_ones_is_enough(tmp_path):
    frames = np.zeros((40, 4, 5), np.uint16)
    frames[13] = 7000 + np.arange(20).reshape(4, 5)
    tifffile.imwrite(tmp_path / "mostly.tif", frames)
    assert open_recording(tmp_path / "mostly.tif").frames == 40


def test_a_store_survives_pickling(tmp_path):
    import pickle

    tifffile.imwrite(tmp_path / "a.tif", FRAMES, compression="zlib")
    recording = open_recording(tmp_path / "a.tif")
    recording.store.read(0, 1)
    copy = pickle.loads(pickle.dumps(recording))
    np.testing.assert_array_equal(all_frames(copy), FRAMES)
