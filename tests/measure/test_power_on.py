"""Power-on and power-off found in scenes whose temperatures follow from exact solutions of the heat equation."""

from dataclasses import replace

import numpy as np
import pytest
from made_plate import COLUMNS, RATE_HZ, ROWS, calm_camera, clock, plate_rise, record, timed, timing_of, tripod
from scipy import ndimage, signal

from thermscan.measure import power_on
from thermscan.measure.power_cells import CellSeries, on_board, sample_cells, standing_out
from thermscan.measure.power_courses import find_courses
from thermscan.measure.power_edges import responses
from thermscan.measure.power_log import IN_BURSTS, combined, read_supply_log, with_log
from thermscan.measure.power_moment import late_responses, refine_moment
from thermscan.measure.power_on import WARM_FIRST, _surer, find_power
from thermscan.model.camera_events import CameraEvent
from thermscan.model.quantity import Measured
from thermscan.model.recording import Facts, Recording, SupplyPoint
from thermscan.model.settings import TimingSettings
from thermscan.model.timing import PowerUp, Timing

SETTINGS = TimingSettings()


def test_switch_is_found_within_a_frame():
    times = clock(14.0)
    schedule = [(3.03, 1.0), (9.55, 0.0)]
    late = [(3.6, 1.0), (9.55, 0.0)]
    recording = record(plate_rise(times, [(8, 9, 4.0, schedule), (15, 24, 8.0, late)]), times)
    timing = timing_of(recording)
    assert timing.on_s.value == pytest.approx(3.03, abs=1 / RATE_HZ)
    assert timing.on_s.low <= 3.03 <= timing.on_s.high
    assert timing.off_s.value == pytest.approx(9.55, abs=1 / RATE_HZ)
    assert timing.off_s.low <= 9.55 <= timing.off_s.high
    assert timing.restarts == 0
    assert timing.source == "temperature"
    assert not timing.warm_start


def test_intervals_cover_and_errors_stay_below_a_frame():
    times = clock(9.0)
    inside, errors = 0, []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        on, off = rng.uniform(2.0, 3.0), rng.uniform(5.5, 7.0)
        schedule = [(on, 1.0), (off, 0.0)]
        sources = [(rng.uniform(5, 19), rng.uniform(5, 27), rng.uniform(3.0, 8.0), schedule) for _ in range(2)]
        timing = timing_of(record(plate_rise(times, sources), times, seed=seed))
        for moment, truth in ((timing.on_s, on), (timing.off_s, off)):
            errors.append(abs(moment.value - truth))
            inside += moment.low <= truth <= moment.high
    assert np.max(errors) < 1 / RATE_HZ
    assert inside >= 9  # of 12; fewer than 9 has a chance of 0.03 % at 95 %


def test_tries_are_counted():
    times = clock(16.0)
    schedule = [(t, level) for start in (2.0, 4.6, 7.2, 9.8) for t, level in ((start, 1.0), (start + 0.9, 0.0))]
    timing = timing_of(record(plate_rise(times, [(12, 16, 12.0, schedule)]), times))
    assert timing.restarts == 3
    assert len(timing.power_ups) == 4
    for up, start in zip(timing.power_ups, (2.0, 4.6, 7.2, 9.8), strict=True):
        assert up.on_s.value == pytest.approx(start, abs=1.5 / RATE_HZ)
        assert up.off_s.value == pytest.approx(start + 0.9, abs=1.5 / RATE_HZ)


def test_still_on():
    times = clock(10.0)
    timing = timing_of(record(plate_rise(times, [(12, 16, 3.0, [(4.0, 1.0)])]), times))
    assert timing.on_s.value == pytest.approx(4.0, abs=1 / RATE_HZ)
    assert timing.off_s is None
    assert timing.off_why.startswith("still_on")


def test_on_before_recording():
    times = clock(12.0)
    schedule = [(-3.0, 1.0), (7.0, 0.0)]
    timing = timing_of(record(plate_rise(times, [(12, 16, 4.0, schedule), (7, 8, 2.0, schedule)]), times))
    assert timing.on_s is None
    assert timing.on_why.startswith("on_before_recording")
    assert timing.off_s.value == pytest.approx(7.0, abs=1 / RATE_HZ)


