"""Codes to linear light through ICC profiles, against other hands than ours.

Outside sources: IEC 61966-2-1 and Adobe RGB (1998) as colour-science carries them (curves, primaries, Bradford), and
Pillow's ImageCms, which drives its own copy of Little CMS. Profiles come from imagecodecs, or are built
here byte by byte after ICC.1:2022 where none is at hand.
"""

from __future__ import annotations

import io
import struct
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
from conftest import SETTINGS, Studio, failure, pictures_of
from numpy.typing import NDArray
from PIL import Image, ImageCms

from calib.colour.colorimetry import delta_e_2000
from calib.errors import InputError
from calib.scan.image import Picture
from calib.scan.measure import measure
from calib.scan.profile import light_of, profile_light
from calib.synthetic.session import Scanner
from calib.synthetic.spectra import library
from calib.synthetic.writing import write_scan
from calib.table.table import Table

# colour-science without the warnings of its import.
colour = library()
SRGB = imagecodecs.cms_profile("srgb")
ADOBE = imagecodecs.cms_profile("adobergb")
D50 = np.array([0.9642, 1.0, 0.8249])


def picture_of(profile: bytes | None) -> Picture:
    codes = np.random.default_rng(0).integers(0, 65536, (220, 230, 3)).astype(np.uint16)
    return Picture(Path("scan.tif"), "0" * 64, 1, "TIFF", codes, profile)


def codes_16() -> NDArray[np.float32]:
    """Random colours, greys and pure channels, with 16 bits each."""
    rng = np.random.default_rng(1)
    some = rng.integers(0, 65536, (400, 3))
    greys = np.repeat(np.linspace(0, 65535, 65).astype(int)[:, None], 3, axis=1)
    pure = np.concatenate([np.eye(3, dtype=int) * level for level in (1000, 30001, 65535)])
    return (np.concatenate([some, greys, pure]) / 65535).astype(np.float32)


def by_colour_science(codes: NDArray, space: str) -> NDArray:
    """Return linear sRGB light of codes in another RGB, white to white, by colour-science alone."""
    other, srgb = colour.RGB_COLOURSPACES[space], colour.RGB_COLOURSPACES["sRGB"]
    linear = other.cctf_decoding(codes.astype(float))
    return np.asarray(linear @ colour.matrix_RGB_to_RGB(other, srgb, "Bradford").T)


def rgb_profile(white: NDArray, primaries: NDArray, gamma: float) -> bytes:
    """Return a profile of an RGB space by its white (x, y), its primaries (3, 2) and its gamma."""
    flat = [value for x, y in primaries for value in (x, y, 1.0)]
    return bytes(imagecodecs.cms_profile("rgb", whitepoint=[*white, 1.0], primaries=flat, gamma=gamma))


# --- the three ways in -----------------------------------------------------------------------


def test_without_a_profile_codes_are_srgb() -> None:
    decode = light_of(picture_of(None))
    assert decode.name == "sRGB (assumed)"
    assert decode(codes_16()) == pytest.approx(colour.models.eotf_sRGB(codes_16().astype(float)), abs=2e-5)


@pytest.mark.parametrize("maker", ["imagecodecs", "pillow"])
def test_an_embedded_srgb_profile_is_the_curve_of_the_standard(maker: str) -> None:
    profile = (
        SRGB if maker == "imagecodecs" else ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    )
    decode = light_of(picture_of(profile))
    assert decode.name.startswith("sRGB")
    assert decode(codes_16()) == pytest.approx(colour.models.eotf_sRGB(codes_16().astype(float)), abs=1e-3)


def test_adobe_rgb_agrees_with_colour_science_at_16_bits() -> None:
    decode = light_of(picture_of(ADOBE))
    assert decode.name == "Adobe RGB (compatible)"
    light = decode(codes_16())
    assert light == pytest.approx(by_colour_science(codes_16(), "Adobe RGB (1998)"), abs=4e-4)
    # Its green lies outside sRGB: red and blue light must go below 0 and not be cut.
    assert decode(np.array([[0, 1, 0]], np.float32))[0, 0] < -0.3


