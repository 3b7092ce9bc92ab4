"""The check: each fault that is put in is named with what to do, a sound engine raises none, silence is admitted."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from unseen_engines import Fault, as_line_stream, make_engine

from analysis.check_item import CheckItem
from analysis.check_ports import warmed_ports
from analysis.probe_check import ProbeCheck, probe_check
from daq.physical import Mark, PhysicalTable, physical_table
from daq.replay import replay
from daq.session import Session, open_session


def recorded(folder: Path, schedule: str, *faults: Fault, seed: int = 3) -> tuple[PhysicalTable, Session]:
    """A session of the rig through bytes, files and conversion."""
    data, setup_text, _ = as_line_stream(make_engine("kinked", seed, faults=faults), schedule, 20.0)
    (folder / "setup.toml").write_text(setup_text)
    (folder / "captured.txt").write_bytes(data)
    session = open_session(replay(folder / "setup.toml", folder / "captured.txt", folder / "session"))
    return physical_table(session), session


@pytest.fixture(scope="module")
def standard(tmp_path_factory: pytest.TempPathFactory) -> tuple[PhysicalTable, Session]:
    return recorded(tmp_path_factory.mktemp("standard"), "standard")


@pytest.fixture(scope="module")
def warmed(tmp_path_factory: pytest.TempPathFactory) -> tuple[PhysicalTable, Session]:
    return recorded(tmp_path_factory.mktemp("warmed"), "warmed")


def of(check: ProbeCheck, subject: str, topic: str) -> CheckItem:
    (item,) = [item for item in check.items if (item.subject, item.topic) == (subject, topic)]
    return item


def with_changes(table: PhysicalTable, **changes: Any) -> PhysicalTable:
    return dataclasses.replace(table, **changes)


def test_a_sound_engine_raises_nothing_but_what_it_cannot_show(
    standard: tuple[PhysicalTable, Session],
) -> None:
    check = probe_check(*standard)
    assert {(item.topic, item.verdict) for item in check.items if item.verdict != "good"} == {
        ("port", "cannot tell")
    }
    assert check.faults == ()
    assert [p.verdict for p in check.probes] == ["good"] * 8
    assert check.soak is not None
    for item in check.items:
        assert "\n" not in item.text and item.text.endswith(".")
        assert item.action == "" or item.action.endswith(".")
    for item in check.items:
        assert item.verdict == "good" or item.action, item


def test_warming_each_port_shows_that_all_is_where_it_should_be(
    warmed: tuple[PhysicalTable, Session],
) -> None:
    check = probe_check(*warmed)
    assert {item.verdict for item in check.items} == {"good"}
    assert [(w.cylinder, w.moved) for w in check.warmed] == [(c, c) for c in range(1, 9)]
    assert all(w.change_C > 20.0 for w in check.warmed)


def test_exchanged_probes_are_found_by_warming(tmp_path: Path) -> None:
    check = probe_check(*recorded(tmp_path, "warmed", Fault("swapped", 3, other=5)))
    assert {item.subject for item in check.faults} == {"cylinder 3", "cylinder 5"}
    item = of(check, "cylinder 3", "port")
    assert item.text == "Warming port 3 moves the probe that the setup calls cylinder 5's."
    assert "give cylinder 3 the column that cylinder 5 has now" in item.action


def test_without_marks_the_order_of_warming_is_told(warmed: tuple[PhysicalTable, Session]) -> None:
    table, session = warmed
    check = probe_check(with_changes(table, marks=()), session)
    item = of(check, "session", "port")
    assert item.verdict == "cannot tell"
    assert item.text == "Probes moved alone in this order: cylinder 1, 2, 3, 4, 5, 6, 7, 8."


@pytest.mark.parametrize(
    "mark",
    [
        Mark(0.0, "warm", "", {"cylinder": 5}),
        Mark(0.0, "mark", "warm 5"),
        Mark(0.0, "mark", "warming port 5"),
        Mark(0.0, "remark", "Warmed cylinder 5"),
    ],
)
def test_marks_that_say_which_port_is_warmed(warmed: tuple[PhysicalTable, Session], mark: Mark) -> None:
    table, _ = warmed
    started = next(m for m in table.marks if m.text == "warming port 5").time_s
    marked = with_changes(
        table, marks=(dataclasses.replace(mark, time_s=started), Mark(started, "mark", "fan on 3"))
    )
    (found,) = warmed_ports(marked)
    assert (found.cylinder, found.moved) == (5, 5)


def test_a_mark_without_any_warming_is_not_answered(standard: tuple[PhysicalTable, Session]) -> None:
    table, session = standard
    check = probe_check(
        with_changes(table, marks=(Mark(8.0, "mark", "warm 3"), Mark(20.0, "mark", "soak"))), session
    )
    assert of(check, "cylinder 3", "port").verdict == "cannot tell"


@pytest.mark.parametrize("schedule", ["standard", "warmed"])
def test_reversed_wires(tmp_path: Path, schedule: str) -> None:
    check = probe_check(*recorded(tmp_path, schedule, Fault("reversed", 3)))
    item = of(check, "cylinder 3", "polarity")
    assert item.verdict == "fault" and "reversed" in item.text and "Exchange the two wires" in item.action
    assert {fault.subject for fault in check.faults} == {"cylinder 3"}
    assert next(p for p in check.probes if p.cylinder == 3).matching_offset_C is None


def between(table: PhysicalTable, start_s: float, end_s: float) -> PhysicalTable:
    """The samples of `table` from `start_s` to `end_s` [s]."""
    part = (table.time_s >= start_s) & (table.time_s < end_s)
    return with_changes(
        table,
        time_s=table.time_s[part],
        egt_C=table.egt_C[part],
        egt_status=table.egt_status[part],
        cold_junction_C=table.cold_junction_C[part],
        lambda_by_bank={bank: values[part] for bank, values in table.lambda_by_bank.items()},
        rpm=None if table.rpm is None else table.rpm[part],
        load=None if table.load is None else table.load[part],
        injector_ms=None if table.injector_ms is None else table.injector_ms[part],
    )


def test_reversed_wires_of_an_engine_that_was_hot_from_the_first_sample(tmp_path: Path) -> None:
    """Then the probe is out of its range at once, and never seen to fall."""
    table, session = recorded(tmp_path, "standard", Fault("reversed", 3))
    check = probe_check(between(table, 120.0, 200.0), session)
    assert of(check, "cylinder 3", "polarity").verdict == "fault"


def test_a_spike_of_another_probe_does_not_look_like_warming(warmed: tuple[PhysicalTable, Session]) -> None:
    table, _ = warmed
    started = next(m for m in table.marks if m.text == "warming port 5").time_s
    egt_C = table.egt_C.copy()
    spike = (table.time_s > started) & (table.time_s < started + 0.6)
    egt_C[spike, table.cylinders.index(2)] += 40.0
    found = next(w for w in warmed_ports(with_changes(table, egt_C=egt_C)) if w.cylinder == 5)
    assert found.moved == 5


def test_polarity_does_not_show_while_nothing_is_warm(standard: tuple[PhysicalTable, Session]) -> None:
    table, session = standard
    cut = between(table, 0.0, 30.0)
    check = probe_check(cut, session)
    for cylinder in table.cylinders:
        assert of(check, f"cylinder {cylinder}", "polarity").verdict == "cannot tell"
        assert of(check, f"cylinder {cylinder}", "offset").verdict == "good"


@pytest.mark.parametrize(
    ("kind", "words"), [("open", "open circuit in 100.0 %"), ("open-intermittent", "open circuit in")]
)
def test_open_circuits(tmp_path: Path, kind: str, words: str) -> None:
    check = probe_check(*recorded(tmp_path, "standard", Fault(kind, 6)))
    item = of(check, "cylinder 6", "reading")
    assert item.verdict == "fault" and words in item.text and "plug" in item.action
    assert next(p for p in check.probes if p.cylinder == 6).verdict == "fault"


def test_a_loose_connection(tmp_path: Path) -> None:
    check = probe_check(*recorded(tmp_path, "standard", Fault("loose", 2)))
    assert of(check, "cylinder 2", "reading").verdict == "fault"
    assert {fault.subject for fault in check.faults} == {"cylinder 2"}


def test_cold_offsets_are_judged_by_the_probes_class(standard: tuple[PhysicalTable, Session]) -> None:
    table, session = standard
    egt_C = table.egt_C.copy()
    egt_C[:, 1] += 6.0 - (np.nan_to_num(probe_check(table, session).probes[1].cold_offset_C or 0.0))
    check = probe_check(with_changes(table, egt_C=egt_C), session)
    cylinder = table.cylinders[1]
    item, state = of(check, f"cylinder {cylinder}", "offset"), check.probes[1]
    assert item.verdict == "warning" and "more than its class (iec-2) allows, ±2.5 °C" in item.text
    assert state.cold_offset_C == pytest.approx(6.0, abs=0.3)
    assert state.matching_offset_C == state.cold_offset_C  # the setup has offset_C = 0
    assert state.tolerance_C == 2.5


def test_a_gradient_across_the_terminals(standard: tuple[PhysicalTable, Session]) -> None:
    table, session = standard
    egt_C = table.egt_C + 4.0 * np.arange(8) / 7.0
    check = probe_check(with_changes(table, egt_C=egt_C), session)
    item = of(check, "main", "cold junction")
    assert "one end of the terminal block is warmer" in item.text


def test_a_noisy_channel(standard: tuple[PhysicalTable, Session]) -> None:
    table, session = standard
    egt_C = table.egt_C.copy()
    egt_C[:, 4] += np.random.default_rng(0).normal(0.0, 5.0, len(egt_C))
    check = probe_check(with_changes(table, egt_C=egt_C), session)
    assert of(check, f"cylinder {table.cylinders[4]}", "noise").verdict == "warning"
    assert check.probes[4].noise_C == pytest.approx(5.0, rel=0.05)


@pytest.mark.parametrize(
    ("change", "verdict", "words"),
    [
        (lambda cj, t: cj + 80.0, "fault", "no place for an instrument"),
        (lambda cj, t: np.where(t > 100.0, np.nan, cj), "fault", "gives no temperature"),
        (lambda cj, t: cj + 0.1 * t, "warning", "°C a minute"),
        (lambda cj, t: cj + 3.0 * (np.arange(t.size) % 50 == 0), "warning", "jumps"),
        (lambda cj, t: np.full(t.size, 57.0), "warning", "57 °C"),
    ],
)
def test_cold_junctions_that_cannot_be_right(
    standard: tuple[PhysicalTable, Session], change: Any, verdict: str, words: str
) -> None:
    table, session = standard
    junction_C = np.stack([change(column, table.time_s) for column in table.cold_junction_C.T], axis=1)
    item = of(probe_check(with_changes(table, cold_junction_C=junction_C), session), "cj_C", "cold junction")
    assert item.verdict == verdict and words in item.text and item.action


def changed_session(session: Session, *marks: Mark, **changes: Any) -> Session:
    return dataclasses.replace(session, marks=(*session.marks, *marks), **changes)


@pytest.mark.parametrize(("dropped", "verdict"), [(1, "good"), (50, "warning"), (2000, "fault")])
def test_dropped_lines(standard: tuple[PhysicalTable, Session], dropped: int, verdict: str) -> None:
    table, session = standard
    lines = {"checksum does not match": dropped}
    mark = Mark(9.0, "dropped", "", {"instrument": "main", "lines": lines, "total": dropped})
    item = of(probe_check(table, changed_session(session, mark)), "main", "transmission")
    assert item.verdict == verdict and f"{dropped} checksum does not match" in item.text


def test_what_happened_to_the_port_is_counted(standard: tuple[PhysicalTable, Session]) -> None:
    table, session = standard
    marks = [Mark(t, "gap", "", {"instrument": "main"}) for t in (5.0, 9.0)]
    items = probe_check(table, changed_session(session, *marks)).items
    assert any(item.text == "main lost its port 2 times." and item.verdict == "warning" for item in items)


def test_samples_missing_and_jitter(standard: tuple[PhysicalTable, Session]) -> None:
    table, session = standard
    main = session.tables["main"]
    kept = np.arange(main.host_s.size) % 20 != 0
    thinned = dataclasses.replace(main, host_s=main.host_s[kept], values=main.values[:, kept])
    item = of(probe_check(table, changed_session(session, tables={"main": thinned})), "main", "timing")
    assert item.verdict == "warning" and "(5.0 %)" in item.text
    shaken = main.values.copy()
    shaken[0] += np.random.default_rng(0).uniform(-20, 20, shaken.shape[1])
    item = of(
        probe_check(
            table, changed_session(session, tables={"main": dataclasses.replace(main, values=shaken)})
        ),
        "main",
        "timing",
    )
    assert item.verdict == "warning" and "jitter" in item.text


def test_problems_of_the_files_come_along(standard: tuple[PhysicalTable, Session]) -> None:
    table, session = standard
    check = probe_check(
        with_changes(table, problems=("main.csv: 1 line is no sample and left out",)), session
    )
    assert of(check, "session", "files").verdict == "warning"


def test_an_empty_session_is_no_reason_to_fail(standard: tuple[PhysicalTable, Session]) -> None:
    table, session = standard
    nothing = with_changes(
        table,
        time_s=np.empty(0),
        egt_C=np.empty((0, 8)),
        egt_status=np.empty((0, 8), dtype=np.uint8),
        cold_junction_C=np.empty((0, 8)),
        rpm=np.empty(0),
        load=np.empty(0),
        injector_ms=np.empty(0),
        lambda_by_bank={bank: np.empty(0) for bank in table.lambda_by_bank},
        marks=(),
    )
    main = session.tables["main"]
    empty = dataclasses.replace(main, host_s=np.empty(0), values=main.values[:, :0])
    check = probe_check(nothing, changed_session(session, tables={"main": empty}))
    assert of(check, "main", "transmission").verdict == "fault"
    assert {p.verdict for p in check.probes} <= {"cannot tell", "fault"}
