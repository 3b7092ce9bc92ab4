"""The limits of a trim step as the reader typed them."""

from __future__ import annotations

from collections.abc import Mapping

import msgspec

from daq.errors import SetupError
from daq.setupfile import TrimLimits


def limits_from(typed: Mapping[str, object], default: TrimLimits | None = None) -> TrimLimits:
    """Limits with what `typed` gives under the setup file's names; the rest from `default`. Raises SetupError."""
    values = msgspec.to_builtins(default or TrimLimits())
    names = {
        "step_percent": "largest step",
        "leaning_share": "share for leaning",
        "threshold_percent": "threshold",
        "lambda_target": "lambda target",
    }
    for key, name in names.items():
        if typed.get(key) in (None, ""):
            continue
        try:
            values[key] = float(str(typed[key]).replace(",", "."))
        except ValueError:
            raise SetupError(f"{name}: {typed[key]!r} is not a number") from None
    try:
        return msgspec.convert(values, TrimLimits)
    except msgspec.ValidationError as error:
        raise SetupError(f"limits of the trim step: {error}") from None
