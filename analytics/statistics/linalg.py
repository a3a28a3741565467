"""Cholesky's factors and triangular systems, for matrices of real numbers without a check of them.

By LAPACK, as :mod:`scipy.linalg` does. Source: Anderson et al., LAPACK Users' Guide, third edition
(1999), the routines ``potrf``, ``potrs`` and ``trtrs``.
"""

from __future__ import annotations

import numpy as np

from remanence.analytics.statistics.arrays import Reals
from remanence.analytics.statistics.compiled import compiled

_lapack = compiled("scipy.linalg", "_flapack", "scipy.linalg.lapack")


def cholesky(matrix: Reals) -> Reals:
    """Lower triangular factor of a symmetric positive definite matrix, in Fortran's order.

    Parameters
    ----------
    matrix : array, shape (n, n)
        Its lower triangle is looked at.

    Returns
    -------
    array, shape (n, n)

    Raises
    ------
    numpy.linalg.LinAlgError
        The matrix is not positive definite.
    """
    factor, failed = _lapack.dpotrf(matrix, lower=True, clean=True)
    if failed:
        raise np.linalg.LinAlgError("the matrix is not positive definite")
    out: Reals = factor
    return out


def solve_lower(factor: Reals, right: Reals) -> Reals:
    """Solution of ``factor @ x = right``.

    Parameters
    ----------
    factor : array, shape (n, n)
        Of :func:`cholesky`.
    right : array, shape (n, m)
        Overwritten where it is in Fortran's order.

    Returns
    -------
    array, shape (n, m)

    Raises
    ------
    numpy.linalg.LinAlgError
        The factor has a zero on its diagonal.
    """
    solution, failed = _lapack.dtrtrs(factor, right, lower=True, overwrite_b=True)
    if failed:
        raise np.linalg.LinAlgError("the matrix is singular")
    out: Reals = solution
    return out


def solve_cholesky(factor: Reals, right: Reals) -> Reals:
    """Solution of ``matrix @ x = right``.

    Parameters
    ----------
    factor : array, shape (n, n)
        Of :func:`cholesky` of the matrix.
    right : array, shape (n,) or (n, m)
        What it is to give.

    Returns
    -------
    array, shaped as ``right``
    """
    solution, _ = _lapack.dpotrs(factor, right, lower=True)
    out: Reals = solution
    return out
