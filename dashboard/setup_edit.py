"""Corrections of a setup's text that keep its comments and order."""

from __future__ import annotations

import tomlkit
from tomlkit.exceptions import TOMLKitError

from daq.errors import SetupError


def swap_probes(text: str, first: int, second: int) -> str:
    """The text with the probes of two cylinders exchanged: each keeps its column and data, the cylinders change.

    Raises SetupError where the text is not TOML or a cylinder has no probe.
    """
    try:
        document = tomlkit.parse(text)
    except TOMLKitError as error:
        raise SetupError(f"setup.toml: is not valid TOML: {error}") from None
    probes = document.get("probe", [])
    found = {}
    for cylinder in (first, second):
        own = [probe for probe in probes if probe.get("cylinder") == cylinder]
        if len(own) != 1:
            raise SetupError(f"cylinder {cylinder} has no probe in this setup")
        found[cylinder] = own[0]
    found[first]["cylinder"], found[second]["cylinder"] = second, first
    return tomlkit.dumps(document)
