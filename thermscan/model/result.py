"""What the tool answers: the records behind result.json, every number with its interval or the reason for none."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from thermscan.model.budget import BudgetTerm
from thermscan.model.quantity import Measured

VERDICTS = ("suspect", "like_good", "cannot_tell")
FAULTS = (
    "short",
    "leak",
    "overload",
    "dead_supply",
    "open_or_missing",
    "joint",
    "heat_path",
    "bridge",
    "hidden_source",
    "supply_limit",
    "other",
)


@dataclass(frozen=True)
class RiseRate:
    """Steepest slope of a curve, K/s, over the window ``window_s`` that starts at ``from_s``."""

    k_per_s: Measured
    window_s: float
    from_s: float


@dataclass(frozen=True)
class Hotspot:
    """A significant hot or cold place of the excess.

    Attributes
    ----------
    rank : int
        1 is the most significant; the number drawn on the overlay.
    kind : {'hot', 'cold'}
    x_mm, y_mm : float
        Centre of heat (peak of the smoothed excess, refined below a cell).
    place_95_mm : float
        Radius that holds the true place with 95 %.
    excess_k : Measured or None
        At ``excess_at_s``, peak. None for counts; then ``excess_counts`` holds it.
    p_value, q_value : float
        Against noise and spread; false-discovery adjusted.
    area_mm2 : float
    parts : tuple of str
        Refdes of parts whose body is within the place's radius, nearest first.
    flags : tuple of str
        Short names of QUALITY_FLAGS.
    """

    rank: int
    kind: str
    x_mm: float
    y_mm: float
    place_95_mm: float
    excess_k: Measured | None
    excess_counts: float | None
    excess_at_s: float | None
    p_value: float
    q_value: float
    significance: float
    area_mm2: float
    parts: tuple[str, ...] = ()
    rise_rate: RiseRate | None = None
    flags: tuple[str, ...] = ()
    why: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class PartReading:
    """What the recording says about one part: its rise, excess and their intervals.

    ``state`` is ``'like_good'``, ``'unclear'`` (differs, by less than tells one part of many), ``'hot'``, ``'cold'``,
    ``'unreadable'`` (bare metal, covered) or ``'unknown'``.
    ``excess_course_k`` is ndarray (bins,), the part's mean excess at each second, ``noise_course_k`` its standard
    error and ``spread_course_k`` the spread expected between good boards; these courses are apparent (emissivity 1).
    ``temperature_c``, and where the board file names the surface ``rise_k`` and ``excess_k`` too, are those of the
    surface itself; ``temperature_budget`` lists what their uncertainty is made of,
    ``temperature_drawn_c`` is the temperature with its interval by Monte Carlo instead of propagation, and
    ``excess_drawn_k`` the excess likewise. ``detection_limit_w`` is the smallest heat made in this part, over the good
    boards', that would have been listed with 95 % chance, W.
    """

    ref: str
    kind: str
    side: str
    state: str
    rise_k: Measured | None
    excess_k: Measured | None
    excess_at_s: float | None
    rise_rate: RiseRate | None
    temperature_c: Measured | None
    significance: float | None
    pixels: float
    flags: tuple[str, ...] = ()
    why: dict[str, str] = field(default_factory=dict)
    excess_course_k: np.ndarray | None = None
    noise_course_k: np.ndarray | None = None
    spread_course_k: np.ndarray | None = None
    rise_course_k: np.ndarray | None = None
    temperature_budget: tuple[BudgetTerm, ...] = ()
    temperature_drawn_c: Measured | None = None
    excess_drawn_k: Measured | None = None
    detection_limit_w: float | None = None


@dataclass(frozen=True)
class HeatSource:
    """A place where heat is made beyond (or short of) the baseline, from the inverted heat equation.

    Attributes
    ----------
    ref : str or None
        Part it sits at, None for a free place.
    x_mm, y_mm, place_95_mm : float
    power_w : Measured
        Mean watts while on, over the good boards'; negative where less.
    course_w : ndarray of shape (bins,), or None where it was not worked out
    needed_probability : float
        That the source is needed at all to explain the excess.
    depth : {'surface', 'under_part', 'far_side', 'unknown'}
        ``'unknown'`` where the data leave more than one open.
    depth_probability : dict of depth to probability
    rivals : dict of refdes ('' for a free spot) to probability
        Which of the parts around it makes the heat, given that there is a source.
    """

    ref: str | None
    x_mm: float
    y_mm: float
    place_95_mm: float
    power_w: Measured
    course_w: np.ndarray | None
    needed_probability: float
    depth: str = "surface"
    depth_probability: dict[str, float] = field(default_factory=dict)
    flags: tuple[str, ...] = ()
    rivals: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Suspect:
    """A part, net or bare place that may be at fault; outcomes exclude one another and add to one."""

    ref: str | None
    net: str | None
    side: str
    fault: str
    fault_text: str
    faults: dict[str, float]
    x_mm: float | None
    y_mm: float | None
    place_95_mm: float | None
    probability: float
    power_w: Measured | None
    rise_rate: RiseRate | None
    excess_k: Measured | None
    excess_at_s: float | None
    reasons: tuple[str, ...]
    flags: tuple[str, ...] = ()
    why: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Ranking:
    """The answer of the explaining stage: suspects, best first, and what is left for 'none of these'."""

    suspects: tuple[Suspect, ...]
    no_fault_probability: float
    other_probability: float
    verdict: str
    next_steps: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    moved_by: tuple[str, ...] = ()  # one sentence a reading or symptom: what moved what, and how far
    flags: tuple[str, ...] = ()


@dataclass(frozen=True)
class InputFile:
    """A file that the result was made from."""

    role: str
    path: str
    sha256: str
    frames: int | None = None
    rows: int | None = None
    columns: int | None = None


@dataclass(frozen=True)
class RegistrationReport:
    """How one recording was placed on the board."""

    name: str
    method: str
    side: str
    error_px: float | None
    error_mm: float | None
    pixel_mm: float | None
    is_tripod: bool | None
    frames: int
    posed: int
    bridged: int
    without_pose: dict[str, int]
    trusted: bool
    reason: str
    lens: tuple[float, float] | None = None


@dataclass(frozen=True)
class Resampling:
    """What bringing pictures to the board's grid did to the noise of one frame.

    ``cell_px`` is the edge of a cell over that of a pixel; ``noise_share`` the standard deviation of a cell over that
    of a pixel, median; ``correlation_px`` the standard deviation, in pixels, of the kernel that white noise went
    through: cells nearer to one another than about twice that share their noise.
    """

    cell_px: float
    noise_share: float
    correlation_px: float


@dataclass(frozen=True)
class EnergyBooks:
    """Where the excess heat went: stored, lost to air, unseen; and what the supply delivered, W (means while on)."""

    made_w: Measured | None
    stored_w: Measured | None
    lost_w: Measured | None
    supply_w: Measured | None
    sentence: str
    why: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class WarmUpReading:
    """Where the warm-up of a part is heading if the power stays on: rise and temperature in balance, time to a limit.

    ``at_least_k`` is the rise that balance lies above with 97.5 % where the seconds are too few for more;
    ``limit_s`` counts from power-on to the part's own limit ``limit_c`` of the board file.
    """

    ref: str
    final_rise_k: Measured | None
    final_c: Measured | None
    time_constant_s: Measured | None
    fast_time_constant_s: Measured | None
    at_least_k: float | None
    limit_c: float | None
    limit_s: Measured | None
    why: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Result:
    """Everything that leaves a comparison."""

    verdict: str
    no_fault_probability: float
    other_probability: float
    power_on_s: Measured | None
    power_off_s: Measured | None
    suspects: tuple[Suspect, ...]
    hotspots: tuple[Hotspot, ...]
    parts: tuple[PartReading, ...]
    sources: tuple[HeatSource, ...]
    energy: EnergyBooks | None
    registration: tuple[RegistrationReport, ...]
    camera_events: tuple[dict[str, object], ...]
    warnings: tuple[str, ...]
    flags: tuple[str, ...]
    inputs: tuple[InputFile, ...]
    settings: dict[str, object]
    version: str
    basis: str
    good_boards: int
    restarts: int | None
    side: str
    board_name: str
    units: str
    detection_limit_w: float | None
    next_steps: tuple[str, ...] = ()
    moved_by: tuple[str, ...] = ()
    why: dict[str, str] = field(default_factory=dict)
    # (columns, rows) of the faulty board's own picture where no millimetres are known: every *_mm of this record is
    # then in its pixels, x right from the left edge and y UP from the lower edge, and leaves as a fraction of it.
    picture_px: tuple[int, int] | None = None
    detection_limit_text: str | None = None
    plate_text: str | None = None
    warm_ups: tuple[WarmUpReading, ...] = ()
    resampling: Resampling | None = None

    @property
    def none_probability(self) -> float:
        """Probability of 'none of the listed suspects': no fault, or another one."""
        return self.no_fault_probability + self.other_probability
