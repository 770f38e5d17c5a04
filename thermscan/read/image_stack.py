"""Multi-page TIFF, and series of 16-bit PNG or TIFF pictures, read page by page."""

from __future__ import annotations

import logging
import os
import struct
import weakref
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from thermscan.model.errors import InputError
from thermscan.model.recording import ArrayStore, FrameStore
from thermscan.read.raw_frames import FiniteStore, RawFrames, ReadHints, cut_short
from thermscan.read.text_file import read_bytes, reason_of
from thermscan.read.tiff_entries import DATA_OFFSETS, TiffEntries, TiffPage

if TYPE_CHECKING:
    from tifffile import TiffFile

MOST_PIXELS = 100_000_000  # a frame of more is a broken entry: no thermal sensor comes near
PNG_SIGNATURE = b"\x89PNG\r\n\x1a\n"
TIFF_SIGNATURES = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
NO_TEMPERATURES = "carries no temperatures"
EXPORT_RADIOMETRIC = "export radiometric frames: 16-bit TIFF, float TIFF or a CSV grid"


class TiffStore:
    """Pages of one TIFF file, decoded when they are read. The file stays open; each process opens its own."""

    def __init__(self, path: str, size: tuple[int, int], pages: tuple[int, ...] = (0,)) -> None:
        """Stand for the given ``pages`` of a file, each of ``size`` rows and columns."""
        self.path = path
        self.shape = (len(pages), *size)
        self.pages = pages
        self._open: tuple[int, TiffFile] | None = None
        self._needs_cv2 = False

    def _file(self) -> TiffFile:
        import tifffile

        if self._open is None or self._open[0] != os.getpid():
            # What is wrong with a file is told by InputError; the library's own remarks are for whoever asks for them.
            logging.getLogger("tifffile").addHandler(logging.NullHandler())
            file = tifffile.TiffFile(self.path)
            weakref.finalize(self, file.close)
            self._open = (os.getpid(), file)
        return self._open[1]

    def __getstate__(self) -> dict[str, object]:
        return {**self.__dict__, "_open": None}

    def read(self, start: int, stop: int) -> np.ndarray:
        """Return pages ``start`` to ``stop``, float32 ndarray (frames, rows, columns)."""
        stop = min(stop, self.shape[0])
        out = np.empty((max(0, stop - start), *self.shape[1:]), dtype=np.float32)
        for i in range(start, stop):
            out[i - start] = self._page(i)
        return out

    def _page(self, index: int) -> np.ndarray:
        if self._needs_cv2:
            return self._page_with_cv2(index)
        try:
            page = self._file().pages[self.pages[index]].asarray()
        except Exception as error:  # broken bytes raise whatever zlib, struct and tifffile raise
            if "imagecodecs" in str(error):  # a compression that only OpenCV's own library knows, such as LZW
                self._needs_cv2 = True
                return self._page_with_cv2(index)
            problem = f"cannot be decoded: {str(error) or type(error).__name__}"
            raise InputError(self.path, f"frame {index}", problem, "export it again") from None
        if page.shape != self.shape[1:]:
            raise InputError(self.path, f"frame {index}", f"decodes to shape {page.shape}", "export it again")
        return page

    def _page_with_cv2(self, index: int) -> np.ndarray:
        import cv2

        done, pages = cv2.imreadmulti(self.path, start=self.pages[index], count=1, flags=cv2.IMREAD_UNCHANGED)
        if not done or not pages or pages[0].shape != self.shape[1:]:
            problem = "cannot be decoded: its compression is not known here"
            raise InputError(self.path, f"frame {index}", problem, "export it without compression or with deflate")
        return pages[0]


def is_tiff(head: bytes) -> bool:
    """Tell whether the first bytes are those of a TIFF file."""
    return head.startswith(TIFF_SIGNATURES)


def is_png(head: bytes) -> bool:
    """Tell whether the first bytes are those of a PNG file."""
    return head.startswith(PNG_SIGNATURE)


