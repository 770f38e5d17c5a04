"""Every kind of bad input gets one line: file, place, what is wrong, what to do."""

import json
import zipfile

import cv2
import numpy as np
import pytest
import tifffile

from thermscan.model.errors import InputError
from thermscan.read.board_file import open_board, parse_size
from thermscan.read.formats import OpenOptions, open_recording, parse_frames
from thermscan.read.pick_place import PickPlaceOptions, open_pick_place
from thermscan.read.reading_file import open_readings

ROW = "23.1,23.2,23.3,23.4\n"
GRID = ROW * 3
FRAMES = np.random.default_rng(3).normal(7000, 20, (6, 8, 10)).astype(np.uint16)
RADIOMETRIC = "export radiometric frames: 16-bit TIFF, float TIFF or a CSV grid"
MARKS = [(0, 60, 41, 30), (90, 60, 280, 33), (90, 0, 278, 200), (0, 0, 40, 197)]


def mark_list(marks):
    return [dict(zip(("x_mm", "y_mm", "x_px", "y_px"), m, strict=True)) for m in marks]


def refusal(act):
    with pytest.raises(InputError) as caught:
        act()
    return str(caught.value)


# ruff: noqa: E501 - whole expected lines stand in one piece

# --- CSV grids: content of grid.csv, options, expected line after the path -------------------------------------------
CSV_ROWS = {
    "ragged": (GRID + "23.1,23.2,23.3\n" + ROW, {},
               ": row 4: has 3 numbers, the other rows have 4; each row of a frame needs the same number of columns"),
    "ragged first": ("23.1,23.2\n" + GRID, {},
                     ": row 1: has 2 numbers, the other rows have 4; each row of a frame needs the same number of columns"),
    "text cell": (GRID + "23.1,hot,23.3,23.4\n" + ROW, {}, ": row 4, column 2: 'hot' is not a number; remove the text"),
    "text row": (GRID + "end of part one\n" + ROW, {},
                 ": row 4, column 1: 'end of part one' is not a number; remove the text"),
    "text after blank": (GRID + "\nremark\n" + GRID, {}, ": row 5, column 1: 'remark' is not a number; remove the text"),
    "frames differ": (GRID + "\n" + ROW * 2, {},
                      ": frame 1 (from row 5): has 2 x 4 numbers, the first frame 3 x 4; all frames must have one size"),
    "no numbers": ("one\ntwo\n3rd\n", {},
                   ": holds no row of numbers; give a temperature grid: rows of numbers, one a line"),
    "one column": ("23.1\n23.2\n", {},
                   ": row 1: is a frame of 2 x 1 numbers; a frame needs two rows and two columns or more"),
    "doubtful commas": ("23,41,23,52\n" * 3, {},
                        ": '23,41,23,52' is ambiguous: it reads as 23 41 23 52 or as 23.41 23.52; "
                        "part the numbers with semicolons, or give --unit count for whole numbers"),
    "doubtful commas behind an index": ("0,23,41,23,52\n1,23,41,23,53\n2,23,42,23,53\n", {},
                ": '23,41,23,52' is ambiguous: it reads as 23 41 23 52 or as 23.41 23.52; "
                "part the numbers with semicolons, or give --unit count for whole numbers"),
    "doubtful thousands": ("23,415;23,520\n" * 3, {},
                           ": '23,415' is ambiguous: it reads as 23.415 or 23415; "
                           "give --unit celsius for the first reading or --unit count for the second"),
    "two decimal marks": ("23,41;23.52\n" * 3, {},
                          ": '23.52' has a decimal point and '23,41' a comma: the decimal mark is ambiguous; "
                          "use one decimal mark"),
    "two units": ("23.4C;74.1F\n" * 3, {}, ": mixes the units C and F; use one unit"),
    "fahrenheit": ("73.4,73.5,73.9\n" * 3, {},
                   ": the background would be 73.4 C and no unit is stated; give --unit celsius or --unit fahrenheit"),
    "kelvin": ("296.1,296.4,297.0\n" * 3, {},
               ": the background would be 296.1 C and no unit is stated; give --unit kelvin or --unit celsius"),
    "all nan": ("nan,nan\n" * 3, {},
                ": all pixels of the frame are without a number (NaN); the file holds no picture; export it again"),
    "all zero": ("0.0,0.0\n0.0,0.0\n", {},
                 ": all pixels of the frame are zero; the file holds no picture; export it again"),
    "all the same": ("23.1,23.1\n23.1,23.1\n\n23.1,23.1\n23.1,23.1\n", {},
                     ": all pixels of all 2 frames are the same number 23.1; the file holds no picture; export it again"),
    "absurd": ("23.1,23.2\n23.1,23.3\n", {"scale_k_per_count": 0.01, "offset_k": 0.0},
               ": half the pixels would be below -273 C; check unit, scale_k_per_count and offset_k"),
    "slice": (GRID, {"frames": (0, 3)},
              ": frames 0:3: the recording has 1 frame; give --frames A:B inside 0:1"),
    "empty": ("", {}, ": is empty; check that it was saved"),
    "blanks": (" \n\n", {}, ": is empty; check that it was saved"),
    "zero bytes": ("\0" * 200, {}, ": holds nothing but zero bytes; check that it was saved"),
    "unknown unit": (GRID, {"unit": "centigrade"}, None),
}  # fmt: skip


