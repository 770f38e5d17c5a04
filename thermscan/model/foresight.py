"""What a planned recording will show: the smallest source against seconds with power on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

CAUTIONS = (
    "Longer is not always better: stop before parts reach their limits, and never leave a faulty board unattended; "
    "local electrical codes and licensed practice come first.",
    "Repeats need a board that has cooled down to the room in between.",
)


def digits(value: float) -> str:
    """Return a number with three digits, never as a power of ten."""
    return f"{float(f'{value:.3g}'):g}"


@dataclass(frozen=True)
class ForesightTable:
    """Smallest power that shows up, against seconds with power on and number of power-ups.

    Attributes
    ----------
    plan_text : str
        Camera, view and part in words.
    plate_text : str
        Which plate was used and where its numbers come from.
    seconds : ndarray of shape (steps,), s
    repeats : tuple of int
        Cold power-ups that are averaged.
    smallest_w : ndarray of shape (steps, repeats), W
        Found with 95 % chance while an empty recording gives one false place in a hundred.
    smallest_95_w : ndarray of shape (steps, repeats, 2), W
        Over the board's copper and the part's coupling, which are not known.
    peak_k_per_w : ndarray of shape (steps,), K/W
        Rise of the warmest pixel for one watt.
    pixels_on_part : float
    power_w : float or None, W
        A source that was asked about.
    power_text : str
        When it shows up; empty where none was asked about.
    warnings : tuple of str
    """

    plan_text: str
    plate_text: str
    seconds: np.ndarray
    repeats: tuple[int, ...]
    smallest_w: np.ndarray
    smallest_95_w: np.ndarray
    peak_k_per_w: np.ndarray
    pixels_on_part: float
    power_w: float | None = None
    power_text: str = ""
    warnings: tuple[str, ...] = ()

    def lines(self) -> tuple[str, ...]:
        """Return the table as lines of text, powers in mW with their 95 % interval."""
        heads = [f"{n} power-up{'s' if n > 1 else ''}, mW" for n in self.repeats]
        out = [self.plan_text, self.plate_text, "", "Smallest source that shows up (95 % interval: copper, coupling):"]
        out.append("  ".join([f"{'on, s':>6}", f"{'K/W':>6}", *(f"{h:>26}" for h in heads)]))
        for i, second in enumerate(self.seconds):
            cells = [
                f"{digits(1e3 * self.smallest_w[i, k])} ({digits(1e3 * self.smallest_95_w[i, k, 0])} to "
                f"{digits(1e3 * self.smallest_95_w[i, k, 1])})"
                for k in range(len(self.repeats))
            ]
            out.append("  ".join([f"{second:>6.3g}", f"{self.peak_k_per_w[i]:>6.3g}", *(f"{c:>26}" for c in cells)]))
        out += [""] + ([self.power_text] if self.power_text else [])
        out += [f"warning: {text}" for text in self.warnings]
        return (*out, *(f"caution: {text}" for text in CAUTIONS))