def is_plain_picture(head: bytes) -> bool:
    """Tell whether the first bytes are those of a JPEG, GIF, BMP or WebP picture, which carry no temperatures."""
    is_bmp = head.startswith(b"BM") and head[6:10] == b"\0\0\0\0"
    return head.startswith((b"\xff\xd8\xff", b"GIF8")) or head[8:12] == b"WEBP" or is_bmp


def refuse_picture(paths: tuple[str, ...], *, hints: ReadHints) -> RawFrames:  # noqa: ARG001
    """Refuse an 8-bit picture: its colours are not temperatures."""
    raise InputError(paths[0], "", f"is an 8-bit picture and {NO_TEMPERATURES}", EXPORT_RADIOMETRIC)


def _dtype_of(page: TiffPage, *, path: str, place: str) -> np.dtype:
    bits, samples = page.numbers(258) or (1,), (page.numbers(277) or (1,))[0]
    if samples > 1 or (page.numbers(262) or (1,))[0] in (2, 3, 6):
        raise InputError(path, place, f"is a colour picture and {NO_TEMPERATURES}", EXPORT_RADIOMETRIC)
    if bits[0] <= 8:
        raise InputError(path, place, f"is an {bits[0]}-bit picture and {NO_TEMPERATURES}", EXPORT_RADIOMETRIC)
    code = {1: "u", 2: "i", 3: "f"}.get((page.numbers(339) or (1,))[0], "u")
    if bits[0] not in (16, 32, 64):
        raise InputError(path, place, f"has {bits[0]}-bit samples", "export 16-bit integers or 32-bit floats")
    return np.dtype(f"{code}{bits[0] // 8}")


def _size_of(page: TiffPage, *, path: str, place: str = "") -> tuple[int, int]:
    """Return (rows, columns) of a page whose entry names a picture."""
    rows, columns = (page.numbers(257) or (0,))[0], (page.numbers(256) or (0,))[0]
    if not 0 < rows * columns <= MOST_PIXELS or not page.numbers(*DATA_OFFSETS):
        raise InputError(path, place, "its entry names no picture of a possible size", "export it again")
    return rows, columns


def _check_alike(pages: list[TiffPage], *, path: str) -> tuple[tuple[int, int], np.dtype]:
    size, dtype = _size_of(pages[0], path=path, place="frame 0"), _dtype_of(pages[0], path=path, place="")
    for i, page in enumerate(pages):
        other = _size_of(page, path=path, place=f"frame {i}")
        if other != size:
            problem = f"is {other[1]} x {other[0]} pixels, frame 0 is {size[1]} x {size[0]}"
            raise InputError(path, f"frame {i}", problem, "all frames must have one size")
        if _dtype_of(page, path=path, place=f"frame {i}") != dtype:
            raise InputError(path, f"frame {i}", "has another sample format than frame 0", "export them alike")
    return size, dtype


def _as_raw(store: FrameStore, dtype: np.dtype, **extra: object) -> RawFrames:
    is_integer = dtype.kind in "iu"
    return RawFrames(
        store=store if is_integer else FiniteStore(store),
        is_integer=is_integer,
        highest=float(np.iinfo(dtype).max) if is_integer else None,
        **extra,  # type: ignore[arg-type]
    )


