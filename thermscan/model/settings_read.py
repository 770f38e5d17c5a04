"""Defaults of reading files and of calibrating."""

from __future__ import annotations

from dataclasses import dataclass

from thermscan.model.knob import knob


@dataclass(frozen=True)
class ReadSettings:
    """Opening files: what is doubted, what is refused."""

    frames_looked_at: int = knob(5, (1, 1000), "frames spread over a recording that are looked at when it is opened")
    rate_disagreement: float = knob(
        0.05, (0.0, 1.0), "relative disagreement of times and frame rate from which on it is reported; common practice"
    )
    background_share: float = knob(
        0.2, (0.0, 1.0), "share of the coolest pixels whose upper end is taken as the background; common practice"
    )
    doubtful_low_c: float = knob(
        60.0, (-50.0, 300.0), "background from which on a grid without unit may be Fahrenheit: 60 F is 15.6 C"
    )
    doubtful_high_c: float = knob(
        95.0, (-50.0, 300.0), "background up to which a grid without unit may be Fahrenheit: 95 F is 35 C"
    )
    kelvin_low: float = knob(255.0, (0.0, 400.0), "background from which on a grid without unit may be kelvin: -18 C")
    kelvin_high: float = knob(345.0, (0.0, 500.0), "background up to which a grid without unit may be kelvin: 72 C")
    coldest_c: float = knob(-100.0, (-273.15, 50.0), "median below which unit or scale are taken as wrong, C")
    hottest_c: float = knob(1000.0, (50.0, 5000.0), "median above which unit or scale are taken as wrong, C")


@dataclass(frozen=True)
class CalibrationSettings:
    """Calibrating a camera and surfaces."""

    least_span_k: float = knob(15.0, (1.0, 500.0), "span of the references that a scale needs; judgement")
    least_gap_k: float = knob(5.0, (0.1, 100.0), "distance from which two references count as two; judgement")
    fewest_frames: int = knob(
        8, (2, 1000), "frames from which noise and drift can be told: of a deviation from 8 a quarter is open"
    )
    bad_pixel_sigmas: float = knob(8.0, (3.0, 100.0), "offset of a pixel over the usual spread that makes it bad")
    least_contrast_k: float = knob(
        10.0,
        (0.5, 200.0),
        "distance of a surface from its surroundings for an emissivity; ASTM E1933 (from memory): 10 K",
    )
