"""Settings of the plate from a table of materials."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from thermscan.model.settings import Settings
from thermscan.physics.material import material_from

LAMINATE, COPPER = "woven glass epoxy laminate", "copper"


def with_materials(settings: Settings, entries: Mapping[str, Mapping[str, Any]], *, path: str) -> Settings:
    """Return the settings with copper and laminate of a table of materials, where it names them.

    Parameters
    ----------
    settings : Settings
    entries : mapping
        As in calibration/materials.json, by name; others than the laminate and copper are checked and left aside.
    path : str
        For messages.

    Raises
    ------
    InputError
        For a broken entry.
    """
    found = {name: material_from(name, dict(entry), path=path) for name, entry in entries.items()}
    plate = settings.plate
    if LAMINATE in found:
        laminate = found[LAMINATE]
        heat = laminate.j_per_cm3_k
        plate = replace(
            plate,
            laminate_along_w_per_m_k=laminate.along_w_per_m_k.value,
            laminate_through_w_per_m_k=laminate.through_w_per_m_k.value,
            laminate_j_per_cm3_k=heat.value,
            capacity_error=(heat.high - heat.low) / (2 * heat.value),
        )
    if COPPER in found:
        copper = found[COPPER]
        plate = replace(
            plate, copper_w_per_m_k=copper.along_w_per_m_k.value, copper_j_per_cm3_k=copper.j_per_cm3_k.value
        )
    return replace(settings, plate=plate)
