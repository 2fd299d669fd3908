"""Colour against published numbers and general-purpose libraries."""

import numpy as np
import pytest

from blend.science.picture.balance import white_from_catalogue
from blend.science.picture.colour import ballesteros_temperature, luminance, replace_luminance, star_rgb
from blend.science.picture.colourspace import (
    LMS_TO_OKLAB,
    RGB_TO_XYZ,
    XYZ_TO_LMS,
    XYZ_TO_RGB,
    ciede2000,
    linear_to_lab,
    linear_to_oklab,
    srgb_decode,
    srgb_encode,
)


def test_srgb_values_of_the_standard():
    # IEC 61966-2-1:1999, evaluated; 128 / 255 is the value every table of the standard prints, 0.2158605.
    assert srgb_encode(np.array([0.18, 0.5, 0.01])) == pytest.approx([0.461356, 0.735357, 0.099853], abs=5e-7)
    assert srgb_decode(np.array([0.5, 0.1, 128 / 255])) == pytest.approx(
        [0.2140411, 0.0100228, 0.2158605], abs=5e-8
    )


def test_srgb_against_colour_science():
    with np.printoptions():  # importing it changes how arrays are printed everywhere
        colour = pytest.importorskip("colour")
    light = np.linspace(0, 1, 1001)
    assert np.abs(srgb_encode(light) - colour.models.eotf_inverse_sRGB(light)).max() < 1e-12
    codes = np.linspace(0, 1, 1001)
    assert np.abs(srgb_decode(codes) - colour.models.eotf_sRGB(codes)).max() < 1e-12


def test_matrix_of_css_color_4():
    # CSS Color Module Level 4, sample code, lin_sRGB_to_XYZ.
    printed = [
        [0.4123908, 0.3575843, 0.1804808],
        [0.2126390, 0.7151687, 0.0721923],
        [0.0193308, 0.1191948, 0.9505322],
    ]
    assert pytest.approx(np.array(printed), abs=5e-8) == RGB_TO_XYZ
    assert np.abs(RGB_TO_XYZ @ XYZ_TO_RGB - np.eye(3)).max() < 1e-14
    # White D65, xy (.3127, .3290).
    assert RGB_TO_XYZ.sum(axis=1) == pytest.approx([0.3127 / 0.3290, 1.0, 0.3583 / 0.3290], abs=1e-12)


@pytest.mark.parametrize(
    ("xyz", "oklab"),
    [
        ((0.950, 1.000, 1.089), (1.000, 0.000, 0.000)),
        ((1.000, 0.000, 0.000), (0.450, 1.236, -0.019)),
        ((0.000, 1.000, 0.000), (0.922, -0.671, 0.263)),
        ((0.000, 0.000, 1.000), (0.153, -1.415, -0.449)),
    ],
)
def test_oklab_table(xyz, oklab):
    # Ottosson (2020), "A perceptual color space for image processing", table of test values, three decimals;
    # the digits of CSS Color 4 differ from his by less than one of the last.
    got = LMS_TO_OKLAB @ np.cbrt(XYZ_TO_LMS @ np.array(xyz))
    assert got == pytest.approx(oklab, abs=1.5e-3)


def test_red_in_oklab_and_lab():
    # CSS Color Module Level 4: sRGB red is oklab(62.7955% 0.224863 0.125846).
    red = np.array([1.0, 0.0, 0.0])
    assert linear_to_oklab(red) == pytest.approx([0.627955, 0.224863, 0.125846], abs=1e-6)
    # CIE 15 formulas under D65.
    assert linear_to_lab(red) == pytest.approx([53.237, 80.090, 67.203], abs=1e-3)
    assert linear_to_lab(np.full(3, 0.18))[0] == pytest.approx(49.496, abs=1e-3)


def test_lab_against_colour_science():
    with np.printoptions():  # importing it changes how arrays are printed everywhere
        colour = pytest.importorskip("colour")
    rgb = np.random.default_rng(1).uniform(0, 1, (3, 200))
    xyz = np.moveaxis(np.tensordot(RGB_TO_XYZ, rgb, 1), 0, -1)
    expected = colour.XYZ_to_Lab(xyz, illuminant=np.array([0.3127, 0.3290]))
    assert np.abs(np.moveaxis(linear_to_lab(rgb), 0, -1) - expected).max() < 1e-9
    # colour-science has Ottosson's own digits, CSS Color 4 recomputed ones: 3e-4 apart at most, in b.
    assert np.abs(np.moveaxis(linear_to_oklab(rgb), 0, -1) - colour.XYZ_to_Oklab(xyz)).max() < 5e-4


def test_lab_against_scikit_image():
    from skimage.color import rgb2lab

    codes = np.random.default_rng(2).uniform(0, 1, (20, 20, 3))
    ours = np.moveaxis(linear_to_lab(srgb_decode(np.moveaxis(codes, -1, 0))), 0, -1)
    # Its matrix and white carry four to six digits: white's Z differs by 2e-4.
    assert np.abs(ours - rgb2lab(codes)).max() < 0.05