def test_a_part_that_is_switched_off_on_a_running_board_is_no_power_off():
    times = clock(4.0)
    on = [(-3.0, 1.0)]
    rise = plate_rise(times, [(12, 8, 3.0, on), (18, 16, 3.0, on), (6, 24, 1.5, [*on, (1.5, 0.0)])])
    timing = timing_of(record(rise, times, noise=0.03))
    assert (timing.on_s, timing.off_s) == (None, None)


def through_a_shutter(closed_s, *, told="offset_step", for_s=0.3, jump_k=0.1):
    """Switched on at 2.1 s and off at 4.6 s; the shutter is closed for a while and changes the pattern of the sensor.

    The camera's events tell a step of the whole picture, or only that the picture was held.
    """
    times = clock(7.0)
    rise = plate_rise(times, [(12, 16, 3.0, [(2.1, 1.0), (4.6, 0.0)])])
    after = times >= closed_s + for_s
    rise = rise + jump_k * after[:, None, None] * np.random.default_rng(3).normal(0, 1, rise.shape[1:])
    recording = record(rise, times)
    first, fresh = int(np.argmax(times >= closed_s)), int(np.argmax(after))
    where = (fresh, 1) if told == "offset_step" else (first, fresh - first)
    camera = calm_camera(recording, events=(CameraEvent(told, *where, "shutter"),))
    return timed(recording, replace(camera, usable=(times < closed_s) | after))


@pytest.mark.parametrize("told", ["offset_step", "frozen"])
@pytest.mark.parametrize("closed_s", [1.0, 3.2, 5.6])
def test_a_shutter_that_closes_near_a_switch_does_not_move_it(closed_s, told):
    timing = through_a_shutter(closed_s, told=told)
    assert timing.on_s.low <= 2.1 <= timing.on_s.high
    assert timing.on_s.high - timing.on_s.low < 1.0
    assert timing.on_s.value == pytest.approx(2.1, abs=1 / RATE_HZ)
    assert timing.off_s.value == pytest.approx(4.6, abs=1 / RATE_HZ)


@pytest.mark.parametrize("closed_s", [4.2, 4.5, 4.7, 4.9])
def test_a_shutter_beside_the_power_off_keeps_it_in_its_interval(closed_s):
    off = through_a_shutter(closed_s).off_s
    assert off.low <= 4.6 <= off.high
    assert off.low <= off.value - 0.3
    assert off.high >= off.value + 0.3


@pytest.mark.parametrize("closed_s", [4.0, 4.3, 4.5])
@pytest.mark.parametrize("jump_k", [0.1, 0.6])
def test_a_power_off_behind_the_shutter_is_found_all_the_same(closed_s, jump_k):
    off = through_a_shutter(closed_s, told="frozen", for_s=0.7, jump_k=jump_k).off_s
    assert off.low <= 4.6 <= off.high


@pytest.mark.parametrize("told", ["offset_step", "frozen"])
def test_a_power_on_behind_the_shutter_is_not_called_on_before(told):
    timing = through_a_shutter(1.9, told=told)
    assert timing.on_s is None or timing.on_s.low <= 2.1 <= timing.on_s.high
    assert not timing.on_why.startswith("on_before")
    assert timing.off_s.low <= 4.6 <= timing.off_s.high


def test_late_responses_are_those_of_two_bodies_in_a_row():
    # reference: scipy.signal.step of 1 / ((tau s + 1) (lag s + 1))
    since = np.linspace(0, 3, 61)
    for tau in (0.1, 0.4, 1.6):
        want = signal.step(signal.lti([1.0], np.polymul([tau, 1.0], [0.2, 1.0])), T=since)[1]
        got = late_responses(since + 1.5, 1.5, np.array([tau]), 0.2)[:, 0]
        np.testing.assert_allclose(got, want, atol=1e-6)


