"""Files for `tests/fuzz.py` that are broken on purpose rather than by chance.

One odd card, many cards, numbers and keys without end, records with one value changed, strips and tiles that unpack to
more than they should.
"""

from __future__ import annotations

import gzip
import io
import json
import random
import struct
import zlib
from typing import Any

BLOCK, CARD = 2880, 80
KEYS = "EXPTIME NCOMBINE CCD-TEMP DATE-OBS FILTER OBJECT CTYPE1 CRVAL1 CD1_1 BZERO BSCALE BLANK NAXIS1 NAXIS BITPIX"
ODD = (
    *(
        "NaN",
        "1000,5",
        "1.2e",
        "'no end",
        "'a' b",
        "",
        "/",
        "1e999",
        "-1",
        "0",
        "(1,2",
        "T T",
        "0x10",
        "--1",
        "'&'",
    ),
    *("'2024-13-45'", "'abc'", "99999999999999999999", "\xff\xfe", "1 2", "inf", "1.D", ".", "+", "'''", "3"),
)
VALUES: tuple[Any, ...] = (
    *(
        None,
        "",
        -1,
        0,
        [],
        {},
        True,
        1.5,
        [[]],
        {"": {}},
        {"a": None},
        10**400,
        "../..",
        "/",
        "a.b.c",
        "\ud800",
        "\0",
    ),
    "x" * 100_000,
)


def crafted(kind: str, data: bytes, dice: random.Random) -> bytes | None:
    """Return a file of some kind with one fault that somebody could mean, or None for kinds without."""
    makers = {
        "FITS": (_odd_card, _odd_card, _odd_card, _many_cards, _large_tile),
        "TIFF": (_large_strip,),
        "recipe": (_endless_toml,),
        "target": (_endless_toml,),
        "record": (_other_value,),
    }
    return dice.choice(makers[kind])(data, dice) if kind in makers else None


