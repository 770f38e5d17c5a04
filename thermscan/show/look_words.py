"""A first look in plain words."""

from __future__ import annotations

from thermscan.model.look_report import LookReport
from thermscan.model.quantity import shown, shown_measured
from thermscan.model.timing import reason_words
from thermscan.show.fahrenheit import with_fahrenheit


def _times(report: LookReport) -> str:
    if report.first_s is None or report.last_s is None:
        return "no times"
    rate = "" if report.frame_rate_hz is None else f", {report.frame_rate_hz:.3g} frames/s"
    return f"{report.first_s:.2f} to {report.last_s:.2f} s{rate}"


def _power(report: LookReport) -> list[str]:
    timing, on_s = report.timing, report.timing.switched_s
    on = f"not known: {reason_words(timing.on_why)}" if on_s is None else shown_measured(on_s, "s")
    off = f"not known: {reason_words(timing.off_why)}" if timing.off_s is None else shown_measured(timing.off_s, "s")
    lines = [f"power on: {on}", f"power off: {off}"]
    if len(timing.power_ups) > 1:
        lines.append(f"switched on {len(timing.power_ups)} times, restarts {timing.restarts}")
    if timing.warm_start:
        lines.append("warm start: places were cooling from an earlier run")
    return lines


def look_lines(report: LookReport, *, fahrenheit: bool = False) -> tuple[str, ...]:
    """Return the facts of a look, one a line."""
    counts = report.unit == "count"

    def value(v: float) -> str:
        return f"{v:.0f} counts" if counts else shown(v, "c", fahrenheit=fahrenheit)

    noise = f"{report.noise:.2f} counts" if counts else f"{1000 * report.noise:.0f} mK"
    if fahrenheit and not counts:
        noise = shown(report.noise, "k", fahrenheit=True)
    still = "tripod: no motion beyond its error"
    moving = "could not be followed" if report.moved_px is None else f"hand-held: moves up to {report.moved_px:.1f} px"
    lines = [
        f"{report.frames} frames of {report.columns} x {report.rows} px, {_times(report)}",
        f"{value(report.lowest)} to {value(report.highest)}; noise of a pixel in one frame {noise}",
        still if report.is_tripod else moving,
        *_power(report),
    ]
    lines += [f"camera: {event.text}" for event in report.events]
    for rank, place in enumerate(report.hottest, 1):
        rise = "" if place.rise is None or counts else f", rise {shown(place.rise, 'k', fahrenheit=fahrenheit)}"
        lines.append(f"warm place {rank}: x {place.x_px:.0f}, y {place.y_px:.0f} px: {value(place.value)}{rise}")
    return with_fahrenheit(tuple(lines)) if fahrenheit else tuple(lines)
