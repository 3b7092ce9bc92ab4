"""What every conversion takes and gives: a number or an array of numbers, in the shape it came."""

from __future__ import annotations

from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

Values = TypeVar("Values", float, FloatArray)
"""A scalar or an array of any shape: what goes in as a scalar comes out as one, an array keeps its shape."""


def as_given(result: FloatArray, given: Values) -> Values:
    """`result`, an array without dimensions turned into the scalar that `given` was."""
    shaped: Any = result[()]
    kept: Values = shaped
    return kept
