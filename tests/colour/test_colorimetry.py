"""Colorimetry against published numbers: CIE 15, Sharma et al., IEC 61966-2-1, ICC, W3C CSS Color 4."""

from __future__ import annotations

import csv
import struct
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from PIL import ImageCms

from calib.colour import colorimetry as c

DATA = Path(__file__).resolve().parents[1] / "data"

# IEC 61966-2-1:1999, linear sRGB to XYZ under D65, the four decimals of the standard.
IEC_MATRIX = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
# The chromatic adaptation matrix that the ICC publishes for sRGB (ICC.1:2022, annex E, Bradford, D65 to D50).
ICC_ADAPTATION = np.array(
    [[1.047886, 0.022919, -0.050216], [0.029582, 0.990484, -0.017079], [-0.009252, 0.015073, 0.751678]]
)


def labs(least: float = 0.0) -> st.SearchStrategy[c.Array]:
    bounds = st.tuples(st.floats(least, 100), st.floats(-100, 100), st.floats(-100, 100))
    return bounds.map(lambda lab: np.array(lab))


lights = hnp.arrays(float, 3, elements=st.floats(0, 1))


# -- dE00 --------------------------------------------------------------------------------------


def pairs() -> list[tuple[str, list[float]]]:
    with (DATA / "ciede2000.csv").open(newline="") as stream:
        return [(row["pair"], [float(row[k]) for k in ("L1", "a1", "b1", "L2", "a2", "b2", "dE00")])
                for row in csv.DictReader(stream)]  # fmt: skip


def test_there_are_34_pairs() -> None:
    assert [name for name, _ in pairs()] == [str(i) for i in range(1, 35)]


@pytest.mark.parametrize(("name", "values"), pairs(), ids=lambda v: v if isinstance(v, str) else "")
def test_ciede2000_of_sharma_wu_dalal(name: str, values: list[float]) -> None:
    """Table 1 of Color Res. Appl. 30, 2005, to its four decimals."""
    found = float(c.delta_e_2000(values[:3], values[3:6]))
    if name == "14":
        # Hues exactly 180 degrees apart: the mean hue jumps, and rounding decides the side. Pairs 13
        # and 15, a ten thousandth to either side, show the two values it may take.
        assert min(abs(found - 4.8045), abs(found - 4.7461)) < 5e-5
    else:
        assert found == pytest.approx(values[6], abs=5e-5)


def test_pair_14_sits_on_a_jump() -> None:
    values = dict(pairs())
    assert values["13"][6] == 4.8045
    assert values["15"][6] == 4.7461
    step = np.array([0, 1e-6, 0])
    one, two = np.array(values["14"][:3]), np.array(values["14"][3:6])
    sides = sorted((float(c.delta_e_2000(one, two - step)), float(c.delta_e_2000(one, two + step))))
    np.testing.assert_allclose(sides, [4.7461, 4.8045], atol=1e-4)


@given(labs(), labs())
def test_de00_is_symmetric_never_negative_and_zero_on_itself(one: c.Array, two: c.Array) -> None:
    assert c.delta_e_2000(one, one) == 0
    there, back = float(c.delta_e_2000(one, two)), float(c.delta_e_2000(two, one))
    assert there >= 0
    # On the jump at hues 180 degrees apart rounding may take either side.
    apart = abs((c.lab_to_lch(one)[2] - c.lab_to_lch(two)[2]) % 360 - 180)
    if apart > 1e-6:
        assert there == pytest.approx(back, abs=1e-9)


def test_de00_shapes() -> None:
    table = np.array([[50.0, 0, 0], [60.0, 5, 5]])
    assert c.delta_e_2000(table, table[0]).shape == (2,)
    assert c.delta_e_2000(table[:, None], table[None]).shape == (2, 2)
    with pytest.raises(ValueError, match="broadcast"):
        c.delta_e_2000(np.zeros((2, 3)), np.zeros((4, 3)))


# -- XYZ and Lab -------------------------------------------------------------------------------


def test_white_and_black() -> None:
    """D50 of CIE 15:2018, table 8: 96.42, 100, 82.51.

    The ICC's PCS white (ICC.1:2022), 0.9642, 1, 0.8249, lies 0.02 of b* away.
    """
    np.testing.assert_allclose(c.WHITE_D50, [0.9642, 1.0, 0.8251], rtol=1e-15)
    np.testing.assert_allclose(c.xyz_to_lab(c.WHITE_D50), [100, 0, 0], atol=1e-9)
    np.testing.assert_allclose(c.xyz_to_lab([0.9642, 1.0, 0.8249]), [100, 0, 0], atol=0.02)
    np.testing.assert_allclose(c.xyz_to_lab([0, 0, 0]), [0, 0, 0], atol=1e-9)
    np.testing.assert_allclose(c.linear_to_xyz([1, 1, 1]), c.WHITE_D50, atol=1e-12)


