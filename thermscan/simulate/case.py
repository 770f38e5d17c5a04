"""Whole cases: a faulty board, known-good boards of its type, their recordings and the truth."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from thermscan.model.board import Board
from thermscan.model.pose import Lens
from thermscan.model.recording import Drive, Facts, Mark, Recording, SupplyPoint
from thermscan.simulate.fault import DrawnFault, FaultSite, draw_fault
from thermscan.simulate.heat import HeatFilm, run_heat
from thermscan.simulate.layout import draw_board, shake_board
from thermscan.simulate.load import Defect, LoadPlan, Schedule, draw_loads, make_schedule, split_runs, spread_plan
from thermscan.simulate.options import RESOLUTIONS, CaseOptions
from thermscan.simulate.scene import Look, Optics, Scene, draw_look
from thermscan.simulate.sensor import MadeStore, Sensor, SensorFaults, draw_sensor, drop_frames
from thermscan.simulate.stack import CellGrid, StackUp, Unit, UnitSpread, build_unit, draw_stack
from thermscan.simulate.truth import Case, FaultTruth, Made, RecordingTruth
from thermscan.simulate.viewpoint import TRIPOD, Handling, Viewpoint, draw_viewpoint, smooth_walk

DRAW_ALL = CaseOptions()


@dataclass(frozen=True)
class BoardType:
    """What all units of a board share: file, heat network's copper and couplings, healthy heat."""

    board: Board
    grid: CellGrid
    stack: StackUp
    plan: LoadPlan
    seed: int
    air: tuple[float, float]


@dataclass(frozen=True)
class CameraDraw:
    """One camera, shared by the recordings of a case."""

    resolution: tuple[int, int]
    frame_rate_hz: float
    blur_px: float
    sensor: SensorFaults
    pattern_seed: int
    side: str
    hand_held: bool


@dataclass(frozen=True)
class Timeline:
    """Of one recording, s on its own clock; ``lead_s`` is simulated before the first frame."""

    times_s: np.ndarray
    on_s: float
    off_s: float | None
    runs_s: np.ndarray
    lead_s: float
    warm: bool
    dropped: tuple[tuple[str, int, int], ...] = ()


def board_type(board: Board, options: CaseOptions, random: np.random.Generator) -> BoardType:
    """Give a board its copper, its couplings and its healthy heat."""
    grid = CellGrid.over(board, options.cell_mm)
    stack = draw_stack(grid, board, random)
    air = (2.6 * float(random.uniform(0.75, 1.35)), 1.5 * float(random.uniform(0.7, 1.5)))
    return BoardType(board, grid, stack, draw_loads(board, random), int(random.integers(2**31)), air)


def draw_case(seed: int, *, options: CaseOptions = DRAW_ALL) -> Case:
    """Make a case from a seed.

    Parameters
    ----------
    seed : int
        The same seed and options make the same case, to the last count.
    options : CaseOptions
        What to fix; everything else is drawn.

    Returns
    -------
    Case
        The heat is solved at once, frames are rendered when they are read.

    Raises
    ------
    ValueError
        Where the drawn board cannot have the fault that was asked for after several tries.
    """
    random = np.random.default_rng(seed)
    side = options.side or ("bottom" if random.random() < 0.1 else "top")
    if options.fault == "none" or options.fault is None:
        tries = 1
    else:
        tries = 12
    for trial in range(tries):
        board = draw_board(random, options)
        kind = board_type(board, options, random)
        site = FaultSite(board, kind.plan, side, options.fault_w, random, options.injection)
        try:
            fault = draw_fault(site, "short" if options.injection else options.fault)
            break
        except ValueError:
            if trial == tries - 1:
                raise
    return make_case(kind, fault, side, options, random, seed=seed)


