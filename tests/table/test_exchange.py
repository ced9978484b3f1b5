"""Exports, each read back by a program that is not ours.

Outside readers: the CGATS parser of Little CMS (the library that Pillow's wheel carries), Pillow's reader of GIMP palettes,
jsonschema (JSON Schema draft 2020-12), frictionless (Data Package standard), pandas; colour-science for colours that are
computed. All values are invented.
"""

from __future__ import annotations

import ctypes
import ctypes.util
import json
import os
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import colour
import frictionless
import jsonschema
import numpy as np
import pandas
import PIL
import pytest
from PIL.GimpPaletteFile import GimpPaletteFile

from calib.errors import ImpossibleError, OutputError
from calib.table.columns import COLUMNS
from calib.table.exchange.cgats import cgats_text
from calib.table.exchange.datapackage import package_files, write_package
from calib.table.exchange.jsonform import SCHEMA_NAME, colours_schema, table_json
from calib.table.exchange.palette import LONGEST_LINE, gpl_palette
from calib.table.exchange.pens import one_line
from calib.table.origin import Origin, Scan
from calib.table.table import Reading, Table

DAY, NOW = "2026-04-01", "2026-04-01T12:00:00+00:00"
PEN = Reading(
    marker="017", layers=1, paper="smooth card", session="2026-03-31", name="Dusk", set="Sky", kind="ink",
    L=54.1234, a=-12.5, b=-0.00004, C=12.5, h=180.0, u_L=0.12, u_a=0.2, u_b=0.1, u_dose=0.025, u_abs=1.4,
    R=0.101, G=0.2, B=0.19, X=18.1, Y=20.2, Z=15.3, hex="#5a8a80", in_srgb=True, dE00_paper=44.4,
    coverage=0.98, mottle=0.03, bleed_mm=-0.01, swatches=2, pixels=41234, flags=("mottled",),
)  # fmt: skip
TWO = replace(PEN, layers=2, L=40.0, hex="#00ff80", in_srgb=False, flags=("out-of-srgb",))
BLANK = Reading("018", 1, "smooth card", "2026-03-31", flags=("blank",))
PAPER = Reading(
    "paper", 0, "smooth card", "2026-03-31", kind="paper", L=95.0, a=0.1, b=-1.0, hex="#f2f1f1", in_srgb=True
)
BLACK = replace(PAPER, marker="black", kind="black", L=18.0, hex="#2c2c2c")
CLIPPED = replace(PEN, marker="020", name="Lemon", flags=("clipped",))
ORIGIN = Origin(
    program="calib 0.1.0",
    chart="k3f9",
    scans=(Scan("/home/somebody/page-1.png", "ab" * 32, (1,)),),
    scanner={"model": "matrix"},
)
TABLE = Table((PAPER, BLACK, PEN, TWO, BLANK, CLIPPED), ORIGIN)
# Names that somebody may type, or that are meant to do harm.
HOSTILE = (
    "=cmd|'/c calc'!A1",
    'say "hi"',
    "<script>alert(1)</script>",
    "\x1b[31mred\x1b[0m",
    "two\nlines\tand 1 2 3",
    "# no comment",
    "$INCLUDE /etc/passwd",
    "END_DATA",
    "100% %s %n",
    "\u202eturned",
    "緑 青 Grün 🖍",
    "x" * 200,
    "ä" * 200,
)


def hostile_table() -> Table:
    return Table(
        tuple(replace(PEN, marker=f"{i}{name}", name=name) for i, name in enumerate(HOSTILE)), ORIGIN
    )


# -- CGATS ---------------------------------------------------------------------------------------


