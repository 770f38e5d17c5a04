"""What bare metal mirrors of somebody who comes and goes is taken off, and what is left lies within the stated error.

The made pictures follow Planck's law over 8 to 14 micrometres (constants: CODATA, in scipy): a surface of emissivity e
sends e of its own radiance and 1 - e of its surroundings', and the camera reads the temperature of a black body of that
radiance.
"""

from dataclasses import replace

import numpy as np
import pytest
from scipy import constants, integrate

from thermscan.find.excess import rise_of
from thermscan.find.excess_reflection import without_reflection
from thermscan.model.film import BoardGrid, ColdFrames, Film
from thermscan.model.settings import ExcessSettings, ReflectionSettings

SETTINGS = {"settings": ReflectionSettings(), "excess": ExcessSettings()}
GRID = BoardGrid(-2.75, -2.75, 0.5, 130, 90)  # a board of 60 x 40 mm and some bench around it
NOISE_K, FRAMES = 0.06, 3
COLD_S, ON_S = -3.0 + 0.25 * np.arange(12), 0.1 + 0.2 * np.arange(40)
TIMES_S = np.concatenate([COLD_S, ON_S])
X, Y = np.moveaxis(GRID.points_mm(), -1, 0)[:2]
INSIDE = (X > 0) & (X < 60) & (Y > 0) & (Y < 40)
ENDS = [(8 + 9 * i + (j % 2) * 3, 5 + 6 * j) for i in range(6) for j in range(6)]  # middles of capacitors, mm
SHORTED = (35, 17)


def radiance(celsius):
    """Return what a black body sends between 8 and 14 micrometres, W/m2/sr, by Planck's law."""
    kelvin = np.asarray(celsius, float) + constants.zero_Celsius
    waves = np.linspace(8e-6, 14e-6, 61)
    h, c, k = constants.h, constants.c, constants.k
    spectral = 2 * h * c**2 / waves**5 / np.expm1(h * c / (waves * k * kelvin[..., None]))
    return integrate.simpson(spectral, x=waves, axis=-1)


TABLE_C = np.linspace(0.0, 150.0, 3001)
TABLE = radiance(TABLE_C)


def seen(celsius, emissivity, surroundings_c):
    """Return the temperature that a camera set to a black body reads, C."""
    sent = emissivity * np.interp(celsius, TABLE_C, TABLE) + (1 - emissivity) * radiance(surroundings_c)
    return np.interp(sent, TABLE, TABLE_C)


def at(place, half=1.0):
    return (abs(X - place[0]) <= half) & (abs(Y - place[1]) <= half / 2)


def emissivities():
    """Return the emissivity of each cell: solder mask, a bench of wood, and capacitors half covered by solder."""
    out = np.where(INSIDE, 0.93, 0.90)
    for place in ENDS:
        out[at(place)] = 0.45 + 0.2 * ((place[0] * 7 + place[1] * 3) % 10) / 10
    return out


def warming(times_s, *, short_k=0.0, starts=()):
    """Return the true rise, ndarray (steps, rows, columns): a chip, a shorted capacitor, and loads that start late."""
    since = np.maximum(times_s, 0.0)[:, None, None]
    chip = (abs(X - 30) < 5) & (abs(Y - 28) < 4) & (emissivities() > 0.9)
    blurred = np.exp(-((X - 30) ** 2 + (Y - 28) ** 2) / 200)
    rise = 8 * (1 - np.exp(-since / 6)) * chip + 1.5 * (1 - np.exp(-since / 9)) * blurred * INSIDE
    rise = rise + short_k * (1 - np.exp(-since / 1.5)) * at(SHORTED)
    for place, start, kelvin in starts:
        rise = rise + kelvin * (1 - np.exp(-np.maximum(times_s - start, 0.0) / 0.8))[:, None, None] * at(place)
    return rise


