"""From placed recordings to the answer on hand-drawn heat; how often it is right is for the benchmark."""

import dataclasses
import re

import numpy as np
import pytest

from thermscan.model.board import Board, Part, Rail
from thermscan.model.camera_events import CameraState
from thermscan.model.film import BoardGrid, Film, Rise
from thermscan.model.pose import Motion, Placement, Pose, Track
from thermscan.model.quantity import Measured
from thermscan.model.reading import Reading
from thermscan.model.recording import Recording
from thermscan.model.settings import Settings
from thermscan.model.timing import PowerUp, Timing
from thermscan.pipeline import verify as stage
from thermscan.pipeline.film_set import Placed
from thermscan.pipeline.prepare import Prepared
from thermscan.pipeline.verify import VerifyJob, verify, warmest_course

REFS = {"C14": (12, 10), "U3": (28, 20), "U5": (12, 28), "R1": (30, 8), "R2": (34, 30), "R3": (22, 32), "R4": (6, 20),
        "R5": (20, 14), "R6": (36, 16), "R7": (26, 27)}  # fmt: skip
BOARD = dataclasses.replace(
    Board.rectangle(40, 36),
    parts=tuple(Part(ref, "chip", x, y, 4, 4, 0, 1.0, "top", ("+3V3",)) for ref, (x, y) in REFS.items()),
    rails=(Rail("+3V3", 3.3),),
)
HEALTHY = {"U3": 6.0, "U5": 8.0}
MATRIX = np.array([[1.5, 0, 5.0], [0, -1.5, 5.0 + 1.5 * 36], [0, 0, 1]], float)
ON_S = 2.0


def film_of(name, heat, *, seed, on_for_s=10.0, tau_s=4.0, rate=4.0, left=0.0):
    """Frames of blobs that warm as 1 - exp(-t / tau) from ON_S on, a share ``left`` of it there; heat by part, K."""
    rng = np.random.default_rng(seed)
    times = np.arange(0, ON_S + on_for_s, 1 / rate)
    rows, columns = np.mgrid[:64, :70]
    picture = np.zeros((64, 70))
    for ref, kelvin in heat.items():
        x, y, _ = MATRIX @ [*REFS[ref], 1.0]
        picture += kelvin * np.exp(-((columns - x) ** 2 + (rows - y) ** 2) / (2 * 4.0**2))
    grow = left + (1 - left) * np.where(times < ON_S, 0.0, 1 - np.exp(-(times - ON_S) / tau_s))
    frames = 23 + grow[:, None, None] * picture + rng.normal(0, 0.05, (len(times), 64, 70))
    return Recording.from_array(frames.astype(np.float32), times, name=name)


def placed(recording, *, restarts=0, warm=False):
    shape, count = (recording.rows, recording.columns), recording.frames
    camera = CameraState(np.full(shape, 0.05), np.zeros(shape, bool), np.ones(count, bool), np.zeros(count))
    still = Motion(
        np.repeat(np.eye(3)[None], count, 0),
        np.full(shape, 23.0),
        np.zeros((1, *shape)),
        np.zeros(count),
        is_tripod=True,
    )
    on = Measured(ON_S, ON_S - 0.05, ON_S + 0.05)
    timing = Timing(on_s=on, power_ups=(PowerUp(on, None),), restarts=restarts, warm_start=warm)
    track = Track((Pose(MATRIX, 0.05),) * count, Placement(MATRIX, 0.05, "marks"))
    return Placed(Prepared(recording, camera, still, timing), track, 0.05, 1 / 1.5)


GOODS = tuple(film_of(f"good_{i}", HEALTHY, seed=i) for i in (1, 2))
BEFORE = film_of("before", {"C14": 15.0, "U3": 9.0}, seed=3)


@pytest.fixture
def judge(monkeypatch):
    def run(*after, restarts=0, long_run=None, readings=(), before=BEFORE):
        def place(job, *, settings, tell):
            extra = None if job.before is None else placed(job.before)
            long = None if job.long_run is None else placed(job.long_run)
            told = tuple(placed(r, restarts=restarts) for r in job.after)
            return stage._Placing(told, extra, tuple(placed(g) for g in job.goods), long)

        monkeypatch.setattr(stage, "_place", place)
        job = VerifyJob(after, BOARD, GOODS, before=before, long_run=long_run, readings=readings)
        return verify(job, settings=Settings())

    return run


