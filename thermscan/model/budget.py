"""An uncertainty budget: what a measured number depends on, how well each of these is known and what it brings in."""

from __future__ import annotations

import math
from dataclasses import dataclass

from thermscan.model.quantity import Measured

SHAPES = ("normal", "rectangular", "arcsine")


@dataclass(frozen=True)
class Quantity:
    """One input of a measurement.

    Attributes
    ----------
    name : str
    value : float
        Best estimate.
    standard_uncertainty : float
        In the unit of the value, zero or more.
    shape : {'normal', 'rectangular', 'arcsine'}
        Of the distribution that Monte Carlo draws from; normal ones with few degrees of freedom are drawn from
        Student's t, scaled (JCGM 101, 6.4.9.2, from memory).
    degrees_of_freedom : float
        ``math.inf`` where the uncertainty itself is taken as known.
    unit, source : str
        Source: where value and uncertainty come from, in a few words.
    """

    name: str
    value: float
    standard_uncertainty: float
    shape: str = "normal"
    degrees_of_freedom: float = math.inf
    unit: str = ""
    source: str = ""


@dataclass(frozen=True)
class BudgetTerm:
    """One line of a budget.

    ``contribution_k`` is sensitivity times standard uncertainty, in K of the result, its sign that of the
    sensitivity; ``difference_k`` is what the same input brings into the difference of two readings of the same
    surface (faulty minus good), where terms that both share cancel; None where no difference is taken.
    """

    name: str
    value: float
    standard_uncertainty: float
    unit: str
    contribution_k: float
    difference_k: float | None
    source: str


@dataclass(frozen=True)
class Budget:
    """A value with its combined standard uncertainty and the contribution of each input.

    ``contributions`` stand in the order of the inputs: sensitivity times standard uncertainty, signed.
    """

    value: float
    standard_uncertainty: float
    degrees_of_freedom: float
    coverage_factor: float
    sensitivities: tuple[float, ...]
    contributions: tuple[float, ...]

    @property
    def measured(self) -> Measured:
        """Value and expanded uncertainty as a 95 % interval."""
        half = self.coverage_factor * self.standard_uncertainty
        return Measured(self.value, self.value - half, self.value + half)
