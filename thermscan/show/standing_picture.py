"""The small picture of a case: how the probabilities of the suspects moved, entry by entry."""

from __future__ import annotations

from collections.abc import Sequence

from matplotlib.ticker import PercentFormatter

from thermscan.model.case_record import Step
from thermscan.show.colour import QUIET, SERIES
from thermscan.show.picture import FONT, PictureFacts, add_axes, legible, new_figure, png_of, shortened

_WIDTH_IN, _HEIGHT_IN = 7.2, 3.0
NO_FAULT, OTHER = "no fault", "another fault"


def leading_names(steps: Sequence[Step], most: int) -> list[str]:
    """Return the suspects to draw: those that ever reached the highest probabilities."""
    best: dict[str, float] = {}
    for step in steps:
        for candidate in step.standing.candidates if step.standing is not None else ():
            best[candidate.name] = max(candidate.probability, best.get(candidate.name, 0.0))
    return sorted(best, key=lambda name: (-best[name], name))[:most]


def draw_standing(
    steps: Sequence[Step],
    *,
    most: int = 6,
    device: str = "",
    sources: tuple[tuple[str, str], ...] = (),
    version: str = "",
) -> bytes | None:
    """Draw the probabilities after each entry as PNG bytes; None before the first comparison.

    Parameters
    ----------
    steps : sequence of Step
    most : int
        Suspects drawn, besides no fault and another fault.
    device, version : str
        For the text fields, as are ``sources``: (role, SHA-256).

    Returns
    -------
    bytes or None
    """
    shown = [step for step in steps if step.standing is not None]
    if not shown:
        return None
    figure = new_figure(_WIDTH_IN, _HEIGHT_IN)
    axes = add_axes(figure, (0.6, 0.5, _WIDTH_IN - 2.4, _HEIGHT_IN - 0.75))
    places = range(len(shown))
    marks = "osD^vP*"
    for i, name in enumerate(leading_names(shown, most)):
        values = [step.standing.of(name) for step in shown if step.standing is not None]
        axes.plot(places, values, color=SERIES[i % 6], marker=marks[i % 7], markersize=5, linewidth=1.6,
                  label=shortened(name, 20))  # fmt: skip
    for name, values, dash in (
        (NO_FAULT, [s.standing.no_fault for s in shown if s.standing is not None], "--"),
        (OTHER, [s.standing.other for s in shown if s.standing is not None], ":"),
    ):
        axes.plot(places, values, color=QUIET, linestyle=dash, linewidth=1.3, label=name)
    axes.set_ylim(-0.02, 1.02)
    axes.set_xlim(-0.3, len(shown) - 0.7)
    axes.set_xticks(list(places), [str(step.number) for step in shown])
    axes.yaxis.set_major_formatter(PercentFormatter(1.0, decimals=0, symbol=" %"))
    axes.set_xlabel("entry of the log", family=FONT, size=8.5)
    axes.grid(visible=True, axis="y", color="#dddddd", linewidth=0.6)
    axes.set_axisbelow(True)
    axes.tick_params(labelsize=8)
    legend = axes.legend(loc="center left", bbox_to_anchor=(1.02, 0.5), fontsize=8, frameon=False)
    for text in legend.get_texts():
        text.set_parse_math(False)
    caption = f"Probabilities of the suspects of {legible(device)}" if device else "Probabilities of the suspects"
    scale = "0 to 100 %, one mark after each entry of the log"
    return png_of(figure, PictureFacts(caption, scale, sources=sources, version=version))
