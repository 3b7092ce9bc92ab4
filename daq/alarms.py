"""Live alarms: limits on what is being recorded, with a deadband and delays so that they do not chatter.

They are no engine protection: they run on a computer that may stall, on a cable that may fall out, and on
probes that answer seconds late. Whoever runs the engine watches it, and keeps the engine's own protection in
order.

Each alarm watches one value against one limit and is on or off. It goes on when the value has stayed above
the limit for the on-delay, and off when it has stayed below the limit less the deadband for the off-delay
(the terms of ANSI/ISA-18.2-2016; the behaviour as OPC 10000-9, 5.8.2 and B.1.5 describe it). A value that is
not known keeps an alarm as it is and starts its delays anew: an alarm never goes off because its probe broke.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from enum import Enum

from daq.setupfile import Setup

NO_PROTECTION = (
    "These alarms are no engine protection: they only make marks and messages, late and not surely. "
    "Watch the engine, and keep its own protection in order."
)

#: An engine that turns faster [1/min] or has a hotter exhaust [°C] than this is running. The manifold of one that
#: stands still is at the air's pressure, which would pass for full load, and its lambda sensors see air.
RUNNING_RPM, RUNNING_EGT_C = 400.0, 200.0

#: Observations further apart than this [s] count as unconnected: delays start anew.
CONNECTED_S = 2.0


@dataclass(frozen=True)
class Rule:
    """When an alarm goes on and off: `limit` and `deadband` in the value's unit, the delays in s."""

    limit: float
    deadband: float = 0.0
    on_delay_s: float = 0.0
    off_delay_s: float = 0.0


@dataclass(frozen=True)
class AlarmState:
    """An alarm on or off, since when the condition for the other holds, and when it was last looked at."""

    on: bool = False
    turning_since_s: float | None = None
    seen_s: float = -math.inf


def step(state: AlarmState, rule: Rule, time_s: float, value: float) -> AlarmState:
    """The alarm after `value` was seen at `time_s` [s]; NaN is a value that is not known."""
    turning = value < rule.limit - rule.deadband if state.on else value > rule.limit
    if not turning:
        return AlarmState(state.on, None, time_s)
    unbroken = state.turning_since_s is not None and time_s - state.seen_s <= CONNECTED_S
    since_s = state.turning_since_s if unbroken and state.turning_since_s is not None else time_s
    if time_s - since_s >= (rule.off_delay_s if state.on else rule.on_delay_s):
        return AlarmState(not state.on, None, time_s)
    return AlarmState(state.on, since_s, time_s)


class AlarmKind(Enum):
    """What is watched."""

    HOT = "hot"
    RISING = "rising"
    LEAN = "lean"
    PROBE_LOST = "probe-lost"
    LAMBDA_LOST = "lambda-lost"
    SILENT = "silent"


@dataclass(frozen=True)
class AlarmLimits:
    """The rules. All numbers are common practice, no published source, except the setup's own limit.

    hot: exhaust temperature [°C]. rising: its rate [°C/s], over `rise_window_s`, only from `rise_near_C`
    below the hot limit on: throttle openings far below it are no news. lean: lambda of a bank while the engine
    runs and its load is above `load_limit` (in the unit of the setup's load column). probe_lost: share of
    readings that are none. lambda_lost: 1 where a bank's lambda is missed while the engine runs, else 0; a sensor that
    has not read yet is warming up and not missed. silent: s without a sample. A rule that is None is not watched.
    """

    hot: Rule | None = None
    rising: Rule | None = None
    rise_window_s: float = 2.0
    rise_near_C: float = 100.0
    lean: Rule | None = None
    load_limit: float = math.nan
    probe_lost: Rule = Rule(0.5, on_delay_s=1.0, off_delay_s=2.0)
    lambda_lost: Rule = Rule(0.5, on_delay_s=5.0, off_delay_s=2.0)
    silent: Rule = Rule(3.0, off_delay_s=1.0)


#: Load above which a petrol engine is expected to run no leaner than lambda 1, by the unit of the load
#: column.
LOAD_LIMITS: Mapping[str, float] = {"_kPa": 90.0, "_pct": 80.0}


def limits_of(setup: Setup) -> AlarmLimits:
    """The rules for an engine: hot and rising where it has `egt_limit_C`, lean where its load has a unit."""
    limits = AlarmLimits()
    if setup.engine.egt_limit_C is not None:
        hot = Rule(setup.engine.egt_limit_C, deadband=10.0, on_delay_s=0.5, off_delay_s=3.0)
        limits = replace(limits, hot=hot, rising=Rule(20.0, deadband=10.0, on_delay_s=1.0, off_delay_s=3.0))
    load = setup.conditions.load or ""
    load_limit = next((limit for unit, limit in LOAD_LIMITS.items() if load.endswith(unit)), None)
    if load_limit is not None and setup.engine.fuel != "diesel":  # which runs lean by its nature
        lean = Rule(1.0, deadband=0.03, on_delay_s=1.0, off_delay_s=2.0)
        limits = replace(limits, lean=lean, load_limit=load_limit)
    return limits


