"""Page entries of a TIFF file, walked without decoding a picture: how many pages are whole, and of what form."""

from __future__ import annotations

import os
import struct
from collections.abc import Callable
from dataclasses import dataclass
from typing import BinaryIO

# Sizes of TIFF field types in bytes (TIFF 6.0 specification, section 2; 16 to 18 are BigTIFF's).
TYPE_BYTES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4, 16: 8, 17: 8, 18: 8}
TYPE_CODES = {1: "B", 3: "H", 4: "I", 16: "Q"}
DATA_OFFSETS, DATA_BYTES = (273, 324), (279, 325)  # strips, tiles


@dataclass(frozen=True)
class TiffPage:
    """Where one page stands in a TIFF file: bytes of its data, and of the entry of the next page."""

    tags: dict[int, tuple[int, ...]]
    next_entry: int

    def numbers(self, *tags: int) -> tuple[int, ...]:
        """Return the values of the first of ``tags`` that the page has, else an empty tuple."""
        return next((self.tags[t] for t in tags if t in self.tags), ())

    @property
    def is_preview(self) -> bool:
        """True where the page is marked as a smaller copy of another (TIFF 6.0, NewSubfileType, bit 0)."""
        return bool((self.numbers(254) or (0,))[0] & 1)

    @property
    def end(self) -> int:
        """First byte after the page's data."""
        ends = [o + b for o, b in zip(self.numbers(*DATA_OFFSETS), self.numbers(*DATA_BYTES), strict=False)]
        return max(ends, default=1 << 62)


class TiffEntries:
    """Walks the page entries of a classic or big TIFF file, without decoding any picture."""

    def __init__(self, path: str) -> None:
        self.size = os.path.getsize(path)
        self._path = path

    def walk(self) -> list[TiffPage]:
        """Return the pages whose entries are whole, in order; the last one's ``next_entry`` is 0 at a proper end."""
        pages: list[TiffPage] = []
        with open(self._path, "rb") as file:
            head = file.read(16)
            order = "<" if head[:2] == b"II" else ">"
            is_big = head[2:4] in (b"+\0", b"\0+")
            if len(head) < (16 if is_big else 8):
                return pages
            (offset,) = struct.unpack(order + ("Q" if is_big else "I"), head[8:16] if is_big else head[4:8])
            seen: set[int] = set()
            while offset and offset not in seen and offset < self.size:
                seen.add(offset)
                page = self._read_entry(file, offset, order, is_big=is_big)
                if page is None:
                    break
                pages.append(page)
                offset = page.next_entry
        return pages

    def _read_entry(self, file: BinaryIO, offset: int, order: str, *, is_big: bool) -> TiffPage | None:
        count_code, width, value_bytes, long_code = ("Q", 20, 8, "Q") if is_big else ("H", 12, 4, "I")
        read = self._reader(file)
        raw = read(offset, struct.calcsize(count_code))
        if raw is None:
            return None
        (count,) = struct.unpack(order + count_code, raw)
        start = offset + struct.calcsize(count_code)
        body = read(start, count * width + value_bytes)
        if body is None:
            return None
        tags: dict[int, tuple[int, ...]] = {}
        for i in range(count):
            entry = body[i * width : (i + 1) * width]
            tag, kind, number = struct.unpack(order + ("HHQ" if is_big else "HHI"), entry[: width - value_bytes])
            if kind not in TYPE_CODES or number > 1_000_000:
                continue
            length = number * TYPE_BYTES[kind]
            value: bytes | None = entry[width - value_bytes :][:length]
            if length > value_bytes:
                value = read(struct.unpack(order + long_code, entry[width - value_bytes :])[0], length)
            if value is None:
                return None
            tags[tag] = struct.unpack(f"{order}{number}{TYPE_CODES[kind]}", value)
        (following,) = struct.unpack(order + long_code, body[count * width :])
        return TiffPage(tags, following)

    def _reader(self, file: BinaryIO) -> Callable[[int, int], bytes | None]:
        def read(offset: int, length: int) -> bytes | None:
            if offset + length > self.size:
                return None
            file.seek(offset)
            return file.read(length)

        return read