def make_case(
    kind: BoardType, fault: DrawnFault, side: str, options: CaseOptions, random: np.random.Generator, *, seed: int
) -> Case:
    """Film a faulty unit and the good ones of a board type.

    Parameters
    ----------
    kind : BoardType
    fault : DrawnFault
    side : {'top', 'bottom'}
    options : CaseOptions
    random : numpy Generator
    seed : int
        For the record.

    Returns
    -------
    Case
    """
    camera = _draw_camera(options, random, side)
    count = options.goods if options.goods is not None else int(random.choice([1, 2, 2, 3, 4, 5]))
    defect = fault.defect
    healthy = Defect(unpowered=True) if defect.unpowered else Defect()
    on_s = options.on_s if options.on_s is not None else float(np.round(random.uniform(3.0, 12.0), 1))
    options = replace(options, on_s=on_s)
    real = shake_board(kind.board, random)
    film = _Filming(kind, camera, options, random)
    faulty, schedule = film.record(defect, fault, name="faulty")
    goods = [film.record(healthy, None, name=f"good_{i + 1}") for i in range(count)]
    healthy_schedules = [g[1] for g in goods] or [film.typical(healthy, faulty.truth)]
    excess = _excess(faulty.truth, schedule, healthy_schedules, faulty.recording.times_s)
    truth = replace(faulty.truth, excess_w=excess)
    answer = _with_power(fault, truth, faulty.recording.times_s)
    return Case(seed, kind.board, real, replace(faulty, truth=truth), tuple(g[0] for g in goods), answer)


def _draw_camera(options: CaseOptions, random: np.random.Generator, side: str) -> CameraDraw:
    """Draw camera and whether it is held by hand."""
    weights = np.array([1, 1.5, 1.5, 3, 2, 2.5, 2.5, 2, 1.0])
    drawn = RESOLUTIONS[int(random.choice(len(RESOLUTIONS), p=weights / weights.sum()))]
    resolution = options.resolution or drawn
    columns = resolution[0]
    rates = [4.0, 8.0, 16.0] if columns <= 32 else ([9.0, 25.0] if columns <= 320 else [9.0, 9.0, 30.0])
    rate = options.frame_rate_hz or float(random.choice(rates))
    coarse = columns <= 32
    noise = float(np.exp(random.uniform(*np.log([0.08, 0.25] if coarse else [0.03, 0.1]))))
    noise = options.noise_k if options.noise_k is not None else noise
    pattern = float(random.uniform(0.3, 2.0)) * noise
    pattern = options.fixed_pattern_k if options.fixed_pattern_k is not None else pattern
    events = options.camera_events if options.camera_events is not None else bool(random.random() < 0.5)
    sensor = SensorFaults(
        noise,
        0.1 * noise,
        pattern,
        pattern * float(random.uniform(0.3, 1.0)),
        0.3 * pattern,
        float(random.uniform(0.0, 0.2)),
        events,
        3e-4 if options.bad_pixels else 0.0,
    )
    blur = options.blur_px if options.blur_px is not None else float(random.uniform(0.6, 1.2))
    hand = options.hand_held if options.hand_held is not None else bool(random.random() < 0.4)
    return CameraDraw(resolution, rate, blur, sensor, int(random.integers(2**31)), side, hand)


