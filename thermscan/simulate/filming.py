"""One recording: a unit is heated, looked at and written down."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from thermscan.model.board import Board
from thermscan.model.pose import Lens
from thermscan.model.recording import Recording
from thermscan.simulate.fault import DrawnFault
from thermscan.simulate.heat import HeatFilm, run_heat
from thermscan.simulate.layout import shake_board
from thermscan.simulate.load import Defect, LoadPlan, Schedule, make_schedule, on_grid, spread_plan
from thermscan.simulate.options import RESOLUTIONS, CaseOptions
from thermscan.simulate.scene import Optics, Scene, draw_look
from thermscan.simulate.sensor import MadeStore, Sensor, SensorFaults, draw_sensor
from thermscan.simulate.sidecar import make_facts
from thermscan.simulate.stack import CellGrid, StackUp, Unit, UnitSpread, build_unit, draw_stack
from thermscan.simulate.timeline import Timeline, draw_timeline
from thermscan.simulate.truth import Made, RecordingTruth
from thermscan.simulate.viewpoint import TRIPOD, Handling, Viewpoint, draw_viewpoint, pixel_mm, smooth_walk
from thermscan.simulate.visitor import Visitor, draw_visitor


@dataclass(frozen=True)
class BoardType:
    """What all units of a board share: file, cells, copper, healthy heat, seed of the couplings, air on both faces."""

    board: Board
    grid: CellGrid
    stack: StackUp
    plan: LoadPlan
    seed: int
    air: tuple[float, float]


def draw_type(board: Board, plan: LoadPlan, options: CaseOptions, random: np.random.Generator) -> BoardType:
    """Give a board its copper, its couplings and its air."""
    grid = CellGrid.over(board, options.cell_mm)
    stack = draw_stack(grid, board, random)
    air = (2.6 * float(random.uniform(0.75, 1.35)), 1.5 * float(random.uniform(0.7, 1.5)))
    return BoardType(board, grid, stack, plan, int(random.integers(2**31)), air)


@dataclass(frozen=True)
class Camera:
    """One camera and how it is used, shared by the recordings of a case."""

    resolution: tuple[int, int]
    frame_rate_hz: float
    blur_px: float
    sensor: SensorFaults
    pattern_seed: int
    side: str
    hand_held: bool
    rotation_deg: float
    ambient_c: float


def draw_camera(options: CaseOptions, random: np.random.Generator, *, side: str) -> Camera:
    """Draw a camera: resolution, rate, optics, sensor, and whether it is held by hand."""
    weights = np.array([1, 1.5, 1.5, 3, 2, 2.5, 2.5, 2, 1.0])
    drawn = RESOLUTIONS[int(random.choice(len(RESOLUTIONS), p=weights / weights.sum()))]
    resolution = options.resolution or drawn
    columns = resolution[0]
    rates = [4.0, 8.0, 16.0] if columns <= 32 else ([9.0, 25.0] if columns <= 320 else [9.0, 9.0, 30.0])
    rate = options.frame_rate_hz or float(random.choice(rates))
    limits = (0.08, 0.25) if columns <= 32 else (0.03, 0.1)
    noise = float(np.exp(random.uniform(*np.log(limits))))
    noise = options.noise_k if options.noise_k is not None else noise
    pattern = float(random.uniform(0.3, 2.0)) * noise
    pattern = options.fixed_pattern_k if options.fixed_pattern_k is not None else pattern
    columns_k = pattern * float(random.uniform(0.3, 1.0))
    # what wanders in an uncooled sensor is from a tenth of its noise to as large within ten seconds
    drifts = noise * np.exp(random.uniform(np.log(0.05), np.log(1.0), 3)) * (options.fixed_pattern_k != 0)
    stripes, pixels, row = (float(d) for d in drifts * [1.0, 0.7, 0.4])
    drift = float(random.uniform(0.0, 0.2)) * (options.fixed_pattern_k != 0)
    events = options.camera_events if options.camera_events is not None else bool(random.random() < 0.5)
    bad = 3e-4 if options.bad_pixels else 0.0
    sensor = SensorFaults(noise, row, pattern, columns_k, stripes, pixels, drift, events, bad)
    blur = options.blur_px if options.blur_px is not None else float(random.uniform(0.6, 1.2))
    hand = options.hand_held if options.hand_held is not None else bool(random.random() < 0.4)
    rotation = float(random.normal(0, 6)) if random.random() < 0.6 else float(random.uniform(-180, 180))
    rotation = options.rotation_deg if options.rotation_deg is not None else rotation
    ambient = options.ambient_c if options.ambient_c is not None else float(random.uniform(18.0, 28.0))
    seed = int(random.integers(2**31))
    return Camera(resolution, rate, blur, sensor, seed, side, hand, rotation, ambient)


@dataclass(frozen=True)
class Filmed:
    """A made recording with what is needed to compare it: heat and time of its unit."""

    made: Made
    schedule: Schedule
    line: Timeline


class Filming:
    """Makes the recordings of one case, one unit after another.

    Parameters
    ----------
    kind : BoardType
    camera : Camera
    options : CaseOptions
    random : numpy Generator
        Advanced by every recording.
    """

    def __init__(self, kind: BoardType, camera: Camera, options: CaseOptions, random: np.random.Generator) -> None:
        self.kind, self.camera, self.options, self.random = kind, camera, options, random

    def record(self, defect: Defect, fault: DrawnFault | None, *, name: str) -> Filmed:
        """Film one unit with a defect; ``fault`` says where its heat is made, None for a good unit."""
        kind, options, random = self.kind, self.options, self.random
        real = shake_board(kind.board, random, tolerance_mm=0.1 * min(1.0, options.spread))
        missing = fault.missing if fault else frozenset()
        real = replace(real, parts=tuple(replace(p, fitted=p.ref not in missing and p.fitted) for p in real.parts))
        spread = draw_spread(kind.board, random, fault=fault, scale=options.spread)
        unit = build_unit(real, kind.grid, kind.stack, np.random.default_rng(kind.seed), spread=spread, air=kind.air)
        plan = spread_plan(kind.plan, random, scale=options.spread)
        line = draw_timeline(
            options, defect, random, frame_rate_hz=self.camera.frame_rate_hz, drops=self.camera.sensor.events
        )
        schedule = make_schedule(real, plan, defect, line.runs_s)
        air = _Air(self.camera.ambient_c + float(random.normal(0, 1.2)) * options.spread, random.normal(0, 0.0075))
        heat = heat_unit(unit, kind.board, schedule, fault, line, air=air, side=self.camera.side)
        made = self._film(real, unit, heat, schedule, line, air=air, name=name)
        return Filmed(made, schedule, line)

    def _film(
        self,
        real: Board,
        unit: Unit,
        heat: HeatFilm,
        schedule: Schedule,
        line: Timeline,
        *,
        air: _Air,
        name: str,
    ) -> Made:
        options, random, camera = self.options, self.random, self.camera
        view = self._view(real, line.times_s)
        sensor = self._sensor(line.times_s)
        lens = None
        if options.lens_k1:
            lens = Lens(options.lens_k1, 0.0, view.focal_px, ((view.columns - 1) / 2, (view.rows - 1) / 2))
        scene = Scene(
            real,
            unit.grid,
            draw_look(real, random),
            side=camera.side,
            resolution=camera.resolution,
            pixel_mm=pixel_mm(view.matrices[0], real),
            ambient_c=air(0.0),
            optics=Optics(camera.blur_px, lens, perfect_surfaces=options.perfect_surfaces),
        )
        comes = options.hand_in_view if options.hand_in_view is not None else bool(random.random() < 0.04)
        visitor = draw_visitor(random, float(line.times_s[-1]), resolution=camera.resolution) if comes else None
        mirrored = options.spread * float(random.uniform(0.0, 0.5)) * smooth_walk(random, line.times_s)
        seed = int(random.integers(2**31))
        picture = _Picture(scene, unit, heat, view.projections, line.times_s, air, sensor, seed, mirrored, visitor)
        store = MadeStore(
            (len(line.times_s), view.rows, view.columns),
            picture.counts,
            scale_k=sensor.scale_k,
            offset_k=sensor.offset_count_k,
            unit=options.unit,
        )
        matrices = view.matrices[sensor.source_frame]
        facts = make_facts(
            self.kind.board,
            (matrices[0], lens),
            schedule,
            line,
            options,
            random,
            ambient_c=air(0.0),
            side=camera.side,
        )
        recording = Recording(name, name, store, options.unit, line.times_s, "", facts)
        truth = _truth(view, lens, schedule, line, sensor, heat, board=self.kind.board, ambient_c=air(0.0))
        truth = replace(
            truth,
            blur_px=camera.blur_px,
            restarts=max(0, truth.restarts - options.power_ups),
            camera_events=truth.camera_events + _visits(visitor, line.times_s),
        )
        return Made(recording, truth, sensor.scale_k, sensor.offset_count_k)

    def _view(self, board: Board, times_s: np.ndarray) -> Viewpoint:
        options, random, camera = self.options, self.random, self.camera
        handling = TRIPOD
        if camera.hand_held:
            scale = float(np.clip(camera.resolution[0] / 160.0, 0.4, 2.5))
            handling = Handling(
                float(random.uniform(0.8, 2.5)) * scale,
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
            angles_deg=(tilt, camera.rotation_deg + float(random.normal(0, 3.0))),
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
        return replace(
            own,
            pattern_k=0.8 * shared.pattern_k + 0.6 * own.pattern_k,
            dead=shared.dead,
            flicker=shared.flicker,
            scale_k=self.options.count_scale_k,
            emissivity_set=self.options.emissivity_set,
            reflected_set_c=round(camera.ambient_c, 1),
        )


@dataclass(frozen=True)
class _Air:
    """Ambient temperature over time: a start and a drift a second."""

    start_c: float
    drift_k_per_s: float

    def __call__(self, time_s: float) -> float:
        return self.start_c + self.drift_k_per_s * time_s


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
    mirrored_k: np.ndarray
    visitor: Visitor | None

    def counts(self, frame: int) -> np.ndarray:
        """Return uint16 counts of one frame; a frozen one repeats what it shows, noise included."""
        source = int(self.sensor.source_frame[frame])
        time = float(self.times_s[source])
        grid = self.unit.grid
        kept = self.heat.at(time)
        cells = np.full((grid.rows, grid.columns), self.air(time))
        count = int(grid.inside.sum())
        cells[grid.inside] = kept[:count]
        radiance = self.scene.radiance(
            self.projections[source],
            cells,
            kept[count:].reshape(2, -1).T,
            ambient_k=self.air(time) - self.air(0.0),
            mirrored_k=float(self.mirrored_k[source]),
        )
        if self.visitor is not None:
            radiance = self.visitor.cover(radiance, time)
        return self.sensor.expose(self.sensor.temperature(radiance), source, self.seed)


def draw_spread(board: Board, random: np.random.Generator, *, fault: DrawnFault | None, scale: float) -> UnitSpread:
    """Draw how one unit differs from its type, the fault's poor couplings included."""
    coupling = {p.ref: float(np.exp(scale * 0.08 * random.normal())) for p in board.parts}
    lag = {p.ref: float(np.exp(scale * 0.06 * random.normal())) for p in board.parts}
    for key, factor in (fault.coupling if fault else {}).items():
        coupling[key] = coupling.get(key, 1.0) * factor
    loss = float(np.exp(scale * 0.06 * random.normal()))
    laminate = float(np.exp(scale * 0.02 * random.normal()))
    return UnitSpread(coupling, lag, loss, laminate, fault.missing if fault else frozenset())