def little_cms() -> ctypes.CDLL:
    folder = Path(PIL.__file__).resolve().parents[1]
    found = [*folder.glob("pillow.libs/liblcms2*"), *folder.glob("PIL/.dylibs/liblcms2*")]
    name = str(found[0]) if found else ctypes.util.find_library("lcms2")
    if not name:
        if os.environ.get("CALIB_OUTSIDE_NEEDED"):
            pytest.fail("Little CMS is neither in Pillow's wheel nor on the system")
        pytest.skip("Little CMS is neither in Pillow's wheel nor on the system")
    library = ctypes.CDLL(name)
    library.cmsIT8LoadFromMem.restype = ctypes.c_void_p
    library.cmsIT8LoadFromMem.argtypes = [ctypes.c_void_p, ctypes.c_char_p, ctypes.c_uint32]
    for call in (
        "cmsIT8GetProperty",
        "cmsIT8GetSheetType",
        "cmsIT8GetData",
        "cmsIT8GetPropertyMulti",
        "cmsIT8GetDataRowCol",
    ):
        getattr(library, call).restype = ctypes.c_char_p
    library.cmsIT8GetSheetType.argtypes = [ctypes.c_void_p]
    library.cmsIT8GetProperty.argtypes = [ctypes.c_void_p, ctypes.c_char_p]
    library.cmsIT8GetPropertyMulti.argtypes = [ctypes.c_void_p, ctypes.c_char_p, ctypes.c_char_p]
    library.cmsIT8GetData.argtypes = [ctypes.c_void_p, ctypes.c_char_p, ctypes.c_char_p]
    library.cmsIT8GetDataRowCol.argtypes = [ctypes.c_void_p, ctypes.c_int, ctypes.c_int]
    library.cmsIT8EnumDataFormat.argtypes = [ctypes.c_void_p, ctypes.POINTER(ctypes.POINTER(ctypes.c_char_p))]
    library.cmsIT8Free.argtypes = [ctypes.c_void_p]
    return library


class Cgats:
    """A CGATS file as Little CMS reads it."""

    def __init__(self, data: bytes) -> None:
        self.library = little_cms()
        self.handle = self.library.cmsIT8LoadFromMem(None, data, len(data))
        assert self.handle, "Little CMS cannot read it"

    def property(self, name: str) -> str:
        return str((self.library.cmsIT8GetProperty(self.handle, name.encode()) or b"").decode("utf-8"))

    def fields(self) -> list[str]:
        names = ctypes.POINTER(ctypes.c_char_p)()
        count = self.library.cmsIT8EnumDataFormat(self.handle, ctypes.byref(names))
        return [(names[i] or b"").decode() for i in range(count)]

    def rows(self) -> Iterator[dict[str, str]]:
        fields = self.fields()
        for row in range(int(self.property("NUMBER_OF_SETS"))):
            cells = (self.library.cmsIT8GetDataRowCol(self.handle, row, i) for i in range(len(fields)))
            yield dict(zip(fields, ((cell or b"").decode("utf-8") for cell in cells), strict=True))

    def close(self) -> None:
        self.library.cmsIT8Free(self.handle)


@pytest.fixture
def cgats() -> Iterator[Cgats]:
    file = Cgats(cgats_text(TABLE, DAY).data)
    yield file
    file.close()


def test_little_cms_reads_the_header(cgats: Cgats) -> None:
    assert cgats.library.cmsIT8GetSheetType(cgats.handle) == b"CGATS.17"
    assert cgats.property("ORIGINATOR").startswith("calib ")
    assert cgats.property("CREATED") == DAY
    assert cgats.property("INSTRUMENTATION") == "flatbed scanner, colour model matrix"
    pair = cgats.library.cmsIT8GetPropertyMulti
    assert pair(cgats.handle, b"WEIGHTING_FUNCTION", b"ILLUMINANT") == b"D50"
    assert pair(cgats.handle, b"WEIGHTING_FUNCTION", b"OBSERVER") == b"2 degree"
    assert int(cgats.property("NUMBER_OF_FIELDS")) == len(cgats.fields()) == 19
    assert int(cgats.property("NUMBER_OF_SETS")) == 3


