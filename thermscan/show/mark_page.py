"""One local page on which a board is marked on a picture of it: outline, one length, parts."""

from __future__ import annotations

import base64
from dataclasses import dataclass

import numpy as np
from jinja2 import Environment, PackageLoader, StrictUndefined
from matplotlib import colormaps

from thermscan.model.board import KINDS
from thermscan.show.colour import FRAME_MAP


@dataclass(frozen=True)
class MarkPicture:
    """A picture for the page: PNG or JPEG bytes, its kind (``'png'`` or ``'jpeg'``), width and height in px."""

    content: bytes
    kind: str
    width: int
    height: int


def thermal_picture(frame: np.ndarray) -> MarkPicture:
    """Draw a frame, ndarray (rows, columns), as PNG from its 1 % to its 99 % point; each pixel becomes a block.

    Small frames are enlarged by a whole factor, so that there is something to click on; the factor is undone by the
    page, which counts in the pixels it is given and needs only lengths in mm.
    """
    import io

    from matplotlib.image import imsave

    low, high = np.nanpercentile(frame, [1, 99])
    grey = np.clip((np.nan_to_num(frame, nan=float(low)) - low) / max(high - low, 1e-9), 0, 1)
    factor = max(1, int(np.ceil(900 / max(frame.shape))))
    large = np.kron(grey, np.ones((factor, factor)))
    buffer = io.BytesIO()
    imsave(buffer, colormaps[FRAME_MAP](large), format="png")
    return MarkPicture(buffer.getvalue(), "png", large.shape[1], large.shape[0])


def mark_page(picture: MarkPicture, *, title: str, file_name: str) -> str:
    """Return the page as one HTML text that needs no network.

    Parameters
    ----------
    picture : MarkPicture
    title : str
        Name of the picture's file; stands in the page as text.
    file_name : str
        Name under which the browser saves the board.

    Returns
    -------
    str
    """
    environment = Environment(
        loader=PackageLoader("thermscan.show", "templates"), autoescape=True, undefined=StrictUndefined
    )
    uri = f"data:image/{picture.kind};base64," + base64.b64encode(picture.content).decode("ascii")
    return environment.get_template("mark.html").render(
        picture=uri, width=picture.width, height=picture.height, title=title, file_name=file_name, kinds=KINDS
    )
