"""Arrays saved as .npy (memory-mapped) or .npz: (frames, rows, columns), or one frame (rows, columns)."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from thermscan.model.errors import InputError
from thermscan.model.recording import ArrayStore
from thermscan.read.raw_frames import FiniteStore, RawFrames, ReadHints, cut_short
from thermscan.read.text_file import reason_of

TIME_KEYS = ("timestamps_s", "times_s")


def is_npy(head: bytes) -> bool:
    """Tell whether the first bytes are those of a .npy file."""
    return head.startswith(b"\x93NUMPY")


def is_npz(head: bytes) -> bool:
    """Tell whether the first bytes are those of a .npz (zip) file."""
    return head.startswith(b"PK\x03\x04")


def _check_array(array: np.ndarray, *, path: str) -> np.ndarray:
    if array.dtype.kind not in "iuf":
        raise InputError(path, "", f"holds {array.dtype} values, not numbers", "save integers or floats")
    if array.dtype.kind in "iu" and array.dtype.itemsize == 1:
        raise InputError(path, "", "is an 8-bit picture and carries no temperatures", "export 16-bit or float values")
    if array.ndim == 2:
        return array[None]
    if array.ndim != 3:
        raise InputError(path, "", f"has shape {array.shape}", "save an array of shape (frames, rows, columns)")
    return array


def _as_raw(array: np.ndarray, **extra: object) -> RawFrames:
    is_integer = array.dtype.kind in "iu"
    store = ArrayStore(array)
    return RawFrames(
        store=store if is_integer else FiniteStore(store),
        is_integer=is_integer,
        highest=float(np.iinfo(array.dtype).max) if is_integer else None,
        **extra,  # type: ignore[arg-type]
    )


def _read_header(path: str) -> tuple[tuple[int, ...], bool, np.dtype, int]:
    """Return shape, is_fortran, dtype and the byte where the data starts."""
    with open(path, "rb") as file:
        version = np.lib.format.read_magic(file)
        read = np.lib.format.read_array_header_1_0 if version == (1, 0) else np.lib.format.read_array_header_2_0
        shape, is_fortran, dtype = read(file)
        return shape, is_fortran, dtype, file.tell()


def read_npy(paths: tuple[str, ...], *, hints: ReadHints) -> RawFrames:
    """Read one .npy file without loading it; a file that ends too early only with a frame range inside it."""
    path = paths[0]
    try:
        shape, is_fortran, dtype, start = _read_header(path)
    except OSError as error:
        raise InputError(path, "", f"cannot be read: {reason_of(error)}", "check the path") from None
    except Exception:  # numpy parses the header as Python text, and broken bytes raise whatever that raises
        raise InputError(path, "", "has a broken .npy header", "save the array again") from None
    if dtype.hasobject:
        raise InputError(path, "", "holds Python objects, not numbers", "save integers or floats")
    size = Path(path).stat().st_size - start
    frame_bytes = int(np.prod(shape[1:])) * dtype.itemsize
    if size >= int(np.prod(shape)) * dtype.itemsize:
        mapped = np.load(path, mmap_mode="r", allow_pickle=False) if np.prod(shape) else np.empty(shape, dtype)
        return _as_raw(_check_array(mapped, path=path))
    if len(shape) != 3 or is_fortran:
        raise InputError(path, "", "is cut short: no whole frame can be read", "copy the file again")
    whole = size // frame_bytes
    warning = cut_short(path, whole, shape[0], hints=hints)
    mapped = np.memmap(path, dtype=dtype, mode="r", offset=start, shape=(whole, *shape[1:]))
    checked = _check_array(mapped, path=path)
    return _as_raw(checked, announced=shape[0], is_cut_short=True, warnings=(warning,))


def read_npz(paths: tuple[str, ...], *, hints: ReadHints) -> RawFrames:  # noqa: ARG001 - one signature for all readers
    """Read one .npz file: the array called ``frames``, or the only one with three axes; times where they are there."""
    path = paths[0]
    try:
        # opened here, for numpy leaves its own file open where the archive is broken
        with open(path, "rb") as file, np.load(file, allow_pickle=False) as archive:
            arrays = {key: archive[key] for key in archive.files if key + ".npy" in archive.zip.namelist()}
    except OSError as error:
        raise InputError(path, "", f"cannot be read: {reason_of(error)}", "check the path") from None
    except Exception:  # broken bytes raise whatever zip, zlib and numpy's header raise
        raise InputError(path, "", "is not a whole .npz file of plain arrays", "save the arrays again") from None
    if not arrays:
        raise InputError(path, "", "is a zip archive without arrays", "save a spreadsheet as CSV, arrays as .npz")
    cubes = [key for key, array in arrays.items() if array.ndim == 3]
    key = "frames" if "frames" in arrays else cubes[0] if len(cubes) == 1 else None
    if key is None:
        found = ", ".join(f"{k} {a.shape}" for k, a in arrays.items())
        raise InputError(path, "", f"holds {found}", "save one array 'frames' of shape (frames, rows, columns)")
    times_key = next((k for k in TIME_KEYS if k in arrays), None)
    times = None if times_key is None else np.asarray(arrays[times_key], dtype=float).ravel()
    return _as_raw(_check_array(arrays[key], path=path), times_s=times, times_from=times_key or "")
