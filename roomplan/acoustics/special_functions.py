"""Two functions of statistics for single values; scipy.special would take half a second to import.

Sources
-------
Abramowitz and Stegun, Handbook of Mathematical Functions (1964): 26.4.4 and 26.4.5 (chi-square), 6.3.5 and
6.3.18 (digamma); from memory. The tests hold both to scipy.special.
"""

from __future__ import annotations

import math

__all__ = ["chi_square_limit", "digamma"]

# Where the series of the digamma function, whose terms fall by 1/x², is exact to the last bits of a double.
_SERIES_FROM = 12.0
# Bernoulli numbers B₂ₙ over 2n
_DIGAMMA_SERIES = (1 / 12, -1 / 120, 1 / 252, -1 / 240, 1 / 132, -691 / 32_760, 1 / 12)


def chi_square_limit(degrees: int, probability: float) -> float:
    """Value that a chi-square of so many degrees of freedom (1 or more) exceeds with a probability.

    Notes
    -----
    By bisection down to neighbouring doubles; within 1e-12 of the value.
    """
    low, high = 0.0, 1.0
    while _chance_above(high, degrees) > probability:
        low, high = high, 2.0 * high
    while low < (middle := 0.5 * (low + high)) < high:
        low, high = (middle, high) if _chance_above(middle, degrees) > probability else (low, middle)
    return high


def _chance_above(value: float, degrees: int) -> float:
    """Probability that a chi-square exceeds a value."""
    half = 0.5 * value
    if degrees % 2:
        total = math.erfc(math.sqrt(half))
        term, power = 2.0 * math.sqrt(half / math.pi) * math.exp(-half), 1.5
    else:
        total, term, power = 0.0, math.exp(-half), 1.0
    for _pair in range(degrees // 2):
        total += term
        term *= half / power
        power += 1.0
    return total


def digamma(x: float) -> float:
    """Logarithmic derivative of the gamma function at x > 0, within 1e-15 or as much of its value."""
    shift = 0.0
    while x < _SERIES_FROM:
        shift += 1.0 / x
        x += 1.0
    inverse = 1.0 / (x * x)
    series = 0.0
    for factor in reversed(_DIGAMMA_SERIES):
        series = (series + factor) * inverse
    return math.log(x) - 0.5 / x - series - shift