@pytest.mark.parametrize("name", CSV_ROWS)
def test_csv(tmp_path, name):
    content, options, expected = CSV_ROWS[name]
    path = tmp_path / "grid.csv"
    path.write_text(content)
    line = refusal(lambda: open_recording(path, options=OpenOptions(**options)))
    assert "\n" not in line
    if name == "unknown unit":
        assert line == "--unit: 'centigrade' is not one of count, celsius, kelvin, fahrenheit"
    else:
        assert line == f"{path}{expected}"


# --- binary recordings ----------------------------------------------------------------------------------------------
def write_frames(path, frames, **how):
    tifffile.imwrite(path, frames, photometric=how.pop("photometric", "minisblack"), **how)


def cut(path, share):
    content = path.read_bytes()
    path.write_bytes(content[: int(len(content) * share)])


def make_cut_tiff(path):
    write_frames(path, FRAMES, compression="zlib")
    cut(path, 0.7)


def make_cut_plain_tiff(path):
    write_frames(path, FRAMES)
    path.write_bytes(path.read_bytes()[: 256 + 3 * 160 + 20])


def make_cut_npy(path):
    np.save(path, FRAMES)
    cut(path, 0.6)


def make_cut_png(path):
    cv2.imwrite(str(path), FRAMES[0])
    cut(path, 0.8)


def make_sizes(path):
    with tifffile.TiffWriter(path) as writer:
        writer.write(FRAMES[0])
        writer.write(FRAMES[1, :5])