def test_heat_that_comes_out_late_is_inside_the_interval():
    times = clock(7.0)
    held = []
    for number, lag in enumerate((0.05, 0.15, 0.3)):
        moment = 2.0 + 0.037 * number
        rise = np.zeros((len(times), ROWS, COLUMNS))
        rise[:, 8:14, 10:20] = 6.0 * late_responses(times, moment, np.array([1.2]), lag)[:, :, None]
        timing = timing_of(record(rise, times, seed=number))
        held.append(timing.on_s.low <= moment <= timing.on_s.high)
    assert all(held)


def test_a_later_stage_is_not_the_power_on():
    times = clock(12.0)
    sources = [(12, 16, 8.0, [(-0.5, 1.0)]), (7, 8, 6.0, [(5.0, 1.0)])]
    timing = timing_of(record(plate_rise(times, sources), times))
    assert timing.on_s is None
    assert timing.on_why.startswith("on_before_recording")


def fast_body(times_s, on_s, tau_s, size_k):
    """A small part with a time of its own, lumped: size (1 - exp(-t/tau)), at 2 x 2 px."""
    rise = np.zeros((len(times_s), ROWS, COLUMNS))
    rise[:, 6:8, 24:26] = (size_k * -np.expm1(-np.clip(times_s - on_s, 0, None) / tau_s))[:, None, None]
    return rise


@pytest.mark.parametrize("tau_s", [0.15, 0.3, 0.6])
def test_a_small_part_that_has_reached_its_heat_is_no_power_off(tau_s):
    times = clock(10.0)
    rise = plate_rise(times, [(12, 10, 1.5, [(2.0, 1.0)])]) + fast_body(times, 2.0, tau_s, 12.0)
    timing = timing_of(record(rise, times))
    assert abs(timing.on_s.value - 2.0) < 1 / RATE_HZ
    assert timing.on_s.low <= 2.0 <= timing.on_s.high
    assert timing.off_s is None


def test_what_sways_before_power_on_is_no_board_on_before():
    times = clock(10.0)
    glitter = np.zeros((len(times), ROWS, COLUMNS))
    glitter[:, 4:6, 4:6] = 0.8 * np.sin(2 * np.pi * times / 6.0)[:, None, None]
    rise = plate_rise(times, [(12, 16, 4.0, [(3.0, 1.0)])]) + glitter
    timing = timing_of(record(rise, times))
    assert timing.on_s is not None, timing.on_why
    assert abs(timing.on_s.value - 3.0) < 0.3


def test_a_board_that_begins_to_warm_late_was_not_on_before():
    times = clock(12.0)
    slow = np.clip(times - 5.0, 0, None) ** 2 / 20.0  # no bend to be found, and nothing in the first third
    rise = np.zeros((len(times), ROWS, COLUMNS))
    rise[:, 8:14, 8:20] = slow[:, None, None]
    timing = timing_of(record(rise, times))
    assert not timing.on_why.startswith("on_before_recording")


def test_warm_start_is_flagged_and_does_not_move_the_moment():
    times = clock(12.0)
    earlier = [(-30.0, 1.0), (-0.8, 0.0), (4.4, 1.0)]
    timing = timing_of(record(plate_rise(times, [(12, 16, 3.0, earlier), (6, 24, 1.5, earlier)]), times))
    assert timing.warm_start
    assert timing.on_s.value == pytest.approx(4.4, abs=1 / RATE_HZ)


@pytest.mark.parametrize("seed", range(4))
def test_nothing_switches_in_noise_drift_and_warming_camera(seed):
    times = clock(16.0)
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:ROWS, :COLUMNS]
    shape = ((y - 12) ** 2 + (x - 16) ** 2) / 400.0
    warming = shape[None] * (1 - np.exp(-times / 30.0))[:, None, None]
    wander = 0.02 * np.cumsum(rng.normal(0, 1, len(times)))
    timing = timing_of(record(warming + wander[:, None, None], times, seed=seed))
    assert timing.on_s is None
    assert timing.off_s is None
    assert timing.on_why


