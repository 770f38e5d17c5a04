"""What to make: every field left at None is drawn from the seed."""

from __future__ import annotations

from dataclasses import dataclass

FAULT_WORDS = (
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
    "none",
)
RESOLUTIONS = ((32, 24), (80, 60), (120, 90), (160, 120), (206, 156), (256, 192), (320, 240), (384, 288), (640, 512))


@dataclass(frozen=True)
class CaseOptions:
    """How a case is made; None means drawn.

    Attributes
    ----------
    resolution : tuple of int, optional
        Columns and rows of the camera, 32 x 24 to 640 x 512.
    hand_held : bool, optional
    frame_rate_hz : float, optional
        2 to 30; drawn by resolution.
    before_s, on_s, after_s : float, optional
        Seconds before power-on, on, and after power-off (0: still on at the end).
    fault : str, optional
        One of FAULT_WORDS.
    fault_w : float, optional
        Watts of the fault's own heat, for the kinds that make heat.
    goods : int, optional
        Number of known-good boards, 0 to 5.
    board_mm : tuple of two tuples of float, optional
        Range of width and of height of the board; drawn inside.
    parts : tuple of int, optional
        Range of the number of parts.
    side : str, optional
        Side filmed.
    marks : bool, optional
        Whether corners were clicked.
    mark_error_px : float
        Standard deviation of each click in x and in y; three times this is the largest.
    noise_k : float, optional
        Temporal noise of one pixel.
    tilt_deg : float, optional
        Largest tilt of the optical axis against the board.
    rotation_deg : float, optional
        Rotation of the picture; any by default.
    fill : float, optional
        Share of the picture's tighter dimension that the board takes.
    blur_px : float, optional
        Standard deviation of the optics' blur.
    lens_k1 : float
        Radial distortion, OpenCV's model.
    camera_events : bool, optional
        Shutter steps, frozen and dropped frames.
    bad_pixels : bool
    fixed_pattern_k : float, optional
        Standard deviation of what is fixed in the sensor.
    warm_start : bool, optional
        The board is still warm from an earlier run.
    injection : bool
        A bench supply drives the shorted rail, the rest is unpowered.
    covered_short : bool
        A short sits at a part under a cover or on the side that is not filmed, where the board has one.
    supply_log : bool, optional
    perfect_surfaces : bool
        Every surface black: no emissivity contrast, no reflections.
    spread : float
        Scale of all differences between units of the same type; 0 makes them equal.
    power_ups : int
        Number of power-ups in one recording.
    cell_mm : float, optional
        Cell of the heat model; chosen by board size otherwise.
    emissivity_set : float
        Emissivity that the camera has applied to its numbers; 1 for none.
    unit : str
        ``'celsius'`` or ``'count'``: what the recording's frames are.
    ambient_c : float, optional
    count_scale_k : float
        Kelvin a count.
    pause_s : float, optional
        Pause between several power-ups; ``after_s``, but two seconds at least, otherwise.
    hand_in_view : bool, optional
        Whether a hand reaches into the picture for a moment.
    """

    resolution: tuple[int, int] | None = None
    hand_held: bool | None = None
    frame_rate_hz: float | None = None
    before_s: float | None = None
    on_s: float | None = None
    after_s: float | None = None
    fault: str | None = None
    fault_w: float | None = None
    goods: int | None = None
    board_mm: tuple[tuple[float, float], tuple[float, float]] | None = None
    parts: tuple[int, int] | None = None
    side: str | None = None
    marks: bool | None = None
    mark_error_px: float = 1.0
    noise_k: float | None = None
    tilt_deg: float | None = None
    rotation_deg: float | None = None
    fill: float | None = None
    blur_px: float | None = None
    lens_k1: float = 0.0
    camera_events: bool | None = None
    bad_pixels: bool = True
    fixed_pattern_k: float | None = None
    warm_start: bool | None = None
    injection: bool = False
    supply_log: bool | None = None
    perfect_surfaces: bool = False
    spread: float = 1.0
    power_ups: int = 1
    cell_mm: float | None = None
    emissivity_set: float = 1.0
    unit: str = "celsius"
    ambient_c: float | None = None
    count_scale_k: float = 0.01
    pause_s: float | None = None
    hand_in_view: bool | None = None
    covered_short: bool = False

    def __post_init__(self) -> None:
        for name, allowed in (("fault", FAULT_WORDS), ("side", ("top", "bottom")), ("unit", ("celsius", "count"))):
            value = getattr(self, name)
            if value is not None and value not in allowed:
                raise ValueError(f"{name} {value!r} is not one of {', '.join(allowed)}")
