"""Catalogues of star colours: what is read, what is left out, what is refused."""

from pathlib import Path

import numpy as np
import pytest

from blend.base.errors import InputError
from blend.files.catalogue import read_catalogue


def written(folder: Path, text: str | bytes) -> Path:
    path = folder / "stars.csv"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return path


def test_columns_are_found_by_name_and_gaps_left_out(tmp_path: Path) -> None:
    text = "\ufeff# from a survey\nname,B_V, Dec,RA\na,0.65,-10.5,12\nb,,1,2\n\n"
    text += "c,nan,1,2\nd,1.2,+3,359.9\n# end\ne,0.1\n"
    np.testing.assert_array_equal(
        read_catalogue(written(tmp_path, text)), [[12, -10.5, 0.65], [359.9, 3, 1.2]]
    )


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("ra,dec,bv\n1,2,3\n", "no column b_v among: ra, dec, bv; expected a CSV"),
        ("12.0 41.0 0.65\n", "no column ra and no column dec and no column b_v"),
        ("", "among: none"),
        (
            "ra,dec,b_v\n12:30:00,41,0.6\n",
            "'12:30:00' in column ra, row 2; expected ra from 0 to 360 degrees",
        ),
        ("ra,dec,b_v\n1,95,0.6\n", "'95' in column dec, row 2; expected dec from -90 to 90 degrees"),
        ("ra,dec,b_v\n1,5,0.6\n1,5,inf\n", "'inf' in column b_v, row 3"),
        ("ra,dec,b_v\n1,5,\n", "no star with a position and a colour"),
        (b"ra,dec,b_v\n1,\xff,3\n", "not a table in plain text"),
        (b"\x00\x01ra", "no column ra"),
    ],
)
def test_what_is_no_catalogue_is_told(text: str | bytes, words: str, tmp_path: Path) -> None:
    with pytest.raises(InputError) as fault:
        read_catalogue(written(tmp_path, text))
    assert words in str(fault.value) and "Do this:" in str(fault.value)


def test_a_file_too_large_or_missing(tmp_path: Path) -> None:
    path = tmp_path / "stars.csv"
    with pytest.raises(InputError, match="no such file"):
        read_catalogue(path)
    with path.open("wb") as file:
        file.truncate(32_000_001)
    with pytest.raises(InputError, match="more than 32 MB"):
        read_catalogue(path)
