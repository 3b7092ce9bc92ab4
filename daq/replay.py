"""Captured line streams as a session, at full speed: the instrument's own counter is the clock."""

from __future__ import annotations

from array import array
from bisect import bisect_left
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from itertools import chain, groupby
from pathlib import Path

import numpy as np
import numpy.typing as npt

from daq.clock import OWN_TIME
from daq.epochs import COUNTER_RANGE
from daq.errors import SetupError, StreamError
from daq.line_stream import TICK_S, Counts, Header, Item, LineStreamParser, Remark, Sample
from daq.session_writer import SessionWriter
from daq.setupfile import Instrument, Setup, check_columns, parse_setup, read_setup_text

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

_CHUNK = 1 << 18
_SEAL_EVERY_S = 10.0
_LONGEST_STEP_S = 10.0  # neighbours no further apart than this can show that the stamp between them is wrong


def replay(
    setup_path: str | Path, streams: str | Path | Mapping[str, str | Path], out_dir: str | Path
) -> Path:
    """A new session in `out_dir` from captured bytes, as if they had been recorded; returns `out_dir`.

    streams: the file of the only instrument, or instrument -> file. `host_s` is the instrument's own time
    since its first sample; after a restart it goes on one usual period later. Several streams are taken to
    have begun together. Nothing is written unless every stream can be used; of one that breaks off in the
    middle of a line what arrived whole is written, and then StreamError raised. Raises SetupError (also for
    a missing column), StreamError, SessionError.
    """
    setup_text = read_setup_text(setup_path)
    setup = parse_setup(setup_text, str(setup_path))
    folder = Path(setup_path).parent
    captures = [_survey(instrument, path, folder) for instrument, path in _assigned(setup, streams)]
    columns = {capture.instrument.name: tuple(capture.columns) for capture in captures}
    check_columns(setup, columns, str(setup_path))
    details = {OWN_TIME: True, "streams": {c.instrument.name: c.path.name for c in captures}}
    with SessionWriter.create(out_dir, setup_text, details=details) as writer:
        for capture in captures:
            _Playback(writer, capture).run()
        writer.close("end of the captured stream", time_s=max(c.time.time_s[-1] for c in captures))
    for capture in captures:
        if capture.breaks_off:
            raise StreamError(
                f"{capture.path}: breaks off in the middle of a line after {capture.time.time_s[-1]:.1f} s; "
                f"what had arrived whole is recorded in {out_dir}"
            )
    return Path(out_dir)


@dataclass(frozen=True)
class OwnTime:
    """time_s: (n_samples,) s since the first sample, not decreasing; restarts, wraps: samples that began one."""

    time_s: FloatArray
    restarts: IntArray
    wraps: IntArray


def own_time(counter: IntArray, tick_s: float) -> OwnTime:
    """An instrument's own time from its counter alone.

    counter: (n_samples,) ticks of `tick_s` [s], n_samples ≥ 1. A fall by more than half of the 32-bit range
    is a wrap, a lesser one a restart, which counts as one usual period. A single value outside its
    neighbours, who agree with each other, is a wrong stamp; its sample is put between them.
    """
    good = np.flatnonzero(~_strays(counter, tick_s))
    steps = np.diff(counter[good])
    wrapped = steps < -COUNTER_RANGE / 2
    steps = np.where(wrapped, steps + int(COUNTER_RANGE), steps)
    restarted = steps < 0
    forward = steps[steps > 0]
    usual = float(np.median(forward)) if forward.size else 0.0
    ticks = np.concatenate([[0.0], np.cumsum(np.where(restarted, usual, steps))])
    time_s = np.interp(np.arange(counter.size), good, ticks * tick_s)
    return OwnTime(time_s, good[1:][restarted], good[1:][wrapped])


def _strays(counter: IntArray, tick_s: float) -> npt.NDArray[np.bool_]:
    """(n_samples,) whether a stamp is not between its neighbours although they are in order and near."""
    stray = np.zeros(counter.size, dtype=bool)
    across = np.mod(counter[2:] - counter[:-2], int(COUNTER_RANGE))
    into = np.mod(counter[1:-1] - counter[:-2], int(COUNTER_RANGE))
    stray[1:-1] = (across * tick_s <= _LONGEST_STEP_S) & (into > across)
    return stray


@dataclass
class _Capture:
    """What a first pass over a stream has found. folder: where the setup's DBC files are."""

    instrument: Instrument
    path: Path
    folder: Path
    columns: dict[str, None] = field(default_factory=dict)
    counters: list[tuple[float, array[int]]] = field(default_factory=list)
    counts: Counts = field(default_factory=Counts)
    breaks_off: bool = False
    time: OwnTime = field(default_factory=lambda: OwnTime(np.empty(0), np.empty(0, int), np.empty(0, int)))


def _assigned(setup: Setup, streams: str | Path | Mapping[str, str | Path]) -> list[tuple[Instrument, Path]]:
    """Each instrument that has a stream, with its file. Raises SetupError, StreamError."""
    known = {instrument.name: instrument for instrument in setup.instrument}
    if not isinstance(streams, Mapping):
        if len(known) > 1:
            raise StreamError(
                f"{streams}: the setup has the instruments {', '.join(known)}; give each stream as NAME=FILE"
            )
        streams = {next(iter(known)): streams}
    if not streams:
        raise StreamError("no captured stream was given")
    for name in streams:
        if name not in known:
            raise SetupError(f"{name!r}: the setup has no such instrument; it has {', '.join(known)}")
    return [(known[name], Path(path)) for name, path in streams.items()]