@pytest.mark.parametrize(
    ("luminance", "lightness"),
    [(1.0, 100.0), (0.184187, 50.0), (0.1, 37.8424), (0.01, 8.9914), (0.008856, 8.0), (0.001, 0.9033)],
)
def test_lightness_by_hand(luminance: float, lightness: float) -> None:
    """CIE 15:2018, 8.2.1: 116 Y^(1/3) - 16, and (29/3)^3 Y where Y is at most (6/29)^3 = 0.008856."""
    found = c.xyz_to_lab(c.WHITE_D50 * luminance)
    np.testing.assert_allclose(found, [lightness, 0, 0], atol=5e-4)


def test_lab_worked_by_hand() -> None:
    """CIE 15:2018, 8.2.1 with X/Xn = 0.512, Y/Yn = 0.343, Z/Zn = 0.216: cube roots 0.8, 0.7, 0.6."""
    xyz = c.WHITE_D50 * [0.512, 0.343, 0.216]
    np.testing.assert_allclose(c.xyz_to_lab(xyz), [116 * 0.7 - 16, 50.0, 20.0], atol=1e-9)
    np.testing.assert_allclose(c.lab_to_xyz([65.2, 50.0, 20.0]), xyz, atol=1e-12)


@given(labs())
def test_lab_round_trip(lab: c.Array) -> None:
    np.testing.assert_allclose(c.xyz_to_lab(c.lab_to_xyz(lab)), lab, atol=1e-6)


@given(lights)
def test_linear_round_trip(linear: c.Array) -> None:
    np.testing.assert_allclose(c.xyz_to_linear(c.linear_to_xyz(linear)), linear, atol=1e-12)


@given(labs())
def test_lch(lab: c.Array) -> None:
    lightness, chroma, hue = c.lab_to_lch(lab)
    assert lightness == lab[0]
    assert 0 <= hue <= 360
    back = [chroma * np.cos(np.radians(hue)), chroma * np.sin(np.radians(hue))]
    np.testing.assert_allclose(back, lab[1:], atol=1e-9)


def test_lch_by_hand() -> None:
    table = np.array([[50, 3, 4], [50, 0, -2], [50, -1, 0], [50, 0, 0]])
    np.testing.assert_allclose(
        c.lab_to_lch(table)[:, 1:], [[5.0, 53.1301], [2.0, 270.0], [1.0, 180.0], [0.0, 0.0]], atol=1e-4
    )


def test_another_matrix() -> None:
    np.testing.assert_allclose(c.linear_to_xyz([[0.1, 0.2, 0.3]], np.eye(3) * 2), [[0.2, 0.4, 0.6]])


# -- sRGB --------------------------------------------------------------------------------------


def test_the_matrix_of_the_standard_stands_behind_ours() -> None:
    """Taken back from D50 by the ICC's published adaptation, ours is the matrix of IEC 61966-2-1."""
    back = np.linalg.inv(ICC_ADAPTATION) @ c.rgb_to_xyz_matrix()
    np.testing.assert_allclose(back, IEC_MATRIX, atol=4e-4)


def test_the_colorants_of_an_srgb_profile() -> None:
    """Little CMS, by way of Pillow, makes an sRGB profile of its own; its D50 colorants are s15Fixed16."""
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    count = struct.unpack(">I", profile[128:132])[0]
    tags = {}
    for i in range(count):
        name, offset, size = struct.unpack(">4sII", profile[132 + 12 * i : 144 + 12 * i])
        tags[name] = profile[offset : offset + size]
    columns = [
        np.array(struct.unpack(">3i", tags[name][8:20])) / 65536 for name in (b"rXYZ", b"gXYZ", b"bXYZ")
    ]
    np.testing.assert_allclose(c.rgb_to_xyz_matrix(), np.transpose(columns), atol=3e-4)


def test_the_colorants_that_the_icc_publishes() -> None:
    """ICC sRGB profiles (sRGB2014.icc): colorants to four decimals, from memory of the profile's tags."""
    published = np.array([[0.4361, 0.3851, 0.1431], [0.2225, 0.7169, 0.0606], [0.0139, 0.0971, 0.7141]])
    np.testing.assert_allclose(c.rgb_to_xyz_matrix(), published, atol=3e-4)


@pytest.mark.parametrize(
    ("code", "lab"),
    [
        ("#ff0000", (54.29, 80.80, 69.89)),
        ("#00ff00", (87.82, -79.27, 80.99)),
        ("#008000", (46.28, -47.55, 48.59)),
        ("#0000ff", (29.57, 68.29, -112.03)),
        ("#ffffff", (100.0, 0.0, 0.0)),
        ("#000000", (0.0, 0.0, 0.0)),
    ],
)
def test_lab_of_named_colours(code: str, lab: tuple[float, float, float]) -> None:
    """W3C CSS Color Module Level 4: lab() is D50, adapted by Bradford, as here.

    That specification computes its matrix anew from the primaries, ours is the standard's own with
    four decimals, which moves pure red by 0.03 in a* and everything by under 0.01 dE00.
    """
    np.testing.assert_allclose(c.hex_to_lab(code), lab, atol=0.04)
    assert float(c.delta_e_2000(c.hex_to_lab(code), lab)) < 0.015
    found, inside = c.lab_to_hex([c.hex_to_lab(code)])[0]
    assert (found, inside) == (code, True)