BINARY = {
    "colour.tif": (lambda p: write_frames(p, np.zeros((4, 5, 3), np.uint16), photometric="rgb"),
                   f": is a colour picture and carries no temperatures; {RADIOMETRIC}"),
    "eight.tif": (lambda p: write_frames(p, np.arange(40, dtype=np.uint8).reshape(2, 4, 5)),
                  f": is an 8-bit picture and carries no temperatures; {RADIOMETRIC}"),
    "photo.jpg": (lambda p: p.write_bytes(b"\xff\xd8\xff\xe0" + b"\1" * 50),
                  f": is an 8-bit picture and carries no temperatures; {RADIOMETRIC}"),
    "cut.tif": (make_cut_tiff,
                ": frame 4: the file is cut short: 4 frames are whole; use --frames 0:4 for the whole ones"),
    "cut_plain.tif": (make_cut_plain_tiff,
                      ": frame 3: the file is cut short: 3 of 6 frames are whole; use --frames 0:3 for the whole ones"),
    "header.tif": (lambda p: p.write_bytes(b"II*\0\x08\0"),
                   ": frame 0: the file is cut short: no frame is whole; copy it again"),
    "sizes.tif": (make_sizes, ": frame 1: is 10 x 5 pixels, frame 0 is 10 x 8; all frames must have one size"),
    "zero.tif": (lambda p: write_frames(p, FRAMES * 0),
                 ": all pixels of all 6 frames are zero; the file holds no picture; export it again"),
    "full.tif": (lambda p: write_frames(p, FRAMES * 0 + 65535),
                 ": all pixels of all 6 frames are saturated at 65535; the file holds no picture; export it again"),
    "nan.tif": (lambda p: write_frames(p, np.full((2, 4, 5), np.nan, np.float32)),
                ": all pixels of all 2 frames are without a number (NaN); the file holds no picture; export it again"),
    "cut.npy": (make_cut_npy,
                ": frame 3: the file is cut short: 3 of 6 frames are whole; use --frames 0:3 for the whole ones"),
    "four.npy": (lambda p: np.save(p, np.zeros((2, 3, 4, 5))),
                 ": has shape (2, 3, 4, 5); save an array of shape (frames, rows, columns)"),
    "eight.npy": (lambda p: np.save(p, np.zeros((2, 3, 4), np.uint8)),
                  ": is an 8-bit picture and carries no temperatures; export 16-bit or float values"),
    "text.npy": (lambda p: np.save(p, np.array(["a", "b"])), ": holds <U1 values, not numbers; save integers or floats"),
    "objects.npy": (lambda p: np.save(p, np.array([{}, None]), allow_pickle=True),
                    ": holds Python objects, not numbers; save integers or floats"),
    "broken.npy": (lambda p: p.write_bytes(b"\x93NUMPY\1\0\x10\0{'descr'"),
                   ": has a broken .npy header; save the array again"),
    "broken.npz": (lambda p: p.write_bytes(b"PK\x03\x04" + b"\1" * 60),
                   ": is not a whole .npz file of plain arrays; save the arrays again"),
    "sheet.npz": (lambda p: zipfile.ZipFile(p, "w").writestr("sheet.xml", "<a/>"),
                  ": is a zip archive without arrays; save a spreadsheet as CSV, arrays as .npz"),
    "eight.png": (lambda p: cv2.imwrite(str(p), FRAMES[0].astype(np.uint8)),
                  f": is an 8-bit picture and carries no temperatures; {RADIOMETRIC}"),
    "colour.png": (lambda p: cv2.imwrite(str(p), np.zeros((4, 5, 3), np.uint16)),
                   f": is a colour picture and carries no temperatures; {RADIOMETRIC}"),
    "cut.png": (make_cut_png, ": is cut short; copy it again or leave it out"),
    "many.npz": (lambda p: np.savez(p, a=FRAMES, b=FRAMES),
                 ": holds a (6, 8, 10), b (6, 8, 10); save one array 'frames' of shape (frames, rows, columns)"),
    "strange.bin": (lambda p: p.write_bytes(b"\x07\0\1\2\3\4abc"),
                    ": is of no known form; known are tiff (TIFF, 16-bit integer or 32-bit float); "
                    "png (16-bit grey PNG, one file a frame); npy (numpy array (frames, rows, columns)); "
                    "npz (numpy archive with an array 'frames'); csv (grid of numbers as text)"),
    "absent.tif": (lambda p: None, ": cannot be read: no such file or directory; check the path"),
}  # fmt: skip


@pytest.mark.parametrize("name", BINARY)
def test_binary(tmp_path, name):
    make, expected = BINARY[name]
    path = tmp_path / name
    make(path)
    assert refusal(lambda: open_recording(path)) == f"{path}{expected}"


@pytest.mark.parametrize(("name", "whole"), [("cut.tif", 4), ("cut_plain.tif", 3), ("cut.npy", 3)])
def test_the_frames_option_of_the_refusal_works(tmp_path, name, whole):
    path = tmp_path / name
    BINARY[name][0](path)
    path.with_suffix(".json").write_text(json.dumps({"timestamps_s": [0.5 * i for i in range(len(FRAMES))]}))
    recording = open_recording(path, options=OpenOptions(frames=(1, whole)))
    np.testing.assert_array_equal(recording.store.read(0, recording.frames), FRAMES[1:whole])
    np.testing.assert_allclose(recording.times_s, 0.5 * np.arange(1, whole))
    assert "the file is cut short" in recording.warnings[0]
    assert "is cut short" in refusal(lambda: open_recording(path, options=OpenOptions(frames=(0, whole + 1))))