def film_of(true, surroundings_c, *, seed, more=0.0):
    """Return the film of a board at 23 C with such a rise, in such surroundings, ndarray (steps,)."""
    picture = np.stack(
        [seen(23.0 + rise, emissivities(), around) for rise, around in zip(true, surroundings_c, strict=True)]
    )
    noise = NOISE_K / np.sqrt(FRAMES) * np.random.default_rng(seed).normal(size=picture.shape)
    picture = (picture + more + noise).astype(np.float32)
    count = np.full(len(TIMES_S), FRAMES)
    cold = ColdFrames(picture[: len(COLD_S)], COLD_S, count[: len(COLD_S)])
    whole = np.ones(GRID.shape, bool)
    return Film(
        grid=GRID, edges_s=0.2 * np.arange(len(ON_S) + 1), clock="power_on", mean=picture[len(COLD_S) :],
        frames=count[len(COLD_S) :], cold=cold.mean_over(slice(None)), cold_frames=int(cold.frames.sum()),
        noise=np.full(GRID.shape, NOISE_K), correlation_mm=0.3, position_error_mm=0.02, inside=INSIDE, readable=whole,
        pixel_mm=0.7, before=cold.trend(), cold_series=cold,
    )  # fmt: skip


def somebody(start_s, end_s, kelvin, *, takes_s=0.5):
    """Return surroundings of 22 C that are warmer from one second to another, as a smooth step of some length."""
    x = np.clip([(TIMES_S - start_s) / takes_s, (end_s - TIMES_S) / takes_s], 0, 1)
    return 22.0 + kelvin * np.prod(x * x * (3 - 2 * x), axis=0)


def rises(film):
    return rise_of(film, settings=ExcessSettings())


METAL = emissivities() < 0.9
# With these every change that cells have in common counts: what is refused below is refused by a guard.
UNGUARDED = ReflectionSettings(
    late_left=100.0, least_of_warmth=0.0, contrast=1.0, most_against=10.0, least_places=1, least_in_places=0.0,
    most_in_one=1.0, switched_s=0.0,
)  # fmt: skip


def refused(film):
    """Tell whether a film is left as it is, though one without guards would be changed."""
    unguarded = without_reflection(film, settings=UNGUARDED, excess=ExcessSettings())[1]
    return without_reflection(film, **SETTINGS) == (film, ()) and len(unguarded) > 0


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(("start_s", "end_s"), [(1.5, 5.0), (2.0, 60.0), (-1.5, 4.0), (-9.0, 3.0)])
def test_the_rise_is_that_without_anybody(seed, start_s, end_s):
    true, around = warming(TIMES_S, short_k=3.0), somebody(start_s, end_s, 6.0)
    film = film_of(true, around, seed=seed)
    clear, found = without_reflection(film, **SETTINGS)
    assert len(found) >= 1
    alone, before, after = (rises(f).rise for f in (film_of(true, np.full(len(TIMES_S), 22.0), seed=seed), film, clear))
    changed = abs(around[len(COLD_S) :] - around[: len(COLD_S)].mean()) > 3.0
    left, was = (np.sqrt(np.mean((r - alone)[changed][:, METAL] ** 2)) for r in (after, before))
    assert left < 0.2 * was
    error = np.hypot(rises(clear).left_error, 0.3 * NOISE_K)[changed][:, METAL]
    assert np.mean(abs(after - alone)[changed][:, METAL] < 2 * error + 0.05) > 0.9
    assert abs(np.mean((after - alone)[changed][:, INSIDE & ~METAL])) < 0.05


@pytest.mark.parametrize("seed", range(3))
def test_a_short_that_mirrors_as_well_keeps_its_heat(seed):
    true = warming(TIMES_S, short_k=3.0)
    clear, found = without_reflection(film_of(true, somebody(1.5, 5.0, 8.0), seed=seed), **SETTINGS)
    alone = rises(film_of(true, np.full(len(TIMES_S), 22.0), seed=seed)).rise
    cells = at(SHORTED)
    assert found
    at_s = np.argmin(abs(ON_S - 4.0))
    assert rises(clear).rise[at_s][cells].mean() == pytest.approx(alone[at_s][cells].mean(), abs=0.25)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("around", [np.full(len(TIMES_S), 22.0), 22.0 + 2.0 * np.sin(TIMES_S / 3.0)])
