"""Which few second-order sections have a given power response, as nearly as possible?

A digital filter squeezes all frequencies below half the rate, so an analogue curve moved over by the bilinear
transform droops near the top. Here the sections are fitted to the curve itself instead.

The power response of a real filter is a ratio of two polynomials in ``u = -cos(omega)`` (u runs from -1 at
0 Hz to 1 at half the rate). For a wanted power P(u) the coefficients of N and D follow from a linear least-squares problem,
``sum weight^2 ((N - P D) / (P D'))^2`` with D' the D of the round before (Sanathanan and Koerner, IEEE Trans.
Automatic Control 8(1), 1963); dividing by P makes the error relative, so it counts in decibels. Raising the
weights where the error is large (Lawson's method) brings the largest error down. Each root of N and D gives
a zero or pole inside the unit circle: the filter is stable and of minimum phase, like the analogue networks it stands for.
"""

from typing import NamedTuple

import numpy as np
from numpy.polynomial import chebyshev
from numpy.typing import NDArray

F64 = NDArray[np.float64]
C128 = NDArray[np.complex128]

ROUNDS = 60
"""Rounds of refitting; the weights move from the ninth on."""

SETTLING_ROUNDS = 8
LAWSON_POWER = 0.3
"""How fast weights follow the error."""

REAL = 1e-9
"""An imaginary part below this is rounding."""


class Roots(NamedTuple):
    """Zeros and poles of a digital filter, inside the unit circle or on it, complex ones in pairs."""

    zeros: C128
    poles: C128


def fit_power(omega: F64, power: F64, weight: F64, zeros: tuple[int, ...], poles: int) -> Roots:
    """Return the zeros and poles whose power response follows `power` up to a factor.

    Parameters
    ----------
    omega : (n,) float64 array
        Angular frequencies in radians per sample, 0 < omega < pi.
    power : (n,) float64 array
        Wanted power response there, positive.
    weight : (n,) float64 array
        How much an error in decibels counts there, 1 = fully.
    zeros : tuple of int
        How many zeros; each number is tried and the best kept, as one too many can spoil the conditioning.
    poles : int
        How many poles.

    Raises
    ------
    ArithmeticError
        If no round gave a response that is positive everywhere.
    """
    tried = [fit for count in zeros if (fit := _fitted(omega, power, weight, count, poles))]
    if not tried:
        raise ArithmeticError("no sections with a positive power response were found for this curve")
    _, *best = min(tried, key=lambda fit: fit[0])
    above, below = (chebyshev.chebroots(part).astype(np.complex128) for part in best)
    return Roots(_inside(above), _inside(below))


def _fitted(omega: F64, power: F64, weight: F64, zeros: int, poles: int) -> tuple[float, F64, F64] | None:
    """Return the largest weighted error in dB and the coefficients of N and D that gave it."""
    u = -np.cos(omega)
    basis = chebyshev.chebvander(u, max(zeros, poles))
    above, below = basis[:, : zeros + 1], basis[:, : poles + 1]
    denominator = np.ones(len(u))
    pull = weight.copy()
    best: tuple[float, F64, F64] | None = None
    for step in range(ROUNDS):
        row = pull / (power * denominator)
        system = np.hstack([above, -power[:, None] * below[:, 1:]]) * row[:, None]
        solution = np.linalg.lstsq(system, power * row, rcond=None)[0].astype(np.float64)
        top: F64 = solution[: zeros + 1]
        bottom: F64 = np.append(1.0, solution[zeros + 1 :]).astype(np.float64)
        denominator = below @ bottom
        ratio = (above @ top) / (denominator * power)
        if ratio.min() <= 0 or _changes_sign(top) or _changes_sign(bottom):
            continue
        error = np.abs(10 * np.log10(ratio)) * weight
        worst = float(error.max())
        if best is None or worst < best[0]:
            best = worst, top, bottom
        if step >= SETTLING_ROUNDS:
            pull = pull * (error / worst + 1e-3) ** LAWSON_POWER
            pull /= pull.max()
    return best


def sections(zeros: C128, poles: C128) -> F64:
    """Return second-order sections with these roots, the gain still to be set.

    Returns
    -------
    (sections, 6) float64 array
        Rows ``b0 b1 b2 1 a1 a2``; a missing root stands as zero.
    """
    count = -(-max(len(zeros), len(poles)) // 2)
    top, bottom = _quadratics(zeros, count), _quadratics(poles, count)
    # Poles nearest the unit circle take the zeros nearest to them, so no section has a needlessly high gain.
    order = np.argsort([-np.abs(np.roots(row)).max(initial=0.0) for row in bottom])
    free, rows = list(range(count)), []
    for k in order:
        pole = np.roots(bottom[k])
        near = min(free, key=lambda j: np.abs(np.subtract.outer(np.roots(top[j]), pole)).min(initial=9.0))
        free.remove(near)
        rows.append(np.concatenate([top[near], bottom[k]]))
    return np.array(rows)


def response(sos: F64, omega: F64) -> C128:
    """Return the complex response of second-order sections at angular frequencies in radians per sample."""
    back = np.exp(-1j * omega)
    whole = np.ones(len(omega), np.complex128)
    for b0, b1, b2, a0, a1, a2 in sos:
        whole *= (b0 + b1 * back + b2 * back**2) / (a0 + a1 * back + a2 * back**2)
    return whole


def _changes_sign(polynomial: F64) -> bool:
    """Return whether a power would pass through zero between -1 and 1: no filter has that response."""
    roots = chebyshev.chebroots(polynomial)
    return bool(np.any((np.abs(roots.imag) < REAL) & (np.abs(roots.real) <= 1)))


def _inside(roots: C128) -> C128:
    """Return the z inside the unit circle for which ``u = -(z + 1/z) / 2``."""
    reach = np.sqrt(roots**2 - 1)
    first, second = -roots + reach, -roots - reach
    return np.asarray(np.where(np.abs(first) <= np.abs(second), first, second), np.complex128)


def _quadratics(roots: C128, count: int) -> list[F64]:
    """Return `count` quadratics in z^-1; complex pairs share one, real roots pair by size."""
    upper = [root for root in roots if root.imag > REAL]
    real = sorted((root.real for root in roots if abs(root.imag) <= REAL), key=abs)
    if len(real) % 2:
        real.insert(0, 0.0)
    made = [np.array([1.0, -2 * root.real, abs(root) ** 2]) for root in upper]
    made += [np.array([1.0, -(p + q), p * q]) for p, q in zip(real[::2], real[1::2], strict=True)]
    return made + [np.array([1.0, 0.0, 0.0])] * (count - len(made))
