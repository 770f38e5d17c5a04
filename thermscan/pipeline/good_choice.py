"""Which of the good boards' recordings are compared with: those that say as much as the others do."""

from __future__ import annotations

from collections.abc import Sequence

from thermscan.model.timing import reason_words
from thermscan.pipeline.film_set import Placed

LEAST_RUN = 0.5  # of the faulty board's seconds with a net fed, that a good board must have been fed for; judgement


def choose_goods(placed: Sequence[Placed], *, is_injection: bool = False) -> tuple[tuple[bool, ...], tuple[str, ...]]:
    """Tell which recordings to use, the faulty board's first and always, and a sentence for each one left out.

    Where the faulty board and a good one are placed for sure, good ones that are not would put heat beside the parts
    that make it. Where they show their power-on, the others could be compared at the end of their run only, which says
    far less. Where one net alone is fed, the board itself before that is what to compare with: a good board takes next
    to no current there, so that nothing tells when it was fed, and is used only where that is seen all the same.
    """
    used = [True] * len(placed)
    said: list[str] = []
    if is_injection and _is_clocked(placed[0]):
        for number, one in enumerate(placed[1:], start=1):
            if _run_s(one) < LEAST_RUN * _run_s(placed[0]):
                used[number] = False
                name = one.prepared.recording.name
                said.append(f"{name} is left out of the good boards: it shows no heat from the net that is fed")
    for is_fit, why_not in (
        (_is_placed, lambda p: f"its placing is not trusted ({_reason(p)}), the others' is"),
        (_is_clocked, lambda p: f"its power-on is not seen ({reason_words(p.prepared.timing.on_why)}), the others' is"),
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


def _run_s(placed: Placed) -> float:
    """Return for how long a recording shows its board with power, s; 0 where it shows no power-on."""
    timing, times = placed.prepared.timing, placed.prepared.recording.times_s
    if timing.on_s is None or times is None:
        return 0.0
    return (float(times[-1]) if timing.off_s is None else timing.off_s.value) - timing.on_s.value


def _is_clocked(placed: Placed) -> bool:
    return placed.prepared.timing.on_s is not None
