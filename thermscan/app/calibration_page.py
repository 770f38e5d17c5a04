"""From calibrations to the page about each: which numbers and which panels."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from thermscan import __version__
from thermscan.calibrate.optics import slit_response
from thermscan.show.calibration_page import CalibrationPage, Map, Points

if TYPE_CHECKING:
    from thermscan.calibrate.lens import GridFit
    from thermscan.calibrate.optics import EdgeResponse
    from thermscan.calibrate.surface import EmissivityMap, SurfaceCalibration
    from thermscan.calibrate.temperature import TemperatureCalibration
    from thermscan.model.camera_profile import (
        CameraProfile,
        LensSection,
        NoiseSection,
        OpticsSection,
        PairingSection,
        ShutterSection,
    )

NONE = np.zeros(0)
BEND = "The counts bend over temperature: a straight line does not follow them. Try --form curve."


def _page(
    title: str,
    profile: CameraProfile,
    section: object,
    lines: tuple[tuple[str, str], ...],
    panels: tuple[Points | Map, ...],
    sources: tuple[tuple[str, str], ...],
) -> CalibrationPage:
    date, method = getattr(section, "date", ""), getattr(section, "method", "")
    subtitle = f"{profile.name}, {date}: {method}"
    return CalibrationPage(title, subtitle, lines, panels, sources, __version__)


def temperature_page(
    profile: CameraProfile, found: TemperatureCalibration, sources: tuple[tuple[str, str], ...]
) -> CalibrationPage:
    """Lay out a temperature calibration: response and residuals."""
    scale = found.scale
    true = np.array([r.true_c for r in found.references])
    signal = np.array([r.signal for r in found.references])
    half = 1.96 * np.array([r.error_k for r in found.references])
    lines = [
        ("form", scale.form),
        ("valid from, to", f"{scale.from_c:.1f} to {scale.to_c:.1f} °C"),
        ("standard uncertainty", f"{scale.error_k:.3f} K between these"),
        ("largest residual", f"{scale.residual_k:.3f} K"),
    ]
    for r, residual in zip(found.references, found.residual_k, strict=True):
        lines.append(("reference", f"{r.true_c:.2f} ± {r.error_k:.2f} °C: {r.signal:.6g}, residual {residual:+.3f} K"))
    if found.pixels is not None:
        lines.append(("pixels", f"{len(found.pixels.bad)} bad; offsets repeat to {found.pixels.error_k:.3f} K"))
    panels: tuple[Points | Map, ...] = (
        Points("Response", "true temperature, °C", "signal", true, signal, found.fitted_c,
               found.fitted_signal),
        Points("Residual, bars 95 % of the reference", "true temperature, °C", "fitted minus true, K", true,
               np.asarray(found.residual_k), NONE, NONE, half),
    )  # fmt: skip
    bend = found.scale.form == "line" and (scale.residual_k or 0.0) > 3 * max(r.error_k for r in found.references)
    notes = (*((BEND,) if bend else ()), *found.notes)
    return replace(_page("Temperature calibration", profile, scale, tuple(lines), panels, sources), notes=notes)


def noise_page(
    profile: CameraProfile,
    section: NoiseSection,
    mean: np.ndarray,
    sources: tuple[tuple[str, str], ...],
    shutter: ShutterSection | None = None,
    *,
    notes: tuple[str, ...] = (),
) -> CalibrationPage:
    """Lay out a noise measurement."""
    seen = (
        "fewer than two corrections seen"
        if shutter is None
        else (f"a correction every {shutter.interval_s:.0f} s, by {shutter.step_k:.3f} K")
    )
    drift = "not known" if section.drift_k_per_min is None else f"{section.drift_k_per_min:+.4f} K/min"
    lines = (
        ("temporal, a pixel (NETD)", f"{section.netd_mk:.1f} ± {1.96 * section.netd_error_mk:.1f} mK"),
        ("rows, columns in a frame", f"{section.rows_mk:.1f}, {section.columns_mk:.1f} mK"),
        ("whole frames, with drift", f"{section.frames_mk:.1f} mK"),
        ("fixed in pixels", f"{section.fixed_mk:.1f} mK"),
        ("fixed rows, columns", f"{section.fixed_rows_mk:.1f}, {section.fixed_columns_mk:.1f} mK"),
        ("drift", drift),
        ("shutter", seen),
    )
    page = _page("Noise", profile, section, lines, (Map("Mean of the frames", mean, "°C"),), sources)
    return replace(page, notes=notes)


def optics_page(
    profile: CameraProfile, section: OpticsSection, edge: EdgeResponse, sources: tuple[tuple[str, str], ...]
) -> CalibrationPage:
    """Lay out a blur measurement."""
    lines = (
        ("blur of the optics", f"{section.blur_px:.3f} ± {1.96 * section.blur_error_px:.3f} px (standard deviation)"),
        ("smallest part", f"{section.smallest_px:.1f} px across to be read to 95 % of its rise"),
        (
            "long slit",
            f"of 1, 2, 3 px keeps {', '.join(f'{slit_response(w, section.blur_px):.0%}' for w in (1, 2, 3))}",
        ),
    )
    what = "slit" if section.method.startswith("slit") else "edge"
    panel = Points(
        f"Across the {what}", "distance, px", "°C", edge.distance_px, edge.value, edge.distance_px, edge.fitted
    )
    return _page("Optics", profile, section, lines, (panel,), sources)


def lens_page(
    profile: CameraProfile,
    section: LensSection,
    fit: GridFit,
    mean: np.ndarray,
    sources: tuple[tuple[str, str], ...],
) -> CalibrationPage:
    """Lay out a lens calibration."""
    lines = (
        ("k1, k2", f"{section.k1:+.4f}, {section.k2:+.4f}, in units of {section.focal_px:.1f} px"),
        ("dots", f"{len(fit.seen_px)}, {section.error_px:.2f} px rms from the fit"),
    )
    return _page("Lens", profile, section, lines, (Map("Dots found", mean, "°C", fit.seen_px),), sources)


def pairing_page(profile: CameraProfile, section: PairingSection, fit: GridFit) -> CalibrationPage:
    """Lay out a pairing of thermal and visible picture."""
    error = (
        "four are met exactly, so their error is not known; add one or more"
        if section.error_px is None
        else f"{section.error_px:.2f} visible px from the fit"
    )
    lines = (("marks", f"{len(fit.seen_px)}: {error}"),)
    panel = Points("Visible picture", "x, px", "y, px", fit.seen_px[:, 0], fit.seen_px[:, 1], NONE, NONE,
                   crosses=fit.fitted_px, is_picture=True)  # fmt: skip
    return _page("Thermal and visible", profile, section, lines, (panel,), ())


def surface_page(
    about: tuple[str, str],
    found: SurfaceCalibration,
    mean: np.ndarray,
    sources: tuple[tuple[str, str], ...],
    *,
    boxes: tuple[tuple[str, int, int, int, int], ...] = (),
) -> CalibrationPage:
    """Lay out an emissivity measurement with its budget; ``about`` is its name, and day and method."""
    value = found.emissivity.measured
    lines = [("emissivity", f"{value.value:.3f} ({value.low:.3f} to {value.high:.3f}, 95 %)")]
    for q, part in zip(found.inputs, found.emissivity.contributions, strict=True):
        lines.append((q.name, f"{q.value:.2f} ± {q.standard_uncertainty:.2f} °C, brings {abs(part):.4f}"))
    panels = (Map("Mean of the frames", mean, "°C", boxes=boxes),)
    return CalibrationPage(f"Surface {about[0]}", about[1], tuple(lines), panels, sources, __version__)


def map_page(
    found: EmissivityMap,
    sources: tuple[tuple[str, str], ...],
    *,
    date: str,
    board_parts: tuple[tuple[str, str], ...] = (),
) -> CalibrationPage:
    """Lay out an emissivity map, with the parts that differ most where a board is known."""
    low, middle, high = np.nanquantile(found.emissivity, [0.05, 0.5, 0.95])
    lines = (
        ("emissivity", f"{middle:.3f} in the middle, {low:.3f} to {high:.3f} for nine tenths of the pixels"),
        ("standard uncertainty", f"{np.nanmedian(found.error):.4f} in the middle"),
        ("not known", f"{np.mean(~np.isfinite(found.emissivity)):.1%} of the pixels"),
    )
    panels = (Map("Emissivity", found.emissivity, "emissivity"), Map("Standard uncertainty", found.error, "emissivity"))
    return CalibrationPage(
        "Emissivity map", f"{date}: from two even temperatures", (*lines, *board_parts), panels, sources, __version__
    )
