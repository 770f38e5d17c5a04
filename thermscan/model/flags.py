"""Every quality flag with its one sentence; result, overlay legend, report and documents print from here."""

from __future__ import annotations

FLAGS: dict[str, str] = {
    "no_cold_frames": "no frame before power-on: temperatures are over the coolest regions: less certain",
    "warm_start": "the board was still cooling from an earlier run when it was switched on",
    "power_ups_averaged": "several power-ups of the recording were laid over one another at power-on and averaged",
    "single_frame": "one frame only: no rates and no times",
    "counts": "raw counts without a scale: places and times hold, kelvin and watts are not known",
    "no_times": "no frame times: rates and times are not known",
    "no_millimetres": "no board file and no size: places are fractions of the faulty board's own picture",
    "no_good_board": "no known-good board to compare with: this board against itself only, which is weaker evidence",
    "one_good_board": "one good board shows no spread between boards: a wider one is assumed",
    "placement_untrusted": "the placing of the board may be wrong as a whole",
    "at_edge": "at the edge of the board or of the picture: part of it may be cut off",
    "saturated": "touched the top of the camera's range: it is at least this hot",
    "below_resolution": "smaller than three camera pixels: the camera sees its peak too low",
    "unreadable": "bare metal or a reflection: a thermal camera cannot read this surface",
    "covered": "under a shield or heat sink: its own surface is not seen",
    "far_side": "on the side that is not seen: its heat arrives late and spread out",
    "pose_bridged": "some poses were interpolated from neighbouring frames",
    "not_on_together": "the boards were on together for only part of this run",
    "odd_good_board": "one of the known-good boards differs from the others more than good boards should",
    "few_frames": "few frames: intervals are wide",
}


def sentence(flag: str) -> str:
    """Return the sentence of a flag; raises KeyError for an unknown one."""
    return FLAGS[flag]
