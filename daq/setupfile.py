"""The setup: which probe sits in which port, how volts become lambda, what the columns mean.

A text file (TOML) beside the samples. It interprets them and never changes them, so a mistake found a year
later is corrected in the text and the session analysed again.
"""

from __future__ import annotations

import difflib
import math
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Literal, get_args, get_origin, get_type_hints

import msgspec

from daq.errors import SetupError
from daq.setup_checks import check_columns, inconsistencies
from daq.setup_sections import (
    Amplifier,
    Assumptions,
    Bank,
    CanBus,
    ColdJunction,
    Conditions,
    Engine,
    Instrument,
    LambdaSensor,
    ModbusBlock,
    ModbusLine,
    Probe,
    Section,
    Setup,
    TrimLimits,
)

__all__ = [
    "Amplifier",
    "Assumptions",
    "Bank",
    "CanBus",
    "ColdJunction",
    "Conditions",
    "Engine",
    "Instrument",
    "LambdaSensor",
    "ModbusBlock",
    "ModbusLine",
    "Probe",
    "Section",
    "Setup",
    "TrimLimits",
    "check_columns",
    "load_setup",
    "parse_setup",
]


#: A setup of sixteen cylinders has some 5 kB.
LARGEST_SETUP_BYTES = 1_000_000
# A key of 50 000 parts (a.a.a…) in 100 kB of text takes the TOML reader 15 GB of memory; none here has more than two.
# Possessive quantifiers and one start for each word: the search itself costs no more for a hostile text.
_DEEP_KEY = re.compile(r"""(?<![\w-])(?:(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+\.[ \t]*+){20}""")


def load_setup(path: str | Path) -> Setup:
    """The setup in the file `path`. Raises SetupError with file, key and what would be right."""
    return parse_setup(read_setup_text(path), str(path))


def read_setup_text(path: str | Path) -> str:
    """The text of the setup file `path`, for whoever keeps it beside what it means. Raises SetupError."""
    try:
        return read_setup_bytes(Path(path)).decode("utf-8-sig")
    except OSError as error:
        raise SetupError(f"{path}: cannot be read ({error.strerror})") from None
    except UnicodeDecodeError:
        raise SetupError(f"{path}: is not a text file in UTF-8") from None


def read_setup_bytes(path: Path) -> bytes:
    """The bytes of the setup file `path`. Raises OSError, SetupError for a file that is far too large for one."""
    with path.open("rb") as file:
        data = file.read(LARGEST_SETUP_BYTES + 1)
    if len(data) > LARGEST_SETUP_BYTES:
        raise SetupError(f"{path}: is larger than {LARGEST_SETUP_BYTES / 1e6:g} MB; that is no setup")
    return data


def parse_setup(text: str, source: str = "setup") -> Setup:
    """The setup in `text`; `source` names it in errors. Raises SetupError."""
    if _DEEP_KEY.search(text):
        raise SetupError(f"{source}: a key of more than twenty parts; no key here has more than two")
    try:
        tree = tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # a number of 5 000 digits, a list 1 000 deep
        raise SetupError(f"{source}: is not valid TOML: {error}") from None
    try:
        setup = msgspec.convert(tree, Setup)
    except msgspec.ValidationError as error:
        explained = _explain(str(error)).replace("\n", r"\n")  # a key or a value in quotes may hold anything
        raise SetupError(f"{source}: {explained}") from None
    for problem in (*_not_finite(tree, []), *inconsistencies(setup)):
        raise SetupError(f"{source}: {problem}")
    return setup


Place = list[str | int]
"""Where in the file: keys, and positions in lists counted from 0."""

_WORDS = {
    "int": "a whole number",
    "float": "a number",
    "str": "text in quotes",
    "bool": "true or false",
    "array": "a list",
    "object": "a table",
}


def _explain(message: str) -> str:
    """A message of the type checker in the file's own words, with what would be right."""
    said, _, place = message.partition(" - at ")
    path: Place = [int(number) if number else key for key, number in re.findall(r"\.(\w+)|\[(\d+)\]", place)]
    where = _where(path)
    if unknown := re.search(r"unknown field `(.*)`", said, re.DOTALL):
        allowed = [known.encode_name for known in msgspec.structs.fields(_type_at(path))]
        near = difflib.get_close_matches(unknown[1], allowed, n=1)
        hint = f"did you mean {near[0]!r}?" if near else "allowed here: " + ", ".join(sorted(allowed))
        return f"{where}unknown key {unknown[1]!r}; {hint}"
    if missing := re.search(r"missing required field `(.*)`", said):
        what = f"key {missing[1]!r}" if path else f"section {_brackets(missing[1])}"
        return f"{where}the {what} is missing"
    if said.startswith("Invalid enum value"):
        choices = ", ".join(map(repr, get_args(_type_at(path))))
        return f"{where}{said.removeprefix('Invalid enum value ')} is not one of {choices}"
    in_words = re.sub(r"`([^`]+)`", lambda m: " or ".join(_WORDS.get(t, t) for t in m[1].split(" | ")), said)
    return f"{where}{in_words[:1].lower()}{in_words[1:]}{_bracket_hint(said, path)}"


def _bracket_hint(said: str, path: Place) -> str:
    """For one pair of brackets where TOML wants two around a section's name, or the other way round."""
    if len(path) != 1 or said not in ("Expected `array`, got `object`", "Expected `object`, got `array`"):
        return ""
    return f"; write {_brackets(str(path[0]))}"


def _brackets(section: str) -> str:
    """A section's name as it stands in the file: in two pairs of brackets if there may be several."""
    several = get_origin(get_type_hints(Setup)[section]) is tuple
    return f"[[{section}]]" if several else f"[{section}]"


def _where(path: Place) -> str:
    """`path` as words in front of a message: "probe number 1, amplifier: "."""
    text = ""
    for step in path:
        text += f" number {step + 1}" if isinstance(step, int) else f", {step}" if text else step
    return f"{text}: " if text else ""


def _type_at(path: Place) -> Any:
    """The type that the sections declare at `path`: a section, or what a key takes."""
    here: Any = Setup
    for step in path:
        if isinstance(step, str):
            here = get_type_hints(here)[step]
        if get_origin(here) is not Literal:
            here = next((t for t in get_args(here) if isinstance(t, type) and issubclass(t, Section)), here)
    return here


def _not_finite(value: object, path: Place) -> Iterator[str]:
    """TOML knows nan and inf; no key here does."""
    if isinstance(value, float) and not math.isfinite(value):
        yield f"{_where(path)}{value} is not a number that can be used"
    elif isinstance(value, dict | list):
        for key, inner in value.items() if isinstance(value, dict) else enumerate(value):
            yield from _not_finite(inner, [*path, key])
