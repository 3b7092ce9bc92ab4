"""Corrections of a setup's text that leave every other character as it is."""

from __future__ import annotations

import re
import tomllib
from typing import Any

from daq.errors import SetupError

_HEADER = re.compile(r"\s*\[")
_PROBE = re.compile(r"\s*\[\[\s*probe\s*\]\]")
_CYLINDER = re.compile(r"(\s*cylinder\s*=\s*)(\d+)(.*)", re.DOTALL)


def swap_probes(text: str, first: int, second: int) -> str:
    """The text with the probes of two cylinders exchanged: each keeps its column and data, the cylinders change.

    Raises SetupError where the text is not TOML, a cylinder has no probe, or the probes are not written as
    [[probe]] sections with a line `cylinder = N`.
    """
    other = {first: second, second: first}
    lines, in_probe = text.splitlines(keepends=True), False
    for number, line in enumerate(lines):
        if _HEADER.match(line):
            in_probe = _PROBE.match(line) is not None
        found = _CYLINDER.fullmatch(line) if in_probe else None
        if found and int(found[2]) in other:
            lines[number] = f"{found[1]}{other[int(found[2])]}{found[3]}"
    swapped = "".join(lines)
    before, after = _columns(text), _columns(swapped)
    for cylinder in other:
        if cylinder not in before:
            raise SetupError(f"cylinder {cylinder} has no probe in this setup")
    if any(after.get(other[cylinder]) != before[cylinder] for cylinder in other):
        raise SetupError("the probes could not be exchanged; change the numbers after 'cylinder =' by hand")
    return swapped


def _columns(text: str) -> dict[int, Any]:
    """cylinder -> column of each probe of a setup's text."""
    try:
        probes = tomllib.loads(text).get("probe", [])
    except tomllib.TOMLDecodeError as error:
        raise SetupError(f"setup.toml: is not valid TOML: {error}") from None
    if not isinstance(probes, list):
        raise SetupError("setup.toml: probes are written as [[probe]] sections")
    return {p["cylinder"]: p.get("column") for p in probes if isinstance(p, dict) and "cylinder" in p}
