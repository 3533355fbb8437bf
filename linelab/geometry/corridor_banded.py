"""Symmetric positive definite band systems, plain or cyclic.

A cyclic band matrix (corners filled, as every closed track gives) becomes an ordinary band matrix of twice the
half-bandwidth when its indices are taken alternately from both ends: 0, N-1, 1, N-2, ...  So one banded Cholesky
factorisation, of cost linear in N, serves open and closed tracks alike.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from linelab.units import Array

Index = NDArray[np.intp]


def fold(size: int) -> Index:
    """Return the order 0, N-1, 1, N-2, ... as indices (N,)."""
    order = np.empty(size, dtype=np.intp)
    order[0::2] = np.arange((size + 1) // 2)
    order[1::2] = size - 1 - np.arange(size // 2)
    return order


def solve_spd(diagonals: list[Array], rhs: Array, *, closed: bool) -> Array:
    """Solve ``H x = rhs`` for a symmetric positive definite band matrix.

    Parameters
    ----------
    diagonals : list of (N,) array
        ``diagonals[o][i] = H[i, i + o]``, the column taken modulo N when ``closed``; for an open system entries
        that would fall outside are ignored.
    rhs : (N,) or (N, k) array
    closed : bool

    Returns
    -------
    array
        Same shape as ``rhs``.

    Raises
    ------
    numpy.linalg.LinAlgError
        The matrix is not positive definite.
    """
    from scipy.linalg import solveh_banded

    size = diagonals[0].size
    half = len(diagonals) - 1
    if not closed:
        bands = np.zeros((half + 1, size))
        for offset, values in enumerate(diagonals):
            bands[offset, : size - offset] = values[: size - offset]
        return np.asarray(solveh_banded(bands, rhs, lower=True, check_finite=False))
    if size <= 4 * half:
        return _solve_dense(diagonals, rhs)
    order = fold(size)
    place = np.empty(size, dtype=np.intp)
    place[order] = np.arange(size)
    bands = np.zeros((2 * half + 1, size))
    rows = np.arange(size)
    for offset, values in enumerate(diagonals):
        i, j = place, place[(rows + offset) % size]
        low, high = np.minimum(i, j), np.maximum(i, j)
        bands[high - low, low] = values
    solution = solveh_banded(bands, rhs[order], lower=True, check_finite=False)
    return np.asarray(solution[place])


def _solve_dense(diagonals: list[Array], rhs: Array) -> Array:
    """Tiny cyclic systems, where the folded bands would overlap."""
    size = diagonals[0].size
    matrix = np.zeros((size, size))
    rows = np.arange(size)
    for offset, values in enumerate(diagonals):
        np.add.at(matrix, (rows, (rows + offset) % size), values)
        if offset:
            np.add.at(matrix, ((rows + offset) % size, rows), values)
    return np.asarray(np.linalg.solve(matrix, rhs))
