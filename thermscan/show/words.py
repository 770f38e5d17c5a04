"""How values are said to people: units, intervals, places and the answer in one sentence."""

from __future__ import annotations

from dataclasses import dataclass

from thermscan.model.board import Board
from thermscan.model.caution import Caution, cautions_for
from thermscan.model.quantity import SHOWN, Measured, watts_words
from thermscan.model.result import (
    HeatSource,
    Hotspot,
    PartReading,
    Resampling,
    Result,
    RiseRate,
    Suspect,
    WarmUpReading,
)
from thermscan.model.result_maps import ResultMaps

UNKNOWN = "not known"


@dataclass(frozen=True)
class Unit:
    """How the excess is shown: its name, the factor from kelvin (or counts), and decimals."""

    name: str
    factor: float
    decimals: int


ROOM_C = 23.0  # what a board is taken to lie in where no temperature of a part is known
WORTH_NAMING = 0.05  # probability below which a suspect is not named in the answer of one line; judgement


def excess_unit(result: Result, *, fahrenheit: bool = False) -> Unit:
    """Return the unit of rise and excess: K, a Fahrenheit difference, or counts."""
    if result.units == "count":
        return Unit("counts", 1.0, 0)
    how = SHOWN["k"][1 if fahrenheit else 0]
    return Unit(how.unit, how.factor, how.decimals)


def _decimals(half: float) -> int:
    """Return decimals for a half interval: one digit of it is shown, two where it begins with a 1; three at most."""
    for decimals in range(3):
        if half >= 1.95 * 10.0**-decimals:
            return decimals
    return 3


def say(measured: Measured | None, suffix: str, *, fahrenheit: bool = False, why: str = "") -> str:
    """Say a measured value with its interval, digits to fit the interval: ``'0.42 W (0.37 to 0.47)'``."""
    if measured is None:
        return f"{UNKNOWN}: {why}" if why else UNKNOWN
    how = SHOWN[suffix][1 if fahrenheit else 0]
    value, low, high = (v * how.factor + how.offset for v in (measured.value, measured.low, measured.high))
    digits = _decimals((high - low) / 2)
    return f"{_fixed(value, digits)} {how.unit} ({_fixed(low, digits)} to {_fixed(high, digits)})"


def _fixed(value: float, digits: int) -> str:
    """Return a number with fixed decimals; what rounds to nothing has no sign."""
    text = f"{value:.{digits}f}"
    return text.removeprefix("-") if float(text) == 0 else text


def is_of_surface(item: PartReading | Suspect | Hotspot | None, result: Result) -> bool:
    """Tell whether an excess is that of the surface itself, corrected for it, or what the camera shows."""
    if isinstance(item, Suspect) and item.ref is None:
        item = next((s for s in result.hotspots if s.excess_k is not None and s.excess_k == item.excess_k), None)
    named = item.parts[:1] if isinstance(item, Hotspot) else () if item is None else (item.ref,)
    part = next((p for p in result.parts if p.ref in named), None)
    return part is not None and part.excess_drawn_k is not None


def excess_label(*, of_surface: bool) -> str:
    """Name an excess by what it is: of the surface, or as the camera shows it."""
    return "excess of the surface" if of_surface else "excess seen"


def say_excess(spot: Hotspot, result: Result, *, fahrenheit: bool = False) -> str:
    """Say the excess of a place in kelvin, or in counts where there is no scale."""
    if spot.excess_k is None and spot.excess_counts is not None:
        return f"{spot.excess_counts:+.0f} counts"
    return say(spot.excess_k, "k", fahrenheit=fahrenheit, why=spot.why.get("excess_k", result.why.get("excess_k", "")))