def _survey(instrument: Instrument, path: Path, folder: Path) -> _Capture:
    """Columns, counter values, counts and sample times of the stream in `path`. Raises StreamError."""
    capture = _Capture(instrument, path, folder)
    parser = _parser(instrument)
    for item in chain.from_iterable(_batches(parser, capture)):
        if isinstance(item, Header):
            capture.columns |= dict.fromkeys(item.columns)
            tick_s = TICK_S[item.columns[0]]
            if not capture.counters or capture.counters[-1][0] != tick_s:
                capture.counters.append((tick_s, array("q")))
        elif isinstance(item, Sample):
            capture.counters[-1][1].append(item.counter)
    capture.breaks_off = _breaks_off(parser)
    capture.counts = parser.counts
    capture.counters = [(tick_s, values) for tick_s, values in capture.counters if values]
    if not capture.counters:
        raise StreamError(f"{path}: {_why_no_sample(path, capture)}")
    capture.time = _joined([own_time(np.array(values), tick_s) for tick_s, values in capture.counters])
    return capture


def _breaks_off(parser: LineStreamParser) -> bool:
    """Whether the stream ends inside a line: one that only lacks its line end is whole, though not data."""
    rest = parser.pending.strip()
    return bool(rest) and not rest.startswith(b"#") and not parser.feed(b"\n")


def _joined(parts: list[OwnTime]) -> OwnTime:
    """One time from those of counters of different ticks, each one usual period after the one before."""
    joined = parts[0]
    for part in parts[1:]:
        first = joined.time_s.size
        period_s = float(np.median(np.diff(joined.time_s))) if first > 1 else 0.0
        joined = OwnTime(
            np.concatenate([joined.time_s, joined.time_s[-1] + period_s + part.time_s]),
            np.concatenate([joined.restarts, [first], first + part.restarts]),
            np.concatenate([joined.wraps, first + part.wraps]),
        )
    return joined


def _why_no_sample(path: Path, capture: _Capture) -> str:
    if path.stat().st_size == 0:
        return "the file is empty"
    lines = capture.counts.rejected
    if not capture.columns and lines:
        return "no header line (#time_ms,…) was found; name the columns in the setup's [[instrument]]"
    reasons = "; ".join(f"{count} × {reason}" for reason, count in lines.most_common(3))
    return "holds no usable sample" + (f" ({reasons})" if reasons else "")


def _parser(instrument: Instrument) -> LineStreamParser:
    try:
        return LineStreamParser(instrument.columns, mid_line=False)
    except ValueError as error:
        raise SetupError(f"instrument {instrument.name!r}: columns: {error}") from None


def _batches(parser: LineStreamParser, capture: _Capture) -> Iterator[list[Item]]:
    """What the stream says, piece by piece. Raises StreamError where it cannot be read."""
    for data in _pieces(capture):
        yield parser.feed(data)


def _pieces(capture: _Capture) -> Iterator[bytes]:
    """The bytes of a captured line stream, or the lines that a CAN log amounts to. Raises StreamError."""
    path = capture.path
    try:
        if capture.instrument.can is not None:
            from daq.can_reader import log_lines

            yield from log_lines(capture.instrument, path, capture.folder)
            return
        with path.open("rb") as file:
            while data := file.read(_CHUNK):
                yield data
    except OSError as error:
        raise StreamError(f"{path}: cannot be read ({(error.strerror or str(error)).lower()})") from None


class _Playback:
    """Second pass over a stream: its samples, remarks and columns into the session, sealed every 10 s."""

    def __init__(self, writer: SessionWriter, capture: _Capture) -> None:
        self._writer = writer
        self._capture = capture
        self._time_s: list[float] = capture.time.time_s.tolist()
        self._written = 0
        self._sealed_s = 0.0

    def run(self) -> None:
        """Write it all. Raises SessionError."""
        name = self._capture.instrument.name
        for batch in _batches(_parser(self._capture.instrument), self._capture):
            for is_sample, items in groupby(batch, lambda item: isinstance(item, Sample)):
                if is_sample:
                    self._append([item.fields for item in items if isinstance(item, Sample)])
                    continue
                time_s = self._time_s[max(0, self._written - 1)]
                for item in items:
                    if isinstance(item, Header):
                        self._writer.header(name, item.columns, time_s=time_s)
                    elif isinstance(item, Remark):
                        self._writer.mark("remark", item.text, time_s=time_s, instrument=name)
        _mark_events(self._writer, self._capture)

    def _append(self, rows: list[tuple[str, ...]]) -> None:
        while rows:
            times_s = self._time_s[self._written : self._written + len(rows)]
            room = bisect_left(times_s, self._sealed_s + _SEAL_EVERY_S)
            if room == 0:
                self._writer.seal()
                self._sealed_s = times_s[0]
                continue
            self._writer.append(self._capture.instrument.name, times_s[:room], rows[:room])
            self._written += room
            rows = rows[room:]


def _mark_events(writer: SessionWriter, capture: _Capture) -> None:
    """Restarts, wraps and dropped lines of a stream, with the kinds and keys that a recording has."""
    name, time_s = capture.instrument.name, capture.time.time_s
    for first in capture.time.restarts:
        text = f"{name}: the instrument restarted; its counter began anew"
        writer.mark("restart", text, time_s=time_s[first], instrument=name)
    for first in capture.time.wraps:
        text = f"{name}: the instrument's counter wrapped; its time goes on"
        writer.mark("wrap", text, time_s=time_s[first], instrument=name)
    lines = {str(reason): count for reason, count in capture.counts.rejected.items()}
    if lines:
        reasons = "; ".join(f"{count} {reason}" for reason, count in lines.items())
        total = sum(lines.values())
        text = f"{name}: {total} lines dropped: {reasons}"
        writer.mark("dropped", text, time_s=time_s[-1], instrument=name, lines=lines, total=total)
