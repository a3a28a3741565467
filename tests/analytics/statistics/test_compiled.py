"""SciPy's compiled functions without its packages: the same functions, and no package is loaded."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest
import scipy.linalg
import scipy.special

from remanence.analytics.statistics import linalg, special
from remanence.analytics.statistics.compiled import compiled

LOADED_ALONE = """
import sys
from remanence.analytics.statistics import linalg, special
assert not {"scipy.special", "scipy.linalg", "numpy.f2py"} & set(sys.modules)
import scipy.linalg, scipy.special, scipy.stats
assert scipy.special.betainc is special.betainc and scipy.special.logsumexp([0.0]) == 0.0
assert scipy.linalg.cholesky([[4.0]]) == 2.0
"""


def test_the_packages_are_not_loaded_and_can_be_later() -> None:
    subprocess.run([sys.executable, "-c", LOADED_ALONE], check=True)


def test_the_functions_are_scipys() -> None:
    names = [name for name, held in vars(special).items() if isinstance(held, np.ufunc)]
    assert len(names) > 10
    assert all(getattr(special, name) is getattr(scipy.special, name) for name in names)


def test_another_release_gives_the_package_itself() -> None:
    assert compiled("scipy.special", "no_such_module", "scipy.special") is scipy.special


@pytest.mark.parametrize("axis", [None, 0, 1])
@pytest.mark.parametrize("seed", range(3))
def test_sums_of_exponentials_are_scipys(seed: int, axis: int | None) -> None:
    log = np.random.default_rng(seed).normal(0.0, 400.0, (5, 40))
    log[:, 3] = -np.inf
    log[2, :] = log[2, 0]
    expected = scipy.special.logsumexp(log, axis=axis)
    assert np.array_equal(special.logsumexp(log, axis=axis), expected)


def test_sums_of_nothing_and_of_too_much() -> None:
    for log in ([-np.inf, -np.inf], [np.inf, 0.0], [np.nan, 0.0]):
        assert np.array_equal(
            special.logsumexp(log), scipy.special.logsumexp(log), equal_nan=True)


def test_shares_are_scipys() -> None:
    log = np.random.default_rng(4).normal(0.0, 400.0, (5, 40))
    assert np.array_equal(special.softmax(log, axis=1), scipy.special.softmax(log, axis=1))


def test_systems_are_solved_as_scipy_does() -> None:
    chance = np.random.default_rng(5)
    root, right = chance.normal(size=(30, 30)), chance.normal(size=(30, 4))
    matrix = root @ root.T + np.eye(30)
    factor = linalg.cholesky(matrix)
    assert np.array_equal(factor, scipy.linalg.cholesky(matrix, lower=True))
    expected = scipy.linalg.solve_triangular(factor, right, lower=True)
    assert np.array_equal(linalg.solve_lower(factor, right.copy()), expected)
    assert np.allclose(matrix @ linalg.solve_cholesky(factor, right), right)
    with pytest.raises(np.linalg.LinAlgError):
        linalg.cholesky(-matrix)
