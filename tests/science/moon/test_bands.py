"""Moonlight in other bands than V: against the published colours it is made of."""

import numpy as np
import pytest

from blend.science.moon import BAND_NM, Conditions, airglow_share, band_growth, predict, sky_in_band

SITE = (37.2, -2.5, 2168.0)
AT = {
    "ra_deg": 179.7,
    "dec_deg": 53.3,
    "time": __import__("datetime").datetime(2020, 2, 15, 4, 0),
    "site": SITE,
}


def test_in_v_it_is_the_published_model():
    seen = predict(**AT)
    growth = band_growth(seen.place, seen.conditions, 550.0)
    assert 2.5 * np.log10(growth) == pytest.approx(seen.brighter_by_mag, abs=1e-9)


def test_the_dark_sky_has_the_published_colours():
    """Benn & Ellison (1998): B = 22.7, V = 21.9, R = 21.0 of the moonless sky."""
    place = predict(**AT).place
    blue, green, red = (sky_in_band(place, Conditions(), nm)[0] for nm in BAND_NM.values())
    assert -2.5 * np.log10(blue / green) == pytest.approx(22.7 - 21.9)
    assert -2.5 * np.log10(red / green) == pytest.approx(21.0 - 21.9)


def test_airglow_is_what_zodiacal_light_and_starlight_leave():
    """Of 21.9 mag in V, 59.2 nL, Benn & Ellison give 34 + 13 nL to zodiacal light and stars."""
    assert airglow_share(550.0) == pytest.approx(1.0 - 47.0 / 59.2, abs=0.005)
    assert airglow_share(440.0) < airglow_share(550.0) < airglow_share(640.0)


def test_moonlight_is_bluer_than_the_dark_sky():
    seen = predict(**AT)
    growth = [band_growth(seen.place, seen.conditions, nm) for nm in BAND_NM.values()]
    assert growth[0] > growth[1] > growth[2] > 1.0


def test_below_the_horizon_there_is_no_answer():
    seen = predict(**{**AT, "dec_deg": -80.0})
    assert np.isnan(band_growth(seen.place, seen.conditions, 550.0))
