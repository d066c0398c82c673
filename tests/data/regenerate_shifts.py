"""Shifts of image pairs as two general-purpose libraries find them.

Writes shifts.csv: for each pair the planted shift and what scikit-image's
phase_cross_correlation (upsample_factor=100) and OpenCV's findTransformECC
(translation) say. The images are sums of cosines, so that a shifted one is
exact at any fraction of a pixel and a test can draw the same pair itself:

  value(x, y) = sum over k of a_k cos(2 pi (u_k x + v_k y) + p_k), 96 x 96,
  then noise of 0.02 x (lcg / 2^32 - 0.5), then a Hann window for the
  correlation (not for ECC).

Needs numpy, scikit-image, opencv-python-headless from PyPI:
  python3 tests/data/regenerate_shifts.py
"""

import csv
import math
import pathlib

import cv2
import numpy as np
import skimage
from skimage.registration import phase_cross_correlation

SIZE = 96
WAVES = 150


def lcg(state):
    return (1664525 * state + 1013904223) % 2**32


def waves(seed):
    state = seed
    out = []
    for _ in range(WAVES):
        values = []
        for _ in range(4):
            state = lcg(state)
            values.append(state / 2**32)
        u, v, p, a = values
        out.append(((u - 0.5) * 0.8, (v - 0.5) * 0.8, 2 * math.pi * p, 0.2 + a))
    return out


def image(seed, dx, dy, noise_seed):
    y, x = np.mgrid[0:SIZE, 0:SIZE].astype(float)
    out = np.zeros((SIZE, SIZE))
    for u, v, p, a in waves(seed):
        out += a * np.cos(2 * math.pi * (u * (x - dx) + v * (y - dy)) + p)
    state = noise_seed
    for j in range(SIZE):
        for i in range(SIZE):
            state = lcg(state)
            out[j, i] += 0.02 * (state / 2**32 - 0.5)
    return out


def main():
    hann = np.hanning(SIZE)
    window = np.outer(hann, hann)
    rows = []
    shifts = [(0.25, 0.0), (-1.5, 2.25), (3.7, -2.1), (0.05, -0.35), (-4.6, 0.8),
              (2.0, 3.0), (-0.73, -0.41), (1.11, -3.9), (4.95, 4.05), (-2.48, -1.02)]
    for n, (dx, dy) in enumerate(shifts):
        seed = 1000 + n
        first, second = image(seed, 0, 0, 77 + n), image(seed, dx, dy, 177 + n)
        found, _, _ = phase_cross_correlation(first * window, second * window, upsample_factor=100)
        # ECC starts from the shift rounded to a pixel, as it would from a coarse step.
        warp = np.eye(2, 3, dtype=np.float32)
        warp[0, 2], warp[1, 2] = round(dx), round(dy)
        stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 500, 1e-8)
        _, warp = cv2.findTransformECC(first.astype(np.float32), second.astype(np.float32),
                                       warp, cv2.MOTION_TRANSLATION, stop, None, 5)
        rows.append([seed, 77 + n, 177 + n, dx, dy, -found[1], -found[0], warp[0, 2], warp[1, 2]])
    path = pathlib.Path(__file__).with_name("shifts.csv")
    with path.open("w", newline="") as f:
        f.write(f"# made by regenerate_shifts.py with scikit-image {skimage.__version__}, OpenCV {cv2.__version__}\n")
        w = csv.writer(f, lineterminator="\n")
        w.writerow("seed noise_first noise_second dx dy skimage_dx skimage_dy ecc_dx ecc_dy".split())
        for r in rows:
            w.writerow(r[:5] + [f"{v:.4f}" for v in r[5:]])


main()