class _Filming:
    """Makes the recordings of one case."""

    def __init__(self, kind: BoardType, camera: CameraDraw, options: CaseOptions, random: np.random.Generator) -> None:
        self.kind, self.camera, self.options, self.random = kind, camera, options, random
        self.rotation = options.rotation_deg
        if self.rotation is None:
            near = random.normal(0, 6)
            self.rotation = float(near if random.random() < 0.6 else random.uniform(-180, 180))
        self.ambient_c = options.ambient_c if options.ambient_c is not None else float(random.uniform(18.0, 28.0))

    def record(self, defect: Defect, fault: DrawnFault | None, *, name: str) -> tuple[Made, Schedule]:
        """Film one unit."""
        kind, options, random = self.kind, self.options, self.random
        real = shake_board(kind.board, random, tolerance_mm=0.1 * min(1.0, options.spread))
        missing = fault.missing if fault else frozenset()
        real = replace(real, parts=tuple(replace(p, fitted=p.ref not in missing and p.fitted) for p in real.parts))
        spread = self._spread(fault, missing)
        unit = build_unit(real, kind.grid, kind.stack, np.random.default_rng(kind.seed), spread=spread, air=kind.air)
        plan = spread_plan(kind.plan, random, scale=options.spread)
        line = self._timeline(defect)
        schedule = make_schedule(real, plan, defect, line.runs_s)
        ambient = self.ambient_c + float(random.normal(0, 1.2)) * options.spread * (name != "faulty")
        drift = float(random.normal(0, 0.15)) / 20.0

        def air(time_s: float) -> float:
            return ambient + drift * time_s

        heat = self._heat(unit, schedule, fault, line, air)
        made = self._film(real, unit, heat, line, air, name=name, schedule=schedule)
        return made, schedule

    def typical(self, defect: Defect, truth: RecordingTruth) -> Schedule:
        """Return what a good unit with average loads would have made."""
        start = truth.runs_s[0][0] if truth.runs_s else 0.0
        stop = max(r[1] for r in truth.runs_s) if truth.runs_s else 0.0
        return make_schedule(self.kind.board, self.kind.plan, defect, np.array([[start, stop]]))

    def _spread(self, fault: DrawnFault | None, missing: frozenset[str]) -> UnitSpread:
        random, scale = self.random, self.options.spread
        parts = self.kind.board.parts
        coupling = {p.ref: float(np.exp(scale * 0.08 * random.normal())) for p in parts}
        lag = {p.ref: float(np.exp(scale * 0.06 * random.normal())) for p in parts}
        for key, factor in (fault.coupling if fault else {}).items():
            coupling[key] = coupling.get(key, 1.0) * factor
        loss = float(np.exp(scale * 0.06 * random.normal()))
        return UnitSpread(coupling, lag, loss, float(np.exp(scale * 0.02 * random.normal())), missing)

    def _timeline(self, defect: Defect) -> Timeline:
        options, random = self.options, self.random
        before = options.before_s
        if before is None:
            before = float(np.round(random.uniform(1.5, 4.0), 2)) if random.random() < 0.92 else -4.0
        after = options.after_s
        if after is None:
            after = float(np.round(random.uniform(2.0, 6.0), 2)) if random.random() < 0.5 else 0.0
        on = float(options.on_s or 8.0) + (0.0 if options.spread == 0 else float(np.round(random.uniform(0, 0.5), 2)))
        pause = max(after, 2.0)
        runs = [(before + i * (on + pause), before + i * (on + pause) + on) for i in range(options.power_ups)]
        end = runs[-1][1] + after
        warm = options.warm_start if options.warm_start is not None else bool(random.random() < 0.1)
        lead = max(0.0, -before) + 0.5
        earlier: list[tuple[float, float]] = []
        if warm:
            gap, ran = float(random.uniform(4.0, 20.0)), float(random.uniform(15.0, 40.0))
            earlier = [(runs[0][0] - gap - ran, runs[0][0] - gap)]
            lead = max(lead, gap + ran - before + 0.5)
        stop = runs[-1][1] if after > 0 else end + 10.0
        runs[-1] = (runs[-1][0], stop)
        all_runs = np.concatenate([np.reshape(earlier, (-1, 2)), split_runs(np.array(runs), defect.retry_s)])
        rate = self.camera.frame_rate_hz
        times = np.arange(0.0, max(end, 4 / rate), 1.0 / rate)
        times = times + random.normal(0, 0.01 / rate, len(times))
        dropped: list[tuple[str, int, int]] = []
        if self.camera.sensor.events and random.random() < 0.4:
            times, dropped = drop_frames(random, times, runs=int(random.integers(1, 3)))
        times = np.round(times - times[0], 4)
        off = stop if stop < times[-1] else None
        return Timeline(times, before, off, all_runs, lead, warm, tuple(dropped))

    def _heat(
        self,
        unit: Unit,
        schedule: Schedule,
        fault: DrawnFault | None,
        line: Timeline,
        air: Callable[[float], float],
    ) -> HeatFilm:
        """Run the unit from its lead-in to the last frame; the film's clock is the recording's."""
        columns = source_columns(unit, schedule.sources, fault)
        lead = round(line.lead_s, 2)
        shift = -lead
        keep = visible_nodes(unit, self.kind.board, self.camera.side)
        film = run_heat(
            unit.net,
            np.full(len(unit.net.capacity), air(shift)),
            lambda t: columns @ schedule.at(t + shift),
            duration_s=round(float(line.times_s[-1]) + lead + 0.05, 2),
            switches_s=schedule.switches() - shift,
            ambient_c=lambda t: air(t + shift),
            keep=keep,
        )
        return replace(film, times_s=film.times_s + shift)

    def _film(
        self,
        real: Board,
        unit: Unit,
        heat: HeatFilm,
        line: Timeline,
        air: Callable[[float], float],
        *,
        name: str,
        schedule: Schedule,
    ) -> Made:
        options, random, camera = self.options, self.random, self.camera
        view = self._view(real, line.times_s)
        sensor = self._sensor(line.times_s)
        projections = view.projections[sensor.source_frame]
        look = draw_look(real, random)
        lens = None
        if options.lens_k1:
            centre = ((view.columns - 1) / 2, (view.rows - 1) / 2)
            lens = Lens(options.lens_k1, 0.0, view.focal_px, centre)
        scene = Scene(
            real,
            unit.grid,
            look,
            side=camera.side,
            resolution=camera.resolution,
            pixel_mm=pixel_mm(view.matrices[0], real),
            ambient_c=air(0.0),
            optics=Optics(camera.blur_px, lens, perfect_surfaces=options.perfect_surfaces),
        )
        picture = _Picture(scene, unit, heat, projections, line.times_s, air, sensor, int(random.integers(2**31)))
        store = MadeStore(
            (len(line.times_s), view.rows, view.columns),
            picture.counts,
            scale_k=sensor.scale_k,
            offset_k=sensor.offset_count_k,
            unit=options.unit,
        )
        matrices = view.matrices[sensor.source_frame]
        facts = self._facts(matrices[0], lens, schedule, line, air(0.0))
        recording = Recording(name, name, store, options.unit, line.times_s, "", facts)
        truth = self._truth(view, matrices, lens, schedule, line, sensor, heat, air(0.0))
        return Made(recording, truth, sensor.scale_k, sensor.offset_count_k)

    def _view(self, board: Board, times_s: np.ndarray) -> Viewpoint:
        options, random, camera = self.options, self.random, self.camera
        handling = TRIPOD
        if camera.hand_held:
            scale = camera.resolution[0] / 160.0
            handling = Handling(
                float(random.uniform(0.8, 2.5)) * min(max(scale, 0.4), 2.5),
                0.3,
                float(random.uniform(0.2, 1.0)),
                float(random.uniform(0.2, 1.0)),
                float(random.uniform(0.003, 0.012)),
            )
        tilt = options.tilt_deg if options.tilt_deg is not None else float(random.uniform(0, 1) ** 1.5 * 20.0)
        fill = options.fill if options.fill is not None else float(random.uniform(0.6, 0.9))
        return draw_viewpoint(
            board,
            times_s,
            random,
            resolution=camera.resolution,
            side=camera.side,
            tilt_deg=tilt,
            rotation_deg=self.rotation + float(random.normal(0, 3.0)),
            fill=fill,
            handling=handling,
        )

    def _sensor(self, times_s: np.ndarray) -> Sensor:
        """Draw the sensor of this recording; what is fixed is mostly the same camera's in every recording."""
        camera = self.camera
        own = draw_sensor(self.random, times_s, resolution=camera.resolution, faults=camera.sensor)
        shared = draw_sensor(
            np.random.default_rng(camera.pattern_seed), times_s, resolution=camera.resolution, faults=camera.sensor
        )
        pattern = 0.8 * shared.pattern_k + 0.6 * own.pattern_k
        return replace(
            own,
            pattern_k=pattern,
            dead=shared.dead,
            flicker=shared.flicker,
            emissivity_set=self.options.emissivity_set,
            reflected_set_c=round(self.ambient_c, 1),
        )

    def _facts(
        self, matrix: np.ndarray, lens: Lens | None, schedule: Schedule, line: Timeline, ambient_c: float
    ) -> Facts:
        options, random = self.options, self.random
        has_marks = options.marks if options.marks is not None else bool(random.random() < 0.6)
        marks = click_marks(self.kind.board, matrix, lens, random, error_px=options.mark_error_px) if has_marks else ()
        has_log = options.supply_log if options.supply_log is not None else bool(random.random() < 0.25)
        log = supply_log(self.kind.board, schedule, line, random) if has_log else ()
        drive = None
        if options.injection:
            total = float(schedule.watts.sum())
            amps = float(np.round(np.sqrt(max(total, 1e-3) / 0.3), 2))
            drive = Drive("injection", self._injected_net(schedule), round(total / max(amps, 1e-3), 3), amps)
        set_to = options.emissivity_set
        known = random.random() < 0.6
        return Facts(
            emissivity=set_to if set_to < 1 else None,
            reflected_c=round(self.ambient_c, 1) if set_to < 1 else None,
            ambient_c=round(ambient_c + float(random.normal(0, 0.3)), 1) if known else None,
            side=self.camera.side,
            supply=log,
            drive=drive,
            marks=marks,
        )

    def _injected_net(self, schedule: Schedule) -> str | None:
        hot = schedule.sources[int(np.argmax(schedule.watts))]
        part = next((p for p in self.kind.board.parts if p.ref == hot), None)
        return next((n for n in part.nets if n != "GND"), None) if part else None

    def _truth(
        self,
        view: Viewpoint,
        matrices: np.ndarray,
        lens: Lens | None,
        schedule: Schedule,
        line: Timeline,
        sensor: Sensor,
        heat: HeatFilm,
        ambient_c: float,
    ) -> RecordingTruth:
        made = np.array([schedule.at(t) for t in line.times_s])
        part_c = np.array([heat.at(t)[-len(self.kind.board.parts) :] for t in line.times_s])
        runs = [(float(a), float(b)) for a, b in line.runs_s if b > line.on_s]
        seen = [r for r in runs if r[0] < line.times_s[-1]]
        x0, y0, x1, y1 = self.kind.board.box_mm
        middle = np.array([(x0 + x1) / 2, (y0 + y1) / 2, 0.0, 1.0])
        flat, raised = view.projections[0] @ middle, view.projections[0] @ (middle + [0, 0, 1.0, 0])
        off = None
        if line.off_s is not None and line.off_s <= line.times_s[-1]:
            off = float(line.off_s)
        return RecordingTruth(
            matrices=matrices,
            lens=lens,
            power_on_s=float(line.on_s) if line.on_s >= 0 else None,
            power_off_s=off,
            runs_s=tuple(runs),
            restarts=max(0, len(seen) - self.options.power_ups),
            sources=schedule.sources,
            made_w=made,
            excess_w=None,
            part_c=part_c,
            camera_events=tuple(sorted([*sensor.events, *line.dropped], key=lambda e: e[1])),
            frozen=sensor.source_frame < np.arange(len(line.times_s)),
            bad_pixels=np.concatenate([sensor.dead, sensor.flicker]),
            ambient_c=ambient_c,
            noise_k=sensor.noise_k,
            blur_px=self.camera.blur_px,
            height_shift_px=raised[:2] / raised[2] - flat[:2] / flat[2],
            warm_start=line.warm,
        )


