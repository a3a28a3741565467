"""Degradation of real things, reading by reading, from printed tables: one a line."""

from __future__ import annotations

import numpy as np

from remanence.analytics.parts.arrival import arrival
from remanence.analytics.parts.wear_path import Weeks, drawn_paths, weigh_path

CRACKS = """
    0.90 0.95 1.00 1.05 1.12 1.19 1.27 1.35 1.48 1.64
    0.90 0.94 0.98 1.03 1.08 1.14 1.21 1.28 1.37 1.47 1.60
    0.90 0.94 0.98 1.03 1.08 1.13 1.19 1.26 1.35 1.46 1.58 1.77
    0.90 0.94 0.98 1.03 1.07 1.12 1.19 1.25 1.34 1.43 1.55 1.73
    0.90 0.94 0.98 1.03 1.07 1.12 1.19 1.24 1.34 1.43 1.55 1.71
    0.90 0.94 0.98 1.03 1.07 1.12 1.18 1.23 1.33 1.41 1.51 1.68
    0.90 0.94 0.98 1.02 1.07 1.11 1.17 1.23 1.32 1.41 1.52 1.66
    0.90 0.93 0.97 1.00 1.06 1.11 1.17 1.23 1.30 1.39 1.49 1.62
    0.90 0.92 0.97 1.01 1.05 1.09 1.15 1.21 1.28 1.36 1.44 1.55 1.72
    0.90 0.92 0.96 1.00 1.04 1.08 1.13 1.19 1.26 1.34 1.42 1.52 1.67
    0.90 0.93 0.96 1.00 1.04 1.08 1.13 1.18 1.24 1.31 1.39 1.49 1.65
    0.90 0.93 0.97 1.00 1.03 1.07 1.10 1.16 1.22 1.29 1.37 1.48 1.64
    0.90 0.92 0.97 0.99 1.03 1.06 1.10 1.14 1.20 1.26 1.31 1.40 1.52
    0.90 0.93 0.96 1.00 1.03 1.07 1.12 1.16 1.20 1.26 1.30 1.37 1.45
    0.90 0.92 0.96 0.99 1.03 1.06 1.10 1.16 1.21 1.27 1.33 1.40 1.49
    0.90 0.92 0.95 0.97 1.00 1.03 1.07 1.11 1.16 1.22 1.26 1.33 1.40
    0.90 0.93 0.96 0.97 1.00 1.05 1.08 1.11 1.16 1.20 1.24 1.32 1.38
    0.90 0.92 0.94 0.97 1.01 1.04 1.07 1.09 1.14 1.19 1.23 1.28 1.35
    0.90 0.92 0.94 0.97 0.99 1.02 1.05 1.08 1.12 1.16 1.20 1.25 1.31
    0.90 0.92 0.94 0.97 0.99 1.02 1.05 1.08 1.12 1.16 1.19 1.24 1.29
    0.90 0.92 0.94 0.97 0.99 1.02 1.04 1.07 1.11 1.14 1.18 1.22 1.27
"""
"""Fatigue cracks in 21 specimens of an alloy, inches, every 10,000 cycles until 1.6 inches are past
or for 120,000 cycles. Source: Meeker and Escobar, Statistical Methods for Reliability Data (1998),
appendix C, Alloy-A; after Bogdanoff and Kozin (1985) and Hudak and others, AFML-TR-78-40 (1978)."""