def test_shutter_step_is_no_switch():
    times = clock(14.0)
    rng = np.random.default_rng(5)
    step = np.zeros((len(times), ROWS, COLUMNS))
    step[90:] = 0.4 + rng.normal(0, 0.15, (ROWS, COLUMNS))
    recording = record(step, times)
    assert timing_of(recording).on_s is None
    event = CameraEvent("offset_step", 90, 1, "step of 0.4 K", 0.4)
    assert timing_of(recording, events=[event]).on_s is None


def test_shutter_step_does_not_hide_a_switch():
    times = clock(14.0)
    rng = np.random.default_rng(6)
    rise = plate_rise(times, [(12, 16, 3.0, [(4.0, 1.0), (10.0, 0.0)])])
    rise[88:] += 0.4 + rng.normal(0, 0.1, (ROWS, COLUMNS))
    event = CameraEvent("offset_step", 88, 1, "step of 0.4 K", 0.4)
    timing = timing_of(record(rise, times), events=[event])
    assert timing.on_s.value == pytest.approx(4.0, abs=1 / RATE_HZ)
    assert timing.off_s.value == pytest.approx(10.0, abs=1 / RATE_HZ)


def test_moving_hand_is_no_switch():
    times = clock(14.0)
    y, x = np.mgrid[:ROWS, :COLUMNS]
    rise = np.zeros((len(times), ROWS, COLUMNS))
    for k, t in enumerate(times):
        if 4.0 < t < 8.0:
            reach = 14.0 * min(1.0, (t - 4.0) / 0.6, (8.0 - t) / 0.6)
            edge = reach + 1.5 * np.sin(2.3 * t) + 2.0 * np.sin(x / 3.0 + t)
            rise[k] = 7.0 / (1 + np.exp((y - edge) / 0.6))
    timing = timing_of(record(rise, times))
    assert timing.on_s is None


def test_missing_times_and_single_frames_give_reasons():
    frames = np.full((1, ROWS, COLUMNS), 25.0, np.float32)
    single = Recording.from_array(frames, np.zeros(1))
    assert timing_of(single).on_why.startswith("not_seen: 1 frame")
    no_times = Recording.from_array(np.repeat(frames, 40, axis=0), None)
    assert "frame-rate" in timing_of(no_times).on_why


def log_points(on, off, *, until=14.0, step=0.5):
    grid = np.arange(0.0, until, step)
    return tuple(SupplyPoint(float(t), 12.0, 0.4 if on <= t < off else 0.0) for t in grid)


def test_log_that_agrees_is_joined():
    times = clock(12.0)
    rise = plate_rise(times, [(12, 16, 3.0, [(4.1, 1.0), (8.3, 0.0)])])
    timing = timing_of(record(rise, times, facts=Facts(supply=log_points(4.1, 8.3))))
    assert timing.source == "both"
    assert timing.on_s.low <= 4.1 <= timing.on_s.high
    assert timing.off_s.value == pytest.approx(8.3, abs=1 / RATE_HZ)
    assert not timing.warnings


def test_log_that_disagrees_is_reported_and_not_believed():
    times = clock(12.0)
    rise = plate_rise(times, [(12, 16, 3.0, [(4.1, 1.0), (8.3, 0.0)])])
    timing = timing_of(record(rise, times, facts=Facts(supply=log_points(6.1, 10.3))))
    assert timing.on_s.value == pytest.approx(4.1, abs=1 / RATE_HZ)
    assert timing.source == "temperature"
    assert any("not believed" in line for line in timing.warnings)


@pytest.mark.parametrize("off_by", [-14, 14, 20])
def test_a_moment_is_found_where_the_first_guess_is_off_by_more_than_the_grid_reaches(off_by):
    times = clock(9.0)
    recording = record(plate_rise(times, [(12, 16, 4.0, [(4.2, 1.0)])]), times)
    cells = sample_cells(recording, calm_camera(recording), tripod(recording), settings=SETTINGS)
    courses = find_courses(cells, np.zeros(0), settings=SETTINGS)
    guess = 4.2 + off_by / RATE_HZ
    found = refine_moment(courses, guess, (-np.inf, np.inf), settings=SETTINGS)
    assert found.value == pytest.approx(4.2, abs=1.5 / RATE_HZ)
    assert found.low <= 4.2 <= found.high


