"""Signals that come when they like become rows: nothing lost, nothing invented."""

from __future__ import annotations

import math

from hypothesis import given
from hypothesis import strategies as st

from daq.can_rows import HOLD_S, SignalRows
from daq.line_stream import LineStreamParser, Sample


def rows(
    *seen: tuple[float, dict[str, float]], columns: tuple[str, ...] = ("egt1_C", "rpm")
) -> list[tuple[str, ...]]:
    collector, parser = SignalRows(columns), LineStreamParser()
    said = b"".join(collector.feed(time_s, values) for time_s, values in seen) + collector.flush()
    return [item.fields for item in parser.feed(said) if isinstance(item, Sample)]


def test_signals_of_one_cycle_make_one_row_stamped_with_the_newest() -> None:
    assert rows((1.000, {"egt1_C": 801.5}), (1.004, {"rpm": 3000.0})) == [("1004", "801.5", "3000")]


def test_cycles_of_fifty_milliseconds_with_jitter_are_a_row_each() -> None:
    seen = [(1.0 + 0.05 * n + (0.006 if n % 2 else 0.0), {"egt1_C": 800.0 + n}) for n in range(40)]
    assert [fields[1] for fields in rows(*seen)] == [f"{800 + n}" for n in range(40)]


def test_a_slow_signal_stays_beside_a_fast_one_until_it_is_missed() -> None:
    seen = [(0.0, {"egt1_C": 800.0})] + [(0.02 * n, {"rpm": 3000.0}) for n in range(1, 150)]
    found = rows(*seen)
    with_temperature = [int(fields[0]) for fields in found if fields[1]]
    assert max(with_temperature) <= 1000 * HOLD_S < min(int(f[0]) for f in found if not f[1])
    assert all(fields[2] == "3000" for fields in found[1:])
    assert 70 <= len(found) <= 76  # every second one of the fast signal's


def test_a_signal_that_says_no_reading_is_empty_at_once() -> None:
    seen = ((0.0, {"egt1_C": 800.0, "rpm": 1.0}), (0.1, {"egt1_C": math.nan}), (0.2, {"rpm": 2.0}))
    assert [fields[1:] for fields in rows(*seen)] == [("800", "1"), ("", "1"), ("", "2")]


def test_silence_makes_no_row_and_what_is_old_does_not_come_back() -> None:
    seen = ((0.0, {"egt1_C": 800.0, "rpm": 1.0}), (60.0, {"rpm": 2.0}))
    assert rows(*seen) == [("0", "800", "1"), ("60000", "", "2")]


def test_a_clock_that_is_put_back_begins_anew() -> None:
    seen = ((7200.0, {"egt1_C": 800.0}), (3600.0, {"rpm": 2.0}), (3600.05, {"egt1_C": 801.0}))
    assert rows(*seen) == [("7200000", "800", ""), ("3600000", "", "2"), ("3600050", "801", "2")]


def test_frames_that_overtake_each_other_do_not() -> None:
    assert [int(f[0]) for f in rows((1.0, {"rpm": 1.0}), (0.998, {"rpm": 2.0}), (1.05, {"rpm": 3.0}))] == [
        1000,
        1050,
    ]


@given(st.lists(st.tuples(st.floats(0.0, 0.3), st.sampled_from(["egt1_C", "rpm"])), max_size=60))
def test_rows_are_in_order_and_the_newest_value_of_each_is_there(steps: list[tuple[float, str]]) -> None:
    time_s, seen = 10.0, []
    for number, (step_s, column) in enumerate(steps):
        time_s += step_s
        seen.append((time_s, {column: float(number)}))
    found = rows(*seen)
    stamps = [int(fields[0]) for fields in found]
    assert stamps == sorted(stamps)
    assert len(found) <= len(seen)
    if seen:
        last_time_s, last = seen[-1]
        ((column, value),) = last.items()
        assert stamps[-1] == math.floor(last_time_s * 1000)
        assert found[-1][1 if column == "egt1_C" else 2] == f"{value:.0f}"
    fresh = [(t, v["rpm"]) for t, v in seen if "rpm" in v]
    if fresh and seen[-1][0] - fresh[-1][0] > HOLD_S:
        assert found[-1][2] == ""
