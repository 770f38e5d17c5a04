"""What reaches the sensor: board, parts and bench as band radiance, supersampled, blurred, averaged over pixels.

For one pose everything that does not change with temperature (what covers what, emissivities, reflections) is
worked out once, as fragments; a frame then only fills in radiances. On a tripod the fragments serve all frames.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from scipy import ndimage

from thermscan.model.board import Board, Part
from thermscan.model.pose import Lens, map_points
from thermscan.physics.radiation import LONG_WAVE, Band, band_radiance, radiance_slope
from thermscan.simulate.material import EMISSIVITY, KINDS
from thermscan.simulate.stack import CellGrid
from thermscan.simulate.viewpoint import plane_matrix

FINE_MM = 0.3  # a subsample is about this wide on the board
TEXEL_MM = 0.12
# Large bodies are warmer over the die: share of the inside's temperature in the middle, and width (one sigma) as a
# share of the body.
CORE_FROM_MM, CORE_SHARE, CORE_WIDTH = 3.0, 0.4, 0.22
WALL_FROM = 0.05  # walls narrower than this share of a subsample are not drawn
UPSAMPLE = 4  # cells are refined before warping, as OpenCV rounds coordinates to 1/32 of a source pixel


@dataclass(frozen=True)
class Look:
    """Surroundings of a recording.

    Attributes
    ----------
    bench_k : ndarray of shape (rows, columns)
        Bench over ambient, K, over a square of ``bench_mm`` around the board's centre.
    bench_mm : float
    reflected_k : float
        Surroundings over ambient, K.
    reflected_slope_k : tuple of float
        Change of that from one edge of the picture to the other, x and y.
    part_reflected_k : dict of refdes to K
        What a shiny part mirrors is its own.
    """

    bench_k: np.ndarray
    bench_mm: float
    reflected_k: float
    reflected_slope_k: tuple[float, float]
    part_reflected_k: dict[str, float] = field(default_factory=dict)


def draw_look(board: Board, random: np.random.Generator) -> Look:
    """Draw bench, clutter on it and the surroundings that shine on the board."""
    x0, y0, x1, y1 = board.box_mm
    size = 6.0 * max(x1 - x0, y1 - y0)
    count = 320
    rough = ndimage.gaussian_filter(random.normal(size=(count, count)), 40, mode="reflect")
    bench = random.normal(0, 0.5) + 0.5 * random.random() * rough / (rough.std() + 1e-12)
    scale = count / size
    for _ in range(int(random.integers(0, 5))):  # cables, tools, screws
        ends = random.uniform(0.15, 0.85, (2, 2)) * count
        stamp = np.zeros((count, count), np.float32)
        width = max(1, round(random.uniform(2.0, 8.0) * scale))
        first, last = (tuple(int(v) for v in e) for e in ends)
        cv2.line(stamp, first, last, 1.0, width)
        bench = bench + random.normal(0, 1.5) * cv2.GaussianBlur(stamp, (0, 0), 0.7)
    own = {p.ref: float(random.normal(0, 1.5)) for p in board.parts}
    slope = (float(random.normal(0, 0.5)), float(random.normal(0, 0.5)))
    return Look(bench.astype(np.float32), size, float(random.normal(0.5, 1.5)), slope, own)


@dataclass(frozen=True)
class _Patch:
    """One body in the supersampled picture: where, how much of each subsample, its emissivity and reflection.

    ``core`` is the share of the inside's temperature that shows through the top of a large body, None for none.
    """

    rows: slice
    columns: slice
    weight: np.ndarray
    emissivity: float
    mirrored: float
    index: int
    core: np.ndarray | None


@dataclass(frozen=True)
class _Fragments:
    """All that is fixed for one pose."""

    board_weight: np.ndarray
    fixed: np.ndarray
    ambient_weight: np.ndarray
    mirror_weight: np.ndarray
    patches: tuple[_Patch, ...]
    warp: np.ndarray


class Scene:
    """A board in its surroundings, ready to be rendered from any pose.

    Parameters
    ----------
    board : Board
        As really made; only fitted parts of ``side`` are drawn.
    grid : CellGrid
        Of the heat model.
    look : Look
    side : {'top', 'bottom'}
    resolution : (columns, rows)
    pixel_mm : float
        Width of a pixel on the board, decides the supersampling.
    ambient_c : float
    optics : Optics
    """

    def __init__(
        self,
        board: Board,
        grid: CellGrid,
        look: Look,
        *,
        side: str,
        resolution: tuple[int, int],
        pixel_mm: float,
        ambient_c: float,
        optics: Optics,
    ) -> None:
        self.board, self.grid, self.look, self.side = board, grid, look, side
        self.columns, self.rows = resolution
        self.sub = int(np.clip(np.ceil(pixel_mm / FINE_MM), 2, 10))
        self.ambient_c, self.optics = ambient_c, optics
        self.parts = sorted(
            ((i, p) for i, p in enumerate(board.parts) if p.side == side and p.fitted),
            key=lambda item: item[1].height_mm or 0.5,
        )
        self._paint_board()
        self._nearest = ndimage.distance_transform_edt(~grid.inside, return_distances=False, return_indices=True)
        self._cached: tuple[bytes, _Fragments] | None = None
        self._distort = self._distortion()

    def _paint_board(self) -> None:
        """Paint emissivity and outline coverage on a fine raster of the board."""
        x0, y0, x1, y1 = self.board.box_mm
        texel = max(TEXEL_MM, max(x1 - x0, y1 - y0) / 1200)
        margin = 8
        self.texel = texel
        self.texture_x0, self.texture_y0 = x0 - margin * texel, y0 - margin * texel
        shape = (int((y1 - y0) / texel) + 2 * margin, int((x1 - x0) / texel) + 2 * margin)
        outline = self._fill_outline(shape)
        black = self.optics.perfect_surfaces
        emissivity = np.full(shape, 1.0 if black else EMISSIVITY["solder_mask"], np.float32)
        circle = np.linspace(0, 2 * np.pi, 48, endpoint=False)
        ring = np.column_stack([np.cos(circle), np.sin(circle)])
        metal = []
        for hole in self.board.holes:
            middle = np.array([hole.x, hole.y])
            metal.append(middle + ring * (hole.d / 2 + 1.2))
            self._blend(outline, middle + ring * hole.d / 2, 0.0)
        metal += [pad for _, part in self.parts if KINDS[part.kind].foot == "ends" for pad in self._pads(part)]
        for polygon in metal if not black else ():
            self._blend(emissivity, polygon, EMISSIVITY["tinned"])
        self.outline_texture, self.emissivity_texture = outline, emissivity

    def _texels(self, points_mm: np.ndarray) -> np.ndarray:
        """Board mm to texel coordinates, ndarray (..., 2)."""
        return (points_mm - [self.texture_x0, self.texture_y0]) / self.texel

    def _fill_outline(self, shape: tuple[int, int]) -> np.ndarray:
        """Return how much of each texel is board, holes not yet cut."""
        fine = 4  # drawn finer and averaged, so that edges are where they should be
        big = np.zeros((shape[0] * fine, shape[1] * fine), np.uint8)
        corners = np.round(((self._texels(self.board.outline_mm) + 0.5) * fine - 0.5) * 256).astype(np.int32)
        cv2.fillPoly(big, [corners], 255, cv2.LINE_8, 8)
        small = cv2.resize(big, (shape[1], shape[0]), interpolation=cv2.INTER_AREA)
        return small.astype(np.float32) / 255

    def _blend(self, texture: np.ndarray, polygon_mm: np.ndarray, value: float) -> None:
        """Paint a convex polygon into a texture, in place."""
        found = _coverage(self._texels(polygon_mm), texture.shape)
        if found is not None:
            rows, columns, cover = found
            texture[rows, columns] += cover * (value - texture[rows, columns])

    @staticmethod
    def _pads(part: Part) -> list[np.ndarray]:
        """Return the corners of the two solder pads that stick out under the ends of a part, mm."""
        turn = np.radians(part.rotation)
        spin = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
        out = []
        reach = min(0.5, 0.25 * part.w)
        for sign in (-1, 1):
            box = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * [reach, 0.5 * part.h] + [sign * part.w / 2, 0]
            out.append(box @ spin + [part.x, part.y])
        return out

    def _distortion(self) -> tuple[np.ndarray, np.ndarray] | None:
        """Where each subsample of the recorded picture looks in the undistorted one."""
        lens = self.optics.lens
        if lens is None or (lens.k1 == 0 and lens.k2 == 0):
            return None
        s = self.sub
        u = (np.arange(self.columns * s) + 0.5) / s - 0.5
        v = (np.arange(self.rows * s) + 0.5) / s - 0.5
        uu, vv = np.meshgrid((u - lens.centre_px[0]) / lens.focal_px, (v - lens.centre_px[1]) / lens.focal_px)
        x, y = uu.copy(), vv.copy()
        for _ in range(12):  # fixed point of the forward model
            square = x**2 + y**2
            factor = 1 + lens.k1 * square + lens.k2 * square**2
            x, y = uu / factor, vv / factor
        map_x = ((x * lens.focal_px + lens.centre_px[0] + 0.5) * s - 0.5).astype(np.float32)
        map_y = ((y * lens.focal_px + lens.centre_px[1] + 0.5) * s - 0.5).astype(np.float32)
        return map_x, map_y

    def _to_sub(self, matrix: np.ndarray) -> np.ndarray:
        """Board mm to subsamples, from board mm to pixels."""
        s = self.sub
        scale = np.array([[s, 0, (s - 1) / 2], [0, s, (s - 1) / 2], [0, 0, 1.0]])
        return scale @ matrix

    def _warp(self, picture: np.ndarray, to_source: np.ndarray, *, border: float | None = None) -> np.ndarray:
        """Sample a raster at every subsample; ``to_source`` maps subsamples to raster coordinates."""
        size = (self.columns * self.sub, self.rows * self.sub)
        mode = cv2.BORDER_REPLICATE if border is None else cv2.BORDER_CONSTANT
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        return cv2.warpPerspective(
            np.ascontiguousarray(picture), to_source, size, flags=flags, borderMode=mode, borderValue=border or 0.0
        )

    def _fragments(self, projection: np.ndarray) -> _Fragments:
        key = projection.tobytes()
        if self._cached is not None and self._cached[0] == key:
            return self._cached[1]
        plane = self._to_sub(plane_matrix(projection, 0.0))
        back = np.linalg.inv(plane)
        texture = np.array([[1, 0, -self.texture_x0], [0, 1, -self.texture_y0], [0, 0, self.texel]]) / self.texel
        alpha = self._warp(self.outline_texture, texture @ back, border=0.0)
        emissivity = self._warp(self.emissivity_texture, texture @ back)
        mirrored = self._mirrored_radiance(alpha.shape)
        remaining = np.ones_like(alpha)
        patches, fixed, mirror_weight = [], np.zeros_like(alpha), np.zeros_like(alpha)
        for index, part in reversed(self.parts):  # tallest first: what it covers nobody else shows
            for patch in self._part_patches(projection, index, part, remaining):
                patches.append(patch)
                box = (patch.rows, patch.columns)
                mirror_weight[box] += patch.weight * (1 - patch.emissivity)
                fixed[box] += patch.weight * (1 - patch.emissivity) * patch.mirrored
        ambient_weight = remaining * (1 - alpha)
        fixed += ambient_weight * self._bench_radiance(back)
        board = remaining * alpha
        mirror_weight += board * (1 - emissivity)
        fixed += mirror_weight * mirrored
        cells = self._cell_matrix()
        fragments = _Fragments(board * emissivity, fixed, ambient_weight, mirror_weight, tuple(patches), cells @ back)
        self._cached = (key, fragments)
        return fragments

    def _cell_matrix(self) -> np.ndarray:
        """Board mm to coordinates of the refined cells."""
        g, n = self.grid, UPSAMPLE
        scale = n / g.cell_mm
        return np.array(
            [[scale, 0, (n - 1) / 2 - scale * g.x0_mm], [0, scale, (n - 1) / 2 - scale * g.y0_mm], [0, 0, 1.0]]
        )

    def _mirrored_radiance(self, shape: tuple[int, int]) -> np.ndarray:
        """Radiance of the surroundings as mirrored at each subsample."""
        look = self.look
        x = np.linspace(-0.5, 0.5, shape[1])[None, :] * look.reflected_slope_k[0]
        y = np.linspace(-0.5, 0.5, shape[0])[:, None] * look.reflected_slope_k[1]
        over = (look.reflected_k + x + y).astype(np.float32)
        base, slope = band_radiance(self.ambient_c, band=self.optics.band), self._slope()
        return (base + slope * over).astype(np.float32)

    def _slope(self) -> float:
        return float(radiance_slope(self.ambient_c, band=self.optics.band))

    def _bench_radiance(self, back: np.ndarray) -> np.ndarray:
        look = self.look
        x0, y0, x1, y1 = self.board.box_mm
        texel = look.bench_mm / look.bench_k.shape[0]
        left, low = (x0 + x1 - look.bench_mm) / 2, (y0 + y1 - look.bench_mm) / 2
        place = np.array([[1, 0, -left], [0, 1, -low], [0, 0, texel]]) / texel
        over = self._warp(look.bench_k, place @ back)
        return band_radiance(self.ambient_c, band=self.optics.band).astype(np.float32) + self._slope() * over

    def _part_patches(self, projection: np.ndarray, index: int, part: Part, remaining: np.ndarray) -> list[_Patch]:
        """Return what is still free of a body's top, and of its walls where it is seen at an angle."""
        tall = part.height_mm or 0.5
        corners = part.corners_mm()
        base = map_points(self._to_sub(plane_matrix(projection, 0.0)), corners)
        top = map_points(self._to_sub(plane_matrix(projection, tall)), corners)
        emissivity = 1.0 if self.optics.perfect_surfaces else EMISSIVITY.get(part.surface or "plastic", 0.9)
        own = self._slope() * self.look.part_reflected_k.get(part.ref, 0.0)
        out = []
        hull = cv2.convexHull(np.concatenate([base, top]).astype(np.float32))[:, 0].astype(float)
        walls = np.abs(top - base).max() > WALL_FROM
        for polygon in (top, hull) if walls else (top,):
            found = _coverage(polygon, remaining.shape)
            if found is None:
                continue
            rows, columns, cover = found
            weight = remaining[rows, columns] * cover
            remaining[rows, columns] -= weight
            has_core = polygon is top and KINDS[part.kind].lag_w_m2k is not None and min(part.w, part.h) >= CORE_FROM_MM
            core = _core(polygon, rows, columns) if has_core else None
            out.append(_Patch(rows, columns, weight, emissivity, own, index, core))
        return out

    def radiance(
        self,
        projection: np.ndarray,
        cells_c: np.ndarray,
        part_c: np.ndarray,
        *,
        ambient_k: float = 0.0,
        mirrored_k: float = 0.0,
    ) -> np.ndarray:
        """Render one frame.

        Parameters
        ----------
        projection : ndarray of shape (3, 4)
        cells_c : ndarray of shape (rows, columns) of the cell grid, degrees Celsius
            Filmed face; values outside the board are ignored.
        part_c : ndarray of shape (parts, 2), degrees Celsius
            Top and inside of the bodies, in the order of the board's parts.
        ambient_k, mirrored_k : float
            Drift of bench and of what is mirrored since the scene was made, K.

        Returns
        -------
        ndarray of shape (rows, columns), float32, W m-2 sr-1
        """
        fragments = self._fragments(projection)
        band = self.optics.band
        filled = cells_c[self._nearest[0], self._nearest[1]]
        glow = band_radiance(filled, band=band).astype(np.float32)
        g = self.grid
        fine = cv2.resize(glow, (g.columns * UPSAMPLE, g.rows * UPSAMPLE), interpolation=cv2.INTER_LINEAR)
        picture = fragments.board_weight * self._warp(fine, fragments.warp) + fragments.fixed
        if ambient_k:
            picture += (self._slope() * ambient_k) * fragments.ambient_weight
        if mirrored_k:
            picture += (self._slope() * mirrored_k) * fragments.mirror_weight
        glow = band_radiance(part_c, band=band).astype(np.float32)
        for patch in fragments.patches:
            top, inside = glow[patch.index]
            shown = top if patch.core is None else top + patch.core * (inside - top)
            picture[patch.rows, patch.columns] += patch.weight * np.float32(patch.emissivity) * shown
        return self._expose(picture)

    def _expose(self, picture: np.ndarray) -> np.ndarray:
        """Distort, blur and average over pixels."""
        if self._distort is not None:
            picture = cv2.remap(picture, *self._distort, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        sigma = self.optics.blur_px * self.sub
        if sigma > 0:
            picture = cv2.GaussianBlur(picture, (0, 0), sigma, borderType=cv2.BORDER_REFLECT_101)
        return cv2.resize(picture, (self.columns, self.rows), interpolation=cv2.INTER_AREA)


@dataclass(frozen=True)
class Optics:
    """Camera in front of the sensor: blur (standard deviation, px), lens, band, and whether surfaces are black."""

    blur_px: float = 0.8
    lens: Lens | None = None
    band: Band = LONG_WAVE
    perfect_surfaces: bool = False


def _core(polygon: np.ndarray, rows: slice, columns: slice) -> np.ndarray:
    """Return how much of the inside's temperature each subsample of a top shows: most over the die in the middle."""
    middle = polygon.mean(axis=0)
    across = np.linalg.inv(np.column_stack([polygon[1] - polygon[0], polygon[3] - polygon[0]]))
    x = np.arange(columns.start, columns.stop)[None, :] - middle[0]
    y = np.arange(rows.start, rows.stop)[:, None] - middle[1]
    u, v = across[0, 0] * x + across[0, 1] * y, across[1, 0] * x + across[1, 1] * y
    return (CORE_SHARE * np.exp(-0.5 * (u**2 + v**2) / CORE_WIDTH**2)).astype(np.float32)


def _coverage(polygon: np.ndarray, shape: tuple[int, int]) -> tuple[slice, slice, np.ndarray] | None:
    """Return which subsamples a convex polygon covers and how much, None where it is out of the picture.

    Coverage of a subsample is the product over the edges of how far it lies inside each, exact for one straight
    edge along the raster.
    """
    low = np.floor(polygon.min(axis=0)).astype(int) - 1
    high = np.ceil(polygon.max(axis=0)).astype(int) + 2
    low, high = np.maximum(low, 0), np.minimum(high, shape[::-1])
    if (high - low < 1).any():
        return None
    x = np.arange(low[0], high[0], dtype=np.float32)[None, :]
    y = np.arange(low[1], high[1], dtype=np.float32)[:, None]
    cover = np.ones((high[1] - low[1], high[0] - low[0]), np.float32)
    ends = np.roll(polygon, -1, axis=0)
    area = np.sum(polygon[:, 0] * ends[:, 1] - polygon[:, 1] * ends[:, 0])
    for a, b in zip(polygon, ends, strict=True):
        dx, dy = (b - a) * np.sign(area)
        length = np.hypot(dx, dy)
        if length < 1e-6:
            continue
        depth = (dx * (y - np.float32(a[1])) - dy * (x - np.float32(a[0]))) / np.float32(length)
        cover *= np.clip(depth + np.float32(0.5), 0, 1)
    return slice(low[1], high[1]), slice(low[0], high[0]), cover
