"""The two types that every conversion shares."""

from __future__ import annotations

from typing import TypeVar

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

Values = TypeVar("Values", float, FloatArray)
"""A scalar or an array of any shape: what goes in as a scalar comes out as one, an array keeps its shape."""