def depth_words(source: HeatSource) -> str:
    """Say how deep a source lies; where that is unknown, with the probability of each depth."""
    if source.depth != "unknown":
        return source.depth.replace("_", " ")
    open_ = sorted(source.depth_probability.items(), key=lambda item: -item[1])
    shares = ", ".join(f"{depth.replace('_', ' ')} {share:.0%}" for depth, share in open_ if share >= 0.01)
    return f"unknown ({shares})" if shares else "unknown"


def resampling_words(resampling: Resampling | None) -> str:
    """Say what bringing pictures to the board's grid did to their noise; empty where that is not known."""
    if resampling is None:
        return ""
    return (
        f"On the board's grid (cells of {resampling.cell_px:.2f} px) one frame's noise is {resampling.noise_share:.2f}"
        f" times that of a pixel, and cells nearer than about {2 * resampling.correlation_px:.1f} px share it."
    )


def warm_up_words(warm_up: WarmUpReading, *, fahrenheit: bool = False) -> str:
    """Say where a part is heading if the power stays on, or why that cannot be said."""
    if warm_up.final_rise_k is None:
        return f"where it ends cannot be told: {warm_up.why.get('final_rise_k', UNKNOWN)}"
    if warm_up.final_c is not None:
        text = f"heads for {say(warm_up.final_c, 'c', fahrenheit=fahrenheit)} if the power stays on"
    else:
        text = f"heads for a rise of {say(warm_up.final_rise_k, 'k', fahrenheit=fahrenheit)} if the power stays on"
    text += f", time constant {say(warm_up.time_constant_s, 's')}"
    if warm_up.limit_c is None:
        return text
    how = SHOWN["c"][1 if fahrenheit else 0]
    limit = f"{warm_up.limit_c * how.factor + how.offset:.0f} {how.unit}"
    if warm_up.limit_s is not None:
        return f"{text}; reaches its limit of {limit} after {say(warm_up.limit_s, 's')}"
    return f"{text}; limit of {limit}: {warm_up.why.get('limit_s', 'not reached')}"


def say_rate(rate: RiseRate | None, *, fahrenheit: bool = False, why: str = "") -> str:
    """Say a rise rate with its window."""
    if rate is None:
        return f"{UNKNOWN}: {why}" if why else UNKNOWN
    return f"{say(rate.k_per_s, 'k_per_s', fahrenheit=fahrenheit)}, over {rate.window_s:.2g} s"


def say_share(probability: float) -> str:
    """Say a probability in per cent, never as certainty."""
    if probability < 0.005:
        return "under 1 %"
    if probability > 0.995:
        return "over 99 %"
    return f"{100 * probability:.0f} %"


def say_place(item: Suspect | Hotspot, result: Result) -> str:
    """Say where: millimetres with the radius, or fractions of the picture."""
    if item.x_mm is None or item.y_mm is None:
        return UNKNOWN
    if result.picture_px is not None:
        columns, rows = result.picture_px
        return f"{item.x_mm / columns:.2f} across, {1 - item.y_mm / rows:.2f} down (fractions of the picture)"
    within = "" if item.place_95_mm is None else f", within {item.place_95_mm:.1f} mm"
    return f"x {item.x_mm:.1f} mm, y {item.y_mm:.1f} mm{within}"


def name_of(suspect: Suspect) -> str:
    """Return what a suspect is called: its refdes, else its net, else the bare place."""
    if suspect.ref:
        return suspect.ref
    return f"net {suspect.net}" if suspect.net else "bare place"


def called(suspect: Suspect, result: Result) -> str:
    """Return what a suspect is called in lists: a bare place gets the number that it has on the overlay."""
    if suspect.ref or suspect.x_mm is None or suspect.y_mm is None:
        return name_of(suspect)
    for spot in result.hotspots:
        reach = max(spot.place_95_mm, suspect.place_95_mm or 0.0)
        if (spot.x_mm - suspect.x_mm) ** 2 + (spot.y_mm - suspect.y_mm) ** 2 <= reach**2:
            return f"{name_of(suspect)}, no. {spot.rank}"
    return name_of(suspect)


