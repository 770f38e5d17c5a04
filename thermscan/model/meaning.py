"""What each reported quantity means and when it is not valid: one table for schema, report and documents."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Meaning:
    """One reported key: short label for tables, what it is, and the line 'not valid when' (may be empty)."""

    label: str
    about: str
    not_valid_when: str = ""


_PLACE = "the board was placed with a wrong start (registration not trusted), or the heat spreads under a large part"
_EXCESS = "the boards ran at different supply, load or air flow, or the surface there cannot be read"

MEANINGS: dict[str, Meaning] = {
    "format_version": Meaning("format", "version of this layout of result.json"),
    "version": Meaning("version", "version of thermscan that wrote the result"),
    "verdict": Meaning(
        "verdict",
        "suspect when the first suspect reaches 0.5, like_good when no fault does, else cannot_tell",
        "the recording was made in another operating state than the good boards' recordings",
    ),
    "no_fault_probability": Meaning(
        "no fault",
        "probability that this power-up is like the good ones, within the stated detection limit",
        "the fault makes less heat than the detection limit, or shows only in a state that was not filmed",
    ),
    "other_probability": Meaning("other", "probability of a fault that is not among the listed suspects"),
    "none_probability": Meaning("none of these", "no_fault_probability plus other_probability"),
    "power_on_s": Meaning(
        "power-on",
        "when places begin to warm, on the recording's own clock; without a supply log its interval reaches back as far"
        " as converters may take to start after the switch",
        "the board was warm or already on when the recording started",
    ),
    "power_off_s": Meaning("power-off", "when the board was switched off, on the recording's own clock"),
    "suspects": Meaning("suspects", "parts, nets or bare places that may be at fault, most probable first"),
    "hotspots": Meaning("hotspots", "significant hot and cold places, in the order of the numbers on the overlay"),
    "parts": Meaning("parts", "what the recording says about each part of the board file"),
    "sources": Meaning("heat sources", "places where heat is made beyond, or short of, the baseline"),
    "energy": Meaning("energy", "where the excess heat went, as means while on"),
    "registration": Meaning("registration", "how each recording was placed on the board"),
    "camera_events": Meaning("camera events", "shutter steps, frozen and dropped frames, bad pixels"),
    "warnings": Meaning("warnings", "sentences about what weakens this result"),
    "flags": Meaning("flags", "short names of conditions that hold for this record"),
    "inputs": Meaning("inputs", "files that the result was made from, with SHA-256"),
    "settings": Meaning("settings", "settings that differ from their default"),
    "basis": Meaning("compared with", "good_boards, itself_before (an earlier recording) or itself_only"),
    "good_boards": Meaning("good boards", "number of known-good boards in the baseline"),
    "restarts": Meaning("restarts", "how often the board started again while it was filmed"),
    "side": Meaning("side", "side of the board: top or bottom"),
    "board_name": Meaning("board", "name from the board file"),
    "units": Meaning("unit of the frames", "celsius, or count where neither scale nor profile is known"),
    "detection_limit_text": Meaning(
        "detection limit in words",
        "the power above which a source would have been listed on nine tenths of the board, in half of the parts,"
        " and where least is seen",
        "power comes on and off within the seconds filmed, or heat is carried away by a fan or a metal core",
    ),
    "detection_limit_w": Meaning(
        "detection limit",
        "smallest power that would have been found on nine tenths of this board, or inside this part, W",
        "the place is covered, unreadable or under a tall part",
    ),
    "plate_text": Meaning(
        "plate", "where conductance, heat capacity and loss of the board were taken from when watts were computed"
    ),
    "resampling": Meaning("resampling", "what bringing pictures to the board's grid did to the noise of one frame"),
    "cell_px": Meaning("cell", "edge of a cell of the board's grid over that of a pixel"),
    "noise_share": Meaning("noise of a cell", "standard deviation of a cell over that of a pixel, one frame"),
    "correlation_px": Meaning(
        "noise correlation", "width, px, of the kernel that white noise went through: nearer cells share their noise"
    ),
    "warm_ups": Meaning("warm-ups", "where the warmest parts are heading if the power stays on"),
    "final_rise_k": Meaning(
        "final rise", "rise in balance, from the course so far", "power changes while on, or air is blown"
    ),
    "final_c": Meaning("final temperature", "temperature in balance", "power changes while on, or air is blown"),
    "time_constant_s": Meaning("time constant", "of the slower part of the warm-up"),
    "fast_time_constant_s": Meaning("fast time constant", "of the faster part of the warm-up, where two are needed"),
    "at_least_k": Meaning("at least", "the final rise lies above this with 97.5 %"),
    "limit_c": Meaning("limit", "highest temperature of the part, from the board file"),
    "limit_s": Meaning("time to the limit", "seconds since power-on until the part reaches its limit"),
    "next_steps": Meaning("what to do next", "captures and readings that would tell most, best first"),
    "moved_by": Meaning("moved by", "which readings and symptoms moved the suspects, and how far"),
    "why": Meaning("why", "for each key that is null, the reason"),
    "picture_px": Meaning("picture", "columns and rows of the picture that places are fractions of, without mm"),
    "rank": Meaning("rank", "number on the overlay, 1 is the most significant"),
    "kind": Meaning("kind", "hot or cold for a place; the kind of part; the kind of event"),
    "ref": Meaning("part", "refdes of the part"),
    "net": Meaning("net", "net that the fault sits on"),
    "fault": Meaning("fault", "the most probable kind of fault at this place"),
    "fault_text": Meaning("in words", "the same in words"),
    "faults": Meaning("rival explanations", "kinds of fault at this place with their probabilities"),
    "x_mm": Meaning("x", "board coordinate to the right, seen from the top", _PLACE),
    "y_mm": Meaning("y", "board coordinate upwards, seen from the top", _PLACE),
    "place_95_mm": Meaning("place within", "radius that holds the true place with 95 %", _PLACE),
    "x_fraction": Meaning("x", "place as a fraction of the picture's width from its left edge, without mm", _PLACE),
    "y_fraction": Meaning("y", "place as a fraction of the picture's height from its upper edge, without mm", _PLACE),
    "place_95_fraction": Meaning("place within", "the same radius as a fraction of the picture's width", _PLACE),
    "probability": Meaning(
        "probability",
        "probability that the fault is here, given everything that was measured and read in",
        "two faults act at once, or the fault's kind is not among those considered",
    ),
    "power_w": Meaning(
        "power",
        "mean watts while on, over the good boards' at that part; negative where less",
        "the copper under the place is unlike its surroundings, or the heat leaves through a heat sink or cable",
    ),
    "rise_rate_k_per_s": Meaning(
        "rise rate",
        "steepest slope of the excess over the window given beside it",
        "frame times are wrong or frames were dropped around power-on",
    ),
    "rise_rate_window_s": Meaning("window", "length of time over which the steepest slope was taken"),
    "rise_rate_from_s": Meaning("from", "where that window starts, seconds since power-on"),
    "excess_k": Meaning(
        "excess",
        "rise over the baseline's at the same place and second, of the surface where it is known, else as seen",
        _EXCESS,
    ),
    "excess_counts": Meaning("excess", "the same in counts, where kelvin is not known", _EXCESS),
    "excess_at_s": Meaning("at", "second since power-on for which the excess is given"),
    "rise_k": Meaning("rise", "temperature minus the mean of the board's own frames before power-on"),
    "temperature_c": Meaning(
        "temperature", "of the part's surface", "the surface's emissivity is not the one that was used"
    ),
    "temperature_budget": Meaning(
        "uncertainty", "what the uncertainty of temperature and excess is made of, one line an input"
    ),
    "temperature_drawn_c": Meaning(
        "temperature, drawn", "the temperature with its interval by Monte Carlo (JCGM 101) instead of propagation"
    ),
    "excess_drawn_k": Meaning(
        "excess, drawn", "the excess with its interval by Monte Carlo (JCGM 101) instead of propagation", _EXCESS
    ),
    "value": Meaning("value", "best estimate of the input, in its unit"),
    "standard_uncertainty": Meaning("uncertainty", "standard uncertainty of the input, in its unit"),
    "unit": Meaning("unit", "unit of value and uncertainty; empty for plain numbers"),
    "contribution_k": Meaning(
        "to the temperature", "what the input brings into the temperature: one standard deviation"
    ),
    "difference_k": Meaning(
        "to the excess", "what the same input brings into the excess: what both boards share cancels there"
    ),
    "source": Meaning("source", "where value and uncertainty of the input come from"),
    "reasons": Meaning("reasons", "one sentence each"),
    "p_value": Meaning("p", "probability of so large an excess from noise and spread alone"),
    "q_value": Meaning("q", "p adjusted for the number of places looked at (false discovery rate)"),
    "significance": Meaning("significance", "excess in standard deviations of noise and spread together"),
    "area_mm2": Meaning("area", "area over which the excess is significant"),
    "state": Meaning("state", "like_good, hot, cold, unreadable or unknown"),
    "pixels": Meaning("pixels", "camera pixels on the part", "fewer than about four: the reading is a mixture"),
    "course_w": Meaning("course", "power at each second"),
    "needed_probability": Meaning("needed", "probability that this source is needed to explain the excess"),
    "depth": Meaning("depth", "surface, under_part or far_side; unknown where the data leave more than one open"),
    "depth_probability": Meaning("depths", "probability of each depth"),
    "rivals": Meaning("rivals", "which of the parts around it makes the heat, given that there is a source"),
    "made_w": Meaning("made", "excess heat made, mean while on"),
    "stored_w": Meaning("stored", "part of it that warmed the board"),
    "lost_w": Meaning("lost", "part of it that left to the air and the surroundings"),
    "supply_w": Meaning("supply", "power from the supply log"),
    "sentence": Meaning("in words", "the books in one sentence"),
    "recording": Meaning("recording", "name of the recording that this is about"),
    "name": Meaning("name", "name of the recording, or of the input of a budget"),
    "method": Meaning("method", "how the board was placed in the picture"),
    "error_px": Meaning("error", "standard error of a placed point, pixels"),
    "error_mm": Meaning("error", "the same in millimetres"),
    "pixel_mm": Meaning("pixel", "size of a camera pixel on the board"),
    "is_tripod": Meaning("still", "true where no motion beyond its error was found"),
    "frames": Meaning("frames", "number of frames"),
    "posed": Meaning("placed", "frames with a pose of their own"),
    "bridged": Meaning("bridged", "frames whose pose was taken from their neighbours"),
    "without_pose": Meaning("not placed", "frames without a pose, by reason"),
    "trusted": Meaning("trusted", "false where the placing may be wrong as a whole"),
    "reason": Meaning("reason", "why it is not trusted; empty where it is"),
    "lens": Meaning("lens", "radial distortion k1 and k2 that was applied"),
    "frame": Meaning("frame", "first frame that the event touches"),
    "time_s": Meaning("time", "of that frame, on the recording's own clock"),
    "text": Meaning("what", "the event in words"),
    "size": Meaning("size", "size of the event in the unit that the text names"),
    "role": Meaning("role", "what the file was used for"),
    "path": Meaning("path", "as it was named"),
    "sha256": Meaning("SHA-256", "of the file, or of the series' digests"),
    "rows": Meaning("rows", "picture height, pixels"),
    "columns": Meaning("columns", "picture width, pixels"),
}


def meaning_of(key: str) -> Meaning:
    """Return the meaning of a key of result.json; an interval ``<key>_95`` has the meaning of its value."""
    if key not in MEANINGS and key.endswith("_95"):
        value = MEANINGS[key.removesuffix("_95")]
        return Meaning(f"{value.label}, 95 %", f"95 % interval of {value.label}: low and high", value.not_valid_when)
    return MEANINGS[key]