def test_nothing_is_taken_off_a_board_that_nobody_passes(seed, around):
    film = film_of(warming(TIMES_S, short_k=4.0), around, seed=seed)
    assert without_reflection(film, **SETTINGS) == (film, ())


@pytest.mark.parametrize("seed", range(4))
def test_loads_that_start_late_are_heat(seed):
    starts = [(place, 1.6, 1.5 + 0.1 * i) for i, place in enumerate(ENDS[::3])]
    film = film_of(warming(TIMES_S, starts=starts), np.full(len(TIMES_S), 22.0), seed=seed)
    assert refused(film)


@pytest.mark.parametrize("seed", range(3))
def test_heat_that_bends_is_no_mirror(seed):
    warm = 12 * np.exp(-(((X - 40) ** 2 + (Y - 12) ** 2) / 60)) + 8 * ((abs(X - 20) < 8) & (abs(Y - 28) < 6))
    bent = np.maximum(TIMES_S, 0.0) / 4 + 0.05 * np.clip((TIMES_S - 1.9) / 0.3, 0, 1)
    film = film_of(bent[:, None, None] * warm * INSIDE, np.full(len(TIMES_S), 22.0), seed=seed)
    assert refused(film)


@pytest.mark.parametrize("seed", range(3))
def test_a_hand_is_no_mirror(seed):
    covered = ((X - 5) ** 2 + (Y - 10) ** 2 < 22**2) & INSIDE
    passing = 9.0 * ((TIMES_S > 2) & (TIMES_S < 4))[:, None, None] * covered
    film = film_of(warming(TIMES_S), np.full(len(TIMES_S), 22.0), seed=seed, more=passing)
    assert refused(film)


@pytest.mark.parametrize("seed", range(3))
def test_a_camera_that_is_knocked_is_no_mirror(seed):
    still = np.full(len(TIMES_S), 12.0)  # cold surroundings: the metal stands out
    before = seen(np.full(GRID.shape, 23.0), emissivities(), 12.0)
    step = (TIMES_S > 2.0)[:, None, None] * (np.roll(before, 2, axis=1) - before)
    film = film_of(warming(TIMES_S), still, seed=seed, more=step)
    assert refused(film)


def test_a_step_of_the_camera_is_no_mirror():
    film = film_of(warming(TIMES_S), np.full(len(TIMES_S), 22.0), seed=1, more=1.5 * (TIMES_S > 2)[:, None, None])
    assert without_reflection(film, **SETTINGS) == (film, ())


@pytest.mark.parametrize("change", [{"clock": "recording"}, {"unit": "count"}])
def test_nothing_is_taken_off_where_power_on_or_kelvin_are_not_known(change):
    film = replace(film_of(warming(TIMES_S), somebody(1.5, 5.0, 8.0), seed=1), **change)
    assert without_reflection(film, **SETTINGS) == (film, ())


def test_nothing_is_taken_off_with_the_setting_at_zero():
    film = film_of(warming(TIMES_S), somebody(1.5, 5.0, 8.0), seed=1)
    none = ReflectionSettings(most_people=0)
    assert without_reflection(film, settings=none, excess=ExcessSettings()) == (film, ())


def test_what_is_left_uncertain_is_counted_in():
    film = film_of(warming(TIMES_S), somebody(1.5, 5.0, 8.0), seed=1)
    clear, _ = without_reflection(film, **SETTINGS)
    error = rises(clear).left_error
    leaning = np.argmin(abs(ON_S - 3.0))
    assert error[leaning][METAL].mean() > 2 * error[0][METAL].mean()
