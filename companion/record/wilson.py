"""How far a share that was counted in few takes may be off.

References
----------
E. B. Wilson, *Probable inference, the law of succession, and statistical inference*, Journal of the American
Statistical Association 22 (1927) 209. L. D. Brown, T. T. Cai and A. DasGupta, *Interval estimation for a binomial
proportion*, Statistical Science 16 (2001) 101, recommend it for small numbers.
"""

from __future__ import annotations

from math import sqrt

__all__ = ["wilson_interval"]

#: 97.5 % of the normal distribution lie below.
_NORMAL = 1.959963984540054


def wilson_interval(count: int, total: int) -> tuple[float, float]:
    """The 95 % interval of a share of which `count` of `total` were seen; (0, 1) where nothing was seen.

    Raises
    ------
    ValueError
        If `count` is not between 0 and `total`.
    """
    if not 0 <= count <= total:
        raise ValueError(f"{count} of {total} is no share")
    if total == 0:
        return 0.0, 1.0
    share, square = count / total, _NORMAL**2
    middle = (share + square / (2 * total)) / (1 + square / total)
    half = _NORMAL / (1 + square / total) * sqrt(share * (1 - share) / total + square / (4 * total**2))
    # At the ends the exact bound is 0 or 1; rounding must not carry it past.
    low = 0.0 if count == 0 else max(middle - half, 0.0)
    high = 1.0 if count == total else min(middle + half, 1.0)
    return low, high
