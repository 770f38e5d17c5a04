"""Which of the good boards' recordings are compared with: those that say as much as the others do."""

from __future__ import annotations

from collections.abc import Sequence

from thermscan.pipeline.film_set import Placed


def choose_goods(placed: Sequence[Placed]) -> tuple[tuple[bool, ...], tuple[str, ...]]:
    """Tell which recordings to use, the faulty board's first and always, and a sentence for each one left out.

    Where the faulty board and a good one are placed for sure, good ones that are not would put heat beside the parts
    that make it. Where they show their power-on, the others could be compared at the end of their run only, which says
    far less.
    """
    used = [True] * len(placed)
    said: list[str] = []
    for is_fit, why_not in (
        (_is_placed, lambda p: f"its placing is not trusted ({_reason(p)}), the others' is"),
        (_is_clocked, lambda p: f"its power-on is not seen ({p.prepared.timing.on_why}), the others' is"),
    ):
        fit = [is_fit(p) for p in placed]
        if not fit[0] or not any(f and u for f, u in zip(fit[1:], used[1:], strict=True)):
            continue
        for number, one in enumerate(placed):
            if used[number] and not fit[number]:
                used[number] = False
                said.append(f"{one.prepared.recording.name} is left out of the good boards: {why_not(one)}")
    return tuple(used), tuple(said)


def _is_placed(placed: Placed) -> bool:
    return placed.track.placement.trusted


def _reason(placed: Placed) -> str:
    return placed.track.placement.reason.removeprefix(f"{placed.prepared.recording.name}: ")


def _is_clocked(placed: Placed) -> bool:
    return placed.prepared.timing.on_s is not None
