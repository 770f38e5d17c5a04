"""Whatever the bytes, a file is read or refused in one line; nothing else is raised."""

import io
import json

import cv2
import numpy as np
import pytest
import tifffile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from thermscan.model.errors import InputError
from thermscan.read.baseline_file import open_baseline
from thermscan.read.board_file import open_board
from thermscan.read.formats import open_recording
from thermscan.read.pick_place import open_pick_place
from thermscan.read.reading_file import open_readings

FRAMES = np.random.default_rng(5).normal(7000, 20, (4, 6, 9)).astype(np.uint16)


def tiff(**how):
    buffer = io.BytesIO()
    tifffile.imwrite(buffer, FRAMES, photometric="minisblack", **how)
    return buffer.getvalue()


def saved(write):
    buffer = io.BytesIO()
    write(buffer)
    return buffer.getvalue()


GRID = "temperature\n" + "\n".join("\n".join(";".join(f"{v / 300:.2f}" for v in r) for r in f) + "\n" for f in FRAMES)
READINGS = "where,net,quantity,value,unit,power\nC1,+3V3,voltage,3V3,,on\nC1,+3V3,resistance_to_ground,4k7,ohm,off\n"
PARTS = "Designator,Footprint,Mid X,Mid Y,Rotation,Layer\nC1,0603,1mm,2mm,90,top\nU1,LQFP-48_7x7mm,11mm,12mm,30,top\n"
PART = {"ref": "C1", "x": 1, "y": 1, "w": 1, "h": 1, "nets": ["a"]}
BOARD = {"outline_mm": [[0, 0], [90, 0], [90, 60]], "parts": [PART]}
FILES = {
    "plain.tif": (tiff(), open_recording),
    "deflate.tif": (tiff(compression="zlib"), open_recording),
    "big.tif": (tiff(bigtiff=True, byteorder=">"), open_recording),
    "a.npy": (saved(lambda b: np.save(b, FRAMES)), open_recording),
    "a.npz": (saved(lambda b: np.savez_compressed(b, frames=FRAMES)), open_recording),
    "baseline.npz": (saved(lambda b: np.savez(b, format_version=1, mean=FRAMES, side="top")), open_baseline),
    "a.png": (cv2.imencode(".png", FRAMES[0])[1].tobytes(), open_recording),
    "a.csv": (GRID.encode(), open_recording),
    "wide.csv": (GRID.replace(".", ",").encode("utf-16"), open_recording),
    "readings.csv": (READINGS.encode(), open_readings),
    "parts.csv": (PARTS.encode(), open_pick_place),
    "board.json": (json.dumps(BOARD).encode(), open_board),
}


def open_and_read(act, path):
    try:
        opened = act(path)
        chunks = [chunk for _, chunk in opened.chunks()] if act is open_recording else []
    except InputError as error:
        line = str(error)
    else:
        line = str(path)
        assert all(chunk.dtype == np.float32 for chunk in chunks)
    assert "\n" not in line
    assert str(path) in line


@pytest.mark.parametrize("name", FILES)
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(place=st.floats(0, 1), drop=st.integers(0, 40), insert=st.binary(max_size=6), cut=st.booleans())
def test_mutated_files(tmp_path, name, place, drop, insert, cut):
    content, act = FILES[name]
    at = int(place * len(content))
    mutated = content[:at] + insert + (b"" if cut else content[at + drop :])
    path = tmp_path / name
    path.write_bytes(mutated)
    open_and_read(act, path)


STRANGE = [None, True, -1, 0, 1e300, 10**400, "", "x", [], {}, [None], [[1]], {"a": 1}, "top", 0.5]
MARKS = [(0, 6, 1, 1), (9, 6, 8, 1), (9, 0, 8, 5), (0, 0, 1, 5)]
SIDECAR = {
    "timestamps_s": [0, 1, 2, 3],
    "frame_rate_hz": 1,
    "unit": "count",
    "scale_k_per_count": 0.02,
    "offset_k": 200.0,
    "emissivity": 0.95,
    "side": "top",
    "supply": [{"time_s": 1.9, "volts": 12.0, "amps": 0.41}],
    "drive": {"mode": "board", "net": None, "duty": 0.5},
    "marks": [dict(zip(("x_mm", "y_mm", "x_px", "y_px"), m, strict=True)) for m in MARKS],
    "camera": "x",
}


def spots(value, path=()):
    """Yield the path of each value inside a nest of objects and lists; of a list only the first entry."""
    yield path
    first = enumerate(value[:1]) if isinstance(value, list) else ()
    for key, inner in value.items() if isinstance(value, dict) else first:
        yield from spots(inner, (*path, key))


def with_change(value, path, new):
    if not path:
        return new
    copy = value.copy()
    copy[path[0]] = with_change(copy[path[0]], path[1:], new)
    return copy


@pytest.mark.parametrize(("base", "name"), [(SIDECAR, "a.json"), (BOARD, "board.json")])
def test_strange_values_in_json(tmp_path, base, name):
    (tmp_path / "a.tif").write_bytes(tiff())
    path = tmp_path / name
    for spot in spots(base):
        for strange in STRANGE:
            path.write_text(json.dumps(with_change(base, spot, strange)))
            line = str(path)
            try:
                open_recording(tmp_path / "a.tif") if name == "a.json" else open_board(path)
            except InputError as error:
                line = str(error)
            assert "\n" not in line
            assert str(tmp_path) in line
