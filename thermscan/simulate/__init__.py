"""Made recordings with known truth: boards, heat, faults and cameras from a seed.

>>> case = draw_case(7, options=CaseOptions(resolution=(160, 120), fault="short", goods=2))
>>> case.fault.ref, case.faulty.truth.power_on_s, case.faulty.truth.matrices.shape
>>> write_case(case, Path("made"))  # board.json, faulty.tiff, good_1.tiff and their sidecars

Nothing here is shared with the models that read recordings, but the records and Planck's law. Heat: a stack of
four layers of square cells with uneven copper, parts as one or two volumes each, natural convection and radiation.
Not made: forced air, air flow between parts, heat through cables and connectors, phase change, electrical waveforms
below 20 ms.
"""

from thermscan.simulate.case import draw_case
from thermscan.simulate.case_file import write_case
from thermscan.simulate.options import CaseOptions

__all__ = ["CaseOptions", "draw_case", "write_case"]
