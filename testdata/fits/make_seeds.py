#!/usr/bin/env python3
"""Writes the seed files of this folder with astropy.io.fits, a reader and
writer independent of the Go package that the files test.

Sound files hold values that a formula gives, so that a test can tell them
without reading this script's output; x and y count from 0. Hostile files break
the FITS Standard, or use parts of it that the package refuses, in one way each.

    python3 make_seeds.py        # in this folder; the output is deterministic
"""

import gzip
import warnings

import numpy as np
from astropy.io import fits
from astropy.utils.exceptions import AstropyWarning

HEADER_VALUES = [
    ("TEXT", "it's a 'quoted' text", "doubled quotes"),
    ("EMPTY", "", "null string"),
    ("TRUTH", True, "logical"),
    ("COUNT", -42, "integer"),
    ("HUGE", 123456789012345678901234567890, "beyond 64 bits"),
    ("REAL", 2.5e-7, "real"),
    ("CPLX", complex(1.5, -2.0), "complex"),
    ("UNDEF", fits.card.UNDEFINED, "no value"),
    ("LONGTEXT", "Tessaly " * 20 + "& the 'end'", "goes on"),
    ("HIERARCH DET FOCUS TEMP", 263.15, "K"),
]


def rich_header():
    header = fits.Header()
    for key, value, comment in HEADER_VALUES:
        header[key] = (value, comment)
    header.append(fits.Card.fromstring("DEXP    = 1.25D+03 / exponent letter D"), end=True)
    header.append(fits.Card.fromstring("NOVALUE this card has no value indicator"), end=True)
    header.add_history("taken by quillon on Marrowby")
    header.add_comment("Tessaly from afar")
    header.add_blank("")
    return header


def ramp(dtype, *shape):
    """1000*plane + 100*y + x, and so on."""
    index = np.indices(shape)
    weights = [1, 100, 1000][: len(shape)][::-1]
    return sum(w * i for w, i in zip(weights, index)).astype(dtype)


def save(name, *hdus):
    """Writes a file with checksums whose comments have no date."""
    warnings.simplefilter("ignore", AstropyWarning)  # of the card without a value
    fits.HDUList(list(hdus)).writeto(name, overwrite=True, output_verify="ignore")
    with fits.open(name, mode="update", do_not_scale_image_data=True, disable_image_compression=True) as f:
        for hdu in f:
            hdu.add_checksum(when="sum of the HDU")


def sound():
    unsigned = fits.PrimaryHDU(ramp("u2", 5, 7), rich_header())
    save("unsigned.fits", unsigned)
    with open("unsigned.fits", "rb") as f, open("unsigned.fits.gz", "wb") as out:
        out.write(gzip.compress(f.read(), mtime=0))

    blank = fits.ImageHDU(ramp("i2", 5, 7), name="CHIP")
    blank.header["BLANK"] = 203
    blank.header["BSCALE"] = 0.5
    blank.header["BZERO"] = 10.0
    nan = ramp("f4", 5, 7)
    nan[2, 3] = np.nan
    save("blank.fits", fits.PrimaryHDU(), blank)
    save("chips.fits", fits.PrimaryHDU(ramp("u1", 2, 2)), fits.ImageHDU(nan, name="CHIP"))
    save("cube.fits", fits.PrimaryHDU(ramp("f8", 2, 3, 4)))
    save("longs.fits", fits.PrimaryHDU(ramp("i4", 2, 3)), fits.ImageHDU(ramp("i8", 9)))

    columns = [
        fits.Column("NAME", "8A", array=["dead", "hot pixel", ""]),
        fits.Column("KNOWN", "L", array=[True, False, True]),
        fits.Column("REASON", "B", array=np.array([1, 128, 255], "u1")),
        fits.Column("X", "I", unit="pixel", array=np.array([-3, 0, 32767], "i2")),
        fits.Column("Y", "J", array=np.array([-70000, 0, 70000], "i4")),
        fits.Column("ID", "K", array=np.array([-(2**40), 0, 2**40], "i8")),
        fits.Column("RATE", "E", unit="s-1", array=np.array([0.5, -1.25, 3], "f4")),
        fits.Column("EXACT", "D", array=np.array([1e-300, 2.5, -1e300])),
    ]
    save("table.fits", fits.PrimaryHDU(), fits.BinTableHDU.from_columns(columns, name="BADPIX"))
    arrays = [fits.Column("CURVE", "3E", array=np.zeros((2, 3), "f4"))]
    save("table-arrays.fits", fits.PrimaryHDU(), fits.BinTableHDU.from_columns(arrays))
    save("table-ascii.fits", fits.PrimaryHDU(), fits.TableHDU.from_columns([fits.Column("N", "I5", array=[1, 2])]))
    save("tiled.fits", fits.PrimaryHDU(), fits.CompImageHDU(ramp("i2", 5, 7), name="CHIP1"))