def _cards_in(data: bytes, cards: list[bytes], *, replacing: bytes = b"") -> bytes:
    end = data.index(b"END".ljust(CARD))
    head, rest = data[:end], data[-(-(end + CARD) // BLOCK) * BLOCK :]
    place = head.find(replacing) if replacing else -1
    if place >= 0 and place % CARD == 0:
        head = head[:place] + head[place + CARD :]
    head += b"".join(cards) + b"END".ljust(CARD)
    return head.ljust(-(-len(head) // BLOCK) * BLOCK) + rest


def _odd_card(data: bytes, dice: random.Random) -> bytes:
    key = dice.choice(KEYS.split())
    sign = dice.choice(("= ", "= ", "= ", "=", "  ", " ="))
    name = dice.choice((key, key, key.lower(), f"HIERARCH A {key}"))
    card = f"{name:<8}{sign}{dice.choice(ODD):>{dice.choice((1, 20))}}".encode("latin-1")[:CARD].ljust(CARD)
    more = [b"CONTINUE  'more&'".ljust(CARD)] * dice.choice((0, 0, 3))
    return _cards_in(data, [card, *more], replacing=f"{key:<8}".encode() if dice.random() < 0.7 else b"")


def _many_cards(data: bytes, dice: random.Random) -> bytes:
    count = dice.choice((500, 500, 500, 5_000, 30_000, 120_000))
    line = dice.choice(
        ("HISTORY a line of no use", "KEY{:05d}=  1.5", "HIERARCH A B{:05d} = 'text' / and more")
    )
    return _cards_in(data, [line.format(number % 100_000).encode().ljust(CARD) for number in range(count)])


def _large_tile(data: bytes, dice: random.Random) -> bytes:
    """Return a compressed picture of 60 x 40 pixels whose only tile unpacks to up to 200 MB, or lies about its size."""
    import numpy as np
    from astropy.io import fits

    made = io.BytesIO()
    fits.CompImageHDU(np.zeros((40, 60), "i4"), compression_type="GZIP_1", tile_shape=(40, 60)).writeto(made)
    whole = made.getvalue()
    second = whole.index(b"XTENSION")
    end = whole.index(b"END".ljust(CARD), second)
    tile = gzip.compress(bytes(dice.choice((9600, 4, 10**7, 2 * 10**8))), 9)
    head = whole[second:end].replace(b"NAXIS1  =                   16", b"NAXIS1  =                    8")
    width = 8 if head != whole[second:end] or b"NAXIS1  =                    8" in head else 16
    for key, value in (("PCOUNT", len(tile)), *((("ZNAXIS1", 60_000),) if dice.random() < 0.2 else ())):
        place = head.index(f"{key:<8}=".encode())
        head = head[:place] + f"{key:<8}= {value:>20}".encode().ljust(CARD) + head[place + CARD :]
    head = head.replace(b"1QB(", b"1PB(") + b"END".ljust(CARD)
    body = struct.pack(">ii", len(tile), 0).ljust(width, b"\0") + tile
    return (
        whole[:second]
        + head.ljust(-(-len(head) // BLOCK) * BLOCK)
        + body.ljust(-(-len(body) // BLOCK) * BLOCK, b"\0")
    )


def _large_strip(data: bytes, dice: random.Random) -> bytes:
    import numpy as np
    import tifffile

    made = io.BytesIO()
    size = dice.choice((4800, 100, 10**7, 10**8))
    if dice.random() < 0.2:
        tifffile.imwrite(made, np.zeros((40, 60), np.uint8), compression="jpeg")
    else:
        strip = zlib.compress(bytes(size), 9)
        form: dict[str, Any] = {
            "shape": (40, 60),
            "dtype": "u2",
            "photometric": "minisblack",
            "metadata": None,
        }
        tifffile.imwrite(made, iter([strip]), compression="zlib", rowsperstrip=40, **form)
    whole = bytearray(made.getvalue())
    if dice.random() < 0.3:  # a width, length or strip height that no file of this size holds
        tag = struct.pack("<H", dice.choice((256, 257, 278)))
        place = whole.find(tag, 8)
        whole[place + 2 : place + 4] = struct.pack("<H", 4)
        whole[place + 8 : place + 12] = struct.pack("<I", dice.choice((1, 60_000, 2**31)))
    return bytes(whole)


def _endless_toml(data: bytes, dice: random.Random) -> bytes:
    many = dice.choice((50, 500, 5_000, 100_000))
    key = f"k{dice.randrange(1000)}"
    lines = (
        f"{key} = {'9' * many}",
        f"{key} = 0x{'F' * many}",
        f"{key} = 0.{'3' * many}",
        f"{key}.{'a.' * many}a = 1",
        f"[{key}.{'a.' * many}a]",
        f"{key} = {'[' * many}{']' * many}",
        f"{key} = {'{a=' * min(many, 5_000)}1{'}' * min(many, 5_000)}",
        f'{key} = "{"x" * many}"',
        f'{key} = """{chr(92) * many}"""',
        "\n".join(f"{key}{number} = 1" for number in range(min(many, 20_000))),
        f"[masters.{key}]\nlight = '{'x/' * many}'",
        f"[set]\n'{'a.' * many}a' = 1",
    )
    line = dice.choice(lines).encode()
    return line + b"\n" + data if dice.random() < 0.5 else data + b"\n" + line + b"\n"


def _other_value(data: bytes, dice: random.Random) -> bytes:
    record = json.loads(data)
    places = list(_places(record))
    holder, key = dice.choice(places)
    if dice.random() < 0.1 and isinstance(holder, dict):
        del holder[key]
    elif dice.random() < 0.1 and isinstance(holder, list):
        holder.append(dice.choice(VALUES))
    else:
        holder[key] = dice.choice(VALUES)
    return json.dumps(record).encode()


def _places(value: Any) -> list[tuple[Any, Any]]:
    inner: list[tuple[Any, Any]] = list(value.items()) if isinstance(value, dict) else []
    if isinstance(value, list):
        inner = list(enumerate(value))
    return [(value, key) for key, _ in inner] + [place for _, item in inner for place in _places(item)]
