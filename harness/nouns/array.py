"""Arrays of real numbers, as procedures hand them on and fits take them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
"""Of any shape; the docstrings say which."""
