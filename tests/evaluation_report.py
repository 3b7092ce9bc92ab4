"""The tables that `evaluate_estimator.py` prints, from judged sessions."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from evaluate_estimator import Outcome

FIXED_SPREAD_C = 25.0
PRACTICAL_PERCENT = 1.0
# Whoever is called lean or rich and is off by less than this in that direction is called so wrongly.
WRONG_BELOW_PERCENT = 0.6
EXPECTED = {
    "misfire": "combustion-fault",
    "late-spark": "combustion-fault",
    "leaking-valve": "combustion-fault",
}


def report(outcomes: Sequence[Outcome], order: Sequence[str]) -> str:
    """All tables as Markdown: offsets by case and shape, naming, faults, beside the habits."""
    groups = {name: [o for o in outcomes if o.case == name] for name in order}
    special = ("fault", "ports", "regions")
    plain = {k: v for k, v in groups.items() if not any(word in k for word in special)}
    faulty = {k: v for k, v in groups.items() if "fault" in k or "ports" in k}
    regions = {k: v for k, v in groups.items() if "regions" in k}
    parts = []
    if plain:
        parts += ["### Offsets by case\n", _table(OFFSET_HEAD, [_offset_row(k, v) for k, v in plain.items()])]
    if "sweep" in groups:
        by_shape = {
            s: [o for o in groups["sweep"] if o.shape == s] for s in sorted({o.shape for o in outcomes})
        }
        rows = [_offset_row(k, v) for k, v in by_shape.items() if v]
        parts += ["\n### The case 'sweep' by shape of the curve\n", _table(OFFSET_HEAD, rows)]
    named = {k: v for k, v in plain.items() if any(o.odd for o in v) or "even" in k}
    if named:
        rows = [_naming_row(k, v) for k, v in named.items()]
        parts += ["\n### Naming, beside the habits\n", _table(NAMING_HEAD, rows)]
    if faulty:
        parts += ["\n### Faults\n", _table(FAULT_HEAD, [_fault_row(k, v) for k, v in faulty.items()])]
    if regions:
        parts += ["\n### What changes with the operating point\n"]
        parts += [_table(REGION_HEAD, [_region_row(k, v) for k, v in regions.items()])]
    return "\n".join(parts)


def _table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    lines = ["| " + " | ".join(head) + " |", "| " + " | ".join("---" for _ in head) + " |"]
    return "\n".join(lines + ["| " + " | ".join(row) + " |" for row in rows])


OFFSET_HEAD = (
    "case",
    "sessions",
    "offset rms %",
    "95 % intervals that cover",
    "median ± %",
    "answered",
    "lean or rich named wrongly",
    "findings",
    "fixed 5 °C per %: rms %",
    "s a session",
)


def _offset_row(name: str, outcomes: Sequence[Outcome]) -> tuple[str, ...]:
    truth, offset, u95, habit = (
        np.concatenate([getattr(o, key) for o in outcomes])
        for key in ("truth", "offset", "u95", "habit_percent")
    )
    finding = np.array([f for o in outcomes for f in o.finding])
    known = np.isfinite(offset)
    error = offset[known] - truth[known]
    wrong = [_wrongly_named(f, t) for f, t in zip(finding, truth, strict=True)]
    covered = np.mean(np.abs(error) <= u95[known]) if known.any() else np.nan
    return (
        name,
        str(len(outcomes)),
        _number(_rms(error)),
        _percent(covered),
        _number(np.median(u95[known]) if known.any() else np.nan),
        _percent(known.mean()),
        _mean(wrong),
        _findings(finding),
        _number(_rms((habit - truth)[np.isfinite(habit)])),
        _number(np.mean([o.seconds for o in outcomes])),
    )


NAMING_HEAD = (
    "case",
    "sessions",
    "odd one named, right way",
    "odd one left undetermined",
    "odd one's finding",
    "others accused wrongly (their findings)",
    "fixed 5 °C per %, 1 % limit: odd one named",
    "others accused wrongly",
    "25 °C spread limit: alarm in odd bank",
    "alarm in even banks",
)


def _naming_row(name: str, outcomes: Sequence[Outcome]) -> tuple[str, ...]:
    odd_found, odd_right, habit_right = [], [], []
    others: list[str] = []
    accused, habit_others, spread_odd, spread_even = [], [], [], []
    for o in outcomes:
        banks = np.array([c % 2 == 0 for c in o.cylinders], dtype=int)  # odd numbers are the first bank
        odd_banks = {banks[o.cylinders.index(c)] for c in o.odd}
        for k, cylinder in enumerate(o.cylinders):
            way = "rich" if o.truth[k] > 0 else "lean"
            if cylinder in o.odd:
                odd_found.append(o.finding[k])
                odd_right.append(o.finding[k] == way)
                habit_right.append(o.habit_percent[k] * np.sign(o.truth[k]) > PRACTICAL_PERCENT)
            else:
                others.append(o.finding[k])
                accused.append(_wrongly_named(o.finding[k], o.truth[k]) or "fault" in o.finding[k])
                habit = o.habit_percent[k]
                called = "even" if abs(habit) <= PRACTICAL_PERCENT else "rich" if habit > 0 else "lean"
                habit_others.append(_wrongly_named(called, o.truth[k]))
        for k, spread in enumerate(o.habit_spread_C):
            (spread_odd if k in odd_banks else spread_even).append(spread > FIXED_SPREAD_C)
    return (
        name,
        str(len(outcomes)),
        _mean(odd_right),
        _mean([f == "undetermined" for f in odd_found]),
        _findings(odd_found),
        f"{_mean(accused)} ({_findings(others)})",
        _mean(habit_right),
        _mean(habit_others),
        _mean(spread_odd),
        _mean(spread_even),
    )


FAULT_HEAD = (
    "case",
    "sessions",
    "named rightly",
    "its findings",
    "others called faulty",
    "others named lean or rich wrongly",
    "others: offset rms %",
    "others: intervals that cover",
    "fixed 5 °C per %: rms % of the others",
)


def _fault_row(name: str, outcomes: Sequence[Outcome]) -> tuple[str, ...]:
    expected = next((v for k, v in EXPECTED.items() if k in name), "probe-fault")
    own: list[str] = []
    called, wrong, error, covered, habit = [], [], [], [], []
    for o in outcomes:
        truth = _among_others(o)
        for k, cylinder in enumerate(o.cylinders):
            if cylinder in o.odd:
                own.append(o.finding[k])
                continue
            called.append(o.finding[k] in ("probe-fault", "combustion-fault"))
            wrong.append(_wrongly_named(o.finding[k], truth[k]))
            if np.isfinite(o.offset[k]):
                error.append(o.offset[k] - truth[k])
                covered.append(abs(error[-1]) <= o.u95[k])
            if np.isfinite(o.habit_percent[k]):
                habit.append(o.habit_percent[k] - truth[k])
    return (
        name,
        str(len(outcomes)),
        _mean([f == expected for f in own]),
        _findings(own),
        _mean(called),
        _mean(wrong),
        _number(_rms(np.array(error))),
        _mean(covered),
        _number(_rms(np.array(habit))),
    )


REGION_HEAD = (
    "case",
    "sessions",
    "odd one's dead time told",
    "told elsewhere",
    "its error µs rms",
    "intervals that cover",
    "true change over 2 %: said to change",
    "true change under 1 %: said to change",
    "findings",
)


def _region_row(name: str, outcomes: Sequence[Outcome]) -> tuple[str, ...]:
    odd = np.array([c in o.odd for o in outcomes for c in o.cylinders])
    dead, u95, true_dead, changing, change = (
        np.concatenate([getattr(o, key) for o in outcomes])
        for key in ("dead_ms", "dead_u95_ms", "true_dead_ms", "changing", "true_change_percent")
    )
    told = np.isfinite(dead)
    said = told | changing
    error = (dead - true_dead)[told & odd]
    return (
        name,
        str(len(outcomes)),
        _mean(told[odd]),
        _mean(told[~odd]),
        _number(_rms(error) * 1000),
        _mean(np.abs(error) <= u95[told & odd]),
        _mean(said[change > 2.0]),
        _mean(said[change < 1.0]),
        _findings(f for o in outcomes for f in o.finding),
    )


def _wrongly_named(finding: str, truth_percent: float) -> bool:
    sign = {"lean": -1, "rich": 1}.get(finding, 0)
    return bool(sign) and sign * truth_percent < WRONG_BELOW_PERCENT


def _among_others(o: Outcome) -> np.ndarray:
    """Truth against the mean of those of the bank that got an answer: a faulty cylinder is left out of it."""
    bank = np.array([c % 2 for c in o.cylinders])
    truth = o.truth.copy()
    for k in (0, 1):
        answered = (bank == k) & np.isfinite(o.offset)
        if answered.any():
            truth[bank == k] -= truth[answered].mean()
    return truth


def _rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.mean(values**2))) if values.size else float("nan")


def _number(value: float) -> str:
    return "–" if not np.isfinite(value) else f"{value:.2f}"


def _percent(share: float) -> str:
    return "–" if not np.isfinite(share) else f"{100 * share:.1f} %"


def _mean(hits: Sequence[bool] | np.ndarray) -> str:
    return _percent(float(np.mean(hits))) if len(hits) else "–"


def _findings(found: Iterable[str]) -> str:
    counts = Counter(found)
    total = sum(counts.values())
    return ", ".join(f"{name} {100 * count / total:.0f}" for name, count in counts.most_common())
