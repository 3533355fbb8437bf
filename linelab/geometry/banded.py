"""Symmetric positive definite systems whose matrix is a narrow band, closed into a ring or not."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from linelab.units import Array


class Factor(NamedTuple):
    """Cholesky factor of the band, and of what the ring adds to it (empty without one)."""

    band: Array
    reach: Array  #: (n-w, w) inverse factor times the couplings of the last w unknowns
    corner: Array  #: (w, w) lower factor of the corner's Schur complement


def factorised(band: Array, ring: bool) -> Factor | None:
    """Factor of a matrix given by its lower band (n, w+1), ``band[j, d] = A[j+d, j]``; None if not positive definite.

    In a ring, indices go on past the end at the start.  Its last w unknowns are taken out and put back by their Schur
    complement, which is positive definite with the rest exactly when the whole is (E. V. Haynsworth, "Determination of
    the inertia of a partitioned Hermitian matrix", Linear Algebra and its Applications 1, 1968).
    """
    from scipy.linalg.lapack import dpbtrf, dtbtrs

    if not ring:
        lower, fault = dpbtrf(band.T.copy(order="F"), lower=1, overwrite_ab=1)
        none = np.zeros((0, 0))
        return None if fault else Factor(lower, none, none)
    width = band.shape[1] - 1
    size = band.shape[0] - width
    inner = band[:size].T.copy(order="F")
    border = np.zeros((size, width), order="F")
    corner = np.zeros((width, width))
    for d in range(1, width + 1):
        inner[d, size - d :] = 0.0
        k = np.arange(width)
        border[size - d + k[:d], k[:d]] = band[size - d + k[:d], d]  # from before the corner into it
        border[k[:d], width - d + k[:d]] += band[size + width - d + k[:d], d]  # from the corner round to the start
    for d in range(width):
        k = np.arange(width - d)
        corner[k + d, k] = band[size + k, d]
        corner[k, k + d] = band[size + k, d]
    lower, fault = dpbtrf(inner, lower=1, overwrite_ab=1)
    if fault:
        return None
    reach = np.asarray(dtbtrs(lower, border, uplo="L", overwrite_b=1)[0])
    try:
        return Factor(lower, reach, np.linalg.cholesky(corner - reach.T @ reach))
    except np.linalg.LinAlgError:
        return None


def solved(factor: Factor, right: Array) -> Array:
    """Solution for a right-hand side, (n,) or (n, k)."""
    from scipy.linalg.lapack import dpbtrs, dpotrs, dtbtrs

    if not factor.corner.size:
        return np.asarray(dpbtrs(factor.band, right, lower=1)[0])
    size = factor.reach.shape[0]
    inner = dtbtrs(factor.band, right[:size], uplo="L")[0]
    rest = right[size:] - factor.reach.T @ inner
    last = dpotrs(factor.corner, rest, lower=1)[0]
    outer = dtbtrs(factor.band, inner - factor.reach @ last, uplo="L", trans="T")[0]
    return np.concatenate([outer, last])


def solve(band: Array, right: Array, ring: bool) -> Array:
    """Solution of one system, as :func:`factorised` and :func:`solved`.

    Raises
    ------
    numpy.linalg.LinAlgError
        The matrix is not positive definite.
    """
    factor = factorised(band, ring)
    if factor is None:
        raise np.linalg.LinAlgError("the band is not positive definite")
    return solved(factor, right)
