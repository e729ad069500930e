"""The compiled linear algebra against NumPy's and SciPy's."""

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from terrain.surface.tridiagonal import (
    between_sums,
    lower_root,
    of_multiples,
    solved,
    tridiagonal,
)


def covariance(n: int, seed: int) -> np.ndarray:
    a = np.random.default_rng(seed).normal(size=(n, n + 3))
    return a @ a.T


@pytest.mark.parametrize("n", [1, 2, 3, 40])
def test_reduced_to_a_tridiagonal_matrix_of_the_same_eigenvalues(n):
    matrix, vector = covariance(n, n), np.random.default_rng(n).normal(size=n)
    diagonal, beside, turned = tridiagonal(matrix, vector)
    reduced = np.diag(diagonal) + np.diag(beside, 1) + np.diag(beside, -1)
    np.testing.assert_allclose(np.linalg.eigvalsh(reduced), np.linalg.eigvalsh(matrix), rtol=1e-9)
    assert turned @ reduced @ turned == pytest.approx(vector @ matrix @ vector, rel=1e-9)


def test_likelihoods_of_multiples_are_those_of_a_normal_law():
    matrix, vector = covariance(30, 1), np.random.default_rng(2).normal(size=30)
    multiples = np.array([0.0, 0.01, 1.0, 50.0])
    logs, totals = of_multiples(*tridiagonal(matrix, vector), multiples)
    for c, log, total in zip(multiples, logs, totals, strict=True):
        known = multivariate_normal(np.zeros(30), c * matrix + np.eye(30)).logpdf(vector)
        assert -0.5 * (log + total + 30 * np.log(2 * np.pi)) == pytest.approx(known, rel=1e-9)


def test_root_solution_and_sums():
    matrix = covariance(12, 3)
    root = lower_root(matrix)
    np.testing.assert_allclose(root @ root.T, matrix, rtol=1e-10, atol=1e-10)
    right = np.random.default_rng(4).normal(size=(12, 5))
    np.testing.assert_allclose(root @ solved(root, right), right, rtol=1e-9, atol=1e-9)
    rows = np.random.default_rng(5).integers(0, 12, (7, 4))
    factors = np.random.default_rng(6).normal(size=(7, 4))
    sums = np.zeros((7, 12))
    for k in range(7):
        np.add.at(sums[k], rows[k], factors[k])
    np.testing.assert_allclose(between_sums(rows, factors, matrix), sums @ matrix @ sums.T)