# --- folders and globs ----------------------------------------------------------------------------------------------
def test_folders(tmp_path):
    path = tmp_path / "run"
    path.mkdir()
    assert refusal(lambda: open_recording(path)) == (
        f"{path}: the folder holds no frame files; give a folder of PNG, TIFF or CSV frames"
    )
    for i in range(2):
        (path / f"f{i}.csv").write_text(GRID)
        tifffile.imwrite(path / f"f{i}.tif", FRAMES[i])
    assert refusal(lambda: open_recording(path)) == (
        f"{path}: holds files of several kinds: 2 .csv, 2 .tiff; give a glob of one kind, such as 'DIR/*.png'"
    )
    assert refusal(lambda: open_recording(path / "g*.csv")) == (
        f"{path / 'g*.csv'}: matches no file; check the pattern; put it in quotes"
    )
    tifffile.imwrite(path / "f1.tif", FRAMES[1, :4])
    assert refusal(lambda: open_recording(path / "*.tif")) == (
        f"{path / 'f1.tif'}: is 10 x 4 pixels, the first file 10 x 8; all frames must have one size"
    )
    (path / "f1.csv").write_text(GRID + "\n" + GRID)
    assert refusal(lambda: open_recording(path / "*.csv")) == (
        f"{path / 'f1.csv'}: holds 2 frames, a series has one a file; open this file alone"
    )


# --- sidecars -------------------------------------------------------------------------------------------------------
SIDECARS = {
    "unknown key": ({"timestamp_s": [0]}, ": unknown key 'timestamp_s'; nearest is timestamps_s"),
    "count of times": ({"timestamps_s": [0, 1]},
                       ": timestamps_s: 2 times for 6 frames; give one time for each frame"),
    "times": ({"timestamps_s": [0, 1, 1, 2, 3, 4]},
              ": timestamps_s, entry 2: 1 does not come after 1; times must increase strictly"),
    "time text": ({"timestamps_s": [0, "1"]}, ": timestamps_s, entry 1: '1' is not a finite number; give a plain number"),
    "times list": ({"timestamps_s": 3}, ": timestamps_s: 3 is not a list; give a list of seconds"),
    "rate": ({"frame_rate_hz": 0}, ": frame_rate_hz: 0 is outside 1e-05 to 100000 Hz; check the value and its unit"),
    "unit": ({"unit": "celcius"},
             ": unit: 'celcius' is not one of count, celsius, kelvin, fahrenheit; nearest is celsius"),
    "scale alone": ({"scale_k_per_count": 0.02},
                    ": scale_k_per_count: is given without offset_k; kelvin are offset_k + scale_k_per_count x count"),
    "scale": ({"scale_k_per_count": 200, "offset_k": 0},
              ": scale_k_per_count: 200 is outside 1e-06 to 10 K per count; check the value and its unit"),
    "emissivity": ({"emissivity": 0}, ": emissivity: 0 is outside 0.01 to 1; check the value and its unit"),
    "emissivity 95": ({"emissivity": 95}, ": emissivity: 95 is outside 0.01 to 1; check the value and its unit"),
    "side": ({"side": "back"}, ": side: 'back' is not one of top, bottom"),
    "supply order": ({"supply": [{"time_s": 1, "volts": 12, "amps": 0}, {"time_s": 0.5, "volts": 12, "amps": 0}]},
                     ": supply, entry 1: 0.5 does not come after 1; times must increase strictly"),
    "supply key": ({"supply": [{"time_s": 1, "volt": 12, "amps": 0}]},
                   ": supply, entry 0: unknown key 'volt'; nearest is volts"),
    "supply lacks": ({"supply": [{"time_s": 1, "volts": 12}]},
                     ": supply, entry 0: has no amps; give time_s, volts, amps"),
    "drive": ({"drive": {"mode": "pulse"}}, ": drive, mode: 'pulse' is not one of board, injection, periodic"),
    "drive duty": ({"drive": {"mode": "periodic", "frequency_hz": 1, "duty": 2}},
                   ": drive, duty: 2 is outside 1e-09 to 1; check the value and its unit"),
    "drive frequency": ({"drive": {"mode": "periodic"}},
                        ": drive: mode is periodic and frequency_hz is missing; give frequency_hz"),
    "three marks": ({"marks": mark_list(MARKS[:3])},
                    ": marks: 3 given, four or more are needed; click at least four places"),
    "marks on a line": ({"marks": mark_list([(i, 2 * i, 5 * i, 7 * i * i) for i in range(4)])},
                        ": marks: all 4 lie on one line in mm; click the board's corners"),
    "mark key": ({"marks": [{"x": 1}]}, ": marks, entry 0: unknown key 'x'; known keys are x_mm, y_mm, x_px, y_px"),
    "board": ({"outline_mm": []}, ": is a board file and stands where the sidecar belongs; give it another name"),
}  # fmt: skip