def test_a_log_is_believed_where_the_temperatures_allow_its_moment_as_well():
    times = clock(12.0)
    first, then = [(3.0, 0.004), (8.3, 0.0)], [(4.6, 1.0), (8.3, 0.0)]
    rise = plate_rise(times, [(12, 16, 1.0, first), (6, 24, 1.0, then)])
    wander = np.cumsum(np.random.default_rng(5).normal(0, 0.006, (len(times), ROWS, 1)), axis=0)
    alone = timing_of(record(rise + wander, times))
    timing = timing_of(record(rise + wander, times, facts=Facts(supply=log_points(3.0, 8.3))))
    assert alone.on_s.low > 3.0
    assert timing.on_s.low <= 3.0 <= timing.on_s.high
    assert not any("not believed" in line for line in timing.warnings)


def test_a_log_a_little_before_the_first_heat_is_believed_and_one_after_it_is_not():
    times = clock(9.0)
    rise = plate_rise(times, [(12, 16, 4.0, [(3.0, 1.0)])])
    early = timing_of(record(rise, times, facts=Facts(supply=log_points(2.4, 8.8))))
    late = timing_of(record(rise, times, facts=Facts(supply=log_points(4.6, 8.8))))
    assert early.source == "both"
    assert not any("not believed" in line for line in early.warnings)
    assert any("not believed" in line for line in late.warnings)


def test_a_log_whose_power_off_agrees_is_believed_where_the_first_loads_are_too_small_to_see():
    times = clock(12.0)
    first, then = [(3.0, 0.004), (8.3, 0.0)], [(4.6, 1.0), (8.3, 0.0)]
    rise = plate_rise(times, [(12, 16, 1.0, first), (6, 24, 1.0, then)])
    timing = timing_of(record(rise, times, facts=Facts(supply=log_points(3.0, 8.3))))
    assert timing.on_s.low <= 3.0 <= timing.on_s.high
    assert timing.power_ups[0].on_s == timing.on_s
    assert timing.source == "both"
    assert any("1.8 s after the power-on of the supply log" in line for line in timing.warnings)
    late = timing_of(record(rise, times, facts=Facts(supply=log_points(1.0, 6.3))))
    assert late.source == "temperature"
    assert any("not believed" in line for line in late.warnings)


def test_the_log_gives_the_runs_where_the_temperatures_show_none():
    times = clock(12.0)
    log = tuple(replace(p, amps=0.0) if 6.0 <= p.time_s < 7.0 else p for p in log_points(4.1, 9.3, step=0.1))
    timing = timing_of(record(0.0 * plate_rise(times, [(12, 16, 1.0, [(1.0, 1.0)])]), times, facts=Facts(supply=log)))
    assert (timing.source, timing.restarts) == ("supply log", 1)
    assert [up.on_s.value for up in timing.power_ups] == pytest.approx([4.1, 7.0], abs=0.1)
    assert [up.off_s.value for up in timing.power_ups] == pytest.approx([6.0, 9.3], abs=0.1)


def test_volts_that_stay_tell_a_regulator_that_tries_again_from_a_supply_that_does():
    """A regulator on the board draws its current in bursts while the supply's output stays on until 8.3 s."""
    grid = np.arange(0.0, 12.0, 0.25)
    draws = np.where((grid % 1.0) < 0.3, 0.4, 0.05)
    stays = tuple(
        SupplyPoint(float(t), 12.0 * (t < 8.3), float(a) * (t < 8.3)) for t, a in zip(grid, draws, strict=True)
    )
    reading = read_supply_log(stays, settings=SETTINGS)
    assert [s.is_on for s in reading.switches] == [False]
    assert reading.switches[0].at_s.value == pytest.approx(8.375, abs=0.13)
    timing = timing_of(
        record(plate_rise(clock(12.0), [(12, 16, 0.0, [(1.0, 1.0)])]), clock(12.0), facts=Facts(supply=stays))
    )
    assert timing.on_s is None
    assert timing.on_why.startswith("on_before_recording")
    assert timing.off_s.low <= 8.3 <= timing.off_s.high
    goes = tuple(replace(p, volts=12.0 if p.amps > 0.1 else 0.0) for p in stays)  # the output itself goes
    assert len(read_supply_log(goes, settings=SETTINGS).switches) > 10
    shown = tuple(replace(p, volts=12.0) for p in stays)  # a supply that shows its set volts tells nothing by them
    assert len(read_supply_log(shown, settings=SETTINGS).switches) > 10


