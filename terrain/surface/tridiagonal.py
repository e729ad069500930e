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
    a, turned = matrix.copy(), vector.copy()
    count = a.shape[0]
    beside = np.zeros(max(count - 1, 0))
    for k in range(count - 2):
        v = a[k + 1 :, k].copy()
        length = np.sqrt((v * v).sum())
        beside[k] = -length if v[0] > 0 else length
        v[0] -= beside[k]
        squared = (v * v).sum()
        if squared == 0.0:
            continue
        rest, share = count - k - 1, 0.0
        p = np.zeros(rest)
        for i in range(rest):
            for j in range(rest):
                p[i] += a[k + 1 + i, k + 1 + j] * v[j]
            p[i] *= 2.0 / squared
            share += v[i] * p[i] / squared
        for i in range(rest):
            p[i] -= share * v[i]
        for i in range(rest):
            for j in range(rest):
                a[k + 1 + i, k + 1 + j] -= v[i] * p[j] + p[i] * v[j]
        turned[k + 1 :] -= 2.0 * (v * turned[k + 1 :]).sum() / squared * v
    if count > 1:
        beside[count - 2] = a[count - 1, count - 2]
    return np.diag(a).copy(), beside, turned


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
