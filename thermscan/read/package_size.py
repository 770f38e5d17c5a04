"""Body sizes of parts from the names of their packages."""

from __future__ import annotations

import re

# Body length x width in mm of chip parts by their inch code (EIA codes; from memory).
CHIP_SIZES = {
    "0201": (0.6, 0.3),
    "0402": (1.0, 0.5),
    "0603": (1.6, 0.8),
    "0805": (2.0, 1.25),
    "1206": (3.2, 1.6),
    "1210": (3.2, 2.5),
    "1812": (4.5, 3.2),
    "2010": (5.0, 2.5),
    "2512": (6.3, 3.2),
}
# Body length x width in mm of common packages (from memory; leads not counted).
PACKAGE_SIZES = {
    "SOT23": (2.9, 1.3),
    "SOT223": (6.5, 3.5),
    "SOT89": (4.5, 2.5),
    "SOD123": (2.7, 1.6),
    "SOD323": (1.7, 1.25),
    "SOIC8": (4.9, 3.9),
    "SO8": (4.9, 3.9),
    "SOIC14": (8.7, 3.9),
    "SOIC16": (9.9, 3.9),
    "TSSOP8": (3.0, 4.4),
    "TSSOP14": (5.0, 4.4),
    "TSSOP16": (5.0, 4.4),
    "TSSOP20": (6.5, 4.4),
    "LQFP32": (7.0, 7.0),
    "LQFP48": (7.0, 7.0),
    "LQFP64": (10.0, 10.0),
    "LQFP100": (14.0, 14.0),
    "DPAK": (6.6, 6.1),
    "TO252": (6.6, 6.1),
    "D2PAK": (10.2, 9.0),
    "TO263": (10.2, 9.0),
    "SMA": (4.3, 2.6),
    "SMB": (4.4, 3.6),
    "SMC": (6.9, 5.9),
}
# Stand-in body length x width in mm where the package says nothing. Common practice, no source.
KIND_SIZES = {
    "capacitor": (1.6, 0.8),
    "resistor": (1.6, 0.8),
    "inductor": (4.0, 4.0),
    "diode": (2.7, 1.6),
    "transistor": (2.9, 1.3),
    "chip": (5.0, 5.0),
    "fuse": (3.2, 1.6),
    "connector": (8.0, 5.0),
    "crystal": (3.2, 2.5),
}
OTHER_SIZE = (3.0, 3.0)
_BODY = re.compile(r"(\d+(?:\.\d+)?)x(\d+(?:\.\d+)?)(?:x\d+(?:\.\d+)?)?mm", re.IGNORECASE)
_BODY_BARE = re.compile(r"_(\d+\.\d+)x(\d+\.\d+)(?:mm)?(?:_|$)", re.IGNORECASE)


def body_size_mm(package: str) -> tuple[float, float] | None:
    """Return the body (length, width), mm, that a package name tells, None where it tells nothing.

    A size in the name (``7x7mm``) comes first, then an inch chip code (``0603``), then a table of common packages.
    """
    for pattern in (_BODY, _BODY_BARE):
        found = pattern.search(package)
        if found:
            return float(found[1]), float(found[2])
    for code, size in CHIP_SIZES.items():
        if re.search(rf"(?<!\d){code}(?!\d)", package):
            return size
    names = sorted(PACKAGE_SIZES, key=len, reverse=True)
    return next((PACKAGE_SIZES[n] for n in names if re.search(_spellings(n), package, re.IGNORECASE)), None)


def _spellings(name: str) -> str:
    """Return a pattern for a package name with or without a mark between letters and digits: SOT23, SOT-23."""
    apart = re.sub(r"(?<=[A-Z])(?=\d)", "[-_ ]?", name)
    return rf"(?<![A-Za-z]){apart}(?![\dA-Za-z])"