def test_repaired_verified_with_all_that_is_asked_for(judge):
    after = [film_of(f"cold_{i}", HEALTHY, seed=10 + i) for i in range(2)]
    long_run = film_of("long", HEALTHY, seed=12, on_for_s=60.0, tau_s=10.0, rate=1.0)
    reading = Reading("", "", "+3V3", "voltage", 3.31, "V", None, "on", "")
    found = judge(*after, long_run=long_run, readings=(reading,))
    verification = found.verification
    assert (verification.outcome, verification.passed) == ("gone", True), verification
    states = {p.name: p.state for p in verification.places}
    assert (states["C14"], states["U5"]) == ("gone", "gone")
    assert "still_there" not in states.values()
    c14 = next(p for p in verification.places if p.name == "C14")
    assert c14.before_k[0] == pytest.approx(15 * 0.8 * (1 - np.exp(-10 / 4.0)), rel=0.2)
    assert (found.before.shown, found.before.grid) == (found.after.shown, found.after.grid)
    assert [role for role, _, _ in verification.inputs] == ["after", "after", "good", "good", "before", "long run"]


def test_not_repaired_and_restarting(judge):
    verification = judge(film_of("after", {"C14": 14.0, "U3": 9.0}, seed=20), restarts=2).verification
    assert verification.outcome == "still_there"
    states = {c.name: c.state for c in verification.criteria}
    assert states == {
        "fault": "not_met", "whole board": "not_met", "cold starts": "not_done", "restarts": "not_met",
        "thermal balance": "not_done",
        "rail +3V3": "not_done",
    }  # fmt: skip


def test_repaired_but_something_new(judge):
    verification = judge(film_of("after", {**HEALTHY, "R2": 8.0}, seed=30)).verification
    assert verification.outcome == "something_new"
    assert {p.name for p in verification.places if p.state == "new"} == {"R2"}


def test_without_a_recording_from_before(judge):
    found = judge(film_of("after", HEALTHY, seed=40), before=None)
    assert found.before is None
    assert found.verification.outcome == "like_good"


def test_a_reading_of_an_unknown_net_is_warned_of(judge):
    reading = Reading("", "", "+3V4", "voltage", 3.31, "V", None, "on", "", 2)
    said = judge(film_of("after", HEALTHY, seed=40), before=None, readings=(reading,)).verification.warnings
    assert any(text.startswith("readings, row 2: no net '+3V4' in the board file (nearest is +3V3)") for text in said)


def test_the_warmest_course_is_the_mean_of_the_warmest_cells():
    grid = BoardGrid(0.0, 0.0, 1.0, 10, 10)
    rise = np.ones((4, 10, 10)) * np.arange(4)[:, None, None]
    rise[:, 0, :5] *= 10.0  # five of a hundred cells
    rise[1, 0, 0] = np.nan
    everywhere = np.ones((10, 10), bool)
    film = Film(grid, np.arange(5.0), "power_on", rise, np.ones(4, int), None, 0, np.zeros((10, 10)), 0.5, 0.1,
                everywhere, everywhere, 1.0)  # fmt: skip
    course = warmest_course(Rise(film, rise, np.zeros(1), "cold_frames"))
    assert course == pytest.approx([0.0, 10.0, 20.0, 30.0])
    dark = dataclasses.replace(film, inside=~everywhere)
    assert np.isnan(warmest_course(Rise(dark, rise, np.zeros(1), "cold_frames"))).all()


@pytest.mark.parametrize(("left", "words"), [(0.0, "1 of 1 recordings"), (0.05, "1 of 1 recordings")])
def test_a_board_that_shows_none_of_its_heat_before_starts_cold(judge, left, words):
    found = judge(film_of("after", HEALTHY, seed=7, left=left)).verification
    assert next(c for c in found.criteria if c.name == "cold starts").found == words


def test_a_board_that_shows_its_heat_before_it_is_switched_on_does_not_start_cold(judge):
    found = judge(film_of("after", HEALTHY, seed=7, left=0.4)).verification
    criterion = next(c for c in found.criteria if c.name == "cold starts")
    assert criterion.state == "not_done"
    assert re.fullmatch(r"0 of 1 recordings \(after: still [12]\.\d K warm from an earlier run\)", criterion.found), (
        criterion.found
    )
