"""The continuum's colour term: told by stars within its errors, used where a colour is known, else not at all."""

import numpy as np
import pytest

from blend.base.rowblocks import limit_threads
from blend.science.line.colour_term import ColourTerm, fit_term, take_tint, tint_of
from blend.science.line.emission import line_factor, line_light

SCALE, MIDDLE = 0.07, -0.2
TERM = ColourTerm(0.35, 0.02, 0.02, 60, neutral=MIDDLE, spread=0.2, range=(-0.7, 0.4))


def stars(seed, *, slope, count=60, scatter=0.02, noise=(0.03, 0.01, 0.015), spread=0.2):
    """Fluxes (line, broad, beside) of stars whose ratio goes as a power of their colour, and their errors."""
    rng = np.random.default_rng(seed)
    colour, broad = rng.normal(MIDDLE, spread, count), np.exp(rng.uniform(0, 4, count))
    line = SCALE * broad * np.exp(slope * (colour - MIDDLE) + rng.normal(0, scatter, count))
    errors = np.array([noise[0] * SCALE * 5, noise[1] * 8, noise[2] * 8])[:, None] * np.ones(count)
    fluxes = np.stack([line, broad, broad / np.exp(colour)])
    return fluxes + rng.normal(size=fluxes.shape) * errors, errors


@pytest.mark.parametrize(
    ("slope", "case"),
    [
        (0.35, {}),
        (0.35, {"count": 25}),
        (-0.3, {}),
        (0.35, {"noise": (0.1, 0.05, 0.07)}),
        (0.35, {"scatter": 0.05}),
    ],
)
def test_a_known_slope_comes_back_within_its_errors(slope, case):
    """Of 100 fields the mean pull lies within 0.4 of 0 and the scatter of pulls between 0.8 and 1.3.

    Both tell themselves to 0.1; a dozen of effective stars makes an error itself uncertain by a fifth.
    """
    found = [fit_term(*stars(seed, slope=slope, **case), value=SCALE) for seed in range(100)]
    assert all(found)
    pulls = np.array([(term.slope - slope) / term.error for term in found])
    assert abs(pulls.mean()) < 0.4
    assert 0.8 < pulls.std() < 1.3
    # the line passes through the scale at the colour it names: what it says at a colour is the truth
    at = [term.slope * (MIDDLE + 0.1 - term.neutral) for term in found]
    assert np.mean(at) == pytest.approx(0.1 * slope, abs=0.004)


def test_the_noise_of_the_shared_band_tilts_nothing():
    """Stars of 10 to 34 sigma in the broad band; their noise in both axes would take 0.04 and more off the slope."""
    fields = [stars(seed, slope=0.35, count=300, noise=(0.03, 0.2, 0.03), scatter=0.01) for seed in range(12)]
    assert np.mean([fit_term(*field, value=SCALE).slope for field in fields]) == pytest.approx(0.35, abs=0.02)


def test_gas_and_odd_stars_do_not_turn_the_line():
    fluxes, errors = stars(5, slope=0.3)
    sound = fit_term(fluxes, errors, value=SCALE)
    fluxes[0, ::12] *= 1.5
    assert fit_term(fluxes, errors, value=SCALE).slope == pytest.approx(sound.slope, abs=2.0 * sound.error)


@pytest.mark.parametrize("case", [{"count": 11}, {"spread": 0.005}, {"noise": (3.0, 1.0, 1.0)}])
def test_too_few_stars_or_colours_tell_nothing(case):
    assert fit_term(*stars(1, slope=0.35, **case), value=SCALE) is None


def test_stars_of_one_ratio_hardly_ever_tell_a_slope():
    told = [fit_term(*stars(seed, slope=0.0), value=SCALE) is not None for seed in range(200)]
    assert np.mean(told) < 0.04  # 3 sigma of errors known to a tenth: 1 % on 1,000 fields


def cells(value, shape=(30, 40)):
    return np.full(shape, value, dtype=np.float32)


def test_a_bright_disc_has_the_tint_of_its_colour_and_a_faint_one_none():
    bright, other = cells(1.0), cells(np.exp(-0.1))
    tint, unsure = tint_of(TERM, bright, other, cells(0.0), wrong=(1e-3, 1e-3))
    # LOCAL against the scatter of colours: 0.03^2 / (0.03^2 + 0.2^2) of the shift is not believed
    assert tint == pytest.approx(np.expm1(0.35 * 0.3 * 0.2**2 / (0.2**2 + 0.03**2)), rel=1e-4)
    assert unsure == pytest.approx(0.02 * 0.3, rel=0.05)
    tint, unsure = tint_of(TERM, 2e-3 * bright, 2e-3 * other, cells(0.0), wrong=(1e-3, 1e-3))
    assert not tint.any()
    assert not unsure.any()