@dataclass(frozen=True)
class _Picture:
    """Frames of one recording, made when asked for."""

    scene: Scene
    unit: Unit
    heat: HeatFilm
    projections: np.ndarray
    times_s: np.ndarray
    air: Callable[[float], float]
    sensor: Sensor
    seed: int

    def counts(self, frame: int) -> np.ndarray:
        """Return uint16 counts of one frame; a frozen one repeats what it shows, noise included."""
        source = int(self.sensor.source_frame[frame])
        time = float(self.times_s[source])
        grid = self.unit.grid
        kept = self.heat.at(time)
        cells = np.full((grid.rows, grid.columns), self.air(time))
        count = int(grid.inside.sum())
        cells[grid.inside] = kept[:count]
        drift = self.air(time) - self.air(0.0)
        radiance = self.scene.radiance(self.projections[source], cells, kept[count:], drift)
        return self.sensor.expose(self.sensor.temperature(radiance), source, self.seed)


def visible_nodes(unit: Unit, board: Board, side: str) -> np.ndarray:
    """Return nodes of the filmed face's cells, then of the top of each part (its cell where it is missing)."""
    face = unit.cell_node[0 if side == "top" else -1]
    tops = []
    for part in board.parts:
        node = unit.top_node.get(part.ref)
        if node is None:
            column = unit.grid.spot(part.x, part.y, unit.grid.cell_mm)
            node = int(unit.cell_node[0 if part.side == "top" else -1].ravel()[np.argmax(column)])
        tops.append(node)
    return np.concatenate([face[unit.grid.inside], np.array(tops, int)])


