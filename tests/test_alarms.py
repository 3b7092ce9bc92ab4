"""Alarms: on and off when they should, never chattering, never cleared by a broken probe.

The behaviour of limit, deadband, on-delay and off-delay is checked against what OPC 10000-9 (OPC UA part 9,
Alarms and Conditions, release 1.05) says in 5.8.2 and in its example B.1.5, by an oracle written from that
text.
"""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.alarms import (
    NO_PROTECTION,
    AlarmKind,
    AlarmLimits,
    AlarmState,
    AlarmWatch,
    Observation,
    Rule,
    limits_of,
    step,
)
from daq.setupfile import parse_setup

STEP_S = 0.25  # a power of two, so that sums of steps are exact


def run(values, rule):
    """On or off after each of `values`, one every `STEP_S`."""
    state, on = AlarmState(), []
    for i, value in enumerate(values):
        state = step(state, rule, i * STEP_S, value)
        on.append(state.on)
    return on


def oracle(values, rule):
    """B.1.5 word for word: "above the alarm threshold for the duration of OnDelay"; "will not return to norm
    unless it drops below the limit by the amount of the deadband"; off-delay "much as the OnDelay"."""
    on, result = False, []
    changed = -1
    for i in range(len(values)):
        needed = round((rule.off_delay_s if on else rule.on_delay_s) / STEP_S) + 1
        latest = values[max(changed + 1, i - needed + 1) : i + 1]
        wanted = [v < rule.limit - rule.deadband if on else v > rule.limit for v in latest]
        if len(latest) == needed and all(wanted):
            on, changed = not on, i
        result.append(on)
    return result


readings = st.floats(850, 950) | st.just(math.nan)
rules = st.builds(
    Rule,
    limit=st.just(900.0),
    deadband=st.sampled_from([0.0, 10.0]),
    on_delay_s=st.sampled_from([0.0, 0.25, 0.5, 1.0]),
    off_delay_s=st.sampled_from([0.0, 0.5, 2.0]),
)


@given(st.lists(readings, max_size=60), rules)
def test_an_alarm_follows_the_published_behaviour(values, rule):
    assert run(values, rule) == oracle(values, rule)


@given(st.lists(st.floats(891, 920), min_size=1, max_size=200))
def test_noise_within_the_deadband_rings_once(values):
    on = run(values, Rule(900.0, deadband=10.0))
    assert sum(b and not a for a, b in zip([False, *on], on, strict=False)) <= 1
    assert on == sorted(on)


def test_a_short_jump_is_not_an_alarm_and_a_short_drop_does_not_end_one():
    rule = Rule(900.0, on_delay_s=1.0, off_delay_s=1.0)
    assert not any(run([910, 910, 880, 910, 910, 880], rule))
    assert run([910] * 5 + [880] * 2 + [910] * 3, rule)[4:] == [True] * 6


def test_a_hole_starts_the_delay_anew():
    rule = Rule(900.0, on_delay_s=1.0)
    state = step(AlarmState(), rule, 0.0, 950.0)
    state = step(state, rule, 60.0, 950.0)
    assert not state.on
    assert step(state, rule, 61.0, 950.0).on


LIMITS = AlarmLimits(
    hot=Rule(900.0, deadband=10.0),
    rising=Rule(20.0),
    lean=Rule(1.0),
    load_limit=90.0,
)


def changes(watch, **seen):
    return [(c.kind, c.subject, c.on) for c in watch.observe(Observation(**seen))]


def test_a_hot_cylinder_is_named_with_value_and_limit_and_stays_hot_when_its_probe_breaks():
    watch = AlarmWatch(LIMITS)
    assert changes(watch, time_s=0.0, egt_C={1: 880.0, 2: 905.0}) == [(AlarmKind.HOT, "cylinder 2", True)]
    assert watch.active == ("cylinder 2: exhaust 905 °C is above the limit of 900 °C",)
    assert changes(watch, time_s=0.2, egt_C={1: 880.0, 2: math.nan}) == []
    assert changes(watch, time_s=0.4, egt_C={1: 880.0, 2: 895.0}) == []
    (cleared,) = watch.observe(Observation(0.6, {1: 880.0, 2: 889.0}))
    assert (cleared.subject, cleared.on, cleared.value, cleared.limit) == ("cylinder 2", False, 889.0, 900.0)
    assert cleared.text.startswith("cylinder 2: over")
    assert watch.active == ()


@pytest.mark.parametrize(("start_C", "rate", "rings"), [(805, 30, True), (805, 10, False), (500, 100, False)])
def test_a_fast_rise_counts_only_close_to_the_limit(start_C, rate, rings):
    watch = AlarmWatch(LIMITS)
    kinds = [
        c.kind
        for i in range(12)
        for c in watch.observe(Observation(i * 0.25, {1: start_C + rate * i * 0.25}))
    ]
    assert (AlarmKind.RISING in kinds) == rings