def block(*cards, end=True):
    text = "".join(card.ljust(80) for card in cards) + ("END".ljust(80) if end else "")
    return text.ljust(-(-len(text) // 2880) * 2880).encode("ascii")


def number(key, value):
    return f"{key:<8}= {value:>20}"


def primary(bitpix, *axes, more=(), end=True):
    cards = [number("SIMPLE", "T"), number("BITPIX", bitpix), number("NAXIS", len(axes))]
    cards += [number(f"NAXIS{i + 1}", n) for i, n in enumerate(axes)]
    return block(*cards, *more, end=end)


def table(width, rows, *more):
    return primary(8) + block("XTENSION= 'BINTABLE'", number("BITPIX", 8), number("NAXIS", 2), number("NAXIS1", width),
                              number("NAXIS2", rows), number("PCOUNT", 0), number("GCOUNT", 1), *more)


def hostile():
    zeros = bytes(2880)
    files = {
        "huge-axes.fits": primary(-64, 2**40, 2**20),
        "overflow-axes.fits": primary(-64, 2**62, 2**62, 2**62),
        "axis-text.fits": block(number("SIMPLE", "T"), number("BITPIX", 16), "NAXIS   = '2'"),
        "axis-negative.fits": primary(16, -5, 7),
        "axis-missing.fits": block(number("SIMPLE", "T"), number("BITPIX", 16), number("NAXIS", 2), number("NAXIS1", 7)),
        "axis-twice.fits": primary(16, 7, 5, more=[number("NAXIS1", 9999)]),
        "bitpix-17.fits": primary(17, 7, 5),
        "no-end.fits": primary(16, 7, 5, end=False),
        "cut-data.fits": primary(16, 700, 5) + bytes(2000),
        "cut-header.fits": primary(16, 7, 5)[:1000],
        "continue-first.fits": block(number("SIMPLE", "T"), number("BITPIX", 8), number("NAXIS", 0),
                                     "CONTINUE  'nothing before'", number("N", 3), "CONTINUE  'after a number'"),
        "values-broken.fits": block(number("SIMPLE", "T"), number("BITPIX", 8), number("NAXIS", 0), "OPEN    = 'no end",
                                    "WORD    = word", "PAREN   = (1.0, 2.0", "GREAT   = 1.0E999", "HEX     = 0x10"),
        "simple-f.fits": block(number("SIMPLE", "F"), number("BITPIX", 8), number("NAXIS", 0)),
        "groups.fits": primary(16, 0, 5, more=[number("GROUPS", "T"), number("PCOUNT", 2), number("GCOUNT", 3)]),
        "trailing.fits": primary(8) + b"not a block",
        "table-width.fits": table(3, 2, number("TFIELDS", 1), "TFORM1  = '1J      '") + zeros,
        "table-tall.fits": table(0, 2**50, number("TFIELDS", 1), "TFORM1  = '0A      '"),
        "table-repeat.fits": table(4, 2, number("TFIELDS", 1), "TFORM1  = '99999999999999999999A'") + zeros,
        "not-fits.fits": b"GIF89a, or anything else",
        "empty.fits": b"",
        "bomb.fits.gz": gzip.compress(primary(8, 3000, 1000) + bytes(3000960), mtime=0),
        "cut.fits.gz": gzip.compress(primary(16, 40, 30) + np.random.default_rng(1).bytes(2880), mtime=0)[:2000],
    }
    for name, content in files.items():
        with open(name, "wb") as f:
            f.write(content)


sound()
hostile()