def heat_unit(
    unit: Unit,
    board: Board,
    schedule: Schedule,
    fault: DrawnFault | None,
    line: Timeline,
    *,
    air: Callable[[float], float],
    side: str,
) -> HeatFilm:
    """Run a unit from its lead-in to the last frame.

    Parameters
    ----------
    unit : Unit
    board : Board
        Of the type; decides the order of parts.
    schedule : Schedule
    fault : DrawnFault or None
        Says where ``'place'`` and ``'path'`` are.
    line : Timeline
    air : callable
        Seconds of the recording's clock to degrees Celsius.
    side : {'top', 'bottom'}

    Returns
    -------
    HeatFilm
        On the recording's clock; kept are the filmed face's cells, then tops and insides of the parts.
    """
    columns = source_columns(unit, schedule.sources, fault)
    used = np.flatnonzero(columns.any(axis=0))
    columns = columns[:, used]
    lead = line.lead_s
    film = run_heat(
        unit.net,
        np.full(len(unit.net.capacity), air(-lead)),
        lambda t: columns @ schedule.at(t - lead)[used],
        duration_s=float(on_grid(line.times_s[-1] + lead + 0.05)),
        switches_s=schedule.switches() + lead,
        ambient_c=lambda t: air(t - lead),
        keep=visible_nodes(unit, board, side=side),
    )
    return replace(film, times_s=film.times_s - lead)


