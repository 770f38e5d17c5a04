"""One frame of a recording as a picture that can be told apart a year later."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from matplotlib.cm import ScalarMappable
from matplotlib.colors import Normalize

from thermscan.model.quantity import SHOWN
from thermscan.show.colour import FRAME_MAP, QUIET
from thermscan.show.picture import PictureFacts, add_axes, new_figure, png_of, wrap_lines, write_text

_WIDTH_IN = 6.4


@dataclass(frozen=True)
class HeatFacts:
    """What stands beside the frame.

    Attributes
    ----------
    caption : str
    recording : str
        Name of the recording.
    frame : int
        Number in the recording, from 0.
    time_s : float or None
        On the recording's own clock.
    side : {'top', 'bottom'}
    unit : {'celsius', 'count'}
    sha256 : str
        Of the recording.
    scale : tuple of float or None
        Lower and upper end in ``unit``; None: from the frame itself.
    version : str
    """

    caption: str
    recording: str
    frame: int
    time_s: float | None
    side: str
    unit: str = "celsius"
    sha256: str = ""
    scale: tuple[float, float] | None = None
    version: str = ""


def frame_scale(picture: np.ndarray) -> tuple[float, float]:
    """Return the ends of a frame's own scale: the 0.5 % and 99.95 % points of its finite pixels."""
    values = picture[np.isfinite(picture)]
    if values.size == 0:
        return 0.0, 1.0
    low, high = np.percentile(values, [0.5, 99.95])
    return float(low), float(max(high, low + 1e-6))


def draw_heat(picture: np.ndarray, facts: HeatFacts, *, fahrenheit: bool = False) -> bytes:
    """Draw one frame with its scale, side, second and hash as PNG bytes.

    Parameters
    ----------
    picture : ndarray of shape (rows, columns)
        Degrees Celsius or counts, as the camera saw it; NaN for bad pixels.
    facts : HeatFacts
    fahrenheit : bool

    Returns
    -------
    bytes
        The facts stand under the picture and in the text fields of the file.
    """
    rows, columns = picture.shape
    width = _WIDTH_IN - 0.4
    height = min(width * rows / columns, 6.0)
    figure = new_figure(_WIDTH_IN, height + 1.75)
    top = height + 1.75
    for i, line in enumerate(wrap_lines(figure, facts.caption, width, size=10, most=2)):
        write_text(figure, (0.2, top - 0.1 - 0.2 * i), line, size=10, weight="bold", colour="black")
    shown = SHOWN["c"][1 if fahrenheit else 0]
    factor, offset, unit = (shown.factor, shown.offset, shown.unit) if facts.unit == "celsius" else (1.0, 0.0, "counts")
    low, high = (v * factor + offset for v in (facts.scale or frame_scale(picture)))
    norm = Normalize(low, high)
    axes = add_axes(figure, (0.2, 1.15, width, height))
    axes.imshow(np.ma.masked_invalid(picture * factor + offset), cmap=FRAME_MAP, norm=norm, interpolation="nearest")
    axes.set_axis_off()
    bar = figure.colorbar(
        ScalarMappable(norm=norm, cmap=FRAME_MAP),
        cax=add_axes(figure, (0.2, 0.92, 3.2, 0.13)),
        orientation="horizontal",
    )
    bar.ax.tick_params(labelsize=7.5)
    scale = f"{low:.4g} to {high:.4g} {unit}"
    write_text(figure, (3.55, 1.07), f"{scale} ({FRAME_MAP})", size=8)
    second = "time not known" if facts.time_s is None else f"{facts.time_s:.2f} s on the recording's clock"
    line = f"{facts.recording}, frame {facts.frame}, {second}; {facts.side} side, as the camera saw it"
    write_text(figure, (0.2, 0.5), wrap_lines(figure, line, width, size=8, most=1)[0], size=8)
    write_text(figure, (0.2, 0.3), f"recording SHA-256 {facts.sha256 or 'not known'}", size=6.2, colour=QUIET)
    source = ((facts.recording, facts.sha256),) if facts.sha256 else ()
    return png_of(figure, PictureFacts(facts.caption, scale, facts.side, second, source, facts.version))
