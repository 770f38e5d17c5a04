"""Material and surface numbers of the simulator: its own, drawn around handbook values.

Conductivities in W m-1 K-1, heat capacities per volume in J m-3 K-1. Copper 390 to 400 and 3.44e6, woven glass
laminate 0.25 to 0.35 through the thickness, about three times that in the plane (Graebner and Azar 1997) and
1.9e6 to 2.2e6: handbook values, spread by the drawing. Emissivities from memory of general tables; they
only have to be realistic, no check depends on them.
"""

from __future__ import annotations

from dataclasses import dataclass

COPPER_K = 395.0
COPPER_RHO_C = 3.44e6
COPPER_OHM_M = 1.724e-8  # annealed copper at 20 C, IEC 60028
LAMINATE_K_THROUGH = 0.30
LAMINATE_K_IN_PLANE = 0.85
LAMINATE_RHO_C = 2.05e6
STEFAN_BOLTZMANN = 5.670374419e-8

# Emissivity of each surface in a long-wave band.
EMISSIVITY = {
    "solder_mask": 0.91,
    "plastic": 0.93,
    "mold": 0.93,
    "ceramic": 0.86,
    "resistor_glaze": 0.90,
    "ferrite": 0.88,
    "sleeve": 0.92,
    "anodised": 0.80,
    "bare_metal": 0.20,
    "tinned": 0.15,
    "shiny_metal": 0.10,
    "matte_paint": 0.95,
    "bench_mat": 0.93,
}
READABLE_FROM = 0.6  # surfaces below reflect more than they tell


@dataclass(frozen=True)
class Kind:
    """What parts of one kind are made of.

    Attributes
    ----------
    surface : str
        Key of EMISSIVITY.
    rho_c : float
        Heat capacity per volume of the body, J m-3 K-1.
    foot_w_m2k : tuple of float
        Range of the conductance between body and board per area of the footprint.
    foot : {'ends', 'whole'}
        Whether the part touches the board with two ends or with its whole footprint.
    lag_w_m2k : tuple of float or None
        Range of the conductance between the place that makes heat and the top of the body, per area; None for
        bodies that are one temperature.
    """

    surface: str
    rho_c: float
    foot_w_m2k: tuple[float, float]
    foot: str
    lag_w_m2k: tuple[float, float] | None


KINDS = {
    "capacitor": Kind("ceramic", 3.0e6, (9000.0, 22000.0), "ends", None),
    "resistor": Kind("resistor_glaze", 3.0e6, (10000.0, 25000.0), "ends", None),
    "inductor": Kind("ferrite", 3.4e6, (1800.0, 4500.0), "ends", (500.0, 1500.0)),
    "diode": Kind("mold", 2.2e6, (2500.0, 7000.0), "ends", (900.0, 2500.0)),
    "transistor": Kind("mold", 2.2e6, (2500.0, 7000.0), "whole", (900.0, 2500.0)),
    "regulator": Kind("mold", 2.2e6, (2500.0, 7000.0), "whole", (700.0, 1800.0)),
    "chip": Kind("mold", 2.0e6, (1500.0, 5000.0), "whole", (500.0, 1500.0)),
    "memory": Kind("mold", 2.0e6, (1200.0, 3500.0), "whole", (600.0, 1600.0)),
    "crystal": Kind("bare_metal", 2.5e6, (800.0, 2500.0), "ends", None),
    "fuse": Kind("ceramic", 2.8e6, (3000.0, 9000.0), "ends", None),
    "connector": Kind("plastic", 1.9e6, (250.0, 900.0), "whole", (60.0, 250.0)),
    "transformer": Kind("ferrite", 3.2e6, (400.0, 1500.0), "whole", (120.0, 400.0)),
    "module": Kind("shiny_metal", 1.2e6, (500.0, 1500.0), "whole", (60.0, 200.0)),
    "shield": Kind("shiny_metal", 1.2e6, (150.0, 500.0), "whole", None),
    "heatsink": Kind("anodised", 1.0e6, (60.0, 200.0), "whole", None),
    "other": Kind("plastic", 2.0e6, (500.0, 2500.0), "whole", None),
}
