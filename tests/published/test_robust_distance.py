"""Robust distances against outliers that are known from the literature."""

import numpy as np

from remanence.analytics.conditions.changed_unnamed import robust_distance

# The star cluster CYG OB1: logarithms of effective temperature and light of 47 stars. Rousseeuw and
# Leroy, Robust Regression and Outlier Detection (Wiley, 1987), page 27, table 3; typed out as in
# robustbase's starsCYG. Stars 11, 20, 30 and 34 are giants, no part of the main sequence; they
# bend the classical covariance so far that they mask each other.
TEMPERATURE = (
    4.37, 4.56, 4.26, 4.56, 4.30, 4.46, 3.84, 4.57, 4.26, 4.37, 3.49, 4.43, 4.48, 4.01, 4.29, 4.42,
    4.23, 4.42, 4.23, 3.49, 4.29, 4.29, 4.42, 4.49, 4.38, 4.42, 4.29, 4.38, 4.22, 3.48, 4.38, 4.56,
    4.45, 3.49, 4.23, 4.62, 4.53, 4.45, 4.53, 4.43, 4.38, 4.45, 4.50, 4.45, 4.55, 4.45, 4.42,
)
LIGHT = (
    5.23, 5.74, 4.93, 5.74, 5.19, 5.46, 4.65, 5.27, 5.57, 5.12, 5.73, 5.45, 5.42, 4.05, 4.26, 4.58,
    3.94, 4.18, 4.18, 5.89, 4.38, 4.22, 4.42, 4.85, 5.02, 4.66, 4.66, 4.90, 4.39, 6.05, 4.42, 5.10,
    5.22, 6.29, 4.34, 5.62, 5.10, 5.22, 5.18, 5.57, 4.62, 5.06, 5.34, 5.34, 5.54, 4.98, 4.50,
)
STARS = np.column_stack([TEMPERATURE, LIGHT])
GIANTS = {11, 20, 30, 34}


def farthest(distance, count):
    return {int(star) + 1 for star in np.argsort(-distance)[:count]}


def test_the_giants_stand_farthest_out_and_far_beyond_the_rest():
    spread = np.subtract(*np.percentile(STARS, [75, 25], axis=0)) / 1.349
    points = (STARS - np.median(STARS, axis=0)) / spread
    distance = robust_distance(points, points)
    assert farthest(distance, 4) == GIANTS
    # 97.5 % of a plane normal distribution, over its median.
    outside = np.sqrt(np.log(1 / 0.025) / np.log(2))
    giants = distance[[star - 1 for star in sorted(GIANTS)]]
    assert giants.min() > 2 * outside
    # Stars 7 and 14 lie between (from memory: the same book).
    assert farthest(distance, 6) == GIANTS | {7, 14}


def test_the_classical_distance_hardly_tells_them_from_the_rest():
    off = STARS - STARS.mean(axis=0)
    squared = np.einsum("ij,jk,ik->i", off, np.linalg.inv(np.cov(STARS.T)), off)
    ordered = np.sqrt(np.sort(squared))
    assert ordered[-4] < 1.5 * ordered[-5]