@pytest.mark.parametrize("name", SIDECARS)
def test_sidecar(tmp_path, name):
    content, expected = SIDECARS[name]
    write_frames(tmp_path / "faulty.tif", FRAMES)
    path = tmp_path / "faulty.json"
    path.write_text(json.dumps(content))
    assert refusal(lambda: open_recording(tmp_path / "faulty.tif")) == f"{path}{expected}"


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        ('{"side": "top",}', ": row 1, column 16: is not JSON: "),
        ('{"offset_k": NaN}', ": holds NaN, which is not JSON; write null for what is not known"),
        ('{"side": "top", "side": "top"}', ": key 'side' stands twice in one object; keep one of them"),
        ("[1, 2]", ": holds a list, not an object; start it with {"),
        ("", ": is empty; check that it was saved"),
    ],
)
def test_json(tmp_path, content, expected):
    write_frames(tmp_path / "faulty.tif", FRAMES)
    path = tmp_path / "faulty.json"
    path.write_text(content)
    assert refusal(lambda: open_recording(tmp_path / "faulty.tif")).startswith(f"{path}{expected}")


# --- boards ---------------------------------------------------------------------------------------------------------
SQUARE = [[0, 0], [90, 0], [90, 60], [0, 60]]
PART = {"ref": "C14", "x": 40, "y": 20, "w": 1.6, "h": 0.8}
BOARDS = {
    "no outline": ({"parts": []}, ": has no outline_mm; give the corners as a list of [x, y] in mm"),
    "key": ({"outline": SQUARE}, ": unknown key 'outline'; nearest is outline_mm"),
    "crossing": ({"outline_mm": [[0, 0], [90, 60], [90, 0], [0, 60]]},
                 ": outline_mm: the outline crosses itself; list the corners in order, each once"),
    "corner": ({"outline_mm": [[0, 0], [90, 0, 1], [90, 60]]},
               ": outline_mm, corner 1: has 3 numbers; give [x, y] in mm"),
    "twice": ({"outline_mm": SQUARE, "parts": [PART, PART]},
              ": part C14: this refdes stands twice; give each part its own refdes"),
    "part key": ({"outline_mm": SQUARE, "parts": [{**PART, "height": 1}]},
                 ": part C14: unknown key 'height'; nearest is height_mm"),
    "part size": ({"outline_mm": SQUARE, "parts": [{"ref": "U1", "x": 1, "y": 1, "w": 3}]},
                  ": part U1: has no h; give h in mm"),
    "part width": ({"outline_mm": SQUARE, "parts": [{**PART, "w": -1}]},
                   ": part C14, w: -1 is outside 0.01 to 2000 mm; check the value and its unit"),
    "off board": ({"outline_mm": SQUARE, "parts": [{**PART, "x": 400}]},
                  ": part C14: its body does not touch the board outline; "
                  "check x and y: millimetres, same origin as the outline, seen from the top"),
    "no ref": ({"outline_mm": SQUARE, "parts": [{"x": 1}]}, ": parts, entry 0: has no ref; give the refdes, such as C14"),
    "side": ({"outline_mm": SQUARE, "parts": [{**PART, "side": "bot"}]},
             ": part C14, side: 'bot' is not one of top, bottom; nearest is bottom"),
    "fitted": ({"outline_mm": SQUARE, "parts": [{**PART, "fitted": "no"}]},
               ": part C14, fitted: 'no' is neither true nor false; give true or false"),
    "cover": ({"outline_mm": SQUARE, "parts": [PART, {**PART, "ref": "U8", "covered_by": "U9"}]},
              ": part U8: covered_by names 'U9', which is no part of this board; nearest is U8"),
    "rail key": ({"outline_mm": SQUARE, "rails": [{"net": "+5V", "voltage": 5}]},
                 ": rail +5V: unknown key 'voltage'; nearest is volts"),
    "rail twice": ({"outline_mm": SQUARE, "rails": [{"net": "+5V"}, {"net": "+5V"}]},
                   ": rail +5V: this net stands twice; give each rail once"),
    "hole": ({"outline_mm": SQUARE, "holes_mm": [{"x": 1, "y": 2}]}, ": holes_mm, entry 0: has no d; give d in mm"),
}  # fmt: skip