def test_nearer_to_the_noise_a_colour_counts_less():
    found = [
        float(np.abs(tint_of(TERM, cells(b), cells(b * np.exp(-0.1)), cells(0.0), wrong=(0.1, 0.1))[0]).max())
        for b in (100.0, 3.0, 1.0, 0.5, 0.2)
    ]
    assert found == sorted(found, reverse=True)
    assert found[-1] == 0.0


def test_places_that_shine_in_the_line_tell_no_colour_and_take_that_around():
    disc, other, glow = cells(1.0), cells(np.exp(0.2)), cells(0.0)
    disc[10:13, 10:13], glow[10:13, 10:13] = 3.0, 2.0
    tint, _ = tint_of(TERM, disc, other, glow, wrong=(1e-3, 1e-3))
    plain, _ = tint_of(TERM, cells(1.0), other, cells(0.0), wrong=(1e-3, 1e-3))
    assert tint == pytest.approx(plain, abs=1e-3)


def test_a_colour_beyond_those_of_the_stars_counts_as_the_last_of_them():
    tints = [
        tint_of(TERM, cells(1.0), cells(np.exp(-x)), cells(0.0), wrong=(1e-3, 1e-3))[0] for x in (0.4, 2.0)
    ]
    assert tints[0] == pytest.approx(tints[1], rel=5e-3)


@pytest.mark.parametrize(("inside", "throughput"), [(True, 1.0), (True, 1.1), (False, 0.9)])
def test_light_of_a_line_over_a_tinted_disc_comes_back(inside, throughput):
    """N = s ((1 + tint) D + C - D + L t / r), R = C + L or C: closed form, with a star and a dark lane on the disc."""
    tint, continuum, own, r = 0.06, np.full((64, 48), 40.0), 3.0, 0.07
    continuum[20, 20], continuum[40, 9] = 200.0, 10.0
    smooth = np.minimum(continuum, 40.0)
    filters = {"width_ratio": r, "throughput_ratio": throughput, "line_in_band": inside}
    broad = (continuum + own * inside).astype(np.float32)
    line = (SCALE * (tint * smooth + continuum + own * throughput / r)).astype(np.float32)
    light = line_light(line, broad, scale=SCALE, **filters)
    share = SCALE * line_factor(SCALE, **filters)
    take_tint(light, broad, cells(tint, (8, 6)), cells(40.0, (8, 6)), share=share)
    # the line's own light in the lane is taken for the disc's: k tint of it
    assert light == pytest.approx(own, abs=1e-4 + share * tint * own)
    assert light[continuum >= 40.0] == pytest.approx(own, rel=1e-4)


def test_no_tint_changes_no_byte_and_nan_stays_where_it_is():
    rng = np.random.default_rng(3)
    light, broad = rng.normal(size=(2, 130, 70)).astype(np.float32)
    light[5, 6] = np.nan
    before = light.copy()
    take_tint(light, broad, cells(0.0, (17, 9)), cells(1.0, (17, 9)), share=0.075)
    assert light.tobytes() == before.tobytes()
    broad[70, 9] = np.nan
    take_tint(light, broad, cells(0.1, (17, 9)), cells(1.0, (17, 9)), share=0.075)
    assert np.argwhere(np.isnan(light)).tolist() == [[5, 6], [70, 9]]


def test_threads_change_no_byte():
    rng = np.random.default_rng(4)
    disc, other = np.exp(rng.normal(0.0, 0.2, (2, 40, 50))).astype(np.float32)
    light, broad = rng.normal(size=(2, 320, 400)).astype(np.float32)
    told = []
    for threads in (1, 2, 4):
        with limit_threads(threads):
            tint, unsure = tint_of(TERM, disc, other, cells(0.0, disc.shape), wrong=(0.01, 0.01))
            own = light.copy()
            take_tint(own, broad, tint, disc, share=0.075)
        told.append((tint.tobytes(), unsure.tobytes(), own.tobytes()))
    assert told[0] == told[1] == told[2]
