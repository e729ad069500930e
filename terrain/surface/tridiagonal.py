"""Likelihoods of many multiples of one covariance beside independent noise, at the cost of one.

`c M + I` is brought to `c T + I` with `T` tridiagonal by Householder's reflections (Golub and Van
Loan, "Matrix Computations", ch. 8), in which every `c` costs only a pass along the diagonal. By
compiled loops and not by LAPACK, whose threads take longer to meet than these small matrices do.
"""

import numpy as np

from terrain.arrays import FloatArray, IntArray
from terrain.kernels import kernel


@kernel
def between_sums(rows: IntArray, factors: FloatArray, covariance: FloatArray) -> FloatArray:
    """Covariance of sums of few heights, `factors` (n, k) times those at `rows` (n, k)."""
    count, terms = rows.shape
    out = np.empty((count, count))
    for i in range(count):
        for j in range(i + 1):
            total = 0.0
            for a in range(terms):
                for b in range(terms):
                    total += factors[i, a] * factors[j, b] * covariance[rows[i, a], rows[j, b]]
            out[i, j] = total
            out[j, i] = total
    return out


@kernel
def lower_root(matrix: FloatArray) -> FloatArray:
    """Cholesky's `L` with `L Lᵀ` = `matrix`, shape (n, n)."""
    lower = np.zeros_like(matrix)
    for i in range(matrix.shape[0]):
        for j in range(i + 1):
            rest = matrix[i, j]
            for k in range(j):
                rest -= lower[i, k] * lower[j, k]
            lower[i, j] = np.sqrt(max(rest, 1e-300)) if i == j else rest / lower[j, j]
    return lower


@kernel
def solved(lower: FloatArray, right: FloatArray) -> FloatArray:
    """`L⁻¹ R`, shapes (n, n) and (n, m)."""
    out = right.copy()
    for i in range(lower.shape[0]):
        for k in range(i):
            for m in range(out.shape[1]):
                out[i, m] -= lower[i, k] * out[k, m]
        for m in range(out.shape[1]):
            out[i, m] /= lower[i, i]
    return out


@kernel
def tridiagonal(
    matrix: FloatArray, vector: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Diagonal (n,) and what is beside it (n − 1,) of a symmetric matrix; the vector turned too."""
    count = matrix.shape[0]
    a, turned = matrix.copy(), vector.copy()
    diagonal, beside = np.zeros(count), np.zeros(max(count - 1, 0))
    v, p = np.zeros(count), np.zeros(count)
    for m in range(count - 1, 0, -1):
        squared = 0.0
        for i in range(m):
            v[i] = a[m, i]
            squared += v[i] * v[i]
        last = v[m - 1]
        beside[m - 1] = -np.sqrt(squared) if last > 0 else np.sqrt(squared)
        squared += beside[m - 1] * (beside[m - 1] - 2.0 * last)  # of v once its last is moved
        v[m - 1] = last - beside[m - 1]
        if squared == 0.0:
            continue
        share, along = 0.0, 0.0
        for i in range(m):
            p[i] = 0.0
        for j in range(m):
            for i in range(m):
                p[i] += a[j, i] * v[j]
        for i in range(m):
            p[i] *= 2.0 / squared
            share += v[i] * p[i] / squared
            along += 2.0 / squared * v[i] * turned[i]
        for i in range(m):
            p[i] -= share * v[i]
            turned[i] -= along * v[i]
        for i in range(m):
            for j in range(m):
                a[i, j] -= v[i] * p[j] + p[i] * v[j]
    for i in range(count):
        diagonal[i] = a[i, i]
    return diagonal, beside, turned


@kernel
def of_multiples(
    diagonal: FloatArray, beside: FloatArray, vector: FloatArray, multiples: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """`log det (c T + I)` and `vᵀ (c T + I)⁻¹ v` of each `c`, shapes (g,)."""
    logs, totals = np.zeros(multiples.shape[0]), np.zeros(multiples.shape[0])
    for g in range(multiples.shape[0]):
        c, pivot, value = multiples[g], 1.0, 0.0
        for i in range(diagonal.shape[0]):
            off = c * beside[i - 1] if i > 0 else 0.0
            value = vector[i] - off / pivot * value
            pivot = max(c * diagonal[i] + 1.0 - off * off / pivot, 1e-12)
            logs[g] += np.log(pivot)
            totals[g] += value * value / pivot
    return logs, totals
