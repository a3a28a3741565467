"""Types of arrays, named once for the whole of the analysis."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Reals = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]