def visible_nodes(unit: Unit, board: Board, *, side: str) -> np.ndarray:
    """Return nodes of the filmed face's cells, then tops, then insides of all parts (their cell where missing)."""
    face = unit.cell_node[0 if side == "top" else -1]
    bodies = []
    for part in board.parts:
        weight = unit.grid.spot(part.x, part.y, unit.grid.cell_mm)
        bare = int(unit.cell_node[0 if part.side == "top" else -1].ravel()[np.argmax(weight)])
        bodies.append((unit.top_node.get(part.ref, bare), unit.heat_node.get(part.ref, bare)))
    return np.concatenate([face[unit.grid.inside], np.array(bodies, int).reshape(-1, 2).T.ravel()])


def _visits(visitor: Visitor | None, times_s: np.ndarray) -> tuple[tuple[str, int, int], ...]:
    """Return the event of a hand in view: word, first frame, frames."""
    if visitor is None:
        return ()
    seen = np.flatnonzero((times_s > visitor.from_s) & (times_s < visitor.to_s))
    return (("hand", int(seen[0]), len(seen)),) if len(seen) else ()


def source_columns(unit: Unit, sources: tuple[str, ...], fault: DrawnFault | None) -> np.ndarray:
    """Return where each source puts its heat, ndarray (nodes, sources); used columns add to one."""
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
            weight = np.sum([unit.grid.spot(x, y, 0.5) for x, y in line], axis=0)
            columns[:, k] = unit.cell_source(weight, 0)
    return columns