def test_neighbouring_16_bit_codes_stay_apart() -> None:
    """An 8-bit transform would give one light for 257 codes."""
    codes = (np.repeat(np.arange(30_000, 30_257)[:, None], 3, axis=1) / 65535).astype(np.float32)
    light = light_of(picture_of(ADOBE))(codes)
    assert np.all(np.diff(light, axis=0) > 0)
    assert light == pytest.approx(by_colour_science(codes, "Adobe RGB (1998)"), abs=1e-4)


def test_adobe_rgb_agrees_with_pillow_in_lab() -> None:
    codes = (np.random.default_rng(2).integers(0, 256, (60, 60, 3))).astype(np.uint8)
    adobe = ImageCms.ImageCmsProfile(io.BytesIO(ADOBE))
    transform = ImageCms.buildTransform(adobe, ImageCms.createProfile("LAB"), "RGB", "LAB")
    image = ImageCms.applyTransform(Image.fromarray(codes), transform)
    raw = np.asarray(image).astype(int)
    # Pillow's 8-bit Lab: L of 255 is 100, a and b are signed bytes.
    pillow = np.stack([raw[..., 0] / 2.55, *((raw[..., i] + 128) % 256 - 128 for i in (1, 2))], axis=-1)
    light = profile_light((codes / 255).astype(np.float32), ADOBE).astype(float)
    srgb = colour.RGB_COLOURSPACES["sRGB"]
    adapt = colour.adaptation.matrix_chromatic_adaptation_VonKries(
        srgb.matrix_RGB_to_XYZ.sum(axis=1), D50, transform="Bradford"
    )
    xyz = light @ (adapt @ srgb.matrix_RGB_to_XYZ).T
    lab = colour.XYZ_to_Lab(xyz, illuminant=D50[:2] / D50.sum())
    assert np.abs(lab - pillow).mean() < 0.4 and np.abs(lab - pillow).max() < 1.5


def test_a_profile_with_red_and_green_swapped_is_honoured() -> None:
    srgb = colour.RGB_COLOURSPACES["sRGB"]
    swapped = rgb_profile(srgb.whitepoint, srgb.primaries[[1, 0, 2]], 2.2)
    codes = codes_16()
    light = light_of(picture_of(swapped))(codes)
    assert light == pytest.approx(codes.astype(float)[:, [1, 0, 2]] ** 2.2, abs=2e-3)


def test_white_of_every_profile_is_white() -> None:
    for profile in (SRGB, ADOBE):
        assert profile_light(np.ones((1, 3), np.float32), profile)[0] == pytest.approx([1, 1, 1], abs=1e-3)


@pytest.mark.parametrize("suffix", [".tif", ".png", ".jpg", ".pdf"])
def test_the_profile_is_found_in_every_kind_of_file(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"scan{suffix}"
    codes = (picture_of(None).codes >> 8).astype(np.uint8)
    write_scan(path, codes, 150, icc=ADOBE)
    (picture,) = pictures_of(path)
    assert light_of(picture).name == "Adobe RGB (compatible)"
    if suffix != ".jpg":
        # A reader that converts by the profile on the way would count it twice.
        assert np.array_equal(picture.codes, codes)


# --- tables in place of curves ---------------------------------------------------------------

NODES = 9


def lut_profile(white: bool = True) -> bytes:
    """A scanner's profile after ICC.1:2022 that has nothing but a lut16 (A2B0): Adobe RGB (1998) in nodes.

    white: whether it says what its white is (wtpt); some scanners' profiles do not.
    """
    axis = np.linspace(0, 1, NODES)
    nodes = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1).reshape(-1, 3)
    adobe = colour.RGB_COLOURSPACES["Adobe RGB (1998)"]
    xyz = adobe.cctf_decoding(nodes) @ adobe.matrix_RGB_to_XYZ.T
    source = adobe.matrix_RGB_to_XYZ.sum(axis=1)
    adapt = colour.adaptation.matrix_chromatic_adaptation_VonKries(source, D50, transform="Bradford")
    lab = colour.XYZ_to_Lab(xyz @ adapt.T, illuminant=D50[:2] / D50.sum())
    # Lab in a lut16 (ICC.1:2022, table 42): L of 100 is FF00h, a and b of 0 are 8000h.
    clut = np.rint(np.stack([lab[:, 0] * 652.8, *((lab[:, i] + 128) * 256 for i in (1, 2))], axis=-1))
    matrix = struct.pack(">9i", 65536, 0, 0, 0, 65536, 0, 0, 0, 65536)
    lut = b"mft2" + bytes(4) + bytes([3, 3, NODES, 0]) + matrix + struct.pack(">2H", 2, 2)
    straight = struct.pack(">2H", 0, 65535)
    lut += straight * 3 + np.clip(clut, 0, 65535).astype(">u2").tobytes() + straight * 3
    tags = {b"A2B0": lut} | ({b"wtpt": xyz_tag(D50)} if white else {})
    return assembled(b"tiny LUT", b"Lab ", tags)


