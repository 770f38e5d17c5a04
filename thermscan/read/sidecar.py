"""The JSON file beside a recording: times, unit, scale, surface facts, supply log, drive and marks."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from thermscan.model.board import SIDES
from thermscan.model.errors import InputError, check_choice, check_keys, check_number
from thermscan.model.recording import DRIVE_MODES, UNITS, Drive, Facts, Mark, SupplyPoint
from thermscan.read.text_file import check_list, check_object, check_word, read_json

KEYS = (
    "timestamps_s",
    "frame_rate_hz",
    "unit",
    "scale_k_per_count",
    "offset_k",
    "emissivity",
    "reflected_c",
    "transmission",
    "ambient_c",
    "side",
    "supply",
    "drive",
    "marks",
    "camera",
)
SUPPLY_KEYS = ("time_s", "volts", "amps")
DRIVE_KEYS = ("mode", "net", "volts", "amps", "frequency_hz", "duty")
MARK_KEYS = ("x_mm", "y_mm", "x_px", "y_px")
# Closed ranges outside which a value is taken for a slip of the unit or the decimal point.
SCALE_LIMITS = (1e-6, 10.0)  # K per count
OFFSET_LIMITS = (-2000.0, 2000.0)  # K
AIR_LIMITS = (-60.0, 150.0)  # degrees Celsius
SCENE_LIMITS = (-273.15, 2000.0)  # degrees Celsius
RATE_LIMITS = (1e-5, 1e5)  # Hz
TINY = 1e-9  # stands for "above zero"
SHARE = (0.01, 1.0)  # emissivity and transmission: nothing lower can be undone


@dataclass(frozen=True)
class Sidecar:
    """What the sidecar says; None for what it does not say. ``side`` is None where it names no side.

    ``timestamps_s`` is ndarray (frames,), s, strictly increasing.
    """

    path: str = ""
    timestamps_s: np.ndarray | None = None
    frame_rate_hz: float | None = None
    unit: str | None = None
    scale_k_per_count: float | None = None
    offset_k: float | None = None
    side: str | None = None
    facts: Facts = field(default_factory=Facts)


def check_times(times: list[Any] | np.ndarray, *, path: str, place: str) -> np.ndarray:
    """Return times as float64 ndarray (frames,), s, if they are finite and strictly increasing."""
    values = np.array(
        [check_number(t, (-1e12, 1e12), path=path, place=f"{place}, entry {i}") for i, t in enumerate(times)]
    )
    late = np.flatnonzero(np.diff(values) <= 0)
    if late.size:
        i = int(late[0]) + 1
        problem = f"{values[i]:.10g} does not come after {values[i - 1]:.10g}"
        raise InputError(path, f"{place}, entry {i}", problem, "times must increase strictly")
    return values


def _number(found: dict[str, Any], key: str, limits: tuple[float, float], *, path: str, unit: str = "") -> float | None:
    value = found.get(key)
    return None if value is None else check_number(value, limits, path=path, place=key, unit=unit)


def _supply(value: object, *, path: str) -> tuple[SupplyPoint, ...]:
    points = []
    for i, entry in enumerate(check_list(value, path=path, place="supply", of="objects with time_s, volts, amps")):
        place = f"supply, entry {i}"
        point = check_object(entry, path=path, place=place, keys=", ".join(SUPPLY_KEYS))
        check_keys(point, SUPPLY_KEYS, path=path, place=place)
        _check_all_there(point, SUPPLY_KEYS, path=path, place=place)
        time_s = check_number(point["time_s"], (-1e12, 1e12), path=path, place=f"{place}, time_s", unit="s")
        volts = check_number(point["volts"], (-1000.0, 1000.0), path=path, place=f"{place}, volts", unit="V")
        amps = check_number(point["amps"], (-1000.0, 1000.0), path=path, place=f"{place}, amps", unit="A")
        points.append(SupplyPoint(time_s, volts, amps))
    check_times([p.time_s for p in points], path=path, place="supply")
    return tuple(points)


def _check_all_there(found: dict[str, Any], keys: tuple[str, ...], *, path: str, place: str) -> None:
    missing = [key for key in keys if found.get(key) is None]
    if missing:
        raise InputError(path, place, f"has no {missing[0]}", f"give {', '.join(keys)}")


def _drive(value: object, *, path: str) -> Drive:
    found = check_object(value, path=path, place="drive", keys=", ".join(DRIVE_KEYS))
    check_keys(found, DRIVE_KEYS, path=path, place="drive")
    mode = check_choice(found.get("mode") or "board", DRIVE_MODES, path=path, place="drive, mode")
    net = found.get("net")
    limits = {"volts": (-1000.0, 1000.0), "amps": (-1000.0, 1000.0), "frequency_hz": (1e-6, 1e5), "duty": (TINY, 1.0)}
    numbers = {
        key: None if found.get(key) is None else check_number(found[key], span, path=path, place=f"drive, {key}")
        for key, span in limits.items()
    }
    if mode == "periodic" and numbers["frequency_hz"] is None:
        raise InputError(path, "drive", "mode is periodic and frequency_hz is missing", "give frequency_hz")
    return Drive(
        mode=mode,
        net=None if net is None else check_word(net, path=path, place="drive, net"),
        volts=numbers["volts"],
        amps=numbers["amps"],
        frequency_hz=numbers["frequency_hz"],
        duty=numbers["duty"],
    )


def is_on_one_line(points: np.ndarray, *, share: float = 0.02) -> bool:
    """Tell whether points, ndarray (n, 2), spread across their main direction by less than ``share`` of their length.

    Uses the ratio of the singular values of the centred points.
    """
    spread = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
    return bool(spread[1] <= share * spread[0])


def _marks(value: object, *, path: str) -> tuple[Mark, ...]:
    entries = check_list(value, path=path, place="marks", of="objects with x_mm, y_mm, x_px, y_px")
    marks = []
    for i, entry in enumerate(entries):
        place = f"marks, entry {i}"
        found = check_object(entry, path=path, place=place, keys=", ".join(MARK_KEYS))
        check_keys(found, MARK_KEYS, path=path, place=place)
        _check_all_there(found, MARK_KEYS, path=path, place=place)
        marks.append(Mark(*(check_number(found[k], (-1e5, 1e5), path=path, place=f"{place}, {k}") for k in MARK_KEYS)))
    if not marks:
        return ()
    if len(marks) < 4:
        raise InputError(path, "marks", f"{len(marks)} given, four or more are needed", "click at least four places")
    for unit, points in (("mm", [(m.x_mm, m.y_mm) for m in marks]), ("px", [(m.x_px, m.y_px) for m in marks])):
        if is_on_one_line(np.array(points)):
            raise InputError(path, "marks", f"all {len(marks)} lie on one line in {unit}", "click the board's corners")
    return tuple(marks)


def _facts(found: dict[str, Any], *, path: str) -> Facts:
    camera = found.get("camera")
    return Facts(
        emissivity=_number(found, "emissivity", SHARE, path=path),
        reflected_c=_number(found, "reflected_c", SCENE_LIMITS, path=path, unit="C"),
        transmission=_number(found, "transmission", SHARE, path=path),
        ambient_c=_number(found, "ambient_c", AIR_LIMITS, path=path, unit="C"),
        supply=() if found.get("supply") is None else _supply(found["supply"], path=path),
        drive=None if found.get("drive") is None else _drive(found["drive"], path=path),
        marks=() if found.get("marks") is None else _marks(found["marks"], path=path),
        camera=None if camera is None else check_word(camera, path=path, place="camera"),
    )


def open_sidecar(path: str) -> Sidecar:
    """Read and check a sidecar; null means the same as an absent key.

    Raises
    ------
    InputError
        For an unknown key, a value outside its range, times that do not increase, fewer than four marks or marks
        on one line, or a scale without its offset.
    """
    found = read_json(path)
    if "outline_mm" in found:
        raise InputError(path, "", "is a board file and stands where the sidecar belongs", "give it another name")
    check_keys(found, KEYS, path=path)
    times = found.get("timestamps_s")
    if times is not None:
        times = check_times(
            check_list(times, path=path, place="timestamps_s", of="seconds"), path=path, place="timestamps_s"
        )
    unit, side = found.get("unit"), found.get("side")
    scale = _number(found, "scale_k_per_count", SCALE_LIMITS, path=path, unit="K per count")
    offset = _number(found, "offset_k", OFFSET_LIMITS, path=path, unit="K")
    if (scale is None) != (offset is None):
        lone, other = ("scale_k_per_count", "offset_k") if offset is None else ("offset_k", "scale_k_per_count")
        raise InputError(path, lone, f"is given without {other}", "kelvin are offset_k + scale_k_per_count x count")
    return Sidecar(
        path=path,
        timestamps_s=times,
        frame_rate_hz=_number(found, "frame_rate_hz", RATE_LIMITS, path=path, unit="Hz"),
        unit=None if unit is None else check_choice(unit, UNITS, path=path, place="unit"),
        scale_k_per_count=scale,
        offset_k=offset,
        side=None if side is None else check_choice(side, SIDES, path=path, place="side"),
        facts=_facts(found, path=path),
    )
