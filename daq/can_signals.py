"""Which signals of a CAN bus fill which columns, by DBC files: frames in, values by column out. No bus in here.

Definitions that come with the program:

| name                  | signals                                                                                  |
| --------------------- | ---------------------------------------------------------------------------------------- |
| `j1939-exhaust-ports` | `ExhaustPort1Temperature` … `ExhaustPort20Temperature`, `EngineSpeed` (SAE J1939-71)       |
| `iso-15031-5-lambda`  | `Bank1Sensor1LambdaOfVoltage` …, `Bank1Sensor1LambdaOfCurrent` … (ISO 15031-5, SAE J1979)  |
"""

from __future__ import annotations

import difflib
import math
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from daq.errors import SetupError
from daq.extras import need
from daq.setupfile import CanBus
from daq.table_units import accepted_units, converter, target_unit, unit_of

if TYPE_CHECKING:
    from cantools.database.can.message import Message
    from cantools.database.can.signal import Signal

READY_MADE = {path.stem: path for path in sorted(Path(__file__).with_name("signals").glob("*.dbc"))}

#: Masks of an identifier: all 29 bits; the parameter group's number within them; its part without the address
#: that follows in a group sent to one controller (PDU format below 240).
_IDENTIFIER, _GROUP, _GROUP_TO_ONE = 0x1FFFFFFF, 0x3FFFF00, 0x3FF0000
#: From here on the topmost byte of a J1939 value says reserved, error or not available (SAE J1939-71, table 1;
#: from memory, and the end of the published range −273…1735 °C agrees).
_J1939_FIRST_INVALID = 0xFB


@dataclass(frozen=True)
class _Wanted:
    column: str
    signal: Signal
    j1939: bool
    convert: Callable[[float], float]

    def value(self, raw: float) -> float:
        """What `raw` means in the column's unit, NaN for no reading."""
        signal = self.signal
        if self.j1939 and signal.length >= 8 and not (signal.is_signed or signal.is_float):
            top_byte = int(raw) >> (signal.length - 8)
            if top_byte >= _J1939_FIRST_INVALID:
                return math.nan
        scaled: Any = signal.conversion.raw_to_scaled(raw, decode_choices=False)
        return self.convert(float(scaled))