@pytest.mark.parametrize(
    ("code", "linear"), [(0.0, 0.0), (0.04045, 0.0031308), (0.5, 0.214041), (188 / 255, 0.502886), (1.0, 1.0)]
)
def test_the_curve_of_the_standard(code: float, linear: float) -> None:
    """IEC 61966-2-1: c / 12.92 up to 0.04045, else ((c + 0.055) / 1.055)^2.4; worked by hand."""
    assert float(c.srgb_decode(code)) == pytest.approx(linear, abs=2e-6)
    assert float(c.srgb_encode(linear)) == pytest.approx(code, abs=2e-6)


@given(st.floats(0, 1))
def test_curve_round_trip(code: float) -> None:
    assert float(c.srgb_encode(c.srgb_decode(code))) == pytest.approx(code, abs=1e-6)


def test_the_curve_is_monotone_through_its_joint() -> None:
    codes = np.linspace(0, 1, 20001)
    assert (np.diff(c.srgb_decode(codes)) > 0).all()
    assert (np.diff(c.srgb_encode(codes)) > 0).all()


@given(st.integers(0, 2**24 - 1))
def test_hex_round_trip(number: int) -> None:
    code = f"#{number:06x}"
    assert c.lab_to_hex(c.hex_to_lab(code)[None]) == [(code, True)]


def test_hex_outside_srgb() -> None:
    """Half a code beyond the cube is still inside, a whole one is not; a strong cyan is far outside."""
    white = c.lab_to_hex(np.array([[100.1, 0, 0], [101.0, 0, 0], [60, -60, -30], [-2, 0, 0]]))
    assert white == [("#ffffff", True), ("#ffffff", False), (white[2][0], False), ("#000000", False)]
    assert white[2][0].startswith("#00")


# -- against a library that was written apart from this program ---------------------------------


def test_formulas_are_those_of_colour_science() -> None:
    """Lab, its inverse, CIEDE2000 and the matrices against colour-science, far outside of real colours as well."""
    library = c._colour()
    rng = np.random.default_rng(5)
    one = np.stack([rng.uniform(-2, 120, 20000), *rng.normal(0, 60, (2, 20000))], axis=-1)
    two = one + rng.normal(0, 1, one.shape) * 10 ** rng.uniform(-3, 2, (20000, 1))
    white = c.WHITE_D50[:2] / c.WHITE_D50.sum()
    xyz = rng.uniform(-0.1, 1.5, (20000, 3))
    np.testing.assert_allclose(
        c.delta_e_2000(one, two), library.difference.delta_E_CIE2000(one, two), atol=1e-9
    )
    np.testing.assert_allclose(c.xyz_to_lab(xyz), library.XYZ_to_Lab(xyz, white), atol=1e-9)
    np.testing.assert_allclose(c.lab_to_xyz(one), library.Lab_to_XYZ(one, white), atol=1e-12)
    np.testing.assert_array_equal(c.SRGB_TO_XYZ_D65, library.RGB_COLOURSPACES["sRGB"].matrix_RGB_to_XYZ)
    np.testing.assert_array_equal(c.XYZ_TO_ROMM, library.RGB_COLOURSPACES["ProPhoto RGB"].matrix_XYZ_to_RGB)
    adapted = library.adaptation.matrix_chromatic_adaptation_VonKries(
        c.SRGB_TO_XYZ_D65.sum(axis=1), c.WHITE_D50, transform="Bradford"
    )
    np.testing.assert_allclose(c.rgb_to_xyz_matrix(), adapted @ c.SRGB_TO_XYZ_D65, atol=1e-12)


# -- nonsense ----------------------------------------------------------------------------------


@pytest.mark.parametrize("text", ["", "#12", "red", "#gggggg"])
def test_hex_nonsense(text: str) -> None:
    with pytest.raises(ValueError, match="invalid literal"):
        c.hex_to_lab(text)


def test_nan_stays_nan() -> None:
    nan = np.full(3, np.nan)
    one_to_one = (c.linear_to_xyz, c.xyz_to_linear, c.xyz_to_lab, c.lab_to_xyz, c.lab_to_lch)
    for function in (*one_to_one, c.srgb_decode, c.srgb_encode):
        assert np.isnan(function(nan)).all()
    assert np.isnan(c.delta_e_2000(nan, [50, 0, 0]))


def test_light_below_black_is_finite() -> None:
    found = c.xyz_to_lab(c.linear_to_xyz([[-0.001, -0.002, 0.0], [1.2, 1.1, 1.3]]))
    assert np.isfinite(found).all()
    assert found[0, 0] < 0
    assert found[1, 0] > 100


def test_the_library_leaves_printing_and_stderr_alone(capfd: pytest.CaptureFixture[str]) -> None:
    before = np.get_printoptions()
    c._colour.cache_clear()
    c.whiteness([95.0, 0.0, -2.0])
    assert np.get_printoptions() == before
    assert capfd.readouterr() == ("", "")


def test_data_has_its_papers() -> None:
    text = (DATA / "README.md").read_text(encoding="utf-8")
    assert "ciede2000.csv" in text
    assert "Sharma" in text