def test_what_temperatures_tell_leaves_open_how_long_converters_took_to_start():
    """From when the supply is switched to when heat is made: up to 0.4 s; a log that agrees leaves nothing open."""
    times = clock(12.0)
    rise = plate_rise(times, [(12, 16, 3.0, [(4.4, 1.0), (8.3, 0.0)])])
    alone = timing_of(record(rise, times))
    assert alone.switched_s.value == alone.on_s.value
    assert alone.switched_s.low <= 4.1 < alone.on_s.low
    joined = timing_of(record(rise, times, facts=Facts(supply=log_points(4.05, 8.3, step=0.1))))
    assert joined.source == "both"
    assert joined.switched_s == joined.on_s
    assert joined.on_s.low <= 4.05 <= joined.on_s.high


def test_log_alone_gives_the_gap_between_its_lines():
    reading = read_supply_log(log_points(4.1, 8.3), settings=SETTINGS)
    assert [s.is_on for s in reading.switches] == [True, False]
    assert reading.switches[0].at_s.value == pytest.approx(4.25)
    assert reading.switches[0].at_s.low >= 4.0
    assert read_supply_log((), settings=SETTINGS) is None


def test_a_logged_moment_carries_what_the_two_clocks_may_differ_by():
    log = Measured(2.0, 1.97, 2.03)
    alone, _ = combined(log, None, 0.1)
    both, agrees = combined(log, Measured(2.1, 1.7, 2.4), 0.1)
    assert agrees
    for moment in (alone, both):
        assert (moment.value, moment.low, moment.high) == pytest.approx((2.0, 1.87, 2.13))


def test_combined_moment_is_inside_both():
    moment, agrees = combined(Measured(4.25, 4.0, 4.5), Measured(4.1, 4.05, 4.2), 0.08)
    assert agrees
    assert 4.0 <= moment.low <= moment.value <= moment.high <= 4.28
    assert combined(Measured(9.0, 8.9, 9.1), Measured(4.1, 4.0, 4.2), 0.08) == (Measured(4.1, 4.0, 4.2), False)


def test_responses_are_first_order_and_start_at_the_switch():
    times = np.linspace(0, 10, 101)
    shapes = responses(times, 3.0, np.array([0.2, 2.0]))
    assert shapes.shape == (101, 2)
    assert np.all(shapes[times <= 3.0] == 0)
    # first-order lag, any control-engineering table: 63.2 % after one time constant
    assert shapes[np.argmin(np.abs(times - 5.0)), 1] == pytest.approx(1 - np.exp(-1.0), abs=1e-9)


def test_cells_follow_a_moving_picture():
    times = clock(4.0)
    shift = np.linspace(0, 3, len(times))
    y, x = np.mgrid[:ROWS, :COLUMNS]
    frames = np.stack([25 + 2 * np.exp(-((x - 14 - s) ** 2 + (y - 12) ** 2) / 8) for s in shift])
    recording = Recording.from_array(frames.astype(np.float32), times)
    matrices = np.repeat(np.eye(3)[None], len(times), axis=0)
    matrices[:, 0, 2] = shift
    motion = replace(tripod(recording), matrices=matrices, is_tripod=False)
    followed = sample_cells(recording, calm_camera(recording), motion, settings=SETTINGS)
    ignored = sample_cells(recording, calm_camera(recording), tripod(recording), settings=SETTINGS)
    assert np.ptp(followed.values, axis=0).max() < 0.2 * np.ptp(ignored.values, axis=0).max()


def test_long_recordings_are_averaged_in_runs():
    recording = Recording.from_array(np.full((500, 8, 8), 25.0, np.float32), np.arange(500) / 25.0)
    cells = sample_cells(
        recording, calm_camera(recording), tripod(recording), settings=replace(SETTINGS, samples_max=128)
    )
    assert len(cells.times_s) <= 128
    assert cells.frames_a_sample == 4