FRAMED_FROM = 0.01  # probability from which a later suspect is framed on a map; judgement


def framed_suspects(result: Result, *, most: int = 3) -> tuple[Suspect, ...]:
    """Return the suspects to frame on maps: of the first few those that are more than names in the list."""
    return tuple(s for i, s in enumerate(result.suspects[:most]) if i == 0 or s.probability >= FRAMED_FROM)


def fault_words(fault: str) -> str:
    """Return a fault word with spaces."""
    return fault.replace("_", " ")


def state_words(reading: PartReading) -> str:
    """Return a part's state in words."""
    return {
        "like_good": "like the good boards",
        "unclear": "differs a little: cannot tell",
        "unknown": "cannot tell",
    }.get(reading.state, reading.state)


def board_words(result: Result) -> str:
    """Return the board's name, or that it has none."""
    return result.board_name or "board without a name"


def basis_words(result: Result) -> str:
    """Say what the board was compared with."""
    if result.basis == "good_boards":
        count = result.good_boards
        return f"{count} good board{'' if count == 1 else 's'}"
    if result.basis == "itself_before":
        return "the same board's earlier recording"
    return "itself only (no good board)"


def colour_words(result: Result) -> str:
    """Say what the colours of the excess mean."""
    if result.basis == "good_boards":
        return f"blue colder, red warmer than {basis_words(result)}"
    if result.basis == "itself_before":
        return "blue colder, red warmer than the same board before"
    return "the board's own rise: there is no good board to compare with"


def when_words(maps: ResultMaps) -> str:
    """Say which second a still picture shows."""
    zero = "after power-on" if maps.clock == "power_on" else "on the recording's clock"
    return f"{maps.shown_s:.1f} s {zero}"


def is_mirrored(result: Result) -> bool:
    """Tell whether pictures are drawn mirrored in x: the underside, where places are board millimetres.

    Places that are fractions of the faulty board's own picture already lie as the camera sees them.
    """
    return result.side == "bottom" and result.picture_px is None


def side_words(side: str) -> str:
    """Say which side is shown and how it lies."""
    return "top side" if side == "top" else "underside, as seen from below"


def answer(result: Result) -> str:
    """Say the verdict in one sentence."""
    if result.verdict == "suspect" and result.suspects:
        first = result.suspects[0]
        where = f" on {first.net}" if first.net and first.ref else ""
        return (
            f"Most likely {called(first, result)}{where}: {fault_words(first.fault)} ({say_share(first.probability)})."
        )
    if result.verdict == "like_good":
        limit = ""
        if result.detection_limit_w is not None:
            limit = f", {watts_words(result.detection_limit_w)} on nine tenths of the board"
        return (
            f"No fault found: this board behaves like {basis_words(result)} within the detection limit{limit} "
            f"({say_share(result.no_fault_probability)})."
        )
    best = ""
    if result.suspects and result.suspects[0].probability >= WORTH_NAMING:
        first = result.suspects[0]
        best = f" The nearest suspect is {called(first, result)} with {say_share(first.probability)}."
        if "placement_untrusted" in result.flags:
            best += " The board's place in a picture is not sure: look which body really is warm before naming a part."
    return f"This recording cannot tell.{best}"


def result_cautions(result: Result, board: Board | None) -> tuple[Caution, ...]:
    """Return the cautions that a result calls for: its board, its next steps, and the hottest that was seen.

    A place of a board without listed parts has no temperature of its own: its excess over a room stands for it.
    """
    hottest = [part.temperature_c.value for part in result.parts if part.temperature_c is not None]
    hottest += [ROOM_C + place.excess_k.value for place in result.hotspots if place.excess_k is not None]
    injected = any(sentence.startswith("injection into ") for sentence in result.warnings)
    return cautions_for(board, hottest_c=max(hottest, default=None), steps=result.next_steps, injected=injected)