@dataclass(frozen=True)
class Observation:
    """The engine at `time_s` [s since the recording began]; NaN where a value is not known.

    egt_C: cylinder -> °C. lost_share: cylinder -> share (0…1) of its readings that were none, NaN without
    readings. lambda_by_bank: bank -> lambda. load: in the unit of its column. rpm: 1/min. silent_s: instrument -> s
    without a sample.
    """

    time_s: float
    egt_C: Mapping[int, float] = field(default_factory=dict)
    lost_share: Mapping[int, float] = field(default_factory=dict)
    lambda_by_bank: Mapping[str, float] = field(default_factory=dict)
    load: float = math.nan
    rpm: float = math.nan
    silent_s: Mapping[str, float] = field(default_factory=dict)

    @property
    def running(self) -> bool:
        """Whether the engine runs: by its speed or, where that is not known, by a hot exhaust."""
        if not math.isnan(self.rpm):
            return self.rpm >= RUNNING_RPM
        return any(egt >= RUNNING_EGT_C for egt in self.egt_C.values())


@dataclass(frozen=True)
class AlarmChange:
    """An alarm that went on or off at `subject` (a cylinder, bank, instrument); `value` in `limit`'s unit."""

    time_s: float
    kind: AlarmKind
    subject: str
    on: bool
    value: float
    limit: float
    text: str


class AlarmWatch:
    """All alarms of one recording: give it observations, get the changes."""

    def __init__(self, limits: AlarmLimits) -> None:
        self._limits = limits
        self._states: dict[tuple[AlarmKind, str], AlarmState] = {}
        self._texts: dict[tuple[AlarmKind, str], str] = {}
        self._recent: dict[int, deque[tuple[float, float]]] = {}
        self._lambda_read: set[str] = set()

    @property
    def active(self) -> tuple[str, ...]:
        """The texts of the alarms that are on, the oldest first."""
        return tuple(self._texts.values())

    def observe(self, seen: Observation) -> list[AlarmChange]:
        """Step every alarm with what was seen (times must not decrease); the alarms that changed."""
        changes = []
        for kind, subject, rule, value in self._watched(seen):
            before = self._states.get((kind, subject), AlarmState())
            after = self._states[kind, subject] = step(before, rule, seen.time_s, value)
            if after.on == before.on:
                continue
            text = (
                describe(kind, subject, rule, value) if after.on else _over(self._texts.pop((kind, subject)))
            )
            if after.on:
                self._texts[kind, subject] = text
            changes.append(AlarmChange(seen.time_s, kind, subject, after.on, value, rule.limit, text))
        return changes

    def _watched(self, seen: Observation) -> Iterator[tuple[AlarmKind, str, Rule, float]]:
        """Each alarm's kind, subject, rule and present value."""
        limits = self._limits
        for cylinder, egt in seen.egt_C.items():
            if limits.hot is not None:
                yield AlarmKind.HOT, f"cylinder {cylinder}", limits.hot, egt
                if limits.rising is not None:
                    near = egt > limits.hot.limit - limits.rise_near_C or math.isnan(egt)
                    rate = self._rate_C_per_s(cylinder, seen.time_s, egt)
                    yield AlarmKind.RISING, f"cylinder {cylinder}", limits.rising, rate if near else -math.inf
        if limits.lean is not None and not math.isnan(seen.load):
            for bank, value in seen.lambda_by_bank.items():
                loaded = seen.load >= limits.load_limit and seen.running
                yield AlarmKind.LEAN, f"bank {bank}", limits.lean, value if loaded else -math.inf
        for cylinder, share in seen.lost_share.items():
            yield AlarmKind.PROBE_LOST, f"cylinder {cylinder}", limits.probe_lost, share
        for bank, value in seen.lambda_by_bank.items():
            if not math.isnan(value):
                self._lambda_read.add(bank)
            missed = math.isnan(value) and seen.running and bank in self._lambda_read
            yield AlarmKind.LAMBDA_LOST, f"bank {bank}", limits.lambda_lost, float(missed)
        for instrument, silent_s in seen.silent_s.items():
            yield AlarmKind.SILENT, f"instrument {instrument}", limits.silent, silent_s

    def _rate_C_per_s(self, cylinder: int, time_s: float, egt_C: float) -> float:
        """Rise over the last `rise_window_s`, °C/s; NaN until a whole window without a hole has been seen."""
        recent = self._recent.setdefault(cylinder, deque())
        if math.isnan(egt_C) or (recent and time_s - recent[-1][0] > CONNECTED_S):
            recent.clear()
        if math.isnan(egt_C):
            return math.nan
        recent.append((time_s, egt_C))
        while len(recent) > 1 and time_s - recent[1][0] >= self._limits.rise_window_s:
            recent.popleft()
        span_s = time_s - recent[0][0]
        return (egt_C - recent[0][1]) / span_s if span_s >= self._limits.rise_window_s else math.nan


def describe(kind: AlarmKind, subject: str, rule: Rule, value: float) -> str:
    """An alarm that goes on, as one sentence."""
    match kind:
        case AlarmKind.HOT:
            return f"{subject}: exhaust {value:.0f} °C is above the limit of {rule.limit:.0f} °C"
        case AlarmKind.RISING:
            return f"{subject}: exhaust rises by {value:.0f} °C/s close to its limit"
        case AlarmKind.LEAN:
            return f"{subject}: lambda {value:.2f} is leaner than {rule.limit:.2f} under load"
        case AlarmKind.PROBE_LOST:
            return f"{subject}: the probe gives no reading"
        case AlarmKind.LAMBDA_LOST:
            return f"{subject}: the lambda sensor gives no reading"
        case AlarmKind.SILENT:
            return f"{subject}: no sample for {value:.0f} s"


def _over(text: str) -> str:
    subject, _, what = text.partition(": ")
    return f"{subject}: over ({what})"