class SignalTable:
    """The signals that a setup names, ready to be found in frames.

    settings: the setup's section. folder: where its DBC files are. Raises ExtraError, and SetupError for a file that
    cannot be read, a signal that no file has or that several messages have, and a unit that does not fit its column.
    """

    def __init__(self, settings: CanBus, folder: Path = Path()) -> None:
        need("cantools", "can", "A CAN bus")
        self.columns = tuple(settings.signals)
        self.sources: list[str] = []
        self.remarks: list[str] = []
        self._address = settings.source_address
        self._first_address: dict[int, int] = {}
        self._others: set[tuple[int, int]] = set()
        messages = [message for name in settings.dbc for message in self._load(name, folder)]
        self._wanted: dict[tuple[int, bool], tuple[Message, list[_Wanted]]] = {}
        for column, name in settings.signals.items():
            message, signal = _find(name, messages)
            key = _key(message.frame_id, message.is_extended_frame, _is_j1939(message))
            known, wanted = self._wanted.setdefault(key, (message, []))
            if known is not message:
                both = f"{message.name!r} and {known.name!r} have one identifier"
                raise SetupError(f"signal {name!r}: {both}; take the signals of one of them")
            wanted.append(_Wanted(column, signal, _is_j1939(message), _into_unit(column, signal)))

    @property
    def filters(self) -> list[dict[str, Any]]:
        """What python-can is to let through: the messages that carry a wanted signal."""
        return [
            {"can_id": identifier, "can_mask": _mask(identifier, _is_j1939(message)), "extended": extended}
            for (identifier, extended), (message, _) in self._wanted.items()
        ]

    def values(self, identifier: int, is_extended: bool, data: bytes) -> dict[str, float]:
        """column -> value (NaN for no reading) of what a frame says; empty for one that says nothing of use."""
        from cantools.database.errors import DecodeError

        candidates = ((identifier, is_extended), _key(identifier, is_extended, True))
        key = next((key for key in candidates if key in self._wanted), None)
        if key is None:
            return {}
        message, wanted = self._wanted[key]
        if _is_j1939(message) and not self._is_our_sender(key[0] >> 8, identifier & 0xFF):
            return {}
        try:
            raw: Any = message.decode(data, decode_choices=False, scaling=False, allow_truncated=True)
        except DecodeError:  # another answer than those of the definition, or a frame cut short
            return {}
        return {w.column: w.value(raw[w.signal.name]) for w in wanted if w.signal.name in raw}

    def _is_our_sender(self, group: int, address: int) -> bool:
        """Whether to listen to `address`: two engines on one bus must not be mixed into one table."""
        if self._address is not None:
            return address == self._address
        first = self._first_address.setdefault(group, address)
        if address != first and (group, address) not in self._others:
            self._others.add((group, address))
            self.remarks.append(
                f"parameter group {group} comes from address {first} and from {address}: only {first} is read; "
                "set source_address in the setup to choose"
            )
        return address == first

    def _load(self, name: str, folder: Path) -> Iterator[Message]:
        """The messages of a DBC file. Raises SetupError."""
        import cantools

        # a session keeps its setup but not the DBC files, which stay beside the setup that it was recorded with
        beside = next(
            (place / name for place in (folder, folder.parent) if (place / name).is_file()), folder / name
        )
        path = READY_MADE.get(name, beside)
        try:
            content = path.read_bytes()
        except OSError as error:
            known = ", ".join(READY_MADE)
            raise SetupError(
                f"dbc {name!r}: {path} cannot be read ({error.strerror}); ready-made are {known}"
            ) from None
        try:
            text = content.decode("utf-8-sig")
        except UnicodeDecodeError:
            text = content.decode("cp1252", "replace")  # as most tools write them
        try:
            found: Any = cantools.database.load_string(text, database_format="dbc", strict=False)
        except Exception as error:  # the parser raises whatever it stumbles over
            raise SetupError(f"dbc {name!r}: is not a DBC file ({' '.join(str(error).split())})") from None
        self.sources.append(f"{name} (CRC-32 {zlib.crc32(content):08x})")
        yield from found.messages


def _is_j1939(message: Message) -> bool:
    return message.protocol == "j1939"


def _mask(identifier: int, j1939: bool) -> int:
    if not j1939:
        return _IDENTIFIER
    return _GROUP_TO_ONE if (identifier >> 16) & 0xFF < 240 else _GROUP


def _key(identifier: int, is_extended: bool, j1939: bool) -> tuple[int, bool]:
    """What frames of one message have in common: the identifier, in J1939 the group without priority and addresses."""
    return identifier & _mask(identifier, j1939 and is_extended), is_extended


def _find(name: str, messages: list[Message]) -> tuple[Message, Signal]:
    """The signal `Signal` or `Message.Signal`. Raises SetupError."""
    message_name, _, signal_name = name.rpartition(".")
    found = [
        (message, signal)
        for message in messages
        for signal in message.signals
        if signal.name == signal_name and message_name in ("", message.name)
    ]
    if len(found) == 1:
        return found[0]
    if found:
        choices = ", ".join(repr(f"{message.name}.{signal.name}") for message, signal in found)
        raise SetupError(f"signal {name!r}: several messages have it; write one of {choices}")
    known = sorted({signal.name for message in messages for signal in message.signals})
    near = difflib.get_close_matches(signal_name, known, n=3)
    hint = (
        f"did you mean {' or '.join(map(repr, near))}?"
        if near
        else f"they have {', '.join(known[:20]) or 'none'}"
    )
    raise SetupError(f"signal {name!r}: no DBC file of the setup has it; {hint}")


def _into_unit(column: str, signal: Signal) -> Callable[[float], float]:
    """How the signal's values come into the unit of `column`. A unit that is not known passes. Raises SetupError."""
    unit, target = unit_of(signal.unit or ""), target_unit(column)
    if not unit or unit == target:
        return lambda value: value
    if unit not in accepted_units(target) or target in ("lambda", "afr"):
        wants = "a plain count" if target == "rpm" else f"in {target}"
        raise SetupError(
            f"signal {signal.name!r}: is in {signal.unit} by its DBC file, but the column {column!r} is {wants}"
        )
    convert: Any = converter(unit, target, "")
    return lambda value: float(convert(value))
