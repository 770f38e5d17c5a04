"""All settings of a comparison: every default with its unit, range and reason, a record a stage."""

from __future__ import annotations

from dataclasses import dataclass, field, fields

from thermscan.model.settings_explain import ExplainSettings
from thermscan.model.settings_find import (
    DetectionSettings,
    EnergySettings,
    ExcessSettings,
    ForeseeSettings,
    OpticsSettings,
    PlateSettings,
    RateSettings,
    SourceMapSettings,
    SourceSettings,
    WarmUpSettings,
)
from thermscan.model.settings_measure import (
    CameraSettings,
    FilmSettings,
    MotionSettings,
    PictureSettings,
    RadiometrySettings,
    ReflectionSettings,
    TimingSettings,
)
from thermscan.model.settings_place import PlacementSettings
from thermscan.model.settings_read import CalibrationSettings, ReadSettings

__all__ = [
    "CalibrationSettings",
    "CameraSettings",
    "DetectionSettings",
    "EnergySettings",
    "ExcessSettings",
    "ExplainSettings",
    "FilmSettings",
    "ForeseeSettings",
    "MotionSettings",
    "OpticsSettings",
    "PictureSettings",
    "PlacementSettings",
    "PlateSettings",
    "RadiometrySettings",
    "RateSettings",
    "ReadSettings",
    "ReflectionSettings",
    "Settings",
    "SourceMapSettings",
    "SourceSettings",
    "TimingSettings",
    "WarmUpSettings",
    "changed",
]


def changed(settings: object, *, prefix: str = "") -> dict[str, object]:
    """Return the fields of a settings record (nested ones flattened) that differ from their default."""
    out: dict[str, object] = {}
    for f in fields(settings):  # type: ignore[arg-type]
        value = getattr(settings, f.name)
        if hasattr(value, "__dataclass_fields__"):
            out |= changed(value, prefix=f"{prefix}{f.name}.")
        elif value != f.default:
            out[prefix + f.name] = value
    return out


@dataclass(frozen=True)
class Settings:
    """All settings of a comparison."""

    reading: ReadSettings = field(default_factory=ReadSettings)
    camera: CameraSettings = field(default_factory=CameraSettings)
    motion: MotionSettings = field(default_factory=MotionSettings)
    film: FilmSettings = field(default_factory=FilmSettings)
    reflection: ReflectionSettings = field(default_factory=ReflectionSettings)
    excess: ExcessSettings = field(default_factory=ExcessSettings)
    detection: DetectionSettings = field(default_factory=DetectionSettings)
    rate: RateSettings = field(default_factory=RateSettings)
    plate: PlateSettings = field(default_factory=PlateSettings)
    source: SourceSettings = field(default_factory=SourceSettings)
    placement: PlacementSettings = field(default_factory=PlacementSettings)
    timing: TimingSettings = field(default_factory=TimingSettings)
    explain: ExplainSettings = field(default_factory=ExplainSettings)
    warm_up: WarmUpSettings = field(default_factory=WarmUpSettings)
    foresee: ForeseeSettings = field(default_factory=ForeseeSettings)
    energy: EnergySettings = field(default_factory=EnergySettings)
    radiometry: RadiometrySettings = field(default_factory=RadiometrySettings)
    source_map: SourceMapSettings = field(default_factory=SourceMapSettings)
    picture: PictureSettings = field(default_factory=PictureSettings)
    optics: OpticsSettings = field(default_factory=OpticsSettings)