@pytest.mark.parametrize("name", BOARDS)
def test_board(tmp_path, name):
    content, expected = BOARDS[name]
    path = tmp_path / "board.json"
    path.write_text(json.dumps(content))
    assert refusal(lambda: open_board(path)) == f"{path}{expected}"


# --- readings -------------------------------------------------------------------------------------------------------
HEAD = "where,net,quantity,value,unit,power\n"
DISCHARGE = "switch the board off, unplug it and let its capacitors discharge, then measure again"
READINGS = {
    "power on": (HEAD + "C14,+3V3,resistance_to_ground,12,ohm,on\n",
                 f": row 2: a resistance_to_ground with power on means nothing and can harm the meter; {DISCHARGE}"),
    "diode on": (HEAD + "C14,+3V3,diode_drop,0.4,V,standby\n",
                 f": row 2: a diode_drop with power standby means nothing and can harm the meter; {DISCHARGE}"),
    "unit": (HEAD + "C1,+5V,voltage,5,ohm,on\n", ": row 2, value: 'ohm' is no unit of voltage; give V or mV"),
    "no unit": (HEAD + "C1,+5V,current,5,kg,on\n", ": row 2, value: 'kg' is no unit of current; give A, mA or uA"),
    "value unit": (HEAD + "C1,+5V,voltage,5A,,on\n", ": row 2, value: '5A' is no voltage; give V or mV"),
    "unit twice": (HEAD + "C1,+5V,resistance_to_ground,4k7,kohm,off\n", None),
    "differ": (HEAD + "C1,+5V,voltage,12mV,kV,on\n",
               ": row 2, value: '12mV' and unit 'kV' differ; give the unit once"),
    "text": (HEAD + "C1,+5V,voltage,high,V,on\n",
             ": row 2, value: 'high' is not a meter reading; give it as the meter shows it, such as 3.31, 4k7, 0R3 or OL"),
    "over range": (HEAD + "C1,+5V,voltage,OL,V,on\n",
                   ": row 2, value: 'OL' is over the range of a voltage; choose a higher range"),
    "negative": (HEAD + "C1,+5V,resistance_to_ground,-12,ohm,off\n",
                 f": row 2, value: a resistance of -12 ohm means that charge is left on the net; {DISCHARGE}"),
    "large": (HEAD + "C1,+5V,diode_drop,543,,off\n",
              ": row 2, value: a diode_drop of 543 V is more than a meter shows; check the unit: V or mV"),
    "quantity": (HEAD + "C1,+5V,volts,5,V,on\n",
                 ": row 2, quantity: 'volts' is not one of voltage, resistance_to_ground, diode_drop, current, "
                 "inrush_current, run_time, retry_period; nearest is voltage"),
    "power": (HEAD + "C1,+5V,voltage,5,V,maybe\n", ": row 2, power: 'maybe' is not one of off, on, standby"),
    "nowhere": (HEAD + ",,voltage,5,V,on\n",
                ": row 2: has neither where nor net; name the part or the net that was measured"),
    "column": ("where,nett,quantity,value\n", ": row 1: unknown column 'nett'; nearest are net and unit"),
    "no value": ("where,net,quantity\n",
                 ": row 1: no column 'value'; columns are time,where,net,quantity,value,unit,good_value,power,note"),
    "comma": (HEAD + "C1,+5V,voltage,4,7,V,on\n",
              ": row 2: has 7 cells for 6 columns; put a value with a decimal comma in quotes, "
              "or part the columns with semicolons"),
}  # fmt: skip