BOARD_PX = np.array([[1.0, 1.0], [19.0, 1.0], [19.0, 22.0], [1.0, 22.0]])


def beside_a_moving_thing(seed, *, on_s=3.4):
    """A board in the left of the picture, and right of it a warm thing that is pushed along at 1.2 s and 5.0 s."""
    times = clock(7.0)
    y, x = np.mgrid[:ROWS, :COLUMNS]
    rise = plate_rise(times, [(12, 9, 2.0, [(on_s, 1.0)])]) * (x < 20)
    row = np.interp(times, [1.2, 1.7, 5.0, 5.5], [5.0, 12.0, 12.0, 18.0])
    thing = 3.0 * np.exp(-((x - 26) ** 2 + (y - row[:, None, None]) ** 2) / 6.0)
    return record(rise + thing, times, seed=seed)


@pytest.mark.parametrize("seed", range(3))
def test_what_moves_beside_the_board_does_not_tell_when_it_was_switched(seed):
    recording = beside_a_moving_thing(seed)
    camera = calm_camera(recording)
    cells = sample_cells(recording, camera, tripod(recording), settings=SETTINGS)
    kept = on_board(cells, BOARD_PX, settings=SETTINGS)
    assert set(map(tuple, kept.places)) < set(map(tuple, cells.places))
    timing = find_power(recording, camera, kept)
    assert timing.on_s.low <= 3.4 <= timing.on_s.high
    assert timing.off_s is None


def test_too_few_places_on_the_board_are_not_read_alone():
    recording = beside_a_moving_thing(0)
    cells = sample_cells(recording, calm_camera(recording), tripod(recording), settings=SETTINGS)
    assert on_board(cells, 0.1 * BOARD_PX, settings=SETTINGS) is None


def test_a_log_tells_loads_that_come_and_go_from_a_supply_that_tries_again():
    on_s = Measured(4.1, 3.9, 4.3)
    seen = Timing(
        on_s, None, "", "still_on", (PowerUp(on_s, None),), None, warnings=(f"the board warms in 3 {IN_BURSTS}",)
    )
    times = clock(12.0)
    frames = np.zeros((len(times), ROWS, COLUMNS), np.float32)
    recording = Recording.from_array(frames, times, facts=Facts(supply=log_points(4.1, 99.0, step=0.1)))
    joined = with_log(seen, recording, SETTINGS)
    assert (joined.source, joined.restarts, joined.warnings) == ("both", 0, ())
    late = Recording.from_array(frames, times, facts=Facts(supply=log_points(7.0, 99.0, step=0.1)))
    kept = with_log(seen, late, SETTINGS)
    assert kept.restarts is None
    assert "loads come and go" in kept.warnings[0]


@pytest.mark.parametrize(("on", "is_believed"), [(4.1, True), (6.0, False)])
def test_a_log_whose_power_on_agrees_tells_power_off_from_a_load_that_ends(on, is_believed):
    seen = Timing(Measured(4.1, 3.9, 4.3), Measured(8.0, 7.8, 8.2), "", "", (), 0)
    frames = np.zeros((len(clock(14.0)), ROWS, COLUMNS), np.float32)
    log = log_points(on, 9.1, step=0.1)
    joined = with_log(seen, Recording.from_array(frames, clock(14.0), facts=Facts(supply=log)), SETTINGS)
    assert (joined.off_s.low <= 9.1 <= joined.off_s.high) == is_believed
    assert any("whose power-on agrees" in w for w in joined.warnings) == is_believed


