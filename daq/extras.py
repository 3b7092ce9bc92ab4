"""Optional parts: libraries that only some instruments need, imported when one is asked for."""

from __future__ import annotations

import importlib
from types import ModuleType

from daq.errors import ExtraError


def need(module: str, extra: str, what: str) -> ModuleType:
    """The library `module`, for `what`. Raises ExtraError, which names the extra that brings it.

    >>> need("no_such_library", "can", "A CAN bus")
    Traceback (most recent call last):
    daq.errors.ExtraError: A CAN bus needs the extra 'can': pip install "evenburn[can]" (no_such_library is missing)
    """
    try:
        return importlib.import_module(module)
    except ImportError as error:
        missing = error.name or module
        raise ExtraError(
            f"{what} needs the extra '{extra}': pip install \"evenburn[{extra}]\" ({missing} is missing)"
        ) from None