@pytest.mark.parametrize("name", READINGS)
def test_readings(tmp_path, name):
    content, expected = READINGS[name]
    path = tmp_path / "readings.csv"
    path.write_text(content)
    if expected is None:
        assert open_readings(path)[0].value == 4700.0
    else:
        assert refusal(lambda: open_readings(path)) == f"{path}{expected}"


# --- pick-and-place -------------------------------------------------------------------------------------------------
TABLE = "Designator,Mid X (mm),Mid Y (mm),Rotation,Layer\n"
PICK_PLACE = {
    "heading": ("a,b,c\n1,2,3\n", {},
                ": has no heading with a designator, x and y; "
                "the heading needs columns such as Designator, Mid X, Mid Y, Rotation, Layer"),
    "number": (TABLE + "C1,left,2,0,top\n", {},
               ": row 2, column 2: 'left' is not a length; give a number, with mm, mil or inch behind it"),
    "angle": (TABLE + "C1,1,2,up,top\n", {}, ": row 2, rotation: 'up' is not an angle; give degrees"),
    "side": (TABLE + "C1,1,2,0,inner\n", {}, ": row 2, side: 'inner' is not a side; give top or bottom"),
    "twice": (TABLE + "C1,1,2,0,top\nC1,1,2,0,top\n", {},
              ": row 3: C1 stands in row 2 already; give each part its own refdes"),
    "short": (TABLE + "C1,1\n", {}, ": row 2: has only 2 cells; check separators and quotes"),
    "none": (TABLE, {}, ": holds no parts; check that the table was saved whole"),
    "bottom x": (TABLE + "C1,1,2,0,bottom\n", {},
                 ": part C1: it is on the underside and it is not known how x runs there; "
                 "give --bottom-x mirrored or --bottom-x as-is"),
    "bottom rotation": (TABLE + "C1,1,2,30,bottom\n", {"bottom_x": "as-is"},
                        ": part C1: its rotation of 30 degrees is on the underside; "
                        "give --bottom-rotation top or bottom: the side from which it is anticlockwise"),
    "unit": ("Ref,X,Y\nC1,0,0\nC2,9,12\nC3,1,1\n", {},
             None),
    "mixed": ("Ref,X,Y\nC1,0mm,0mm\nC2,900mil,12mm\n", {}, ": mixes the units mil and mm; use one unit"),
    "other unit": (TABLE + "C1,1,2,0,top\n", {"unit": "mil"},
                   ": says mm and --unit says mil; leave --unit out"),
}  # fmt: skip


@pytest.mark.parametrize("name", PICK_PLACE)
def test_pick_place(tmp_path, name):
    content, options, expected = PICK_PLACE[name]
    path = tmp_path / "parts.csv"
    path.write_text(content)
    expected = expected or (
        ": names no unit: the parts would span 15 mm in mm or 381 mm in inch; give --unit mm, mil or inch"
    )
    assert refusal(lambda: open_pick_place(path, options=PickPlaceOptions(**options))) == f"{path}{expected}"


@pytest.mark.parametrize(
    ("act", "expected"),
    [
        (lambda: parse_size("90"), "--size: '90' is not a size; give width x height in mm, such as 90x60"),
        (lambda: parse_size("0.2x60"), "--size: 0.2 is outside 1 to 2000 mm; check the value and its unit"),
        (lambda: parse_frames("7"), "--frames: '7' is not a range; give A:B, frames A to B-1 counted from 0"),
        (lambda: parse_frames("7:7"), "--frames: '7:7' holds no frame; the second number must be larger"),
    ],
)
def test_options(act, expected):
    assert refusal(act) == expected