@pytest.mark.parametrize("seed", [0, 1, 2, 4, 5])
def test_a_small_part_that_starts_sharply_is_seen_before_a_field_that_wavers(seed):
    """Shading wavers over the whole picture by far more than the part warms, but around it by as much."""
    random, times, on_s = np.random.default_rng(seed), clock(12.0), 3.3 + 0.2 * seed
    rise = plate_rise(times, [(12, 16, 1.5, [(on_s, 1.0)])], diffusivity=1.0)
    field = ndimage.gaussian_filter(random.normal(0, 1, (ROWS, COLUMNS)), 6)
    waver = ndimage.gaussian_filter1d(np.cumsum(random.normal(0, 0.12, len(times))), 6)
    timing = timing_of(record(rise + 2.0 * waver[:, None, None] * field / np.abs(field).max(), times, seed=seed))
    assert timing.on_s.low <= on_s <= timing.on_s.high
    assert timing.on_s.high - timing.on_s.low < 1.0


@pytest.mark.parametrize("seed", range(4))
def test_no_place_stands_out_of_noise(seed):
    times = clock(8.0)
    recording = record(0.0 * plate_rise(times, [(12, 16, 1.0, [(1.0, 1.0)])]), times, seed=seed)
    cells = sample_cells(recording, calm_camera(recording), tripod(recording), settings=SETTINGS)
    assert standing_out(cells, settings=SETTINGS) is None


def test_places_that_warm_from_the_first_frame_on_were_on_before_whatever_all_together_seem_to_say():
    """Two readings that exclude each other: sharp places that rise from the start outweigh an edge of the whole."""
    seen = Timing(Measured(0.1, -1.1, 1.3), Measured(1.6, 1.4, 1.7))
    before = Timing(on_why=WARM_FIRST, off_why="still_on")
    assert _surer(seen, before, SETTINGS).on_s is None
    off_first = Timing(on_why="on_before_recording: the first change seen is the power going off")
    assert _surer(seen, off_first, SETTINGS) is seen


@pytest.mark.parametrize(
    ("first", "second", "kept"),
    [
        ((2.0, 2.4), (2.9, 3.2), 0),
        ((1.8, 2.1), (0.9, 1.3), 0),
        ((1.0, 1.4), (2.9, 3.2), 1),
        ((4.2, 5.5), (2.0, 2.8), 1),
        (None, (2.0, 2.8), 1),
    ],
)
def test_parts_may_start_one_after_another_and_nothing_else_excludes_what_stands_out(first, second, kept):
    both = [
        Timing(on_why="not_seen: nothing") if ends is None else Timing(Measured(sum(ends) / 2, *ends))
        for ends in (first, second)
    ]
    assert _surer(*both, SETTINGS) is both[kept]


def test_one_misplaced_frame_takes_no_places_out():
    times = clock(9.0)
    recording = record(plate_rise(times, [(12, 16, 4.0, [(4.2, 1.0)])]), times)
    motion = replace(tripod(recording), is_tripod=False)
    whole = sample_cells(recording, calm_camera(recording), motion, settings=SETTINGS)
    matrices = motion.matrices.copy()
    matrices[20, 0, 2] = 1.5 * recording.columns  # all of it out of view
    odd = sample_cells(recording, calm_camera(recording), replace(motion, matrices=matrices), settings=SETTINGS)
    assert len(odd.places) == len(whole.places)
    on = find_power(recording, calm_camera(recording), odd).on_s
    assert on.low <= 4.2 <= on.high


@pytest.mark.parametrize(("lone_s", "said_s"), [(0.25, 3.0), (1.5, 1.5)])
def test_what_stands_out_from_the_first_samples_on_does_not_overrule_all_places(monkeypatch, lone_s, said_s):
    """Both readings exclude each other; the few places are believed where there are samples enough before."""

    def told(moment):
        on = Measured(moment, moment - 0.1, moment + 0.1)
        return Timing(on_s=on, power_ups=(PowerUp(on, None),))

    times = np.arange(60) * 0.13
    cells = CellSeries(times, np.zeros((60, 4)), np.full(4, 0.03), np.zeros((4, 2), int), 4.0, 1, 0.13)
    readings = iter((told(3.0), told(lone_s)))
    monkeypatch.setattr(power_on, "_read_cells", lambda *_: next(readings))
    monkeypatch.setattr(power_on, "standing_out", lambda cells, *, settings: cells)
    assert power_on.find_in_cells(cells, np.zeros(0), settings=SETTINGS).on_s.value == said_s