def xyz_tag(xyz: NDArray) -> bytes:
    return b"XYZ " + bytes(4) + struct.pack(">3i", *(round(float(v) * 65536) for v in xyz))


def assembled(name: bytes, space: bytes, tags: dict[bytes, bytes]) -> bytes:
    """Return a scanner's RGB profile of these tags, its name and a copyright (ICC.1:2022, clause 7)."""
    words = name + b"\0"
    text = b"desc" + bytes(4) + struct.pack(">I", len(words)) + words + bytes(4 + 4 + 2 + 1 + 67)
    tags = tags | {b"desc": text, b"cprt": b"text" + bytes(4) + b"none\0"}
    table, body, at = b"", b"", 128 + 4 + 12 * len(tags)
    for tag, data in tags.items():
        data += bytes(-len(data) % 4)
        table += tag + struct.pack(">II", at + len(body), len(data))
        body += data
    head = struct.pack(">I4sI4s4s4s", at + len(body), b"lcms", 0x02400000, b"scnr", b"RGB ", space)
    head += bytes(12) + b"acsp" + bytes(28) + struct.pack(">3i", *(round(v * 65536) for v in D50))
    return head.ljust(128, b"\0") + struct.pack(">I", len(tags)) + table + body


@pytest.mark.parametrize("white", [True, False])
def test_a_profile_of_a_table_alone_is_honoured(white: bool) -> None:
    """At the table's nodes nothing is interpolated: there it must say what Adobe RGB says.

    But for its pure green, whose a of -138 a lut16 cannot hold.
    """
    decode = light_of(picture_of(lut_profile(white)))
    assert decode.name.startswith("embedded profile ") and not decode.by_channel
    nodes = np.random.default_rng(4).integers(0, NODES, (300, 3)) / (NODES - 1)
    nodes = nodes[~np.all(nodes == [0, 1, 0], axis=1)]
    light = decode(nodes.astype(np.float32))
    assert light == pytest.approx(by_colour_science(nodes, "Adobe RGB (1998)"), abs=5e-4)


def test_a_table_is_read_with_16_bits() -> None:
    """Little CMS looks a lut16 up with 16 bits, L to 100 / 65280; an 8-bit reading would leap once in 257 codes."""
    codes = (np.repeat(np.arange(30_000, 30_257)[:, None], 3, axis=1) / 65535).astype(np.float32)
    leaps = np.diff(light_of(picture_of(lut_profile()))(codes)[:, 1])
    assert np.all(leaps > 0) and leaps.max() < 2.2 * leaps.mean()


def test_a_table_agrees_with_pillow_between_its_nodes() -> None:
    codes = np.random.default_rng(5).integers(0, 256, (50, 50, 3)).astype(np.uint8)
    profile = ImageCms.ImageCmsProfile(io.BytesIO(lut_profile()))
    transform = ImageCms.buildTransform(
        profile, ImageCms.createProfile("sRGB"), "RGB", "RGB", 1, ImageCms.Flags.NOOPTIMIZE
    )
    pillow = np.asarray(ImageCms.applyTransform(Image.fromarray(codes), transform)) / 255
    ours = light_of(picture_of(lut_profile()))((codes / 255).astype(np.float32)).astype(float)
    inside = np.all((ours > 0.002) & (ours < 0.998), axis=-1)
    assert inside.mean() > 0.3
    apart = np.abs(colour.models.eotf_inverse_sRGB(ours[inside]) - pillow[inside])
    # Pillow rounds to 8 bits.
    assert apart.mean() < 0.5 / 255 and apart.max() < 2.5 / 255