def _truth(
    view: Viewpoint,
    lens: Lens | None,
    schedule: Schedule,
    line: Timeline,
    sensor: Sensor,
    heat: HeatFilm,
    *,
    board: Board,
    ambient_c: float,
) -> RecordingTruth:
    """Write down what is true; ``restarts`` counts every try seen, the caller takes off the power-ups."""
    last = float(line.times_s[-1])
    runs = tuple((float(a), float(b)) for a, b in line.runs_s if b > line.on_s)
    x0, y0, x1, y1 = board.box_mm
    middle = np.array([(x0 + x1) / 2, (y0 + y1) / 2, 0.0, 1.0])
    flat, raised = view.projections[0] @ middle, view.projections[0] @ np.array([*middle[:2], 1.0, 1.0])
    return RecordingTruth(
        matrices=view.matrices[sensor.source_frame],
        lens=lens,
        power_on_s=line.on_s if line.on_s >= 0 else None,
        power_off_s=line.off_s,
        runs_s=runs,
        restarts=sum(a < last for a, _ in runs),
        sources=schedule.sources,
        made_w=np.array([schedule.at(t) for t in line.times_s]),
        excess_w=None,
        part_c=np.array([heat.at(t)[-2 * len(board.parts) :][: len(board.parts)] for t in line.times_s]),
        camera_events=tuple(sorted([*sensor.events, *line.dropped], key=lambda e: e[1])),
        frozen=sensor.source_frame < np.arange(len(line.times_s)),
        bad_pixels=np.concatenate([sensor.dead, sensor.flicker]),
        ambient_c=ambient_c,
        noise_k=sensor.noise_k,
        blur_px=0.0,
        height_shift_px=raised[:2] / raised[2] - flat[:2] / flat[2],
        warm_start=line.warm,
    )
