"""Arrays of every kind come in by one boundary."""

from __future__ import annotations

import numpy as np
import pytest
from astropy import units
from astropy.nddata import CCDData, NDData, StdDevUncertainty, VarianceUncertainty
from astropy.wcs import WCS

from blend.base.arrays import EXPECTED, plain_array, plain_value
from blend.base.errors import ArrayError
from blend.base.jit import kernel
from blend.base.master import Facts, Flag, Master

NUMBERS = np.array([[0.25, 0.5, 0.75], [1.0, 2.0, 3.0]], dtype=np.float32)
MASK = np.array([[False, True, False], [False, False, False]])


def read_only() -> np.ndarray:
    array = NUMBERS.copy()
    array.flags.writeable = False
    return array


TAKEN = {
    "big-endian": NUMBERS.astype(">f4"),
    "big-endian doubles": NUMBERS.astype(">f8"),
    "every second column": np.repeat(NUMBERS, 2, axis=1)[:, ::2],
    "columns first": np.asfortranarray(NUMBERS),
    "upside down": NUMBERS[::-1].copy()[::-1],
    "read-only": read_only(),
    "half precision": NUMBERS.astype(np.float16),
    "a list": NUMBERS.tolist(),
    "Quantity without a unit": NUMBERS * units.dimensionless_unscaled,
    "Quantity in percent": NUMBERS * 100 * units.percent,
    "CCDData without a unit": CCDData(NUMBERS, unit=""),
    "NDData": NDData(NUMBERS),
}


@pytest.mark.parametrize("kind", TAKEN)
def test_what_is_taken_gives_the_numbers_of_the_plain_array(kind: str) -> None:
    plain = plain_array(TAKEN[kind], where="base")
    assert plain.dtype in (np.float32, np.float64) and plain.dtype.isnative and plain.flags.c_contiguous
    # percent divides by 100: one rounding of float32
    np.testing.assert_allclose(plain, NUMBERS, rtol=1e-7 if kind == "Quantity in percent" else 0)


def test_integers_keep_their_values() -> None:
    assert plain_array(np.array([[65535]], dtype=">u2"), where="base")[0, 0] == 65535
    assert (
        plain_array(np.array([[16777217]]), where="base")[0, 0] == 16777217
    )  # more than float32 tells apart


@pytest.mark.parametrize(
    "array",
    [np.ma.masked_array(NUMBERS, MASK), NDData(NUMBERS, mask=MASK), CCDData(NUMBERS, unit="", mask=MASK)],
)
def test_masked_pixels_become_nan_and_nothing_else(array: object) -> None:
    plain = plain_array(array, where="base")
    assert np.array_equal(np.isnan(plain), MASK)
    assert np.array_equal(plain[~MASK], NUMBERS[~MASK])
    assert not np.isnan(NUMBERS).any()


REFUSED = {
    "adu": NUMBERS * units.adu,
    "CCDData in adu": CCDData(NUMBERS, unit="adu"),
    "an uncertainty": CCDData(NUMBERS, unit="", uncertainty=StdDevUncertainty(NUMBERS)),
    "complex": NUMBERS + 1j,
    "texts": NUMBERS.astype(str),
    "a mask": MASK,
    "objects": np.array([[object()]]),
    "None": None,
    "ragged": [[1, 2], [3]],
    "one axis": NUMBERS[0],
    "nothing": np.empty((0, 3), dtype=np.float32),
}


@pytest.mark.parametrize("kind", REFUSED)
def test_the_rest_is_refused_with_one_message(kind: str) -> None:
    with pytest.raises(ArrayError) as fault:
        plain_array(REFUSED[kind], where="base")
    assert str(fault.value).startswith("base: ")
    assert f"; expected {EXPECTED}. Do this: " in str(fault.value)


def test_a_value_may_be_a_number_or_a_plane() -> None:
    assert plain_value(np.float32(0.5), where="amount") == plain_value(0.5 * units.one, where="amount") == 0.5
    assert np.array_equal(plain_value(NUMBERS.astype(">f4"), where="amount"), NUMBERS)
    with pytest.raises(ArrayError, match="amount: an array in adu"):
        plain_value(3 * units.adu, where="amount")


