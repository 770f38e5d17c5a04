"""The table of recording formats, and ``open_recording``: a file, folder or glob becomes a Recording."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from thermscan.model.errors import InputError
from thermscan.model.recording import LinearStore, Mark, Recording, SliceStore
from thermscan.read.csv_grid import is_text_grid, read_csv
from thermscan.read.digest import digest_of
from thermscan.read.frame_times import NO_TIMES, settle_times
from thermscan.read.frame_unit import camera_scale, check_content, check_plausible, settle_unit, stated_unit
from thermscan.read.image_stack import is_plain_picture, is_png, is_tiff, read_png, read_tiff, refuse_picture
from thermscan.read.npy import is_npy, is_npz, read_npy, read_npz
from thermscan.read.open_options import OpenOptions, check_options, parse_frames
from thermscan.read.raw_frames import RawFrames, ReadHints
from thermscan.read.series import find_files, find_sidecar, is_glob, times_in_names
from thermscan.read.sidecar import Sidecar, open_sidecar
from thermscan.read.text_file import HEAD_BYTES, read_bytes

__all__ = ["FORMATS", "Format", "OpenOptions", "camera_scale", "open_recording", "parse_frames", "recognise"]


@dataclass(frozen=True)
class Format:
    """One form of recording: how it is told from its first bytes, and what reads it.

    ``read`` takes the files in order and the hints; ``takes_series`` is True where one file a frame is possible.
    """

    name: str
    suffixes: tuple[str, ...]
    recognises: Callable[[bytes], bool]
    read: Callable[..., RawFrames]
    about: str
    takes_series: bool = False


FORMATS = (
    Format("tiff", (".tif", ".tiff"), is_tiff, read_tiff, "TIFF, 16-bit integer or 32-bit float", takes_series=True),
    Format("png", (".png",), is_png, read_png, "16-bit grey PNG, one file a frame", takes_series=True),
    Format("npy", (".npy",), is_npy, read_npy, "numpy array (frames, rows, columns)"),
    Format("npz", (".npz",), is_npz, read_npz, "numpy archive with an array 'frames'"),
    Format("picture", (".jpg", ".bmp", ".gif"), is_plain_picture, refuse_picture, "always refused", takes_series=True),
    Format("csv", (".csv", ".txt", ".tsv"), is_text_grid, read_csv, "grid of numbers as text", takes_series=True),
)


def recognise(head: bytes, *, path: str) -> Format:
    """Return the format of a file by its first bytes; raises InputError that lists the known ones."""
    if not head.strip():
        raise InputError(path, "", "is empty", "check that it was saved")
    if not head.strip(b"\0"):
        raise InputError(path, "", "holds nothing but zero bytes", "check that it was saved")
    for form in FORMATS:
        if form.recognises(head):
            return form
    known = "; ".join(f"{f.name} ({f.about})" for f in FORMATS if f.read is not refuse_picture)
    raise InputError(path, "", "is of no known form", f"known are {known}")


def _open_raw(path: str, *, hints: ReadHints) -> tuple[RawFrames, tuple[str, ...]]:
    paths = find_files(path)
    paths, name_times, name_warning = times_in_names(paths)
    form = recognise(read_bytes(paths[0], limit=HEAD_BYTES), path=paths[0])
    if len(paths) > 1 and not form.takes_series:
        raise InputError(path, "", f"holds {len(paths)} {form.name} files", "open one of them alone")
    raw = form.read(paths, hints=hints)
    if raw.times_s is None and name_times is not None:
        raw = replace(raw, times_s=name_times, times_from="the file names")
    if name_warning:
        raw = replace(raw, warnings=(*raw.warnings, name_warning))
    return raw, paths


def _slice_of(raw: RawFrames, frames: tuple[int | None, int | None] | None, *, path: str) -> tuple[int, int]:
    count = raw.store.shape[0]
    if frames is None:
        return 0, count
    first, stop = frames[0] or 0, count if frames[1] is None else frames[1]
    if not 0 <= first < stop or stop > count:
        holds = f"the recording has {count} frame{'' if count == 1 else 's'}"
        raise InputError(path, f"frames {first}:{stop}", holds, f"give --frames A:B inside 0:{count}")
    return first, stop


def _stray_marks(marks: tuple[Mark, ...], shape: tuple[int, int, int]) -> list[str]:
    """Return a warning for each mark that lies outside the picture."""
    _, rows, columns = shape
    stray = [i for i, m in enumerate(marks) if not (-0.5 <= m.x_px < columns - 0.5 and -0.5 <= m.y_px < rows - 0.5)]
    return [f"mark {i} lies outside the picture of {columns} x {rows} pixels" for i in stray]


def _name_of(path: str) -> str:
    if is_glob(path):
        return re.split(r"[*?\[]", Path(path).name)[0].rstrip("_-. ") or Path(path).resolve().parent.name
    place = Path(path)
    return place.resolve().name if place.is_dir() else place.stem


def open_recording(path: str | Path, *, options: OpenOptions | None = None) -> Recording:
    """Open a recording: a file, a folder of frames or a glob, with the sidecar beside it.

    Frames are read when they are asked for. Temperatures come out in degrees Celsius; whole numbers for which neither
    a scale nor a profile is known stay counts. What the camera has already applied (emissivity and the like) is NOT
    undone here.

    Parameters
    ----------
    path : str or Path
    options : OpenOptions, optional
        Beats the sidecar, which beats what the file says itself; a side that the sidecar states otherwise is refused.

    Returns
    -------
    Recording

    Raises
    ------
    InputError
        One line for each kind of bad input: see the readers, the sidecar and the checks of content here.
    """
    path, options = str(path), options or OpenOptions()
    check_options(options)
    beside = options.sidecar or find_sidecar(path)
    find_files(path)  # a wrong path is told before a wrong sidecar
    sidecar = Sidecar() if beside is None else open_sidecar(beside)
    if None not in (options.side, sidecar.side) and options.side != sidecar.side:
        problem = f"says {sidecar.side}, --side says {options.side}"
        raise InputError(str(beside), "side", problem, "correct the sidecar, or leave --side out")
    raw, paths = _open_raw(path, hints=ReadHints(options.frames, stated_unit(sidecar, options)))
    first, stop = _slice_of(raw, options.frames, path=path)
    store = raw.store if (first, stop) == (0, raw.store.shape[0]) else SliceStore(raw.store, first, stop)
    sample, warnings = check_content(store, raw, options, path=path)
    warnings += _stray_marks(sidecar.facts.marks, store.shape)
    times = settle_times(raw, sidecar, options, (first, stop), path=path)
    scaled = settle_unit(raw, sidecar, sample, options, path=path)
    check_plausible(sample, scaled, options, path=path)
    is_plain = (scaled.factor, scaled.offset) == (1.0, 0.0)
    return Recording(
        name=_name_of(path),
        path=path,
        store=store if is_plain else LinearStore(store, scaled.factor, scaled.offset),
        unit=scaled.unit,
        times_s=times.values,
        times_why=NO_TIMES if times.values is None else "",
        facts=replace(sidecar.facts, side=options.side or sidecar.side or "top"),
        sha256=digest_of(paths),
        saturated_at=None if raw.highest is None else raw.highest * scaled.factor + scaled.offset,
        warnings=(*raw.warnings, *warnings, *times.warnings, *scaled.warnings),
        notes=(*raw.notes, *times.notes, *scaled.notes),
    )
