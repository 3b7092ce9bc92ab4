"""The published JSON: the keys of the contract, null for what is unknown, nothing that is not JSON."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from builders import CASES, lean, near_peak

from analysis.published import balance_to_json, trims_to_json
from analysis.result import (
    Balance,
    BankBalance,
    CylinderBalance,
    CylinderTrim,
    Stretch,
)

# The contract: evenburn.balance/1 and evenburn.trims/1 as published
TOP = {"schema", "session", "method", "banks", "cylinders", "stretches"}
BANK = {"bank", "lambda_mean", "spread_C", "side"}
CYLINDER = {
    "cylinder",
    "bank",
    "egt_deviation_C",
    "egt_deviation_u95_C",
    "fuel_offset_percent",
    "fuel_offset_u95_percent",
    "finding",
    "reasons",
}
STRETCH = {"kind", "start_s", "end_s", "rpm", "load"}
METHODS = {"sweep", "steady", "pull", "mixed"}
SIDES = {"rich", "near-peak", "lean", "mixed", None}
FINDINGS = {"even", "lean", "rich", "undetermined", "probe-fault", "combustion-fault"}
KINDS = {"steady", "sweep", "pull"}


def through_json(document: dict[str, Any]) -> dict[str, Any]:
    """What a reader gets; NaN and infinity are not JSON and are refused."""
    text = json.dumps(document, allow_nan=False)
    read: dict[str, Any] = json.loads(text)
    assert read == document, "plain lists, dicts, numbers, text and None only"
    return read


@pytest.mark.parametrize("name", CASES)
def test_every_key_and_word_of_the_contract_is_there(name: str) -> None:
    trims, _ = CASES[name]()
    for document, schema in (
        (balance_to_json(trims.balance), "evenburn.balance/1"),
        (trims_to_json(trims), "evenburn.trims/1"),
    ):
        read = through_json(document)
        assert read["schema"] == schema
        assert set(read) >= TOP
        assert read["session"] == trims.balance.session
        assert read["method"] in METHODS
        assert [set(b) >= BANK for b in read["banks"]] == [True] * len(trims.balance.banks)
        assert all(b["side"] in SIDES for b in read["banks"])
        assert [c["cylinder"] for c in read["cylinders"]] == [c.cylinder for c in trims.balance.cylinders]
        for c in read["cylinders"]:
            assert set(c) >= CYLINDER
            assert c["finding"] in FINDINGS
            assert c["reasons"]
            assert all(isinstance(r, str) for r in c["reasons"])
        for s in read["stretches"]:
            assert set(s) >= STRETCH
            assert s["kind"] in KINDS
            assert s["start_s"] < s["end_s"]
    trimmed = through_json(trims_to_json(trims))
    assert all("trim_percent" in c for c in trimmed["cylinders"])
    assert trimmed["cautions"]
    assert set(trimmed["limits"]) >= {"step_percent", "leaning_share", "threshold_percent"}


def test_values_are_those_of_the_balance_rounded_to_what_they_can_say() -> None:
    trims, _ = lean()
    fifth = next(c for c in through_json(trims_to_json(trims))["cylinders"] if c["cylinder"] == 5)
    assert fifth["egt_deviation_C"] == 17.6
    assert fifth["fuel_offset_percent"] == -4.2
    assert fifth["fuel_offset_u95_percent"] == 0.5
    assert fifth["finding"] == "lean"
    assert fifth["trim_percent"] == 3.0


def entry(**fields: Any) -> CylinderBalance:
    return replace(
        CylinderBalance(1, "port", None, None, None, None, "undetermined", ("nothing steady",)), **fields
    )


def document_of(cylinder: CylinderBalance, **bank: Any) -> dict[str, Any]:
    banks = (replace(BankBalance("port", (1,), None, None, None), **bank),)
    stretches = (Stretch("steady", 1.23456, 61.98765, None, None),)
    return through_json(balance_to_json(Balance("trial", "steady", banks, (cylinder,), stretches)))


def test_what_is_unknown_is_null_and_never_nan() -> None:
    read = document_of(entry())
    (cylinder,), (bank,), (stretch,) = read["cylinders"], read["banks"], read["stretches"]
    numbers = CYLINDER - {"cylinder", "bank", "finding", "reasons"}
    assert all(cylinder[key] is None for key in numbers)
    assert bank["lambda_mean"] is bank["spread_C"] is bank["side"] is None
    assert stretch["rpm"] is stretch["load"] is None
    broken = document_of(entry(fuel_offset_percent=float("nan"), fuel_offset_u95_percent=float("inf")))
    assert broken["cylinders"][0]["fuel_offset_percent"] is None
    assert broken["cylinders"][0]["fuel_offset_u95_percent"] is None


def test_numpy_numbers_become_plain_ones_and_digits_end_where_they_mean_nothing() -> None:
    read = document_of(
        entry(
            egt_deviation_C=np.float64(14.23456),
            egt_deviation_u95_C=np.float32(7.5),
            fuel_offset_percent=np.float64(-3.14159),
            fuel_offset_u95_percent=np.float64(0.54321),
            finding="lean",
        ),
        lambda_mean=np.float64(0.8712345),
        spread_C=np.float64(24.126),
    )
    (cylinder,), (bank,), (stretch,) = read["cylinders"], read["banks"], read["stretches"]
    assert cylinder["egt_deviation_C"] == pytest.approx(14.23, abs=0.006)
    assert cylinder["egt_deviation_u95_C"] == 7.5
    assert cylinder["fuel_offset_percent"] == pytest.approx(-3.142, abs=0.0006)
    assert bank["lambda_mean"] == pytest.approx(0.8712, abs=6e-5)
    assert bank["spread_C"] == pytest.approx(24.13, abs=0.006)
    assert stretch["start_s"] == pytest.approx(1.23, abs=0.006)
    for value in (cylinder["egt_deviation_C"], cylinder["fuel_offset_percent"], stretch["end_s"]):
        assert len(str(value).partition(".")[2]) <= 3, "no digits that nobody measured"


def test_offsets_of_a_bank_still_sum_to_zero_as_printed() -> None:
    """To half of the last printed digit of each of four cylinders."""
    exact = (1 / 3, 1 / 3, 1 / 3, -1.0)
    entries = tuple(entry(cylinder=c, fuel_offset_percent=o) for c, o in enumerate(exact, start=1))
    read = balance_to_json(Balance("trial", "sweep", (), entries, ()))
    assert sum(c["fuel_offset_percent"] for c in read["cylinders"]) == pytest.approx(0.0, abs=0.002)


def test_milliseconds_only_where_the_data_shows_a_dead_time() -> None:
    trims, _ = lean()
    first, *others = trims.cylinders
    with_ms = replace(trims, cylinders=(replace(first, trim_ms=0.03), *others))
    rows = {c["cylinder"]: c for c in through_json(trims_to_json(with_ms))["cylinders"]}
    assert rows[first.cylinder]["trim_ms"] == 0.03
    assert all("trim_ms" not in rows[t.cylinder] for t in others)
    assert isinstance(first, CylinderTrim)


def test_an_answer_is_any_finding_that_is_not_undetermined() -> None:
    """Exit status 0 or 1 rests on it; a fault found is an answer."""
    assert lean()[0].balance.answered
    assert not near_peak()[0].balance.answered
    empty = Balance("trial", "steady", (), (), ())
    assert not empty.answered
    assert replace(empty, cylinders=(entry(finding="probe-fault"),)).answered


def test_steps_and_cautions_reach_the_reader() -> None:
    trims, _ = near_peak()
    read = through_json(trims_to_json(trims))
    assert read["next_steps"] == list(trims.balance.next_steps) != []
    assert read["cautions"] == list(trims.cautions)
    assert all(c["trim_percent"] is None for c in read["cylinders"])
    assert not trims.any_trim
