#!/usr/bin/env python3
"""The same corrections as evenlight's, straightforwardly in numpy and astropy.

For the comparison of speed in the benchmark BenchmarkFrameAgainstCopy.
Argument: a folder with raw.fits and the masters by their kinds' names.
Masters are loaded first; then hash, offsets, all corrections, uncertainty,
flags and the written file are timed. Prints seconds.
"""
import hashlib
import os
import sys
import time

import numpy as np
from astropy.io import fits

folder = sys.argv[1]


def plane(kind, name):
    with fits.open(os.path.join(folder, kind + ".fits"), memmap=False) as f:
        return f[name].data.astype(np.float32)


bias, var_bias = plane("bias", "VALUE"), plane("bias", "VARIANCE")
dark, var_dark = plane("dark", "VALUE"), plane("dark", "VARIANCE")
flat, var_flat = plane("flat", "VALUE"), plane("flat", "VARIANCE")
mask = plane("bad-pixels", "REASONS").astype(np.int32)
gain = np.where(np.arange(4096) < 2048, 2.1, 2.2).astype(np.float32)
noise = np.where(np.arange(4096) < 2048, 7.5, 8.2).astype(np.float32)


def neighbours(v, reach=2):
    """Mean over the window about each pixel."""
    n = 2 * reach + 1
    p = np.pad(v.astype(np.float64), reach, mode="edge")
    c = np.pad(p.cumsum(0).cumsum(1), ((1, 0), (1, 0)))
    return ((c[n:, n:] - c[:-n, n:] - c[n:, :-n] + c[:-n, :-n]) / n**2).astype(np.float32)


start = time.perf_counter()
path = os.path.join(folder, "raw.fits")
with open(path, "rb") as f:
    sha = hashlib.sha256(f.read()).hexdigest()
with fits.open(path, memmap=False) as f:
    raw = f[0].data.astype(np.float32)
image = raw[:, 16:-16]
left, right = raw[:, :16].mean(axis=1), raw[:, -16:].mean(axis=1)
kernel = np.ones(15) / 15
left, right = np.convolve(left, kernel, "same"), np.convolve(right, kernel, "same")
offset = np.empty_like(image)
offset[:, :2048], offset[:, 2048:] = left[:, None], right[:, None]
flags = mask.copy()
saturated = image >= 14000
flags[saturated] |= 2
grown = saturated.copy()
grown[1:] |= saturated[:-1]
grown[:-1] |= saturated[1:]
grown[:, 1:] |= saturated[:, :-1]
grown[:, :-1] |= saturated[:, 1:]
flags[grown & ~saturated] |= 4
v = image - offset - bias
slope = 1 + v * (2e-6 + 3e-11 * v)
var = (1 / 12 + 0.05 + var_bias) * slope**2
v = v + v * v * (1e-6 + 1e-11 * v)
flags[v > 13000] |= 512
v = v * gain
var = var * gain**2 + noise**2
v = v - dark * 2
var = var + var_dark * 4
s = v / flat
var = var / flat**2 + s**2 * var_flat / flat**2
m = neighbours(s)
var = var + (flat * m + dark * 2) / flat**2
scale = np.float32(1 / (2.2e6 * 2))
value = (s * scale).astype(np.float32)
unc = (np.sqrt(var) * scale).astype(np.float32)
out = fits.HDUList([fits.PrimaryHDU(), fits.ImageHDU(value, name="VALUE"), fits.ImageHDU(unc, name="UNCERTAINTY"), fits.ImageHDU(flags, name="FLAGS")])
out[0].header["RAWSHA"] = sha
target = os.path.join(folder, "numpy.fits")
with open(target, "wb") as f:
    out.writeto(f, checksum=True)
    f.flush()
    os.fsync(f.fileno())
print(time.perf_counter() - start)
