"""A recording as its camera received it: what the camera has applied already is undone, once, before anything else."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from thermscan.measure.radiometry import BARE, View, true_picture, true_temperature
from thermscan.model.recording import FrameStore, Recording
from thermscan.physics.radiation import LONG_WAVE, Band


@dataclass(frozen=True)
class ReceivedStore:
    """Frames of another store with what the camera applied undone, and with what really stands in the way taken off."""

    store: FrameStore
    applied: View
    band: Band = LONG_WAVE
    view: View = BARE

    @property
    def shape(self) -> tuple[int, int, int]:
        """Frames, rows, columns."""
        return self.store.shape

    def read(self, start: int, stop: int) -> np.ndarray:
        """Return apparent temperatures (emissivity 1), float32."""
        return true_picture(self.store.read(start, stop), self.view, applied=self.applied, band=self.band)


def background_c(recording: Recording, *, share: float = 0.1) -> float:
    """Return the coolest tenth of the first frame, degrees Celsius: stands for the room where nothing else does."""
    frame = recording.store.read(0, 1)[0]
    return float(np.quantile(frame[np.isfinite(frame)], share))


def applied_view(recording: Recording) -> tuple[View, str]:
    """Return what the camera has applied to its numbers, and where the reflected temperature comes from if assumed.

    A camera that was told an emissivity was told a reflected temperature as well; where the sidecar does not say
    which, the air's is taken, else the coolest part of the picture.
    """
    facts = recording.facts
    emissivity, transmission = facts.emissivity or 1.0, facts.transmission or 1.0
    if emissivity == 1.0 and transmission == 1.0:
        return BARE, ""
    reflected, assumed = facts.reflected_c, ""
    if reflected is None and facts.ambient_c is not None:
        reflected, assumed = facts.ambient_c, "the air's temperature"
    if reflected is None:
        reflected, assumed = background_c(recording), "the coolest part of the picture"
    return View(emissivity, reflected, transmission, facts.ambient_c), assumed


def as_received(recording: Recording, *, band: Band = LONG_WAVE) -> Recording:
    """Return the recording in apparent temperatures, as a camera told nothing would have shown it.

    Parameters
    ----------
    recording : Recording
    band : Band
        Of the camera.

    Returns
    -------
    Recording
        The same one where the camera has applied nothing, or where it holds counts. Otherwise its facts say that
        nothing is applied any more, so that a second call changes nothing.
    """
    applied, assumed = applied_view(recording)
    if applied == BARE or recording.unit != "celsius":
        return recording
    top = recording.saturated_at
    if top is not None:
        top = float(true_temperature(top, BARE, applied=applied, band=band))
    warnings = recording.warnings
    if assumed:
        text = (
            f"the camera applied emissivity {applied.emissivity:g}, and its reflected temperature is not stated: "
            f"{assumed}, {applied.reflected_c:.1f} C, is taken; differences hardly depend on it"
        )
        warnings = (*warnings, text)
    if applied.transmission < 1.0:
        text = (
            f"the camera applied transmission {applied.transmission:g}, which is undone; if a window stood there, say "
            f"so with --transmission {applied.transmission:g}"
        )
        warnings = (*warnings, text)
    facts = replace(recording.facts, emissivity=None, transmission=None)
    store = ReceivedStore(recording.store, applied, band)
    return replace(recording, store=store, facts=facts, saturated_at=top, warnings=warnings)


def without_window(recording: Recording, window: View, *, band: Band = LONG_WAVE) -> Recording:
    """Return a recording as it would have looked without a window of known transmission.

    Parameters
    ----------
    recording : Recording
        As received; counts are left alone.
    window : View
        Emissivity 1, transmission and temperature of the window.
    band : Band
    """
    if recording.unit != "celsius":
        return recording
    top = recording.saturated_at
    if top is not None:
        top = float(true_temperature(top, window, band=band))
    return replace(recording, store=ReceivedStore(recording.store, BARE, band, window), saturated_at=top)
