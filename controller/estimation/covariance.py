"""Update of a small covariance matrix from one scalar measurement, kept positive semi-definite.

What lives here: the measurement update of a covariance. What never does: the state itself (`capacity`). Plain
arithmetic in a fixed order.

Idea. The short form of the update, P - K hᵀP, loses definiteness to rounding where the prior is far wider than the
measurement. Its result is checked by its LDLᵀ factors; where a pivot is negative, Joseph's form replaces it (Bucy and
Joseph 1968, Filtering for Stochastic Processes with Applications to Guidance; from memory), rebuilt from factors
without a negative pivot. Ordinary sets keep the short form's bits, and no set is left with an invalid matrix.
"""

from __future__ import annotations

from typing import Final

Matrix = list[list[float]]
ROUNDING: Final = 1e-12
"""A pivot below zero by no more than this part of its own variance is zero."""


def factors(p: Matrix) -> tuple[Matrix, list[float]]:
    """Unit lower triangle and pivots of LDLᵀ; a pivot that is no more than rounding is zero, and so is its column.

    Args:
        p: symmetric matrix, shape (n, n); its lower triangle is read.
    """
    n = len(p)
    lower = [[0.0] * n for _ in range(n)]
    pivots: list[float] = []
    for j in range(n):
        pivot = p[j][j]
        for k in range(j):
            pivot -= lower[j][k] * lower[j][k] * pivots[k]
        tiny = ROUNDING * abs(p[j][j])
        if -tiny <= pivot <= tiny:
            pivot = 0.0
        pivots.append(pivot)
        lower[j][j] = 1.0
        for i in range(j + 1, n):
            rest = p[i][j]
            for k in range(j):
                rest -= lower[i][k] * lower[j][k] * pivots[k]
            lower[i][j] = rest / pivot if pivot != 0.0 else 0.0
    return lower, pivots


def is_covariance(p: Matrix) -> bool:
    """No variance is below zero in any direction: no pivot is, and what has no variance goes with nothing else.

    Args:
        p: symmetric matrix, shape (n, n).
    """
    n = len(p)
    if min(factors(p)[1]) < 0.0:
        return False
    return all(p[k][k] > 0.0 or all(p[k][j] == 0.0 == p[j][k] for j in range(n)) for k in range(n))


def updated(p: Matrix, h: list[float], variance: float) -> tuple[float, list[float], Matrix]:
    """Variance of what was seen, gain, shape (n,), and covariance, shape (n, n), after a scalar was seen.

    Args:
        p: covariance before, shape (n, n).
        h: sensitivity of the scalar to the state, shape (n,).
        variance: of the scalar's noise, above 0.
    """
    n = len(p)
    ph = [_dot(row, h) for row in p]
    total = variance
    for k in range(n):
        total += h[k] * ph[k]
    if not total >= variance:
        # a sensitivity so large that the variance of what was seen is lost in rounding
        total = variance + _spread(p, h)
    gain = [value / total for value in ph]
    short = [[p[k][j] - gain[k] * ph[j] for j in range(n)] for k in range(n)]
    return total, gain, short if is_covariance(short) else _joseph(p, h, gain, variance)


def _dot(a: list[float], b: list[float]) -> float:
    total = a[0] * b[0]
    for k in range(1, len(a)):
        total += a[k] * b[k]
    return total


def _spread(p: Matrix, h: list[float]) -> float:
    """hᵀPh as a sum of squares, from factors without a negative pivot."""
    n = len(p)
    lower, pivots = factors(p)
    total = 0.0
    for k in range(n):
        along = _dot([lower[i][k] for i in range(n)], h)
        total += max(0.0, pivots[k]) * along * along
    return total


def _joseph(p: Matrix, h: list[float], gain: list[float], variance: float) -> Matrix:
    """(I - K hᵀ) P (I - K hᵀ)ᵀ + K r Kᵀ, from factors without a negative pivot."""
    n = len(p)
    keep = [[(1.0 if i == j else 0.0) - gain[i] * h[j] for j in range(n)] for i in range(n)]
    half = [[_dot(keep[i], [p[k][j] for k in range(n)]) for j in range(n)] for i in range(n)]
    whole = [[_dot(half[i], keep[j]) + gain[i] * variance * gain[j] for j in range(n)] for i in range(n)]
    lower, pivots = factors(whole)
    pivots = [pivot if pivot > 0.0 else 0.0 for pivot in pivots]
    scaled = [[lower[i][k] * pivots[k] for k in range(n)] for i in range(n)]
    return [[_dot(scaled[i], lower[j]) for j in range(n)] for i in range(n)]