LASERS = """
    0.00 0.47 0.93 2.11 2.72 3.51 4.34 4.91 5.48 5.99 6.72 7.13 8.00 8.92 9.49 9.87 10.94
    0.00 0.71 1.22 1.90 2.30 2.87 3.75 4.42 4.99 5.51 6.07 6.64 7.16 7.78 8.42 8.91 9.28
    0.00 0.71 1.17 1.73 1.99 2.53 2.97 3.30 3.94 4.16 4.45 4.89 5.27 5.69 6.02 6.45 6.88
    0.00 0.36 0.62 1.36 1.95 2.30 2.95 3.39 3.79 4.11 4.50 4.72 4.98 5.28 5.62 5.95 6.14
    0.00 0.27 0.61 1.11 1.77 2.06 2.58 2.99 3.38 4.05 4.63 5.24 5.62 6.04 6.32 7.10 7.59
    0.00 0.36 1.39 1.95 2.86 3.46 3.81 4.53 5.35 5.92 6.71 7.70 8.61 9.15 9.95 10.49 11.01
    0.00 0.36 0.92 1.21 1.46 1.93 2.39 2.68 2.94 3.42 4.09 4.58 4.84 5.11 5.57 6.11 7.17
    0.00 0.46 1.07 1.42 1.77 2.11 2.40 2.78 3.02 3.29 3.75 4.16 4.76 5.16 5.46 5.81 6.25
    0.00 0.51 0.93 1.57 1.96 2.59 3.29 3.61 4.11 4.60 4.91 5.34 5.84 6.40 6.84 7.20 7.88
    0.00 0.41 1.49 2.38 3.00 3.83 4.50 5.25 6.26 7.05 7.80 8.32 8.93 9.55 10.45 11.28 12.21
    0.00 0.44 1.00 1.57 1.96 2.51 2.84 3.47 4.01 4.51 4.80 5.20 5.66 6.20 6.54 6.96 7.42
    0.00 0.39 0.80 1.35 1.74 2.98 3.59 4.03 4.44 4.79 5.22 5.48 5.96 6.23 6.99 7.37 7.88
    0.00 0.30 0.74 1.52 1.85 2.39 2.95 3.51 3.92 5.03 5.47 5.84 6.50 6.94 7.39 7.85 8.09
    0.00 0.44 0.70 1.05 1.35 1.80 2.55 2.83 3.39 3.72 4.09 4.83 5.41 5.76 6.14 6.51 6.88
    0.00 0.51 0.83 1.29 1.52 1.91 2.27 2.78 3.42 3.78 4.11 4.38 4.63 5.38 5.84 6.16 6.62
"""
"""Operating current of 15 lasers at constant light, per cent above the first, every 250 h, rounded
to hundredths. Source: Meeker and Escobar (1998), appendix C, GaAs lasers."""


DEVICES_150 = """
    0 26 46 67 102 141 177 205 233 258 282 308 337 363 388 410 421
    0 23 43 58 84 99 121 138 152 176 195 212 236 255 287 306 332
    0 17 37 52 73 90 121 145 166 181 197 216 230 242 256 282 301
    0 51 77 116 145 190 210 253 279 302 334 358 379 406 424 455 479
    0 29 61 88 120 151 186 217 254 301 341 365 400 428 449 477 496
    0 42 81 117 143 175 202 250 272 299 324 348 386 407 437 458 479
    0 16 41 77 97 122 142 171 190 207 220 240 259 279 294 312 329
"""
"""Loss of power of seven devices at 150 degrees, thousandths of a decibel, every 250 h (each
second reading)."""

DEVICES_195 = """
    0 77 173 304 395 489 527 572 633 689 736 771 795 825 862 884 909
    0 191 344 445 510 593 660 735 803 878 953 990 1035 1066 1095 1121 1159
    0 103 154 238 299 348 402 462 497 532 587 648 678 705 798 843 860
    0 108 190 281 326 376 436 503 581 653 686 729 773 806 832 860 918
    0 63 140 180 292 341 411 482 517 564 632 675 712 753 786 822 840
    0 71 176 229 382 435 514 575 689 718 761 809 834 874 924 957 978
    0 127 216 302 364 412 463 501 548 581 637 732 756 769 812 853 879
    0 94 212 267 381 431 502 570 623 663 756 793 808 839 871 908 969
    0 42 107 135 167 210 257 339 394 433 471 507 548 597 634 662 692
    0 166 281 378 473 552 691 756 858 982 1010 1067 1122 1144 1179 1204 1219
    0 120 212 247 303 342 371 422 468 525 569 606 639 667 709 760 796
    0 113 244 356 473 679 748 792 834 868 911 951 978 1002 1053 1083 1121
"""
"""The same of twelve at 195 degrees, every 125 h. Source: Meeker and Escobar (1998), appendix C,
Device-B, by their word simulated from a physical model of a real test."""