def test_a_profile_whose_greys_are_not_neutral_is_honoured() -> None:
    """A scanner's own curves, one a channel: equal codes are no grey, and must not be taken for one."""
    srgb = colour.RGB_COLOURSPACES["sRGB"]
    adapt = colour.adaptation.matrix_chromatic_adaptation_VonKries(
        srgb.matrix_RGB_to_XYZ.sum(axis=1), D50, transform="Bradford"
    )
    colorants = (adapt @ srgb.matrix_RGB_to_XYZ).T
    gammas = np.array([410, 486, 589]) / 256
    tags = {b"wtpt": xyz_tag(D50)}
    for letter, colorant, gamma in zip((b"r", b"g", b"b"), colorants, gammas, strict=True):
        tags[letter + b"XYZ"] = xyz_tag(colorant)
        # A curve of one entry is a power in eighths and 256ths (ICC.1:2022, 10.6).
        tags[letter + b"TRC"] = b"curv" + bytes(4) + struct.pack(">IH", 1, round(gamma * 256))
    codes = codes_16()
    light = light_of(picture_of(assembled(b"three curves", b"XYZ ", tags)))(codes)
    assert light == pytest.approx(codes.astype(float) ** gammas, abs=5e-4)


def test_profiles_of_pillows_own_making_agree_in_light() -> None:
    """ImageCms converts 8-bit codes only, but to Lab, and by the very same profile."""
    for profile in (ADOBE, lut_profile()):
        codes = np.random.default_rng(6).integers(20, 236, (40, 40, 3)).astype(np.uint8)
        to_xyz = ImageCms.buildTransform(
            ImageCms.ImageCmsProfile(io.BytesIO(profile)),
            ImageCms.createProfile("LAB"),
            "RGB",
            "LAB",
            renderingIntent=1,
        )
        raw = np.asarray(ImageCms.applyTransform(Image.fromarray(codes), to_xyz)).astype(int)
        light = profile_light((codes / 255).astype(np.float32), profile).astype(float)
        srgb = colour.RGB_COLOURSPACES["sRGB"]
        adapt = colour.adaptation.matrix_chromatic_adaptation_VonKries(
            srgb.matrix_RGB_to_XYZ.sum(axis=1), D50, transform="Bradford"
        )
        lab = colour.XYZ_to_Lab(light @ (adapt @ srgb.matrix_RGB_to_XYZ).T, illuminant=D50[:2] / D50.sum())
        assert np.abs(lab[..., 0] - raw[..., 0] / 2.55).max() < 0.6


# --- profiles that cannot be used ------------------------------------------------------------


