"""What came through the wire: dropped lines, lost ports, jitter, damaged files.

Limits are common practice, no published source.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping

import numpy as np

from analysis.check_item import CheckItem, Verdict
from daq.clock import sample_times
from daq.session import InstrumentTable, Session

DROPPED_WARNING, DROPPED_FAULT = 0.001, 0.02
MISSING_WARNING, JITTER_WARNING = 0.01, 0.25
_EVENTS = {
    "gap": ("lost its port", "Fasten the USB plug and the cable, and give the hub its own power."),
    "restart": (
        "restarted",
        "Check its supply: a weak 12 V or USB supply resets it while the starter turns.",
    ),
    "overflow": (
        "was faster than the disk could take",
        "Record on an internal disk and close other programs.",
    ),
    "failure": ("had a part of the recorder fail", "Keep the session's marks and report it."),
}


def check_transmission(session: Session) -> Iterator[CheckItem]:
    """Each instrument's dropped lines, and what happened to its port."""
    for name, table in session.tables.items():
        yield _dropped(name, table.host_s.size, _dropped_lines(session, name))
    for kind, (what, action) in _EVENTS.items():
        counted = Counter(
            str(m.details.get("instrument", "session")) for m in session.marks if m.kind == kind
        )
        for name, count in counted.items():
            times = "once" if count == 1 else f"{count} times"
            yield CheckItem(name, "transmission", "warning", f"{name} {what} {times}.", action)


def _dropped_lines(session: Session, instrument: str) -> Counter[str]:
    """How many lines of `instrument` were dropped, by reason."""
    lines: Counter[str] = Counter()
    for mark in session.marks:
        reasons = mark.details.get("lines")
        if (
            mark.kind == "dropped"
            and mark.details.get("instrument") == instrument
            and isinstance(reasons, Mapping)
        ):
            lines.update({str(reason): int(count) for reason, count in reasons.items()})
    return lines


def _dropped(name: str, accepted: int, lines: Counter[str]) -> CheckItem:
    dropped = lines.total()
    if accepted == 0:
        text = f"{name} gave no sample" + (f"; {dropped} lines were dropped." if dropped else ".")
        action = "Check port, baud rate and that the instrument prints a header."
        return CheckItem(name, "transmission", "fault", text, action)
    share = dropped / (accepted + dropped)
    if dropped == 0:
        return CheckItem(name, "transmission", "good", f"{name}: {accepted} samples, no line dropped.")
    reasons = "; ".join(f"{count} {reason}" for reason, count in lines.most_common(3))
    text = f"{name}: {dropped} of {accepted + dropped} lines dropped ({100 * share:.2f} %): {reasons}."
    verdict: Verdict = "fault" if share > DROPPED_FAULT else "warning" if share > DROPPED_WARNING else "good"
    action = (
        ""
        if verdict == "good"
        else "Check baud rate, cable length and grounding; use a lower rate if need be."
    )
    return CheckItem(name, "transmission", verdict, text, action)


def check_timing(session: Session) -> Iterator[CheckItem]:
    """Each instrument's sample rate, its jitter by its own counter, and samples that are missing."""
    for name, table in session.tables.items():
        if table.host_s.size >= 20:
            yield _timing(name, table)


def _timing(name: str, table: InstrumentTable) -> CheckItem:
    steps_s = np.diff(sample_times(table).time_s)
    period_s = float(np.median(steps_s))
    periods = steps_s / period_s
    missing = int(np.sum(np.maximum(np.round(periods) - 1, 0)))
    share = missing / (missing + table.host_s.size)
    jitter = float(np.quantile(np.abs(periods - np.maximum(np.round(periods), 1)), 0.95))
    said = f"{name}: {1 / period_s:.4g} samples a second, jitter {100 * jitter:.0f} % of a period"
    if share > MISSING_WARNING:
        text = f"{said}; {missing} samples are missing ({100 * share:.1f} %)."
        action = "See the dropped lines and gaps; a baud rate too low for this rate also loses lines."
        return CheckItem(name, "timing", "warning", text, action)
    if jitter > JITTER_WARNING:
        action = "The instrument does not sample evenly: a lower rate or fewer columns may help."
        return CheckItem(name, "timing", "warning", f"{said}.", action)
    return CheckItem(name, "timing", "good", f"{said}, {missing} samples missing.")


def check_files(problems: tuple[str, ...]) -> Iterator[CheckItem]:
    """What is wrong with the session's files or its samples' times."""
    for problem in problems:
        running = "no stop mark" in problem
        yield CheckItem(
            "session", "files", "warning", problem, "" if running else "Keep a copy before any repair."
        )
