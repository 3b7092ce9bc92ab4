"""What one instrument says, on its way into the session: lines become samples and marks, and every loss a
number.

| mark        | when                                            | further keys
|
| ----------- | ----------------------------------------------- |
------------------------------------------------------- |
| `remark`    | the instrument printed a line that starts with # | `instrument`
|
| `gap`       | its port was lost                               | `instrument`, `reason`
|
| `reconnect` | its port is open again                          | `instrument`, `port`, `away_s`
|
| `restart`   | its counter began anew                          | `instrument`
|
| `wrap`      | its counter wrapped                             | `instrument`
|
| `dropped`   | every 10 s, if lines were dropped               | `instrument`, `lines` (reason -> since the
last), `total` |
| `overflow`  | the queue was full                              | `instrument`, `lost_bytes`, `from_s`
|
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from daq.counter_watch import CounterEvent, CounterWatch
from daq.inbox import Overflowed
from daq.line_stream import TICK_S, Header, LineStreamParser, Rejection, Remark, Sample
from daq.reader import Event, Found, Lost, Received
from daq.session import SessionWriter

#: How often [s] dropped lines are noted.
NOTE_DROPPED_EVERY_S = 10.0

_COUNTER_TEXTS = {
    CounterEvent.WRAP: "the instrument's counter wrapped; its time goes on",
    CounterEvent.RESTART: "the instrument restarted; its counter began anew",
}


class Intake:
    """One instrument's way into the session. Times given and written are s since the recording began.

    on_columns, on_samples: told what was written, as (columns) and (time_s, rows of fields).
    Every method raises SessionError where the session cannot be written.
    """

    def __init__(
        self,
        instrument: str,
        columns: Sequence[str] | None,
        writer: SessionWriter,
        on_columns: Callable[[tuple[str, ...]], None],
        on_samples: Callable[[float, list[tuple[str, ...]]], None],
    ) -> None:
        self.instrument = instrument
        self.samples = 0
        self.reconnects = 0
        self.lost_bytes = 0
        self._parser = LineStreamParser(columns)
        self._writer = writer
        self._on_columns, self._on_samples = on_columns, on_samples
        self._watch: CounterWatch | None = None
        self._times: list[float] = []
        self._rows: list[tuple[str, ...]] = []
        self._noted: dict[Rejection, int] = {}
        self._note_due_s = NOTE_DROPPED_EVERY_S

    @property
    def columns(self) -> tuple[str, ...] | None:
        """The columns that the instrument prints, None while it has not said."""
        return self._parser.columns

    @property
    def dropped(self) -> dict[str, int]:
        """How many lines were dropped so far, by reason."""
        return {str(reason): count for reason, count in self._parser.counts.rejected.items()}

    def take(self, event: Event | Overflowed, time_s: float) -> None:
        """An event that happened at `time_s` [s]; samples are kept until `flush`."""
        match event:
            case Received(data=data):
                for item in self._parser.feed(data):
                    self._item(item, time_s)
            case Lost(reason=reason):
                self._parser.reopened()
                self._mark("gap", f"the port was lost ({reason})", time_s, reason=reason)
            case Found(port=port, away_s=away_s):
                self.reconnects += 1
                self._parser.reopened()
                if self._watch is not None:
                    self._watch.reopened()
                text = f"the port is open again after {away_s:.1f} s, at {port}"
                self._mark("reconnect", text, time_s, port=port, away_s=round(away_s, 3))
            case Overflowed(lost_bytes=lost_bytes, from_s=from_s):
                self.lost_bytes += lost_bytes
                self._parser.reopened()
                text = f"the disk was too slow: {lost_bytes} bytes were lost"
                since_s = round(time_s - (event.host_s - from_s), 6)
                self._mark("overflow", text, time_s, lost_bytes=lost_bytes, from_s=since_s)

    def flush(self) -> None:
        """Write the samples taken since the last call."""
        if not self._rows:
            return
        times, rows = self._times, self._rows
        self._times, self._rows = [], []
        self._writer.append(self.instrument, times, rows)
        self.samples += len(rows)
        self._on_samples(times[-1], rows)

    def note_dropped(self, time_s: float, *, at_once: bool = False) -> None:
        """Mark the lines dropped since the last such mark, if any: every 10 s, or `at_once`."""
        if not at_once and time_s < self._note_due_s:
            return
        self._note_due_s = time_s + NOTE_DROPPED_EVERY_S
        rejected = self._parser.counts.rejected
        new = {reason: count - self._noted.get(reason, 0) for reason, count in rejected.items()}
        lines = {str(reason): count for reason, count in new.items() if count}
        if lines:
            self._noted = dict(rejected)
            text = f"{sum(lines.values())} lines dropped: " + "; ".join(
                f"{n} {why}" for why, n in lines.items()
            )
            self._mark("dropped", text, time_s, lines=lines, total=rejected.total())

    def _item(self, item: Header | Sample | Remark, time_s: float) -> None:
        match item:
            case Sample(counter=counter, fields=fields):
                self._times.append(time_s)
                self._rows.append(fields)
                event = None if self._watch is None else self._watch.see(time_s, counter)
                if event is not None:
                    self._mark(str(event), _COUNTER_TEXTS[event], time_s)
            case Header(columns=columns):
                self.flush()
                self._watch = CounterWatch(TICK_S[columns[0]])
                self._writer.header(self.instrument, columns, time_s=time_s)
                self._on_columns(columns)
            case Remark(text=text):
                self._writer.mark("remark", text, time_s=time_s, instrument=self.instrument)

    def _mark(self, kind: str, text: str, time_s: float, **details: object) -> None:
        self._writer.mark(
            kind, f"{self.instrument}: {text}", time_s=time_s, instrument=self.instrument, **details
        )