SLIDING = """
    3.17 4.06 4.45 4.74 5.84 6.79 7.74 9.59
    2.73 3.45 3.79 3.87 5.36 5.67 6.32 8.42
    2.08 2.65 3.14 3.29 3.96 4.57 5.69 6.64
    2.63 3.50 4.01 4.01 5.19 6.12 6.71 8.51
    7.54 7.81 8.16 10.64 12.62 13.32 12.87 14.84
    7.50 8.08 9.78 10.93 14.80 16.12 17.33 20.18
    6.98 8.90 9.39 11.15 12.45 13.54 16.67 17.32
    7.80 8.89 10.00 11.52 13.70 16.18 16.23 21.04
    12.53 15.38 17.21 20.48 24.10 26.97 29.44 37.87
    10.96 13.87 16.07 18.56 22.22 27.82 31.04 36.63
    13.05 15.12 18.58 20.18 23.90 29.71 31.47 39.65
    11.66 13.68 16.71 17.52 22.30 25.28 31.99 38.16
"""
"""Scar of twelve pieces of a metal under sliding wear, micrometres, after 2, 5, 10, 20, 50, 100,
200 and 500 cycles; four each under 10, 50 and 100 g. Source: Meeker and Escobar (1998), appendix C,
sliding metal wear."""

SLIDING_CYCLES = np.array([0, 2, 5, 10, 20, 50, 100, 200, 500.0])


def series(table):
    return [np.array(line.split(), dtype=float) for line in table.strip().splitlines()]


def _seen(readings, share, error, rng, times):
    """Each thing after so many of its readings, at six least, and how long it then still took.

    What it is to meet is its own last reading, so that all of them count, and the truth is when it
    came to that. ``readings``: figures whose limit is about 1.
    """
    fits, truths = [], []
    for one, chance in zip(readings, rng.spawn(len(readings)), strict=True):
        now = max(round(share * one.size), 6)
        weeks = np.arange(float(one.size)) if times is None else times
        fits.append(weigh_path(
            Weeks(weeks[:now], one[:now], np.full(now, error), one[-1]), chance))
        truths.append(weeks[-1] - weeks[now - 1])
    return fits, truths


def places(readings, seen, error, rng, times=None):
    """Where the truth lies in each forecast: the stated chance of an earlier arrival.

    Each thing is forecast after the share ``seen`` of its readings, with all of its table, seen as
    far, as others of its kind.
    """
    fits, truths = _seen(readings, seen, error, rng, times)
    chances = rng.spawn(len(fits))
    return _places(drawn_paths(fits, chances), truths, chances)


def places_left_out(readings, seen, error, rng, times=None):
    """The same where all others of the table have come to their end before, and are its kind."""
    fits, truths = _seen(readings, seen, error, rng, times)
    ended, _ = _seen(readings, 1.0, error, rng, times)
    chances = rng.spawn(len(fits))
    paths = [drawn_paths([fit], [chance], ended[:i] + ended[i + 1:])[0]
             for i, (fit, chance) in enumerate(zip(fits, chances, strict=True))]
    return _places(paths, truths, chances)


def _places(paths, truths, chances):
    left = [arrival(path, chance) for path, chance in zip(paths, chances, strict=True)]
    return np.array([np.mean(draws < truth) for draws, truth in zip(left, truths, strict=True)])


def cracks():
    """Logarithm of the crack over its first length: 0.35 to 0.68 at the end."""
    return [np.log(one / one[0]) for one in series(CRACKS)]


def lasers():
    """Rise of the current, as a share of the 10 % at which a laser counts as failed."""
    return [one / 10 for one in series(LASERS)]


def devices(table):
    """Loss of power, decibels: 0.3 to 1.2 at the end."""
    return [one / 1000 for one in series(table)]


def sliding():
    """Width of the scar, as a share of what such a load leaves: 10, 20 and 40 micrometres."""
    usual = np.repeat([10, 20, 40], 4)
    return [np.append(0.0, one) / wide for one, wide in zip(series(SLIDING), usual, strict=True)]