def source_columns(unit: Unit, sources: tuple[str, ...], fault: DrawnFault | None) -> np.ndarray:
    """Return where each source puts its heat, ndarray (nodes, sources); columns add to one."""
    columns = np.zeros((len(unit.net.capacity), len(sources)))
    for k, source in enumerate(sources):
        if source in unit.heat_node:
            columns[unit.heat_node[source], k] = 1.0
        elif source == "place" and fault is not None and fault.spot is not None:
            spot = fault.spot
            columns[:, k] = unit.cell_source(unit.grid.spot(spot.x_mm, spot.y_mm, spot.radius_mm), spot.layer)
        elif source == "path" and fault is not None and fault.path_mm:
            (xa, ya), (xb, yb) = fault.path_mm
            # current goes round one corner, as traces do
            line = [(xa + (xb - xa) * u, ya) for u in np.linspace(0, 1, 25)]
            line += [(xb, ya + (yb - ya) * u) for u in np.linspace(0, 1, 25)]
            weight = sum(unit.grid.spot(x, y, 0.5) for x, y in line if bool(unit.grid.inside.any()))
            columns[:, k] = unit.cell_source(weight, 0)
    return columns


def pixel_mm(matrix: np.ndarray, board: Board) -> float:
    """Return the width of a pixel on the board at its centre, mm."""
    x0, y0, x1, y1 = board.box_mm
    middle = np.array([(x0 + x1) / 2, (y0 + y1) / 2])
    points = np.column_stack([middle + np.array([[0, 0], [0.5, 0], [0, 0.5]]), np.ones(3)]) @ matrix.T
    flat = points[:, :2] / points[:, 2:]
    area = abs(np.linalg.det(flat[1:] - flat[0])) / 0.25
    return float(1.0 / np.sqrt(area))


