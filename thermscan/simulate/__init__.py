"""Made recordings with known truth: boards, heat, faults and cameras from a seed.

Nothing here is shared with the models that read recordings, but the records and Planck's law. Start with
``simulate.case.draw_case`` and ``simulate.options.CaseOptions``.
"""

from thermscan.simulate.case import draw_case
from thermscan.simulate.case_file import write_case
from thermscan.simulate.options import CaseOptions

__all__ = ["CaseOptions", "draw_case", "write_case"]
