"""The board drawn in its own millimetres: outline, holes, parts, names, scale bar."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Circle, PathPatch, Polygon
from matplotlib.path import Path as Outline

from thermscan.model.board import Board, Part
from thermscan.show.colour import BOARD, LINE, QUIET
from thermscan.show.label import Box, Label, Spot, box_of, place_labels
from thermscan.show.picture import FONT, legible, nice_length, text_at_px, text_size_px

MARGIN = 0.04  # clear edge around the board, share of its longer side


@dataclass(frozen=True)
class View:
    """What is shown and how: the box in board units, mirrored for the underside, and the unit's name.

    ``unit`` is ``'mm'``, or ``'px'`` where places are known in the picture only.
    """

    box: Box
    mirrored: bool = False
    unit: str = "mm"

    @property
    def width(self) -> float:
        """Width, board units."""
        return self.box[2] - self.box[0]

    @property
    def height(self) -> float:
        """Height, board units."""
        return self.box[3] - self.box[1]


def view_of(board: Board, *, side: str, mirrored: bool, unit: str = "mm") -> View:
    """Show the whole outline and every body that overhangs it, with a small margin."""
    corners = [board.outline_mm, *(part.corners_mm() for part in board.parts if part.side == side)]
    points = np.concatenate(corners)
    low, high = points.min(axis=0), points.max(axis=0)
    margin = MARGIN * float((high - low).max())
    return View((low[0] - margin, low[1] - margin, high[0] + margin, high[1] + margin), mirrored, unit)


def set_view(axes: Axes, view: View) -> None:
    """Set limits so that the board is seen as the camera sees it: the underside is mirrored in x."""
    x0, y0, x1, y1 = view.box
    axes.set_xlim((x1, x0) if view.mirrored else (x0, x1))
    axes.set_ylim(y0, y1)
    axes.set_aspect("equal")
    axes.set_facecolor("white")
    for spine in axes.spines.values():
        spine.set_color("#c8c8c8")
    axes.tick_params(length=2.5, width=0.6, color="#9a9a9a", labelsize=7, labelcolor=QUIET)
    for label in (*axes.get_xticklabels(), *axes.get_yticklabels()):
        label.set_family(FONT)
    if view.unit == "px":
        _fraction_ticks(axes, view)


def _fraction_ticks(axes: Axes, view: View) -> None:
    """Label the axes with fractions of the picture, y from the upper edge, where no millimetres are known."""
    steps = np.linspace(0, 1, 6)
    margin = MARGIN / (1 + 2 * MARGIN) * max(view.width, view.height)
    x0, y0, x1, y1 = view.box
    axes.set_xticks(x0 + margin + steps * (x1 - x0 - 2 * margin), [f"{s:.1f}" for s in steps])
    axes.set_yticks(y1 - margin - steps * (y1 - y0 - 2 * margin), [f"{s:.1f}" for s in steps])


def outline_path(board: Board) -> Outline:
    """Return the outline as a closed path in board units."""
    points = np.vstack([board.outline_mm, board.outline_mm[:1]])
    return Outline(points, closed=True)


def draw_outline(axes: Axes, board: Board, *, filled: bool = True) -> PathPatch:
    """Draw outline and holes; returns the outline's patch, to cut pictures to its shape."""
    patch = PathPatch(
        outline_path(board), facecolor=BOARD if filled else "none", edgecolor=LINE, linewidth=1.2, zorder=1
    )
    axes.add_patch(patch)
    edge = PathPatch(outline_path(board), facecolor="none", edgecolor=LINE, linewidth=1.2, zorder=6)
    axes.add_patch(edge)
    for hole in board.holes:
        axes.add_patch(Circle((hole.x, hole.y), hole.d / 2, facecolor="white", edgecolor=LINE, linewidth=0.8, zorder=6))
    return patch


def draw_parts(
    axes: Axes, parts: Sequence[Part], *, strong: frozenset[str] = frozenset(), filled: bool = False
) -> None:
    """Draw the bodies; those named in ``strong`` with a heavy line, covered ones dashed."""
    scale = _px_per_unit(axes)
    for part in parts:
        is_strong = part.ref in strong
        heavy = 1.8 if min(part.w, part.h) * scale > 12 else 1.0  # a heavy line would fill a tiny body
        axes.add_patch(
            Polygon(
                part.corners_mm(),
                closed=True,
                facecolor="#ffffff" if filled else "none",
                edgecolor="black" if is_strong else LINE,
                linewidth=heavy if is_strong else 0.7,
                linestyle="--" if part.covered_by else "-",
                zorder=7 if is_strong else 5,
            )
        )


def draw_scale_bar(axes: Axes, view: View) -> Box | None:
    """Draw a bar of a round length under the board's lower edge; None where no millimetres are known.

    Returns
    -------
    Box or None
        What it covers, in dots of the figure.
    """
    if view.unit != "mm":
        return None
    length = nice_length(view.width / 4)
    low = axes.transAxes.transform((0, 0))
    per_mm = (axes.transAxes.transform((1, 0)) - low)[0] / view.width
    x0, y = low[0] + 12, low[1] - 40
    x1 = x0 + length * per_mm
    figure = axes.figure
    axes.plot([x0, x1], [y, y], transform=None, color="black", linewidth=3, solid_capstyle="butt", clip_on=False)
    text = f"{length:g} mm"
    width, height = text_size_px(figure, text, size=8, weight="bold")
    text_at_px(axes, (x1 + width / 2 + 8, y), text, look={"size": 8, "weight": "bold", "color": "black"})
    return x0, y - height, x1 + width + 16, y + height


