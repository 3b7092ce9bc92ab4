"""Wraps and restarts of an instrument's counter, told apart from late and from damaged lines."""

import random

import pytest

from daq.counter_watch import CounterEvent, CounterWatch

PERIOD_S = 0.02


def watch(samples, tick_s=0.001):
    """What is said about (host_s, counter) samples, with the index of the sample."""
    watched = CounterWatch(tick_s)
    return [(i, event) for i, sample in enumerate(samples) if (event := watched.see(*sample))]


def samples(n, start=0, host_s=0.0, tick_s=0.001):
    return [(host_s + i * PERIOD_S, (start + round(i * PERIOD_S / tick_s)) % 2**32) for i in range(n)]


@pytest.mark.parametrize("tick_s", [1e-3, 1e-6])
def test_a_counter_that_wraps_is_no_restart(tick_s):
    start = 2**32 - round(50 * PERIOD_S / tick_s)
    assert watch(samples(100, start, tick_s=tick_s), tick_s) == [(50, CounterEvent.WRAP)]


def test_a_restart_is_said_once_the_second_sample_confirms_it():
    assert watch(samples(100, 5_000_000) + samples(100, 10, host_s=3.5)) == [(101, CounterEvent.RESTART)]


def test_a_damaged_stamp_is_no_restart():
    line = samples(100, 5000)
    line[40], line[60] = (line[40][0], 7), (line[60][0], 900_000_000)
    assert watch(line) == []


def test_delays_and_stalls_are_no_restart():
    delays = random.Random(1)
    host_s, line = 0.0, []
    for i in range(20_000):
        stall = 5.0 if i % 3000 == 2999 else 0.0
        host_s = max(host_s, i * PERIOD_S + delays.uniform(0, 0.016) + stall)
        line.append((host_s, i * 20))
    assert watch(line) == []


def test_a_port_that_was_away_shows_a_restart_even_when_the_counter_is_further_on():
    before, after = samples(100, 0), samples(100, 12_000, host_s=60.0)
    watched = CounterWatch(0.001)
    said = [watched.see(*sample) for sample in before]
    watched.reopened()
    said += [watched.see(*sample) for sample in after]
    assert [(i, e) for i, e in enumerate(said) if e] == [(101, CounterEvent.RESTART)]


def test_an_instrument_that_kept_running_while_its_port_was_away_has_not_restarted():
    line = samples(5000, 0)
    watched = CounterWatch(0.001)
    said = [watched.see(*sample) for sample in line[:1000]]
    watched.reopened()
    said += [watched.see(*sample) for sample in line[4000:]]
    assert not any(said)