def _laid_end_to_end(path: str, page: TiffPage, frame_bytes: int) -> int:
    """Return how many frames follow one another from the first page's data on, 1 where each has its own entry.

    Some writers put the first entry, then the data of all frames, then the other entries or none. Where the next
    entry stands tells how many frames there are, else the description that the writer left in the first entry.
    """
    if (page.numbers(259) or (1,))[0] != 1:
        return 1
    if page.next_entry:
        return max(1, (page.next_entry - page.numbers(*DATA_OFFSETS)[0]) // frame_bytes)
    import tifffile

    try:
        with tifffile.TiffFile(path) as file:
            shape = file.series[0].shape
    except Exception:  # the file is broken in some way that tifffile does not bear: what is there is one page
        return 1
    return int(np.prod(shape[:-2])) if len(shape) > 2 else 1


def _read_end_to_end(
    path: str, page: TiffPage, form: tuple[tuple[int, int], np.dtype], announced: int, *, hints: ReadHints
) -> RawFrames:
    size, dtype = form
    frame_bytes = size[0] * size[1] * dtype.itemsize
    start = page.numbers(*DATA_OFFSETS)[0]
    whole = min(announced, max(0, (os.path.getsize(path) - start) // frame_bytes))
    is_cut = whole < announced or page.next_entry > os.path.getsize(path)
    warnings = (cut_short(path, whole, announced, hints=hints),) if is_cut else ()
    with open(path, "rb") as file:
        order = "<" if file.read(2) == b"II" else ">"
    mapped = np.memmap(path, dtype.newbyteorder(order), mode="r", offset=start, shape=(whole, *size))
    return _as_raw(ArrayStore(mapped), dtype, announced=announced, is_cut_short=is_cut, warnings=warnings)


def read_tiff(paths: tuple[str, ...], *, hints: ReadHints) -> RawFrames:
    """Read one multi-page TIFF, or a series of TIFF files with one page each, in the order given.

    Raises
    ------
    InputError
        For 8-bit or colour pictures, pages of different size, a broken file, and a file that ends too early unless
        ``hints.frames`` ends inside its whole frames.
    """
    if len(paths) > 1:
        return _read_tiff_series(paths)
    path = paths[0]
    entries, pages = _walk(path)
    if len(pages) == 1 and pages[0].end <= entries.size:
        planes = _read_planes(path, pages[0])
        if planes is not None:
            return planes
    if len(pages) == 1:
        form = _check_alike(pages, path=path)
        announced = _laid_end_to_end(path, pages[0], form[0][0] * form[0][1] * form[1].itemsize)
        if announced > 1:
            return _read_end_to_end(path, pages[0], form, announced, hints=hints)
    numbers = tuple(i for i, page in enumerate(pages) if not page.is_preview) or tuple(range(len(pages)))
    frames = [pages[i] for i in numbers]
    whole = next((i for i, page in enumerate(frames) if page.end > entries.size), len(frames))
    is_cut = whole < len(frames) or pages[-1].next_entry != 0
    warnings = (cut_short(path, whole, None, hints=hints),) if is_cut else ()
    shape, dtype = _check_alike(frames[:whole], path=path)
    left = len(pages) - len(numbers)
    notes = (f"{left} preview picture{'' if left == 1 else 's'} left out",) if left else ()
    store = TiffStore(path, shape, numbers[:whole])
    return _as_raw(store, dtype, is_cut_short=is_cut, warnings=warnings, notes=notes)


def _read_planes(path: str, page: TiffPage) -> RawFrames | None:
    """Return the three or four frames that a writer of arrays has stored as colour planes of one page, else None.

    Only where the file's own description gives the shape of the array; colours of a photograph have none.
    """
    samples, bits = (page.numbers(277) or (1,))[0], (page.numbers(258) or (1,))[0]
    if samples < 3 or bits <= 8 or (page.numbers(284) or (1,))[0] != 2:
        return None
    import tifffile

    try:
        with tifffile.TiffFile(path) as file:
            described = (file.shaped_metadata or ({},))[0].get("shape")
            array = file.pages[0].asarray()
    except Exception:  # broken bytes raise whatever tifffile raises; the page is then judged as the picture it claims
        return None
    if (
        described is None
        or tuple(described) != (samples, *_size_of(page, path=path))
        or array.shape != tuple(described)
    ):
        return None
    note = f"{samples} colour planes are read as {samples} frames, as the file's description says"
    return _as_raw(ArrayStore(array), array.dtype, notes=(note,))


def _walk(path: str) -> tuple[TiffEntries, list[TiffPage]]:
    try:
        entries = TiffEntries(path)
        pages = entries.walk()
    except OSError as error:
        raise InputError(path, "", f"cannot be read: {reason_of(error)}", "check the path") from None
    if not pages:
        raise InputError(path, "frame 0", "the file is cut short: no frame is whole", "copy it again")
    return entries, pages


@dataclass(frozen=True)
class SeriesStore:
    """One picture file a frame, opened when it is read."""

    paths: tuple[str, ...]
    size: tuple[int, int]

    @property
    def shape(self) -> tuple[int, int, int]:
        """Frames, rows, columns."""
        return (len(self.paths), *self.size)

    def read(self, start: int, stop: int) -> np.ndarray:
        """Return frames ``start`` to ``stop``, float32 ndarray (frames, rows, columns)."""
        paths = self.paths[start:stop]
        out = np.empty((len(paths), *self.size), dtype=np.float32)
        for i, path in enumerate(paths):
            frame = (
                _read_png_frame(path) if is_png(read_bytes(path, limit=8)) else TiffStore(path, self.size).read(0, 1)[0]
            )
            if frame.shape != self.size:
                raise InputError(
                    path, "", f"is {frame.shape[1]} x {frame.shape[0]} pixels", "all frames must have one size"
                )
            out[i] = frame
        return out


def _read_png_frame(path: str) -> np.ndarray:
    import cv2

    # IMREAD_UNCHANGED: the default flag cuts 16 bits to 8 without a word.
    frame = cv2.imdecode(np.frombuffer(read_bytes(path), np.uint8), cv2.IMREAD_UNCHANGED)
    if frame is None:
        raise InputError(path, "", "cannot be decoded", "export it again or leave it out")
    return frame


def _read_tiff_series(paths: tuple[str, ...]) -> RawFrames:
    first: tuple[tuple[int, int], np.dtype] | None = None
    for path in paths:
        if not is_tiff(read_bytes(path, limit=4)):
            raise InputError(path, "", "is not a TIFF file, the first of the series is", "give a glob of one kind")
        entries, pages = _walk(path)
        if len(pages) > 1:
            raise InputError(path, "", f"holds {len(pages)} frames, a series has one a file", "open this file alone")
        if pages[0].end > entries.size:
            raise InputError(path, "", "is cut short", "copy it again or leave it out")
        form = (_size_of(pages[0], path=path), _dtype_of(pages[0], path=path, place=""))
        first = first or form
        _check_same_form(path, form, first)
    assert first is not None
    return _as_raw(SeriesStore(paths, first[0]), first[1])


def _check_same_form(
    path: str, form: tuple[tuple[int, int], np.dtype], first: tuple[tuple[int, int], np.dtype]
) -> None:
    if form[0] != first[0]:
        problem = f"is {form[0][1]} x {form[0][0]} pixels, the first file {first[0][1]} x {first[0][0]}"
        raise InputError(path, "", problem, "all frames must have one size")
    if form[1] != first[1]:
        raise InputError(path, "", "has another sample format than the first file", "export them alike")


def _png_size(path: str) -> tuple[int, int]:
    """Return (rows, columns) of a whole 16-bit grey PNG from its IHDR chunk (PNG specification), else refuse."""
    raw = read_bytes(path)
    if not is_png(raw):
        raise InputError(path, "", "is not a PNG file, the first of the series is", "give a glob of one kind")
    if b"IEND" not in raw[-16:] or len(raw) < 33:
        raise InputError(path, "", "is cut short", "copy it again or leave it out")
    columns, rows, depth, colour = struct.unpack(">IIBB", raw[16:26])
    if colour != 0:
        raise InputError(path, "", f"is a colour picture and {NO_TEMPERATURES}", EXPORT_RADIOMETRIC)
    if depth != 16:
        raise InputError(path, "", f"is an {depth}-bit picture and {NO_TEMPERATURES}", EXPORT_RADIOMETRIC)
    if not 0 < rows * columns <= MOST_PIXELS:
        raise InputError(path, "", "its header names no picture of a possible size", "export it again")
    return rows, columns


def read_png(paths: tuple[str, ...], *, hints: ReadHints) -> RawFrames:  # noqa: ARG001
    """Read a series of 16-bit grey PNG files, one frame each, in the order given; the headers are checked at once."""
    dtype = np.dtype("u2")
    sizes = [_png_size(path) for path in paths]
    for path, size in zip(paths, sizes, strict=True):
        _check_same_form(path, (size, dtype), (sizes[0], dtype))
    return _as_raw(SeriesStore(paths, sizes[0]), dtype)