def test_a_compiled_loop_says_the_same_of_a_foreign_byte_order() -> None:
    with pytest.raises(ArrayError, match=r"double: an array of >f4.*Do this: give it as float32"):
        kernel(double)(NUMBERS.astype(">f4"))
    for array in (np.ma.masked_array(NUMBERS, MASK), NUMBERS * units.one):
        with pytest.raises(ArrayError, match=r"double: a (MaskedArray|Quantity)"):
            kernel(double)(array)


def double(array: np.ndarray) -> None:
    """Stand for a kernel; it is never reached."""
    array *= 2


def test_a_master_is_not_changed_with_the_array_it_came_from() -> None:
    array = NUMBERS.copy()
    masters = [Master.from_array(array), Master.from_ccddata(CCDData(array, unit="adu"))]
    array[:] = 9
    for master in masters:
        assert np.array_equal(master.pixels[0], NUMBERS)
        back = master.to_ccddata()
        back.data[:] = 8
        assert np.array_equal(master.pixels[0], NUMBERS)


def test_a_master_keeps_what_ccddata_carries() -> None:
    wcs = WCS(naxis=2)
    cube = np.stack([NUMBERS, 2 * NUMBERS, 3 * NUMBERS])
    sigma = np.stack([np.full((2, 3), s, dtype=np.float32) for s in (1.0, 2.0, 4.0)])
    mask = np.stack([MASK, ~MASK & False, ~MASK & False])
    for uncertainty in (StdDevUncertainty(sigma), VarianceUncertainty(sigma**2)):
        ccd = CCDData(cube.astype(">f4"), unit="electron", mask=mask, uncertainty=uncertainty, wcs=wcs)
        master = Master.from_ccddata(ccd)
        assert (
            master.facts.unit == "electron" and master.facts.wcs is wcs and master.facts.rows == "bottom-up"
        )
        assert {plane: known[1] for plane, known in master.facts.noise.items()} == {
            "red": 1,
            "green": 2,
            "blue": 4,
        }
        # a pixel that one plane lacks is missing
        assert np.array_equal(master.has(Flag.NO_DATA), MASK)
        assert np.array_equal(np.isnan(master.pixels), mask)
        back = master.to_ccddata()
        assert back.unit == units.electron and back.wcs is wcs and back.mask.shape == cube.shape
        assert np.array_equal(back.uncertainty.array[:, 0, 0], [1, 2, 4])
        again = Master.from_ccddata(back)
        assert again.facts.noise == master.facts.noise and again.facts.unit == "electron"
        np.testing.assert_array_equal(again.pixels[:, ~MASK], master.pixels[:, ~MASK])


def test_a_unit_that_is_no_count_of_light_is_refused() -> None:
    with pytest.raises(ArrayError, match=r"array: an array in Jy; expected .*Do this: convert it to adu"):
        Master.from_ccddata(CCDData(NUMBERS, unit="Jy"))


def test_the_constructor_takes_a_mask_into_the_flags() -> None:
    masked = np.ma.masked_array(NUMBERS[None], MASK[None])
    master = Master(pixels=masked, flags=np.full((2, 3), Flag.SATURATED), planes=("ha",))
    assert np.array_equal(master.has(Flag.NO_DATA), MASK)
    assert master.has(Flag.SATURATED).all()


def test_full_scale_follows_from_short_integers_only() -> None:
    assert Master.from_array(np.ones((2, 2), dtype=">u2")).facts.full_scale == 65535
    assert Master.from_array(np.ones((2, 2), dtype=np.int64)).facts.full_scale is None
    known = Facts(full_scale=4095.0)
    assert Master.from_array(np.ones((2, 2), dtype=np.uint16), facts=known).facts.full_scale == 4095


def test_planes_must_have_names() -> None:
    with pytest.raises(ArrayError, match=r"an array of shape \(2, 2, 3\).*name 2 planes"):
        Master.from_array(np.stack([NUMBERS, NUMBERS]))
