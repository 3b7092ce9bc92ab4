"""The part of a recorder that decides: events in, samples and marks out, one turn after the other and no
threads.

| mark         | when                                               | further keys                         |
| ------------ | -------------------------------------------------- | ------------------------------------ |
| `alarm`      | an alarm went on (`daq.alarms`)                    | `alarm`, `subject`, `value`, `limit` |
| `alarm-over` | it went off                                        | the same                             |
| `setup`      | the setup names a column that no instrument prints | –                                    |
| `failure`    | the alarms failed; the recording goes on without   | –                                    |

and those of `daq.intake`.
"""

from __future__ import annotations

import math
from functools import partial

from daq.alarms import AlarmChange, AlarmWatch, limits_of
from daq.errors import SetupError
from daq.inbox import Inbox
from daq.intake import Intake
from daq.live_values import LiveValues
from daq.session import SessionWriter
from daq.setupfile import Setup, check_columns

#: How often [s] the alarms are looked at.
LOOK_EVERY_S = 0.2
#: Over how long [s] a rate is taken.
RATE_OVER_S = 1.0


class Recording:
    """Takes events from `inbox` and writes them to `writer`.

    Used from one thread; its public figures may be read from any.
    """

    def __init__(self, setup: Setup, inbox: Inbox, writer: SessionWriter) -> None:
        self.intakes = {
            instrument.name: Intake(
                instrument.name,
                instrument.columns,
                writer,
                partial(self._columns_known, instrument.name),
                partial(self._samples_written, instrument.name),
            )
            for instrument in setup.instrument
        }
        self.rates_Hz = dict.fromkeys(self.intakes, 0.0)
        self.heard_s = dict.fromkeys(self.intakes, 0.0)
        self.problems: dict[str, str] = {}
        self._setup, self._inbox, self._writer = setup, inbox, writer
        self._live = LiveValues(setup)
        self._watch: AlarmWatch | None = AlarmWatch(limits_of(setup))
        self._look_due_s = 0.0
        self._counted: tuple[float, dict[str, int]] = (0.0, dict.fromkeys(self.intakes, 0))

    @property
    def alarms(self) -> tuple[str, ...]:
        """The alarms that are on, as sentences."""
        return () if self._watch is None else self._watch.active

    def turn(self, now_s: float) -> None:
        """Write what has arrived by `now_s` [s since the recording began]. Raises SessionError."""
        for name, event in self._inbox.take():
            self.intakes[name].take(event, event.host_s - self._writer.started_s)
        for intake in self.intakes.values():
            intake.flush()
            intake.note_dropped(now_s)
        if now_s >= self._look_due_s:
            self._look_due_s = now_s + LOOK_EVERY_S
            self._look(now_s)
        self._take_rates(now_s)

    def end(self, now_s: float) -> None:
        """The last turn. Raises SessionError."""
        self.turn(now_s)
        for intake in self.intakes.values():
            intake.note_dropped(now_s, at_once=True)

    def _columns_known(self, instrument: str, columns: tuple[str, ...]) -> None:
        self._live.columns(instrument, columns)
        known = {name: intake.columns for name, intake in self.intakes.items()}
        if None in known.values():
            return
        self.problems.pop("setup", None)
        try:
            check_columns(self._setup, {name: printed or () for name, printed in known.items()})
        except SetupError as error:
            self.problems["setup"] = f"{error}; it is recorded all the same"
            self._writer.mark("setup", self.problems["setup"])

    def _samples_written(self, instrument: str, time_s: float, rows: list[tuple[str, ...]]) -> None:
        self.heard_s[instrument] = time_s
        self._live.samples(instrument, time_s, rows)

    def _look(self, now_s: float) -> None:
        """Step the alarms. A failure in here must not end a recording: it is said, and they stay off."""
        if self._watch is None:
            return
        try:
            changes = self._watch.observe(self._live.observe(now_s))
        except Exception as error:
            self._watch = None
            self.problems["alarms"] = f"the alarms failed and are off: {error!r}"
            self._writer.mark("failure", self.problems["alarms"])
            return
        for change in changes:
            self._mark_alarm(change)

    def _mark_alarm(self, change: AlarmChange) -> None:
        self._writer.mark(
            "alarm" if change.on else "alarm-over",
            change.text,
            time_s=change.time_s,
            alarm=change.kind.value,
            subject=change.subject,
            value=round(change.value, 3) if math.isfinite(change.value) else None,
            limit=change.limit,
        )

    def _take_rates(self, now_s: float) -> None:
        since_s, before = self._counted
        if now_s - since_s < RATE_OVER_S:
            return
        counts = {name: intake.samples for name, intake in self.intakes.items()}
        self.rates_Hz = {name: (count - before[name]) / (now_s - since_s) for name, count in counts.items()}
        self._counted = (now_s, counts)