def test_the_rate_is_not_taken_across_a_hole():
    watch = AlarmWatch(LIMITS)
    for i in range(10):
        watch.observe(Observation(i * 0.25, {1: 820.0}))
    assert changes(watch, time_s=30.0, egt_C={1: 890.0}) == []


def test_lean_counts_under_load_only_and_ends_with_the_load():
    watch = AlarmWatch(LIMITS)
    lean = {"left": 1.1, "right": 0.9}
    assert changes(watch, time_s=0.0, lambda_by_bank=lean, load=60.0, rpm=3000) == []
    assert changes(watch, time_s=0.2, lambda_by_bank=lean, rpm=3000) == []
    rung = changes(watch, time_s=0.4, lambda_by_bank=lean, load=95.0, rpm=3000)
    assert rung == [(AlarmKind.LEAN, "bank left", True)]
    over = changes(watch, time_s=0.6, lambda_by_bank=lean, load=50.0, rpm=3000)
    assert over == [(AlarmKind.LEAN, "bank left", False)]


@pytest.mark.parametrize(
    ("known", "rings"),
    [
        ({"rpm": 0.0}, False),
        ({"rpm": 250.0}, False),
        ({"rpm": 2500.0}, True),
        ({"egt_C": {1: 25.0, 2: math.nan}}, False),
        ({"egt_C": {1: 650.0, 2: math.nan}}, True),
        ({"rpm": 0.0, "egt_C": {1: 450.0}}, False),
    ],
)
def test_an_engine_that_stands_still_in_full_air_is_not_lean_under_load(known, rings):
    seen = changes(AlarmWatch(LIMITS), time_s=0.0, lambda_by_bank={"left": 1.45}, load=101.0, **known)
    assert seen == ([(AlarmKind.LEAN, "bank left", True)] if rings else [])


def test_a_lost_probe_and_a_silent_instrument_are_alarms_that_end():
    watch = AlarmWatch(AlarmLimits())
    rung = []
    for i in range(60):
        lost, silent = float(i < 20), max(0.0, i * STEP_S - 5.0) if i < 40 else 0.0
        seen = Observation(i * STEP_S, lost_share={3: lost}, silent_s={"main": silent})
        rung += [(c.time_s, c.subject, c.on) for c in watch.observe(seen)]
    assert rung == [
        (1.0, "cylinder 3", True),
        (7.0, "cylinder 3", False),
        (8.25, "instrument main", True),
        (11.0, "instrument main", False),
    ]


SETUP = """
[engine]
name = "work boat"
fuel = "{fuel}"
{limit}
[[bank]]
name = "port"
cylinders = [1]
[[probe]]
cylinder = 1
column = "egt1_C"
[conditions]
{load}
"""


def test_a_lambda_sensor_that_falls_silent_is_missed_only_while_the_engine_runs_and_once_it_has_read():
    watch = AlarmWatch(AlarmLimits())
    warming = [watch.observe(Observation(t, lambda_by_bank={"left": math.nan}, rpm=900.0)) for t in range(30)]
    assert not any(warming), "it heats up after a start"
    assert watch.observe(Observation(30.0, lambda_by_bank={"left": 0.88}, rpm=2400.0)) == []
    found = []
    for t in range(31, 60):
        rpm, value = (0.0 if 45 <= t < 50 else 2400.0), (0.9 if t >= 55 else math.nan)
        found += watch.observe(Observation(float(t), lambda_by_bank={"left": value}, rpm=rpm))
    assert [(c.time_s, c.kind, c.on) for c in found] == [
        (36.0, AlarmKind.LAMBDA_LOST, True),
        (47.0, AlarmKind.LAMBDA_LOST, False),
    ]
    assert found[0].text == "bank left: the lambda sensor gives no reading"


def test_the_rules_come_from_the_setup():
    full = limits_of(
        parse_setup(SETUP.format(fuel="petrol", limit="egt_limit_C = 850", load='load = "map_kPa"'))
    )
    assert full.hot is not None and full.hot.limit == 850.0
    assert full.rising is not None and full.lean is not None and full.load_limit == 90.0
    bare = limits_of(parse_setup(SETUP.format(fuel="petrol", limit="", load='load = "torque"')))
    assert (bare.hot, bare.rising, bare.lean) == (None, None, None)
    diesel = limits_of(parse_setup(SETUP.format(fuel="diesel", limit="", load='load = "map_kPa"')))
    assert diesel.lean is None


def test_it_says_that_it_is_no_engine_protection():
    assert "no engine protection" in NO_PROTECTION
