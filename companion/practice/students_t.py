"""How far a mean of few values may be off: Student's t, without a statistics library, which would be slow to load.

References
----------
M. Abramowitz and I. A. Stegun, Handbook of Mathematical Functions (1964), Table 26.10 (from memory; the tests hold it
against SciPy) and formula 26.7.5, an expansion around the normal distribution.
"""

from __future__ import annotations

from math import inf

import numpy as np

from companion.arrays import Floats

__all__ = ["mean_and_within", "t_95"]

#: 97.5 % of the normal distribution, and of Student's for one to eight degrees of freedom.
_NORMAL = 1.959963984540054
_FEW = (12.70620474, 4.30265273, 3.18244631, 2.77644511, 2.57058184, 2.44691185, 2.36462425, 2.30600414)


def t_95(degrees: int) -> float:
    """The t within which 95 % of the distribution lies, both sides together; infinite for no degree of freedom.

    Right to 1e-5.
    """
    if degrees < 1:
        return inf
    if degrees <= len(_FEW):
        return _FEW[degrees - 1]
    z, v = _NORMAL, degrees
    return (
        z
        + (z**3 + z) / (4 * v)
        + (5 * z**5 + 16 * z**3 + 3 * z) / (96 * v**2)
        + (3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z) / (384 * v**3)
        + (79 * z**9 + 776 * z**7 + 1482 * z**5 - 1920 * z**3 - 945 * z) / (92160 * v**4)
    )


def mean_and_within(values: Floats) -> tuple[float, float]:
    """Mean, and half of its 95 % interval; the latter infinite for a single value."""
    count = len(values)
    if count < 2:
        return float(np.mean(values)), inf
    return float(np.mean(values)), t_95(count - 1) * float(np.std(values, ddof=1)) / float(np.sqrt(count))
