"""Balmer ratios and their reddening against published numbers and a slow, plain version."""

import numpy as np
import pytest

from blend.science.line.balmer import BALMER, H_ALPHA_NM, balmer_ratio, extinction, hydrogen_share


def test_case_b_ratios():
    # Case B, 10^4 K, 100 electrons per cubic centimetre: H-alpha / H-beta 2.863, H-gamma / H-beta 0.468,
    # H-delta / H-beta 0.259. Osterbrock & Ferland (2006), Astrophysics of Gaseous Nebulae and Active Galactic
    # Nuclei, 2nd ed., table 4.2; Storey & Hummer (1995), MNRAS 272, 41.
    beta = balmer_ratio("H-beta")
    assert 1 / beta == pytest.approx(2.863, abs=0.0005)
    assert balmer_ratio("H-gamma") / beta == pytest.approx(0.468, abs=0.0005)
    assert balmer_ratio("H-delta") / beta == pytest.approx(0.259, abs=0.0005)
    # The same over H-alpha.
    found = [balmer_ratio(line) for line in BALMER]
    assert found == pytest.approx([0.3493, 0.1636, 0.0904], abs=5e-5)


def test_wavelengths_are_rydbergs():
    # Rydberg's formula for hydrogen, 1 / (R_H (1/4 - 1/n^2)), R_H = 10 967 758.34 per metre; in air, n = 1.00028.
    for n, wavelength_nm in zip(
        (3, 4, 5, 6), (H_ALPHA_NM, *(b.wavelength_nm for b in BALMER.values())), strict=True
    ):
        expected = 1e9 / (10967758.34 * (0.25 - 1 / n**2)) / 1.00028
        assert wavelength_nm == pytest.approx(expected, abs=0.02)


def test_extinction_curve():
    # Cardelli, Clayton & Mathis (1989), ApJ 345, 245, R_V = 3.1: k at H-alpha, beta, gamma, delta.
    found = [extinction(nm) for nm in (H_ALPHA_NM, *(b.wavelength_nm for b in BALMER.values()))]
    assert found == pytest.approx([2.535, 3.609, 4.174, 4.437], abs=0.002)
    # By their construction A(V) is 1 at x = 1.82, whatever R_V.
    assert extinction(1000 / 1.82) == pytest.approx(3.1, abs=1e-12)
    assert extinction(1000 / 1.82, r_v=5.0) == pytest.approx(5.0, abs=1e-12)


def test_extinction_by_eq_3a_and_3b_written_out():
    y = 1000 / 486.13 - 1.82
    a = np.polyval([0.32999, -0.77530, 0.01979, 0.72085, -0.02427, -0.50447, 0.17699, 1.0], y)
    b = np.polyval([-2.09002, 5.30260, -0.62251, -5.38434, 1.07233, 2.28305, 1.41338, 0.0], y)
    assert extinction(486.13) == pytest.approx(3.1 * a + b, abs=1e-12)


@pytest.mark.parametrize(("a_v", "ratio"), [(0.0, 0.3493), (1.0, 0.2538), (2.0, 0.1845)])
def test_dust_reddens_the_balmer_lines(a_v, ratio):
    # Both sources together; worked with k of three decimals, which moves the fourth digit by one.
    assert balmer_ratio("H-beta", extinction_a_v=a_v) == pytest.approx(ratio, abs=1e-4)


def test_the_share_falls_with_dust_and_is_a_sum_of_lines():
    for plane in ("blue", "green"):
        shares = [hydrogen_share(plane, extinction_a_v=a_v) for a_v in np.linspace(0, 5, 11)]
        assert (np.diff(shares) < 0).all()
        assert 0 < shares[-1] < shares[0] < 0.5
    clear = sum(
        ratio * response for ratio, response in zip((0.3493, 0.1636, 0.0904), (0.55, 0.60, 0.35), strict=True)
    )
    assert hydrogen_share("blue") == pytest.approx(clear, abs=1e-4)


def test_a_wavelength_outside_the_polynomial_is_refused():
    with pytest.raises(ValueError, match="outside 303 to 909 nm"):
        extinction(1000.0)
