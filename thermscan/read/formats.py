"""The table of recording formats, and ``open_recording``: a file, folder or glob becomes a Recording."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from thermscan.model.board import SIDES
from thermscan.model.errors import InputError, check_choice, check_number
from thermscan.model.recording import UNITS, FrameStore, LinearStore, Recording, SliceStore
from thermscan.model.settings import ReadSettings
from thermscan.read.csv_grid import is_text_grid, read_csv
from thermscan.read.image_stack import is_plain_picture, is_png, is_tiff, read_png, read_tiff, refuse_picture
from thermscan.read.npy import is_npy, is_npz, read_npy, read_npz
from thermscan.read.raw_frames import RawFrames, ReadHints
from thermscan.read.series import find_files, find_sidecar, is_glob, times_in_names
from thermscan.read.sidecar import OFFSET_LIMITS, RATE_LIMITS, SCALE_LIMITS, Sidecar, check_times, open_sidecar
from thermscan.read.text_file import HEAD_BYTES, check_object, read_bytes, read_json, reason_of
from thermscan.read.times_file import open_times

ZERO_CELSIUS_K = 273.15  # exact, definition of the Celsius scale (SI brochure)
# value x factor + offset in degrees Celsius (NIST SP 811, appendix B: t/C = (t/F - 32)/1.8)
TO_CELSIUS = {"celsius": (1.0, 0.0), "kelvin": (1.0, -ZERO_CELSIUS_K), "fahrenheit": (1 / 1.8, -32 / 1.8)}
NO_TIMES = "no frame times are known; give --frame-rate HZ or --times FILE"


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


@dataclass(frozen=True)
class OpenOptions:
    """What the user says about a recording; None leaves it to the sidecar or the file.

    ``frames`` is the range A:B (B not included), ``times`` a file of frame times, ``camera`` the path of a camera
    profile, ``profile_folders`` where a profile named by the sidecar is looked for, ``sidecar`` the path of a sidecar
    that does not stand beside the recording.
    """

    frames: tuple[int | None, int | None] | None = None
    frame_rate_hz: float | None = None
    times: str | None = None
    unit: str | None = None
    scale_k_per_count: float | None = None
    offset_k: float | None = None
    side: str | None = None
    camera: str | None = None
    profile_folders: tuple[str, ...] = ()
    sidecar: str | None = None
    limits: ReadSettings = field(default_factory=ReadSettings)


def parse_frames(text: str) -> tuple[int | None, int | None]:
    """Return (first, stop) of a range ``A:B``; either may be left out. Raises InputError."""
    found = re.fullmatch(r"\s*(\d*)\s*:\s*(\d*)\s*", text)
    if found is None:
        raise InputError("--frames", "", f"{text!r} is not a range", "give A:B, frames A to B-1 counted from 0")
    first, stop = (int(piece) if piece else None for piece in found.groups())
    if stop is not None and stop <= (first or 0):
        raise InputError("--frames", "", f"{text!r} holds no frame", "the second number must be larger")
    return first, stop


def recognise(head: bytes, *, path: str) -> Format:
    """Return the format of a file by its first bytes; raises InputError that lists the known ones."""
    if not head.strip(b"\0 \r\n\t"):
        raise InputError(
            path, "", "is empty" if not head else "holds nothing but zero bytes", "check that it was saved"
        )
    for form in FORMATS:
        if form.recognises(head):
            return form
    known = "; ".join(f"{f.name} ({f.about})" for f in FORMATS if f.read is not refuse_picture)
    raise InputError(path, "", "is of no known form", f"known are {known}")


def camera_scale(profile: Mapping[str, Any], *, path: str = "") -> tuple[float, float] | None:
    """Return (scale in K per count, offset in K) of a camera profile, None where its response is not a straight line.

    The profile may hold an object ``scale`` with ``scale_k_per_count`` and ``offset_k``.
    """
    scale = profile.get("scale")
    if not isinstance(scale, Mapping) or scale.get("scale_k_per_count") is None or scale.get("offset_k") is None:
        return None
    place = "scale, "
    return (
        check_number(scale["scale_k_per_count"], SCALE_LIMITS, path=path, place=place + "scale_k_per_count"),
        check_number(scale["offset_k"], OFFSET_LIMITS, path=path, place=place + "offset_k"),
    )


def _sha256_of(paths: tuple[str, ...]) -> str:
    digests = []
    for path in paths:
        try:
            with open(path, "rb") as file:
                digests.append(hashlib.file_digest(file, "sha256").hexdigest())
        except OSError as error:
            raise InputError(path, "", f"cannot be read: {reason_of(error)}", "check the path") from None
    if len(digests) == 1:
        return digests[0]
    return hashlib.sha256("".join(sorted(digests)).encode()).hexdigest()


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


@dataclass(frozen=True)
class _Times:
    values: np.ndarray | None
    warnings: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


def _fit_count(times: np.ndarray, raw: RawFrames, span: tuple[int, int], *, path: str, place: str) -> np.ndarray:
    """Return the times of the frames in ``span``; they may be given for all frames or for just these."""
    count = raw.store.shape[0]
    if len(times) == count or (raw.is_cut_short and len(times) >= span[1] and raw.announced in (None, len(times))):
        return times[span[0] : span[1]]
    if len(times) == span[1] - span[0]:
        return times
    frames = f"{count} frame{'' if count == 1 else 's'}"
    raise InputError(path, place, f"{len(times)} times for {frames}", "give one time for each frame")


def _rate_warning(times: np.ndarray, rate_hz: float, limit: float) -> tuple[str, ...]:
    if len(times) < 2:
        return ()
    found = 1.0 / float(np.median(np.diff(times)))
    if abs(found - rate_hz) <= limit * rate_hz:
        return ()
    return (f"the times say {found:.4g} frames/s and the frame rate {rate_hz:.4g}; the times are used",)


def _settle_times(
    raw: RawFrames, sidecar: Sidecar, options: OpenOptions, span: tuple[int, int], *, path: str
) -> _Times:
    """Return the clock of the frames in ``span``: times beat a frame rate, a frame rate beats times in names."""
    rate = options.frame_rate_hz if options.frame_rate_hz is not None else sidecar.frame_rate_hz
    times, notes = None, ()
    if options.times is not None:
        all_times = check_times(open_times(options.times), path=options.times, place="times")
        times = _fit_count(all_times, raw, span, path=options.times, place="")
    elif sidecar.timestamps_s is not None:
        times = _fit_count(sidecar.timestamps_s, raw, span, path=sidecar.path, place="timestamps_s")
    elif raw.times_s is not None and (rate is None or raw.times_from != "the file names"):
        checked = check_times(raw.times_s, path=path, place=raw.times_from)
        times = _fit_count(checked, raw, span, path=path, place=raw.times_from)
        notes = (f"frame times are taken from {raw.times_from}",)
    if times is not None:
        return _Times(
            times, () if rate is None else _rate_warning(times, rate, options.limits.rate_disagreement), notes
        )
    if rate is None:
        return _Times(None)
    times = np.arange(*span) / rate
    warnings = ()
    if raw.times_s is not None and len(raw.times_s) == raw.store.shape[0]:
        warnings = tuple(
            w.replace("the times are used", "the frame rate is used")
            for w in _rate_warning(raw.times_s, rate, options.limits.rate_disagreement)
        )
    return _Times(times, warnings)


def _sample_of(store: FrameStore, count: int) -> np.ndarray:
    picks = np.unique(np.linspace(0, store.shape[0] - 1, count).round().astype(int))
    return np.concatenate([store.read(i, i + 1) for i in picks])


def _is_dull(frames: np.ndarray, highest: float | None) -> str:
    """Return what makes a run of frames unusable as a whole, or an empty string."""
    finite = frames[np.isfinite(frames)]
    if not finite.size:
        return "without a number (NaN)"
    if not finite.any():
        return "zero"
    if highest is not None and (finite >= highest).all():
        return f"saturated at {highest:.0f}"
    if finite.min() == finite.max():
        return f"the same number {finite[0]:g}"
    return ""


def _check_content(
    store: FrameStore, raw: RawFrames, options: OpenOptions, *, path: str
) -> tuple[np.ndarray, list[str]]:
    """Return some frames and warnings about bad pixels in them; refuse a recording without any picture."""
    sample = _sample_of(store, int(options.limits.frames_looked_at))
    problem = _is_dull(sample, raw.highest)
    if problem:
        step = max(1, 4_000_000 // (store.shape[1] * store.shape[2]))
        runs = range(0, store.shape[0], step)
        others = {_is_dull(store.read(i, i + step), raw.highest) for i in runs}
        if others == {problem} or "" not in others:
            count = store.shape[0]
            which = "all pixels of the frame are" if count == 1 else f"all pixels of all {count} frames are"
            raise InputError(path, "", f"{which} {problem}", "the file holds no picture; export it again")
    warnings = []
    missing = int((~np.isfinite(sample)).any(axis=0).sum())
    if missing:
        warnings.append(f"{missing} pixels hold no number in some of the frames looked at and are left out there")
    if raw.highest is not None:
        full = int((sample >= raw.highest).any(axis=0).sum())
        if full:
            warnings.append(
                f"{full} pixels are saturated in some of the frames looked at; heat there is only a lower bound"
            )
    return sample, warnings


def _background(sample: np.ndarray, share: float) -> float:
    """Return the background: the given quantile of the coolest of some frames."""
    levels = [float(np.quantile(f[np.isfinite(f)], share)) for f in sample if np.isfinite(f).any()]
    return min(levels)


def _guess_unit(raw: RawFrames, sample: np.ndarray, options: OpenOptions, *, path: str) -> tuple[str, list[str]]:
    """Return the unit of frames for which none is stated, and notes; ask where Celsius would be doubtful."""
    limits = options.limits
    if raw.is_integer and raw.highest is not None:
        return "count", ["whole numbers without a scale stay counts"]
    background = _background(sample, limits.background_share)
    if raw.is_integer and background > limits.doubtful_high_c:
        return "count", ["whole numbers without a unit or scale stay counts"]
    if limits.doubtful_low_c <= background <= limits.doubtful_high_c:
        problem = f"the background would be {background:.1f} C and no unit is stated"
        raise InputError(path, "", problem, "give --unit celsius or --unit fahrenheit")
    if limits.kelvin_low <= background <= limits.kelvin_high:
        problem = f"the background would be {background:.1f} C and no unit is stated"
        raise InputError(path, "", problem, "give --unit kelvin or --unit celsius")
    return "celsius", ["no unit is stated; the numbers are taken as degrees Celsius"]


def _profile_path(name: str, options: OpenOptions) -> str | None:
    stem = name if name.endswith(".json") else f"{name}.json"
    return next((str(Path(d) / stem) for d in options.profile_folders if (Path(d) / stem).is_file()), None)


def _profile_scale(sidecar: Sidecar, options: OpenOptions) -> tuple[tuple[float, float] | None, list[str]]:
    """Return the scale of the camera profile in use, and warnings."""
    name = sidecar.facts.camera
    path = options.camera or (None if name is None else _profile_path(name, options))
    if path is None:
        return None, [] if name is None else [f"the camera profile {name!r} named in the sidecar was not found"]
    profile = check_object(read_json(path), path=path, place="", keys="scale")
    return camera_scale(profile, path=path), []


def _settle_scale(sidecar: Sidecar, options: OpenOptions) -> tuple[tuple[float, float] | None, list[str]]:
    """Return (K per count, offset K) from the command line, the sidecar or a camera profile, and warnings."""
    given = options.scale_k_per_count, options.offset_k
    if given[0] is not None and given[1] is not None:
        check_number(given[0], SCALE_LIMITS, path="--scale", place="", unit="K per count")
        check_number(given[1], OFFSET_LIMITS, path="--offset", place="", unit="K")
        return (given[0], given[1]), []
    if given != (None, None):
        lone, other = ("--scale", "--offset") if given[1] is None else ("--offset", "--scale")
        raise InputError(lone, "", f"is given without {other}", "kelvin are offset + scale x count")
    if options.camera is None and sidecar.scale_k_per_count is not None and sidecar.offset_k is not None:
        return (sidecar.scale_k_per_count, sidecar.offset_k), []
    return _profile_scale(sidecar, options)


@dataclass(frozen=True)
class _Scaled:
    """Straight line from numbers in the file to ``unit``."""

    unit: str
    factor: float = 1.0
    offset: float = 0.0
    warnings: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


def _settle_unit(raw: RawFrames, sidecar: Sidecar, sample: np.ndarray, options: OpenOptions, *, path: str) -> _Scaled:
    """Return how the numbers become degrees Celsius, or that they stay counts."""
    scale, warnings = _settle_scale(sidecar, options)
    stated = options.unit or sidecar.unit or raw.unit
    notes: list[str] = []
    if raw.unit is not None and stated != raw.unit:
        warnings.append(f"the file itself says {raw.unit}; {stated} is used as asked")
    unit = stated or ("count" if scale is not None else None)
    if unit is None:
        unit, notes = _guess_unit(raw, sample, options, path=path)
    if unit == "count":
        if scale is None:
            return _Scaled("count", warnings=tuple(warnings), notes=tuple(notes))
        return _Scaled("celsius", scale[0], scale[1] - ZERO_CELSIUS_K, tuple(warnings), tuple(notes))
    if scale is not None:
        warnings.append(f"the scale of counts is not used, because the unit is {unit}")
    return _Scaled(unit="celsius", warnings=tuple(warnings), notes=tuple(notes), **_line(unit))


def _line(unit: str) -> dict[str, float]:
    factor, offset = TO_CELSIUS[unit]
    return {"factor": factor, "offset": offset}


def _check_plausible(sample: np.ndarray, scaled: _Scaled, options: OpenOptions, *, path: str) -> None:
    if scaled.unit != "celsius":
        return
    middle = float(np.nanmedian(sample)) * scaled.factor + scaled.offset
    if not options.limits.coldest_c <= middle <= options.limits.hottest_c:
        problem = f"half the pixels would be {'below' if middle < 0 else 'above'} {middle:.0f} C"
        raise InputError(path, "", problem, "check unit, scale_k_per_count and offset_k")


def _check_options(options: OpenOptions) -> None:
    if options.unit is not None:
        check_choice(options.unit, UNITS, path="--unit", place="")
    if options.side is not None:
        check_choice(options.side, SIDES, path="--side", place="")
    if options.frame_rate_hz is not None:
        check_number(options.frame_rate_hz, RATE_LIMITS, path="--frame-rate", place="", unit="Hz")


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
        Beats the sidecar, which beats what the file says itself.

    Returns
    -------
    Recording

    Raises
    ------
    InputError
        One line for each kind of bad input: see the readers, the sidecar and the checks of content here.
    """
    path, options = str(path), options or OpenOptions()
    _check_options(options)
    beside = options.sidecar or find_sidecar(path)
    find_files(path)  # a wrong path is told before a wrong sidecar
    sidecar = Sidecar() if beside is None else open_sidecar(beside)
    raw, paths = _open_raw(path, hints=ReadHints(options.frames, options.unit or sidecar.unit))
    first, stop = _slice_of(raw, options.frames, path=path)
    store = raw.store if (first, stop) == (0, raw.store.shape[0]) else SliceStore(raw.store, first, stop)
    sample, warnings = _check_content(store, raw, options, path=path)
    times = _settle_times(raw, sidecar, options, (first, stop), path=path)
    scaled = _settle_unit(raw, sidecar, sample, options, path=path)
    _check_plausible(sample, scaled, options, path=path)
    is_plain = (scaled.factor, scaled.offset) == (1.0, 0.0)
    return Recording(
        name=_name_of(path),
        path=path,
        store=store if is_plain else LinearStore(store, scaled.factor, scaled.offset),
        unit=scaled.unit,
        times_s=times.values,
        times_why=NO_TIMES if times.values is None else "",
        facts=replace(sidecar.facts, side=options.side or sidecar.side or "top"),
        sha256=_sha256_of(paths),
        saturated_at=None if raw.highest is None else raw.highest * scaled.factor + scaled.offset,
        warnings=(*raw.warnings, *warnings, *times.warnings, *scaled.warnings),
        notes=(*raw.notes, *times.notes, *scaled.notes),
    )
