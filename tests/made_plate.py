"""Plates whose warm-up follows from the exact solution of the heat equation, filmed, for tests of switching times."""

import numpy as np
from scipy.fft import dctn, idctn

from thermscan.measure.power_cells import sample_cells
from thermscan.measure.power_on import find_power
from thermscan.model.camera_events import CameraState
from thermscan.model.pose import Motion
from thermscan.model.recording import Recording
from thermscan.model.settings import TimingSettings

ROWS, COLUMNS, RATE_HZ = 24, 32, 12.5
SETTINGS = TimingSettings()


def plate_rise(times_s, sources, *, diffusivity=8.0, loss_s=40.0):
    """Rise of an insulated, slowly losing plate, 1 px a mm: cosine modes answer a step exactly, 1 - exp(-rate t).

    Each source is (row, column, K/s, schedule) with schedule a list of (s, level).
    Carslaw and Jaeger, Conduction of Heat in Solids (Fourier series for the finite plate).
    """
    wave_y, wave_x = np.pi * np.arange(ROWS) / ROWS, np.pi * np.arange(COLUMNS) / COLUMNS
    rate = diffusivity * (wave_y[:, None] ** 2 + wave_x[None] ** 2) + 1 / loss_s
    y, x = np.mgrid[:ROWS, :COLUMNS]
    modes = np.zeros((len(times_s), ROWS, COLUMNS))
    for row, column, heat, schedule in sources:
        spot = dctn(heat * np.exp(-((y - row) ** 2 + (x - column) ** 2) / 4.0), norm="ortho")
        before = 0.0
        for when, level in schedule:
            since = np.clip(times_s - when, 0, None)[:, None, None]
            modes += (level - before) * spot / rate * -np.expm1(-rate * since)
            before = level
    return idctn(modes, axes=(1, 2), norm="ortho")


def record(rise, times_s, *, seed=0, noise=0.05, facts=None):
    rng = np.random.default_rng(seed)
    frames = 25.0 + rng.normal(0, 0.3, rise.shape[1:]) + rise + rng.normal(0, noise, rise.shape)
    return Recording.from_array(frames.astype(np.float32), times_s, facts=facts)


def calm_camera(recording, *, noise=0.05, events=(), offset=None):
    shape = (recording.rows, recording.columns)
    offset = np.zeros(recording.frames) if offset is None else offset
    usable = np.ones(recording.frames, bool)
    return CameraState(np.full(shape, noise), np.zeros(shape, bool), usable, offset, tuple(events))


def tripod(recording):
    eyes = np.repeat(np.eye(3)[None], recording.frames, axis=0)
    picture = np.zeros((recording.rows, recording.columns))
    return Motion(eyes, picture, np.zeros((0, *picture.shape)), np.zeros(recording.frames), is_tripod=True)


def timed(recording, camera):
    return find_power(recording, camera, sample_cells(recording, camera, tripod(recording), settings=SETTINGS))


def timing_of(recording, **camera):
    return timed(recording, calm_camera(recording, **camera))


def clock(duration_s, rate_hz=RATE_HZ):
    return np.arange(0.0, duration_s, 1 / rate_hz)
