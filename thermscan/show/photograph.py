"""Photographs in sheets: small enough to send, and without what a telephone writes into them."""

from __future__ import annotations

import cv2
import numpy as np

LONGEST_PX = 1400  # of the longer side: fills a page at about 200 dots per inch
QUALITY = 85  # of the JPEG, per cent


def shown_photograph(content: bytes, *, longest_px: int = LONGEST_PX) -> bytes | None:
    """Return a picture as it is embedded in a sheet, None where it is none that can be read.

    Parameters
    ----------
    content : bytes
        Of a file.
    longest_px : int
        Longer side above which it is made smaller.

    Returns
    -------
    bytes or None
        A PNG that is small enough stays as it is, with its text fields. Others become JPEG, turned upright as the file
        says, without place, time and device.
    """
    try:
        pixels = cv2.imdecode(np.frombuffer(content, np.uint8), cv2.IMREAD_COLOR) if content else None
    except cv2.error:
        return None
    if pixels is None:
        return None
    rows, columns = pixels.shape[:2]
    scale = longest_px / max(rows, columns)
    if content.startswith(b"\x89PNG") and scale >= 1:
        return content
    if scale < 1:
        size = max(1, round(columns * scale)), max(1, round(rows * scale))
        pixels = cv2.resize(pixels, size, interpolation=cv2.INTER_AREA)
    done, made = cv2.imencode(".jpg", pixels, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
    return made.tobytes() if done else None