def test_little_cms_reads_the_colours(cgats: Cgats) -> None:
    one, two, clipped = cgats.rows()
    assert [one["SAMPLE_ID"], two["SAMPLE_ID"]] == ["017-1", "017-2"]
    assert [
        one[name]
        for name in ("SAMPLE_NAME", "MARKER", "MARKER_SET", "MARKER_KIND", "PAPER", "SESSION", "FLAGS")
    ] == [*("Dusk", "017", "Sky", "ink", "smooth card", "2026-03-31", "mottled")]
    assert [float(one[f"LAB_{c}"]) for c in "LAB"] == [54.1234, -12.5, 0.0]
    assert "-0.0000" not in one.values()
    # XYZ with Y of a perfect white = 100.
    assert [float(one[f"XYZ_{c}"]) for c in "XYZ"] == [18.1, 20.2, 15.3]
    assert [float(one[f"STDEV_{c}"]) for c in "LAB"] == [0.12, 0.2, 0.1]
    assert float(one["U_ABS"]) == 1.4
    assert clipped["FLAGS"] == "clipped"
    assert float(cgats.library.cmsIT8GetData(cgats.handle, b"017-2", b"LAB_L")) == 40


def test_all_fields_but_the_standards_are_declared() -> None:
    text = cgats_text(TABLE, DAY).data.decode()
    declared = re.findall(r'^KEYWORD "(\w+)"$', text, re.M)
    fields = re.search(r"^BEGIN_DATA_FORMAT\n(.*)\nEND_DATA_FORMAT$", text, re.M)
    assert fields
    # The names that Little CMS lists as the standard's (cmscgats.c, PredefinedSampleID).
    standard = {
        "SAMPLE_ID",
        *(f"{kind}_{c}" for kind in ("LAB", "STDEV") for c in "LAB"),
        *(f"XYZ_{c}" for c in "XYZ"),
    }
    assert set(fields[1].split()) - standard == set(declared)


def test_what_is_not_known_is_left_out_and_said() -> None:
    bare = Reading("1", 1, "p", DAY, L=50.0, a=20.0, b=-30.0)
    found = cgats_text(Table((bare,)), DAY)
    file = Cgats(found.data)
    (row,) = file.rows()
    assert not {"STDEV_L", "U_ABS"} & row.keys()
    assert any("STDEV_L" in words and "U_ABS" in words for words in found.warnings)
    # The outside value: colour-science's Lab to XYZ under its own D50 of CIE 15.
    white = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"]
    expected = 100 * colour.Lab_to_XYZ([50.0, 20.0, -30.0], white)
    assert np.allclose([float(row[f"XYZ_{c}"]) for c in "XYZ"], expected, atol=0.01)
    file.close()
    left = cgats_text(TABLE, DAY).warnings
    assert "018 (1 coat)" in left[0]
    assert "020 (1 coat): clipped" in left[1]


def test_hostile_names_stay_names_in_cgats() -> None:
    found = cgats_text(hostile_table(), DAY)
    file = Cgats(found.data)
    rows = list(file.rows())
    assert len(rows) == len(HOSTILE)
    for row, name in zip(rows, HOSTILE, strict=True):
        expected = one_line(name).replace('"', "'")
        assert row["SAMPLE_NAME"] == ("'" + expected if name.startswith("=") else expected)
        assert float(row["LAB_L"]) == 54.1234
    assert len({row["SAMPLE_ID"] for row in rows}) == len(rows)
    assert not re.search(rb"[\x00-\x09\x0b-\x1f]", found.data)
    assert any("UTF-8" in words for words in found.warnings)
    file.close()


def test_samples_of_two_sessions_have_ids_of_their_own() -> None:
    file = Cgats(cgats_text(Table((PEN, replace(PEN, session="2026-05-01", L=60.0))), DAY).data)
    assert [row["SAMPLE_ID"] for row in file.rows()] == ["1", "2"]
    file.close()


# -- palette -------------------------------------------------------------------------------------


def test_pillow_reads_the_palette(tmp_path: Path) -> None:
    path = tmp_path / "markers.gpl"
    path.write_bytes(gpl_palette(TABLE).data)
    with path.open("rb") as file:
        colours, mode = GimpPaletteFile(file).getpalette()
    assert mode == "RGB"
    assert colours == bytes.fromhex("5a8a8000ff805a8a80")


