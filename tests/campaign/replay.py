"""Nuisances of real shape: measured series of other fields, cut into blocks and played back.

A noise model of our own has only the surprises that we thought of. These have
their own: a river that changed its habit for good, cycles of uneven height,
bursts, heavy and lopsided tails. Days take their wander from them and single
releases their scatter.

Sources, all shipped with statsmodels and scikit-learn:

- Nile at Aswan 1871-1970, yearly flow: a lasting step in 1898.
- Sunspots 1700-2008, yearly: uneven cycles.
- El Nino, monthly sea surface temperature 1950-2010, deviation from each month's mean: memory of
  many months, bursts.
- Mauna Loa carbon dioxide, weekly, change over a week: serial jitter with outliers.
- US macroeconomic series, quarterly growth: long calm, rare crises.
- Breast cancer cell nuclei (Wisconsin), logarithms of measured sizes: lopsided heavy tails.
"""

from functools import cache

import numpy as np


def _standard(values):
    values = np.asarray(values, float)
    values = values[np.isfinite(values)]
    return (values - np.median(values)) / np.std(values)


@cache
def wanders():
    """Series with memory, each standardised."""
    import statsmodels.api as sm

    data = sm.datasets
    nile = data.nile.load_pandas().data["volume"].to_numpy()
    sunspots = np.sqrt(data.sunspots.load_pandas().data["SUNACTIVITY"].to_numpy())
    elnino = data.elnino.load_pandas().data.drop(columns="YEAR").to_numpy()
    growth = np.diff(np.log(data.macrodata.load_pandas().data["realinv"].to_numpy()))
    return [_standard(series) for series in (
        nile, sunspots, (elnino - elnino.mean(axis=0)).ravel(), growth,
    )]


@cache
def scatters():
    """Samples of single readings' scatter, in their own order, each standardised."""
    import statsmodels.api as sm
    from sklearn.datasets import load_breast_cancer

    weekly = sm.datasets.co2.load_pandas().data["co2"].dropna().to_numpy()
    cells = load_breast_cancer().data
    sizes = [np.log(cells[:, column] + 1e-4) for column in (0, 3, 4, 5, 8, 10, 14, 24)]
    return [_standard(np.diff(weekly)), *(_standard(size) for size in sizes)]


def play_back(rng, series, length, block):
    """``length`` values out of ``series`` in blocks of about ``block``, signs turned at random."""
    out = np.empty(0)
    while out.size < length:
        start = rng.integers(0, max(series.size - block, 1))
        out = np.concatenate([out, series[start:start + int(rng.integers(block // 2, 2 * block))]])
    return out[:length] * rng.choice([-1.0, 1.0])


def day_wander(rng, days, deviation):
    """A wander of days, capped at three deviations so that a healthy lock stays one."""
    shapes = wanders()
    path = play_back(rng, shapes[rng.integers(len(shapes))], days, 45)
    return deviation * np.clip(path, -3.0, 3.0)


def reading_scatter(rng, count, deviation):
    """The scatter of single releases: heavy, lopsided tails upwards, in bursts."""
    shapes = scatters()
    values = play_back(rng, shapes[rng.integers(len(shapes))], count, 20)
    return deviation * np.clip(values, -2.5, 6.0)
