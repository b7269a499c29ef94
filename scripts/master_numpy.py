#!/usr/bin/env python3
"""A robust mean of raw frames, straightforwardly in numpy and astropy.

For the comparison of speed in the benchmark BenchmarkMasterAgainstMean.
Argument: a folder with raw*.fits. Works in strips of rows, since 64 frames
do not fit in memory as floats. Prints seconds.
"""
import glob
import hashlib
import os
import sys
import time

import numpy as np
from astropy.io import fits

folder = sys.argv[1]
start = time.perf_counter()
paths = sorted(glob.glob(os.path.join(folder, "raw*.fits")))
for p in paths:
    with open(p, "rb") as f:
        hashlib.sha256(f.read()).hexdigest()
offsets = []
for p in paths:
    with fits.open(p, memmap=False) as f:
        raw = f[0].data
        offsets.append((raw[:, :16].mean(axis=1), raw[:, -16:].mean(axis=1)))
value, variance = np.empty((4096, 4096), np.float32), np.empty((4096, 4096), np.float32)
samples = np.empty((4096, 4096), np.int32)
rows = 256
for y in range(0, 4096, rows):
    cube = np.empty((len(paths), rows, 4096), np.float32)
    for i, p in enumerate(paths):
        with fits.open(p, memmap=True, do_not_scale_image_data=True) as f:
            strip = f[0].data[y:y + rows].astype(np.float32) + 32768
        cube[i, :, :2048] = strip[:, 16:2064] - offsets[i][0][y:y + rows, None]
        cube[i, :, 2048:] = strip[:, 2064:-16] - offsets[i][1][y:y + rows, None]
    median = np.median(cube, axis=0)
    sigma = 1.4826 * np.median(np.abs(cube - median), axis=0)
    keep = np.abs(cube - median) <= 5 * np.maximum(sigma, 3.6)
    n = keep.sum(axis=0)
    mean = np.where(keep, cube, 0).sum(axis=0) / n
    value[y:y + rows], samples[y:y + rows] = mean, n
    variance[y:y + rows] = np.where(keep, (cube - mean) ** 2, 0).sum(axis=0) / (n - 1) / n
fits.HDUList([fits.PrimaryHDU(), fits.ImageHDU(value), fits.ImageHDU(variance), fits.ImageHDU(samples)]).writeto(
    os.path.join(folder, "numpy-master.fits"), checksum=True, overwrite=True)
print(time.perf_counter() - start)