def test_names_and_marks_of_the_palette() -> None:
    # The layout of a line: GIMP Palette Format Version 2, from its maker's pages for developers.
    found = gpl_palette(TABLE)
    head, name, columns, comment, *lines = found.data.decode().splitlines()
    assert head == "GIMP Palette"
    assert name == "Name: Markers, smooth card, 2026-03-31"
    assert columns == "Columns: 8"
    assert comment.startswith("# ")
    assert lines == [
        " 90 138 128\t017 Dusk, 1 coat",
        "  0 255 128\t017 Dusk, 2 coats (outside sRGB)",
        " 90 138 128\t020 Lemon, 1 coat (clipped)",
    ]
    assert any("1 colour is stronger" in words for words in found.warnings)


def test_hostile_names_stay_names_in_a_palette(tmp_path: Path) -> None:
    table = hostile_table()
    strong = Table(tuple(replace(row, in_srgb=False) for row in table.readings))
    path = tmp_path / "markers.gpl"
    path.write_bytes(gpl_palette(strong).data)
    with path.open("rb") as file:
        assert GimpPaletteFile(file).getpalette()[0] == bytes.fromhex("5a8a80") * len(HOSTILE)
    for line in path.read_text(encoding="utf-8").split("\n")[4:-1]:
        assert len(line.encode()) <= LONGEST_LINE
        assert line.endswith(" (outside sRGB)")
        assert line.count("\t") == 1
        assert "\x1b" not in line and "\u202e" not in line


def test_more_colours_than_256_and_colours_that_are_not_in_the_table() -> None:
    rows = tuple(Reading(f"{i}", 1, "p", DAY, L=20 + i / 10, a=5.0, b=-5.0) for i in range(300))
    data = gpl_palette(Table(rows)).data
    codes = np.frombuffer(GimpPaletteFile.frombytes(data).getpalette()[0], dtype=np.uint8).reshape(-1, 3)
    white = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"]
    labs = np.array([row.lab for row in rows])
    expected = 255 * colour.XYZ_to_sRGB(
        colour.Lab_to_XYZ(labs, white), white, chromatic_adaptation_transform="Bradford"
    )
    assert codes.shape == (300, 3)
    assert np.abs(codes - expected).max() < 0.75


# -- JSON ----------------------------------------------------------------------------------------


def checker() -> jsonschema.Draft202012Validator:
    schema = json.loads(colours_schema())
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema, format_checker=jsonschema.FormatChecker())


def test_jsonschema_accepts_the_json() -> None:
    found = json.loads(table_json(TABLE).data)
    checker().validate(found)
    assert [row["marker"] for row in found["rows"]] == ["paper", "black", "017", "017", "018", "020"]
    assert list(found["rows"][2]) == [column.name for column in COLUMNS]
    assert found["rows"][2]["flags"] == ["mottled"]
    assert found["rows"][4]["L"] is None
    assert found["notes"]["chart"] == "k3f9"
    checker().validate(json.loads(table_json(Table((PEN,))).data))


def test_text_in_json_is_what_it_was() -> None:
    table = hostile_table()
    found = json.loads(table_json(table).data)
    checker().validate(found)
    assert [row["name"] for row in found["rows"]] == list(HOSTILE)


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("L", "54"),
        ("L", 1e9),
        ("hex", "#12345"),
        ("session", "31.03.2026"),
        ("session", "2026-02-30"),
        ("flags", "mottled"),
        ("marker", None),
        ("marker", ""),
        ("layers", 1.5),
        ("kind", "pencil"),
        ("colour", "red"),
    ],
)
def test_the_schema_refuses_what_no_table_holds(column: str, value: object) -> None:
    found = json.loads(table_json(TABLE).data)
    found["rows"][2][column] = value
    assert not checker().is_valid(found)


def test_the_shipped_schema_is_that_of_the_columns() -> None:
    import calib.table

    shipped = Path(calib.table.__file__).with_name(SCHEMA_NAME).read_bytes()
    assert shipped == colours_schema(), "run tests/make_manual.py"


