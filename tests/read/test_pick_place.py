"""Pick-and-place tables. No standard exists for them; the three usual misreadings are unit, y sign and rotation."""

import pytest

from thermscan.read.package_size import body_size_mm
from thermscan.read.pick_place import PickPlaceOptions, open_pick_place


def read(tmp_path, text, *, encoding="utf-8", **options):
    path = tmp_path / "parts.csv"
    path.write_bytes(text.encode(encoding))
    return open_pick_place(path, options=PickPlaceOptions(**options))


# 12.700 mm = 500 mil and -8.890 mm = -350 mil exactly (1 inch is 25.4 mm).
SAME_PART = {
    "mm in the heading": "Ref,Val,Package,PosX(mm),PosY(mm),Rot,Side\nU1,MCU,QFN-32,12.700,-8.890,90.0,top\n",
    "mil in the heading": "Ref;Val;Package;PosX [mil];PosY [mil];Rot;Side\nU1;MCU;QFN-32;500;-350;90;top\n",
    "decimal comma": "Ref;Val;Package;PosX_mm;PosY_mm;Rot;Side\nU1;MCU;QFN-32;12,700;-8,890;90,0;top\n",
    "unit behind": '"Designator","Footprint","Mid X","Mid Y","Layer","Rotation"\n'
    '"U1","QFN-32","12.7mm","-8.89mm","T","90"\n',
    "mil behind": '"Designator","Footprint","Mid X","Mid Y","Layer","Rotation"\n'
    '"U1","QFN-32","500mil","-350mil","TopLayer","90.00"\n',
    "inch behind": "Designator\tCenter-X\tCenter-Y\tRotation\tLayer\nU1\t0.5in\t-0.35in\t90\tTop\n",
    "unit above": "## Unit = mm, Angle = deg.\n# Ref Val Package PosX PosY Rot Side\n"
    "U1 MCU QFN-32 12.7 -8.89 90.0 top\n## End\n",
    "units used": "Units used: mil\nDesignator,Comment,Center-X,Center-Y,Layer,Rotation\nU1,MCU,500,-350,TopLayer,90\n",
    "quoted decimal comma": 'Designator,Mid X (mm),Mid Y (mm),Rotation,Layer\nU1,"12,7","-8,89",90,top\n',
}


@pytest.mark.parametrize("name", SAME_PART)
@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16"])
def test_the_same_part_in_all_spellings(tmp_path, name, encoding):
    (part,) = read(tmp_path, SAME_PART[name], encoding=encoding).parts
    assert (part.ref, part.kind, part.side) == ("U1", "chip", "top")
    assert (part.x, part.y, part.rotation) == pytest.approx((12.7, -8.89, 90.0))


def test_unit_from_the_only_spread_that_is_a_board(tmp_path):
    # C1 to C2: 30 x 40, 50 along the diagonal
    text = "Ref,X,Y,Rot,Side\nC1,{0},{1},0,top\nC2,{2},{3},0,top\n"
    as_mm = read(tmp_path, text.format(0, 0, 30, 40))
    assert as_mm.unit == "mm"
    assert as_mm.warnings[0] == "the table names no unit; mm is assumed, for only so the parts span a board: 50.0 mm"
    assert read(tmp_path, text.format(0, 0, 3000, 4000)).unit == "mil"
    assert read(tmp_path, text.format(0, 0, 3, 4)).unit == "inch"


BOTTOM = "Ref,X(mm),Y(mm),Rot,Side\nC1,-10,5,90,bottom\nU2,-20,6,30,bottom\nR1,3,4,30,top\n"


@pytest.mark.parametrize(("bottom_x", "sign"), [("mirrored", -1), ("as-is", 1)])
@pytest.mark.parametrize(("bottom_rotation", "expected"), [("top", 30), ("bottom", 330)])
def test_underside(tmp_path, bottom_x, sign, bottom_rotation, expected):
    found = read(tmp_path, BOTTOM, bottom_x=bottom_x, bottom_rotation=bottom_rotation)
    below = {p.ref: p for p in found.parts}
    assert (below["C1"].x, below["U2"].x, below["R1"].x) == (sign * -10, sign * -20, 3)
    assert (below["U2"].rotation, below["R1"].rotation) == (expected, 30)
    assert below["U2"].side == "bottom"
    assert any("2 underside parts: x " + bottom_x in note for note in found.notes)


def test_underside_rotation_is_not_asked_for_where_it_does_not_matter(tmp_path):
    found = read(tmp_path, BOTTOM.replace("6,30", "6,180"), bottom_x="as-is")
    assert [p.rotation for p in found.parts] == [90, 180, 30]


def test_sizes_and_stand_ins(tmp_path):
    text = (
        "Designator,Package,Mid X(mm),Mid Y(mm),Rotation,Layer\nC1,C_0603_1608Metric,0,0,0,top\n"
        "U1,LQFP-48_7x7mm_P0.5mm,20,30,0,top\nD1,strange,4,4,0,top\n"
    )
    found = read(tmp_path, text, origin_mm=(1.0, 2.0))
    sizes = {p.ref: (p.w, p.h) for p in found.parts}
    assert sizes == {"C1": (1.6, 0.8), "U1": (7.0, 7.0), "D1": (2.7, 1.6)}
    assert found.warnings == ("1 of 3 parts have no known size and got a usual one: D1",)
    assert (found.parts[0].x, found.parts[0].y) == (1.0, 2.0)


def test_missing_columns_are_said(tmp_path):
    found = read(tmp_path, "Ref,X(mm),Y(mm)\nR1,1,2\n")
    assert "no column for the side" in " ".join(found.warnings)
    assert "no column for the rotation" in " ".join(found.warnings)


@pytest.mark.parametrize(
    ("package", "size"),
    [
        ("0402", (1.0, 0.5)),
        ("R0805", (2.0, 1.25)),
        ("SOT-23", (2.9, 1.3)),
        ("SOT-223-3_TabPin2", (6.5, 3.5)),
        ("SOIC-8_3.9x4.9mm_P1.27mm", (3.9, 4.9)),
        ("DFN-8-1EP_3x3mm_P0.65mm_EP1.55x2.4mm", (3.0, 3.0)),
        ("Crystal_SMD_5.0x3.2mm", (5.0, 3.2)),
        ("PinHeader_1x05_P2.54mm_Vertical", None),
        ("SOT-2345", None),
        ("", None),
    ],
)
def test_body_sizes(package, size):
    assert body_size_mm(package) == size