def click_marks(
    board: Board, matrix: np.ndarray, lens: Lens | None, random: np.random.Generator, *, error_px: float
) -> tuple[Mark, ...]:
    """Click the corners of the outline's bounding box in the first frame, each off by up to three ``error_px``."""
    x0, y0, x1, y1 = board.box_mm
    corners = np.array([[x0, y1], [x1, y1], [x1, y0], [x0, y0]])
    carrier = RecordingTruth(
        matrix[None],
        lens,
        None,
        None,
        (),
        0,
        (),
        np.zeros((1, 0)),
        None,
        np.zeros((1, 0)),
        (),
        np.zeros(1, bool),
        np.zeros((0, 2), int),
        0.0,
        0.0,
        0.0,
        np.zeros(2),
    )
    places = carrier.to_px(0, corners) + np.clip(random.normal(0, error_px, (4, 2)), -3 * error_px, 3 * error_px)
    return tuple(
        Mark(float(m[0]), float(m[1]), round(float(p[0]), 1), round(float(p[1]), 1))
        for m, p in zip(corners, places, strict=True)
    )


def supply_log(
    board: Board, schedule: Schedule, line: Timeline, random: np.random.Generator
) -> tuple[SupplyPoint, ...]:
    """Log volts and amps of the inlet twice a second, and at each switching."""
    volts = (board.rails[0].volts if board.rails else None) or 5.0
    times = np.unique(np.round(np.concatenate([np.arange(0, line.times_s[-1], 0.5), schedule.switches() + 0.01]), 2))
    times = times[(times >= 0) & (times <= line.times_s[-1])]
    out = []
    for time in times:
        watts = float(schedule.at(float(time)).sum())
        on = any(a <= time < b for a, b in schedule.runs_s)
        amps = watts / volts * float(1 + random.normal(0, 0.01)) + (0.002 if on else 0.0)
        out.append(SupplyPoint(float(time), volts if on else 0.0, round(max(amps, 0.0), 4)))
    return tuple(out)


def _excess(truth: RecordingTruth, faulty: Schedule, goods: list[Schedule], times_s: np.ndarray | None) -> np.ndarray:
    """Heat of the faulty unit minus the good units' mean at equal seconds since power-on, (frames, sources), W."""
    times = np.asarray(times_s, float)
    start = truth.runs_s[0][0] if truth.runs_s else 0.0
    mean = np.zeros((len(times), len(faulty.sources)))
    for schedule in goods:
        own = next((float(r[0]) for r in schedule.runs_s if r[0] > -1e9 and r[1] - r[0] > 0), 0.0)
        begins = [float(r[0]) for r in schedule.runs_s]
        own = begins[-1] if len(begins) > 1 else own
        mean += np.array([schedule.at(t - start + own) for t in times]) / len(goods)
    return truth.made_w - mean


def _with_power(fault: DrawnFault, truth: RecordingTruth, times_s: np.ndarray | None) -> FaultTruth:
    """Fill in the mean excess watts at the fault's place while on."""
    answer = fault.truth
    if answer.word == "none":
        return answer
    key = "place" if fault.spot is not None else answer.ref
    if key not in truth.sources or truth.excess_w is None:
        return answer
    times = np.asarray(times_s, float)
    first = truth.runs_s[0][0] if truth.runs_s else 0.0
    last = truth.power_off_s if truth.power_off_s is not None else float(times[-1]) + 1.0
    on = (times >= first) & (times < last)
    column = truth.excess_w[on, truth.sources.index(key)]
    return replace(answer, power_w=float(column.mean()) if column.size else None)
