"""Where the warmest parts are heading if the power stays on."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from thermscan.model.board import Board
from thermscan.model.film import Excess
from thermscan.model.quantity import Measured
from thermscan.model.result import PartReading, WarmUpReading
from thermscan.model.settings import WarmUpSettings
from thermscan.physics.warm_up import WarmUp, extrapolate

NOT_STEADY = "power came and went while it was filmed"


def read_warm_ups(
    parts: Sequence[PartReading], excess: Excess, board: Board, *, runs: int, settings: WarmUpSettings
) -> tuple[WarmUpReading, ...]:
    """Extrapolate the rise of the warmest parts to balance.

    Parameters
    ----------
    parts : sequence of PartReading
        With their rise over the film's bins.
    excess : Excess
    board : Board
        Gives the parts' limits (``max_c``).
    runs : int
        Power-ups within the recording; with more than one the course is no single warm-up.
    settings : WarmUpSettings

    Returns
    -------
    tuple of WarmUpReading
        The warmest ``settings.parts`` parts, warmest first; empty where kelvin or the second of power-on are unknown.
    """
    film = excess.film
    if film.unit != "celsius" or film.clock != "power_on":
        return ()
    known = [p for p in parts if p.rise_course_k is not None and p.rise_k is not None and p.rise_k.low > 0]
    known.sort(key=lambda p: -p.rise_k.value)  # type: ignore[union-attr]
    end = film.edges_s[-1] if film.on_for_s is None else film.on_for_s
    on = (film.edges_s[:-1] >= 0) & (film.edges_s[1:] <= end + 1e-6)
    return tuple(_read(p, film.centres_s, on, board, runs, settings) for p in known[: int(settings.parts)])


def _read(
    part: PartReading, centres_s: np.ndarray, on: np.ndarray, board: Board, runs: int, settings: WarmUpSettings
) -> WarmUpReading:
    """Extrapolate one part."""
    limit_c = board.part(part.ref).max_c
    if runs > 1:
        return WarmUpReading(part.ref, None, None, None, None, None, limit_c, None, {"final_rise_k": NOT_STEADY})
    course = np.asarray(part.rise_course_k, float)
    shown = course[on & np.isfinite(course)]
    scale = part.rise_k.value / shown[-1] if shown.size and shown[-1] > 0 else 1.0  # type: ignore[union-attr]
    noise = np.zeros(len(course)) if part.noise_course_k is None else np.asarray(part.noise_course_k, float)
    error = np.hypot(noise, settings.reading_error_k)
    start = None if part.temperature_c is None else part.temperature_c.value - part.rise_k.value  # type: ignore[union-attr]
    limit_k = None if limit_c is None or start is None else limit_c - start
    asked = limit_k if limit_k is not None and limit_k > 0 else None
    answer = extrapolate(
        centres_s[on], scale * course[on], scale * error[on], limit_k=asked, board_s=settings.board_s, settings=settings
    )
    return WarmUpReading(
        part.ref,
        answer.final_k,
        _temperature(answer, part, start),
        answer.time_constant_s,
        answer.fast_s,
        answer.at_least_k,
        limit_c,
        answer.limit_s,
        _reasons(answer),
    )


def _temperature(answer: WarmUp, part: PartReading, start_c: float | None) -> Measured | None:
    """Return the temperature in balance: start and final rise, the reading's own error included."""
    if answer.final_k is None or start_c is None or part.temperature_c is None:
        return None
    own = 1.96 * part.temperature_c.standard_error
    k = answer.final_k
    value = start_c + k.value
    return Measured(
        value, value - float(np.hypot(k.value - k.low, own)), value + float(np.hypot(k.high - k.value, own))
    )


def _reasons(answer: WarmUp) -> dict[str, str]:
    """Rename the reasons to the keys of the record."""
    renamed = {"final_k": "final_rise_k"}
    return {renamed.get(key, key): text for key, text in answer.why.items()}
