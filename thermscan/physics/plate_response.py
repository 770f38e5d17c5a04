"""Temperature of a rectangular layered plate after a step of power, by cosine series (insulated edges)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from thermscan.physics.plate import Layers


@dataclass(frozen=True)
class Rectangle:
    """The plate's rectangle, mm, and how many cosine waves are kept along x and y."""

    x0_mm: float
    y0_mm: float
    width_mm: float
    height_mm: float
    waves_x: int
    waves_y: int

    @classmethod
    def for_box(cls, box_mm: tuple[float, float, float, float], finest_mm: float) -> Rectangle:
        """Cover ``x_min, y_min, x_max, y_max`` with waves down to a wavelength of twice ``finest_mm``."""
        x0, y0, x1, y1 = box_mm
        width, height = x1 - x0, y1 - y0
        return cls(
            x0,
            y0,
            width,
            height,
            max(4, int(np.ceil(width / finest_mm)) + 1),
            max(4, int(np.ceil(height / finest_mm)) + 1),
        )

    def waves(self) -> tuple[np.ndarray, np.ndarray]:
        """Return wave numbers along x and y, ndarrays (waves_x,) and (waves_y,), rad/mm."""
        return np.pi * np.arange(self.waves_x) / self.width_mm, np.pi * np.arange(self.waves_y) / self.height_mm

    def cosines(self, x_mm: np.ndarray, y_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return normalised cosines at coordinates, ndarrays (len(x), waves_x) and (len(y), waves_y), mm^-1/2."""
        kx, ky = self.waves()
        norm_x = np.where(kx > 0, np.sqrt(2 / self.width_mm), np.sqrt(1 / self.width_mm))
        norm_y = np.where(ky > 0, np.sqrt(2 / self.height_mm), np.sqrt(1 / self.height_mm))
        x = np.atleast_1d(np.asarray(x_mm, float))[:, None] - self.x0_mm
        y = np.atleast_1d(np.asarray(y_mm, float))[:, None] - self.y0_mm
        return norm_x * np.cos(x * kx), norm_y * np.cos(y * ky)


def step_of_waves(layers: Layers, k2: np.ndarray, times_s: np.ndarray, *, made_in: int, seen_in: int) -> np.ndarray:
    """Return the rise of cosine waves of temperature for unit power density switched on at zero.

    Parameters
    ----------
    layers : Layers
    k2 : ndarray of shape (waves,)
        Squared wave number, rad2/mm2.
    times_s : ndarray of shape (times,)
        Seconds since the step; zero or less gives zero.
    made_in, seen_in : int
        Layer that is heated and layer that is looked at; -1 is the far face.

    Returns
    -------
    ndarray of shape (waves, times), K per W/mm2

    Notes
    -----
    Each wave obeys ``c dT/dt = p - (k t k2 + h) T - exchange with neighbours``; the small symmetric system is solved
    by its eigenvectors, exact in time.
    """
    capacity = layers.capacity_j_per_mm2_k
    root = np.sqrt(capacity)
    exchange = _exchange(layers.between_w_per_mm2_k, len(capacity))
    diagonal = layers.conductance_w_per_k * np.asarray(k2)[:, None] + layers.loss_w_per_mm2_k
    matrix = exchange[None] + diagonal[:, :, None] * np.eye(len(capacity))
    rates, vectors = np.linalg.eigh(matrix / root[:, None] / root[None, :])
    rates = np.maximum(rates, 1e-9)
    weight = vectors[:, seen_in, :] * vectors[:, made_in, :] / (root[seen_in] * root[made_in] * rates)
    t = np.maximum(np.asarray(times_s, float), 0.0)
    return np.einsum("we,wte->wt", weight, -np.expm1(-rates[:, None, :] * t[None, :, None]))


def _exchange(between: np.ndarray, count: int) -> np.ndarray:
    """Build the matrix of heat exchange between neighbouring layers, ndarray (layers, layers)."""
    matrix = np.zeros((count, count))
    for i, g in enumerate(between):
        matrix[i, i] += g
        matrix[i + 1, i + 1] += g
        matrix[i, i + 1] -= g
        matrix[i + 1, i] -= g
    return matrix


@dataclass(frozen=True)
class PlateResponse:
    """Step responses of one plate, ready for sources anywhere on it.

    Attributes
    ----------
    rectangle : Rectangle
    times_s : ndarray of shape (times,)
        Uniform, the first is zero.
    table : ndarray of shape (waves_x, waves_y, times), K per W/mm2
    table_made : ndarray, same shape
        The same, looked at in the layer that is heated.
    """

    rectangle: Rectangle
    times_s: np.ndarray
    table: np.ndarray
    table_made: np.ndarray

    @classmethod
    def of(
        cls, layers: Layers, rectangle: Rectangle, times_s: np.ndarray, *, made_in: int = 0, seen_in: int = 0
    ) -> PlateResponse:
        """Tabulate the response for all waves of the rectangle.

        The response depends on the wave number only through its square, so that it is computed on a fine ladder
        of wave numbers and read off in between (error below 1e-3 of the value).
        """
        kx, ky = rectangle.waves()
        k = np.sqrt(kx[:, None] ** 2 + ky[None, :] ** 2)
        ladder = np.concatenate([[0.0], np.geomspace(0.5 * k[k > 0].min(), k.max(), 160)])
        seen = _read_off(k, ladder, step_of_waves(layers, ladder**2, times_s, made_in=made_in, seen_in=seen_in))
        made = seen
        if made_in != seen_in:
            made = _read_off(k, ladder, step_of_waves(layers, ladder**2, times_s, made_in=made_in, seen_in=made_in))
        return cls(rectangle, np.asarray(times_s, float), seen.astype(np.float32), made.astype(np.float32))

    def at_body(self, body: np.ndarray) -> np.ndarray:
        """Return the mean rise under a body per watt made in it, ndarray (times,), K/W."""
        return np.einsum("xyt,xy->t", self.table_made, body**2, dtype=float)

    def over_cells(self, body: np.ndarray, eyes: tuple[np.ndarray, np.ndarray]) -> np.ndarray:
        """Return the seen rise per watt, float32 ndarray (times, rows, columns), K/W.

        ``body`` are cosine coefficients (waves_x, waves_y); ``eyes`` the cosines of the cells' columns and rows,
        blur included.
        """
        across, up = (e.astype(np.float32) for e in eyes)
        inner = np.tensordot(across, self.table * body[:, :, None].astype(np.float32), axes=(1, 0))
        return np.ascontiguousarray(np.tensordot(up, inner, axes=(1, 1)).transpose(2, 0, 1))


def _read_off(k: np.ndarray, ladder: np.ndarray, values: np.ndarray) -> np.ndarray:
    """Interpolate values of shape (ladder, times) at wave numbers k, linear in log k (the first rung is zero)."""
    log = np.log(np.maximum(ladder, ladder[1] * 1e-3))
    at = np.interp(np.log(np.maximum(k, ladder[1] * 1e-3)), log, np.arange(len(ladder)))
    low = np.minimum(at.astype(int), len(ladder) - 2)
    part = (at - low)[..., None]
    return values[low] * (1 - part) + values[low + 1] * part


def body_coefficients(rectangle: Rectangle, points_mm: np.ndarray, spread_mm: float) -> np.ndarray:
    """Return cosine coefficients of unit power spread evenly over points, each blurred by ``spread_mm``.

    Parameters
    ----------
    rectangle : Rectangle
    points_mm : ndarray of shape (points, 2), mm
    spread_mm : float
        Standard deviation of the Gaussian that each point stands for.

    Returns
    -------
    ndarray of shape (waves_x, waves_y), 1/mm
    """
    x, y = rectangle.cosines(points_mm[:, 0], points_mm[:, 1])
    kx, ky = rectangle.waves()
    return (x.T @ y) / len(points_mm) * np.exp(-0.5 * spread_mm**2 * (kx[:, None] ** 2 + ky[None, :] ** 2))


def blurred_cosines(
    rectangle: Rectangle, x_mm: np.ndarray, y_mm: np.ndarray, blur_mm: float
) -> tuple[np.ndarray, np.ndarray]:
    """Return the cosines at cell columns and rows as a camera with a Gaussian blur (standard deviation) sees them."""
    x, y = rectangle.cosines(x_mm, y_mm)
    kx, ky = rectangle.waves()
    return x * np.exp(-0.5 * (blur_mm * kx) ** 2), y * np.exp(-0.5 * (blur_mm * ky) ** 2)


@dataclass(frozen=True)
class Package:
    """A part on the board: resistance to the board under it, K/W, and its own heat capacity, J/K.

    What is seen of it follows with ``top_lag_s``, the time that heat takes from the die through the mould.
    """

    resistance_k_per_w: float
    capacity_j_per_k: float
    top_lag_s: float = 0.0

    @property
    def lag_s(self) -> float:
        """Time constant of the part against a board that stands still, s."""
        return self.resistance_k_per_w * self.capacity_j_per_k


def flow_from_packages(under_k_per_w: np.ndarray, step_s: float, packages: tuple[Package, ...]) -> np.ndarray:
    """Return the heat that flows from parts into the board after one watt is switched on inside them.

    Parameters
    ----------
    under_k_per_w : ndarray of shape (times,)
        Step response of the board under the body, uniform in time, starting at zero.
    step_s : float
        Distance of the times.
    packages : tuple of Package

    Returns
    -------
    ndarray of shape (packages, times), W
        Zero at the start, one in the long run.

    Notes
    -----
    ``C dTp/dt = 1 - q``, ``Tp = R q + Tb``, ``Tb = integral of dq z``: a Volterra equation of the second kind,
    stepped implicitly. The part's own loss to the air is not in it (under 1 % of 1/R for bodies below 1 cm2).
    """
    r = np.array([p.resistance_k_per_w for p in packages])
    c = np.array([p.capacity_j_per_k for p in packages])
    count = len(under_k_per_w)
    middle = (under_k_per_w[:-1] + under_k_per_w[1:]) / 2
    q = np.zeros((len(packages), count))
    added = np.zeros_like(q)
    part = np.zeros(len(packages))
    for k in range(1, count):
        known = added[:, 1:k] @ middle[k - 1 : 0 : -1]
        # with q linear inside a step:
        # Tp_k = Tp_(k-1) + dt (1 - (q_k + q_(k-1)) / 2) / C = R q_k + known + (q_k - q_(k-1)) z
        right = part + step_s * (1 - q[:, k - 1] / 2) / c - known + q[:, k - 1] * middle[0]
        q[:, k] = right / (r + middle[0] + step_s / (2 * c))
        added[:, k] = q[:, k] - q[:, k - 1]
        part = part + step_s * (1 - (q[:, k] + q[:, k - 1]) / 2) / c
    return q


def superpose(flow: np.ndarray) -> np.ndarray:
    """Return the lower-triangular matrix (times, times) that turns step responses into the response to a flow.

    ``flow`` is ndarray (times,), uniform times, zero before; row k of the matrix times step responses (times, ...)
    is the response at time k. The flow is linear between the times.
    """
    added = np.diff(flow, prepend=0.0)
    count = len(flow)
    lag = np.arange(count)[:, None] - np.arange(count)[None, :]
    own = np.where(lag >= 0, added[np.abs(lag)], 0.0)
    later = np.where(lag + 1 >= 1, added[np.minimum(lag + 1, count - 1) * (lag + 1 >= 1)], 0.0)
    later = np.where(lag + 1 < count, later, 0.0)
    return (own + later) / 2