def cmyk_profile() -> bytes:
    """A sound, tiny CMYK profile after ICC.1:2022: a lut8 of two points an ink, from paper to black."""
    identity = bytes(range(256))
    clut = b"".join(
        bytes([255 - (255 if k else 60 * (c + m + y) // 1), 128, 128])
        for c in (0, 1) for m in (0, 1) for y in (0, 1) for k in (0, 1)
    )  # fmt: skip
    matrix = struct.pack(">9i", 65536, 0, 0, 0, 65536, 0, 0, 0, 65536)
    lut = b"mft1" + bytes(4) + bytes([4, 3, 2, 0]) + matrix + identity * 4 + clut + identity * 3
    white = b"XYZ " + bytes(4) + struct.pack(">3i", *(round(v * 65536) for v in D50))
    words = b"tiny CMYK\0"
    text = b"desc" + bytes(4) + struct.pack(">I", len(words)) + words + bytes(4 + 4 + 2 + 1 + 67)
    right = b"text" + bytes(4) + b"none\0"
    table, body, at = b"", b"", 128 + 4 + 4 * 12
    for name, data in ((b"A2B0", lut), (b"wtpt", white), (b"desc", text), (b"cprt", right)):
        data += bytes(-len(data) % 4)
        table += name + struct.pack(">II", at + len(body), len(data))
        body += data
    head = struct.pack(">I4sI4s4s4s", at + len(body), b"lcms", 0x02400000, b"prtr", b"CMYK", b"Lab ")
    head += bytes(12) + b"acsp" + bytes(28) + struct.pack(">3i", *(round(v * 65536) for v in D50))
    return head.ljust(128, b"\0") + struct.pack(">I", 4) + table + body


def test_the_cmyk_profile_of_these_tests_is_sound() -> None:
    profile = ImageCms.ImageCmsProfile(io.BytesIO(cmyk_profile()))
    transform = ImageCms.buildTransform(profile, ImageCms.createProfile("sRGB"), "CMYK", "RGB")
    assert ImageCms.applyTransform(Image.new("CMYK", (1, 1), (0, 0, 0, 255)), transform).getpixel((0, 0)) == (
        0,
        0,
        0,
    )


UNUSABLE = {
    "noise": np.random.default_rng(3).bytes(600),
    "cut": ADOBE[:300],
    "head only": ADOBE[:128],
    "empty": b"",
    "text": b"this is no colour profile at all" * 20,
    "CMYK": cmyk_profile(),
    "grey": imagecodecs.cms_profile("gray"),
    "Lab": ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB")).tobytes(),
}


@pytest.mark.parametrize("kind", UNUSABLE)
def test_a_profile_that_is_broken_or_not_of_rgb_is_refused(kind: str) -> None:
    error = failure(lambda: light_of(picture_of(UNUSABLE[kind])))
    assert isinstance(error, InputError) and error.exit_code == 3
    assert "scan.tif" in str(error) and "profile" in str(error)


# --- a whole page ----------------------------------------------------------------------------


def test_one_page_in_srgb_and_in_a_wide_rgb_gives_the_same_table(studio: Studio) -> None:
    """The same light written twice: as sRGB, and as ROMM RGB (ISO 22028-2) codes with a profile embedded."""
    srgb, romm = (colour.RGB_COLOURSPACES[name] for name in ("sRGB", "ProPhoto RGB"))
    matrix = colour.matrix_RGB_to_RGB(srgb, romm, "Bradford")
    scanner = Scanner(matrix=tuple(map(tuple, matrix)), tone="gamma 1.8")
    studio.scan("wide", session=studio.session(scanner=scanner))
    profile = rgb_profile(romm.whitepoint, romm.primaries, 1.8)
    path = studio.save("wide.tif", studio.pixels("wide"), icc=profile)
    wide = measure(studio.plan, [path], studio.strip, SETTINGS).table
    plain = studio.table("page-1").table
    assert wide.origin.lighting["pages"][0]["profile"] == "RGB built-in"
    apart = differences(plain, wide)
    assert len(apart) >= 12 and apart.max() < 0.3, apart
    # The pen that sRGB cuts off is inside the wide space: here it is a colour and no bound.
    clipped = [{row.marker for row in table.readings if "clipped" in row.flags} for table in (plain, wide)]
    assert clipped == [{"003"}, set()]
    truth = studio.true_lab("wide")
    errors = [
        float(delta_e_2000(row.lab, truth[row.marker, row.layers]))
        for row in wide.readings
        if row.marker == "003"
    ]
    assert len(errors) == 2 and max(errors) < 0.5, errors
    # The comparison can fail: the very same codes taken for sRGB are far off.
    bare = measure(
        studio.plan, [studio.save("bare.tif", studio.pixels("wide"))], studio.strip, SETTINGS
    ).table
    assert differences(plain, bare).max() > 3


def differences(one: Table, other: Table) -> NDArray:
    """Return dE00 between the rows that are clipped in neither table."""
    pairs = [
        (mine.lab, theirs.lab)
        for mine, theirs in zip(one.readings, other.readings, strict=True)
        if "clipped" not in (*mine.flags, *theirs.flags)
    ]
    return np.asarray(delta_e_2000(*np.swapaxes(np.array(pairs), 0, 1)))


@pytest.mark.parametrize("profile", [None, ADOBE], ids=["sRGB", "Adobe"])
def test_what_lies_outside_the_picture_stays_unknown(profile: bytes | None) -> None:
    """NaN is no black: a cell that the picture cuts off would be read as a dark ink."""
    codes = np.array([[0.2, 0.4, 0.6], [np.nan, np.nan, np.nan]], np.float32)
    light = light_of(picture_of(profile))(codes)
    assert np.isfinite(light[0]).all() and np.isnan(light[1]).all()
