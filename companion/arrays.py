"""Names for the array types in use. `numpy.typing` takes as long to import as half a passage to read, and only a type
checker needs it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

__all__ = ["Bools", "Floats", "Ints", "Records", "Samples"]

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Bools = NDArray[np.bool_]
    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]
    #: Rows with named fields.
    Records = NDArray[np.void]
    #: 16-bit sound.
    Samples = NDArray[np.int16]
else:
    Bools = Floats = Ints = Records = Samples = np.ndarray