@pytest.mark.parametrize(
    ("first", "second", "difference"),
    [
        ((50.0, 2.6772, -79.7751), (50.0, 0.0, -82.7485), 2.0425),
        ((50.0, -1.0, 2.0), (50.0, 0.0, 0.0), 2.3669),
        ((50.0, 2.49, -0.001), (50.0, -2.49, 0.0009), 7.1792),
        ((50.0, 2.49, -0.001), (50.0, -2.49, 0.0011), 7.2195),
        ((50.0, 2.5, 0.0), (73.0, 25.0, -18.0), 27.1492),
        ((2.0776, 0.0795, -1.1350), (0.9033, -0.0636, -0.5514), 0.9082),
    ],
)
def test_ciede2000_pairs(first, second, difference):
    # Sharma, Wu & Dalal (2005), Color Res. Appl. 30, 21, Table 1; four decimals.
    assert ciede2000(np.array(first), np.array(second)) == pytest.approx(difference, abs=5e-5)


def test_ciede2000_against_scikit_image():
    from skimage.color import deltaE_ciede2000

    rng = np.random.default_rng(3)
    first, second = (np.stack([rng.uniform(0, 100, 4000), *rng.uniform(-90, 90, (2, 4000))]) for _ in "ab")
    first[1:, ::9], second[1:, ::6] = 0.0, 0.0  # greys
    assert np.abs(ciede2000(first, second) - deltaE_ciede2000(first.T, second.T)).max() < 1e-9


def test_luminance_replacement_worked():
    # Computed from ISO/CIE 11664-4 and the matrices of CSS Color 4 by hand: light (.20, .10, .05), Y doubled.
    rgb = np.array([0.20, 0.10, 0.05])
    twice = np.array(2 * luminance(rgb))
    assert replace_luminance(rgb, twice, method="ratio") == pytest.approx([0.40, 0.20, 0.10])
    assert replace_luminance(rgb, twice, method="cielab") == pytest.approx(
        [0.36772, 0.20730, 0.12280], abs=1e-5
    )


@pytest.mark.parametrize(("b_v", "temperature"), [(0.0, 10125), (0.65, 5778.4), (1.0, 4742.7), (1.5, 3793.5)])
def test_ballesteros_temperatures(b_v, temperature):
    # Ballesteros (2012), EPL 97, 34008: 5778 K for the Sun's 0.65; the others from the printed formula.
    assert ballesteros_temperature(b_v) == pytest.approx(temperature, abs=0.5)


@pytest.mark.parametrize(
    ("b_v", "red", "blue"),
    [
        (-0.3, 0.777, 1.775),
        (0.0, 0.873, 1.448),
        (0.3, 0.986, 1.184),
        (0.65, 1.140, 0.937),
        (1.0, 1.317, 0.742),
        (1.5, 1.612, 0.528),
        (2.0, 1.962, 0.368),
    ],
)
def test_black_bodies_against_plancks_law(b_v, red, blue):
    # Planck's law (c2 = 1.438776877e-2 m K) through the CIE 1931 2-degree observer, 360 to 830 nm by 1 nm, to
    # linear sRGB; computed apart from this project's code. The locus in use is a fit good to 0.3 %.
    assert star_rgb(b_v) == pytest.approx([red, 1.0, blue], rel=4e-3)


def test_planckian_locus_against_colour_science():
    with np.printoptions():  # importing it changes how arrays are printed everywhere
        colour = pytest.importorskip("colour")
    for b_v in (-0.2, 0.5, 1.4, 2.5):
        x, y = colour.temperature.CCT_to_xy_Kang2002(ballesteros_temperature(b_v))
        rgb = XYZ_TO_RGB @ np.array([x / y, 1.0, (1 - x - y) / y])
        assert star_rgb(b_v) == pytest.approx(rgb / rgb[1], abs=1e-9)


# B - V and V - Rc of dwarfs A5 to M0 (types F0 to K5 every few): Pecaut & Mamajek (2013), ApJS 208, 9, table 5.
DWARFS = [
    (0.140, 0.078),
    (0.210, 0.117),
    (0.294, 0.166),
    (0.374, 0.213),
    (0.438, 0.252),
    (0.510, 0.290),
    (0.552, 0.312),
    (0.596, 0.336),
    (0.650, 0.363),
    (0.680, 0.377),
    (0.737, 0.404),
    (0.816, 0.443),
    (0.893, 0.487),
    (0.990, 0.544),
    (1.100, 0.640),
    (1.150, 0.685),
]


def test_white_by_a_catalogue_has_the_colours_of_the_sun():
    """Stars of a published sequence, seen through the filters B, V and Rc, make a star of the Sun's B - V white."""
    b_v, v_r = np.array(DWARFS).T
    fluxes = 1e4 * np.stack([10 ** (0.4 * v_r), np.ones_like(b_v), 10 ** (-0.4 * b_v)])
    # The Sun's B - V is 0.653 +- 0.005, its V - Rc 0.352 +- 0.007: Ramirez et al. (2012), ApJ 752, 5.
    gains = white_from_catalogue(fluxes, 0.005 * fluxes, b_v, white=0.653)
    # The sequence has 0.364 at 0.653, the Sun's own 0.352: 1.1 % apart; its bend towards K adds half a percent.
    assert -2.5 * np.log10(gains.values[0]) == pytest.approx(0.352, abs=0.02)
    # Blue is B itself here.
    assert 2.5 * np.log10(gains.values[2]) == pytest.approx(0.653, abs=0.002)
    assert gains.slopes[1] == pytest.approx(0.4 * np.log(10.0), rel=1e-3)