@dataclass(frozen=True)
class Name:
    """Text to stand at a place: ``x``, ``y``, half sizes in board units; ``must`` for those never left out."""

    text: str
    x: float
    y: float
    half: tuple[float, float]
    must: bool = False
    inside: bool = True
    over: bool = False
    size: float = 6.5
    weight: str = "normal"
    colour: str = "black"
    background: str | None = None


def name_of_part(part: Part, *, strong: bool) -> Name:
    """Return a part's refdes as a name to be placed on or beside its body."""
    corners = part.corners_mm()
    half = (corners.max(axis=0) - corners.min(axis=0)) / 2
    look = {"size": 8.5, "weight": "bold", "background": "white"} if strong else {"size": 6.5, "weight": "normal"}
    return Name(part.ref, part.x, part.y, (float(half[0]), float(half[1])), must=strong, **look)


def worth_naming(
    parts: Sequence[Part], strong: frozenset[str], places: Sequence[tuple[float, float]], *, most: int = 90
) -> list[Part]:
    """Choose the parts to name, most important first: strong ones, those nearest to the places, then large ones.

    Half of ``most`` goes to parts near a place, so that a crowded board is named where it matters.
    """
    order = sorted(parts, key=lambda part: (part.ref not in strong, -part.w * part.h, part.ref))
    if len(order) <= most or not places:
        return order[:most]
    away = {part.ref: min(np.hypot(part.x - x, part.y - y) for x, y in places) for part in order}
    near = sorted(order, key=lambda part: (part.ref not in strong, away[part.ref], part.ref))[: most // 2]
    return [*near, *(part for part in order if part not in near)][:most]


def _px_per_unit(axes: Axes) -> float:
    """Return dots of the figure a board unit."""
    zero, one = axes.transData.transform([(0, 0), (0, 1)])
    return float(abs(one[1] - zero[1]))


def _padding(name: Name) -> float:
    return 5.0 if name.background else 1.0


def draw_names(
    axes: Axes, names: Sequence[Name], *, taken: Sequence[Box] = (), soft: Sequence[Part] = ()
) -> tuple[Spot | None, ...]:
    """Place and draw names so that none covers another.

    Parameters
    ----------
    axes : Axes
        With its view set.
    names : sequence of Name
        Most important first.
    taken : boxes in dots of the figure
        That may not be covered.
    soft : parts
        Whose bodies are better not covered.

    Returns
    -------
    tuple of Spot or None
        In dots of the figure, in the order of ``names``.
    """
    figure, scale = axes.figure, _px_per_unit(axes)
    labels = []
    texts = [legible(name.text) for name in names]
    texts = [text if len(text) <= 14 else text[:13] + "…" for text in texts]
    for name, text in zip(names, texts, strict=True):
        width, height = text_size_px(figure, text, size=name.size, weight=name.weight)
        pad = 2 * _padding(name)
        x, y = axes.transData.transform((name.x, name.y))
        reach = (name.half[0] * scale, name.half[1] * scale)
        labels.append(Label(x, y, reach, (width + pad, height + pad), name.must, name.inside, name.over))
    frame_points = axes.transAxes.transform([(0, 0), (1, 1)])
    frame: Box = (*(frame_points[0] + 2), *(frame_points[1] - 2))  # type: ignore[assignment]
    spots = place_labels(labels, frame, taken=taken, soft=[_body_box(axes, part) for part in soft], gap=4)
    for name, text, label, spot in zip(names, texts, labels, spots, strict=True):
        if spot is not None:
            _draw_name(axes, name, text, label, spot)
    return spots


def _body_box(axes: Axes, part: Part) -> Box:
    """Return the box around a body in dots of the figure."""
    points = axes.transData.transform(part.corners_mm())
    low, high = points.min(axis=0), points.max(axis=0)
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def _draw_name(axes: Axes, name: Name, text: str, label: Label, spot: Spot) -> None:
    """Draw one placed name, its leader line first."""
    if spot.leader:
        x0, y0, x1, y1 = box_of(spot, label.size)
        end = (min(max(label.x, x0), x1), min(max(label.y, y0), y1))
        axes.plot([end[0], label.x], [end[1], label.y], transform=None, color="black", linewidth=0.7, zorder=8)
    look: dict[str, object] = {"size": name.size, "weight": name.weight, "color": name.colour, "zorder": 9}
    if name.background:
        look["bbox"] = {
            "boxstyle": "round,pad=0.18",
            "facecolor": name.background,
            "edgecolor": "black",
            "linewidth": 0.8,
            "alpha": 0.92,
        }
    text_at_px(axes, (spot.x, spot.y), text, look=look)