# -- data package --------------------------------------------------------------------------------


@pytest.fixture
def package(tmp_path: Path) -> Path:
    folder = tmp_path / "colours"
    write_package(folder, TABLE, NOW)
    return folder


def test_frictionless_finds_nothing_wrong(package: Path) -> None:
    report = frictionless.validate(str(package / "datapackage.json"))
    assert report.valid, report.to_summary()
    rows = frictionless.Package(str(package / "datapackage.json")).get_resource("colours").read_rows()
    assert len(rows) == 6
    assert float(rows[2]["L"]) == 54.1234
    assert rows[2]["in_srgb"] is True
    assert rows[2]["session"].isoformat() == "2026-03-31"
    assert rows[4]["L"] is None


@pytest.mark.parametrize(
    ("old", "new"), [("54.1234", "5412.34"), ("2026-03-31", "31.03.2026"), ("mottled", "MOTTLED!")]
)
def test_frictionless_notices_a_damaged_table(package: Path, old: str, new: str) -> None:
    path = package / "colours.csv"
    path.write_text(path.read_text(encoding="utf-8").replace(old, new), encoding="utf-8")
    # Size and hash would tell as well; the columns' own rules must.
    descriptor = json.loads((package / "datapackage.json").read_text(encoding="utf-8"))
    for name in ("bytes", "hash"):
        del descriptor["resources"][0][name]
    (package / "datapackage.json").write_text(json.dumps(descriptor), encoding="utf-8")
    assert not frictionless.validate(str(package / "datapackage.json")).valid


def test_pandas_reads_the_package(package: Path) -> None:
    descriptor = json.loads((package / "datapackage.json").read_text(encoding="utf-8"))
    (resource,) = descriptor["resources"]
    read = pandas.read_csv(package / resource["path"], dtype={"marker": str}, encoding=resource["encoding"])
    assert list(read.columns) == [field["name"] for field in resource["schema"]["fields"]]
    assert list(read["marker"]) == ["paper", "black", "017", "017", "018", "020"]
    assert read["L"][2] == 54.1234


def test_a_package_goes_into_a_new_folder_or_over_an_older_one(package: Path, tmp_path: Path) -> None:
    write_package(package, Table((PEN,)), NOW)
    assert sorted(path.name for path in package.iterdir()) == ["colours.csv", "datapackage.json"]
    assert len(pandas.read_csv(package / "colours.csv")) == 1
    own = tmp_path / "own"
    own.mkdir()
    for name in ("letter.txt", "colours.csv"):
        (own / name).write_text("mine")
        with pytest.raises(OutputError, match="holds other things"):
            write_package(own, TABLE, NOW)
        assert (own / name).read_text() == "mine"
        (own / name).unlink()
    write_package(own, TABLE, NOW)
    with pytest.raises(OutputError, match="folder"):
        write_package(own / "colours.csv", TABLE, NOW)


def test_nothing_of_a_package_stays_where_it_cannot_be_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OutputError("no room")

    monkeypatch.setattr("calib.table.exchange.datapackage.write_whole", full)
    with pytest.raises(OutputError, match="no room"):
        write_package(tmp_path / "new", TABLE, NOW)
    assert list(tmp_path.iterdir()) == []


# -- all of them ---------------------------------------------------------------------------------


def test_nothing_private_is_in_any_export() -> None:
    files = [cgats_text(TABLE, DAY).data, gpl_palette(TABLE).data, table_json(TABLE).data]
    for data in (*files, *package_files(TABLE, NOW).values()):
        assert b"somebody" not in data


def test_a_table_without_colours_is_refused_where_only_pens_count() -> None:
    table = Table((PAPER, BLACK, BLANK))
    for made in (lambda: cgats_text(table, DAY), lambda: gpl_palette(table)):
        with pytest.raises(ImpossibleError, match="nothing to export"):
            made()
    assert table_json(table).rows == 3
