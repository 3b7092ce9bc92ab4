"""How results are said in words, the same in commands, pages and reports. Numbers: `dashboard.display`."""

from __future__ import annotations

import re
from collections import Counter

from analysis.result import Balance, Finding, Method, Side
from dashboard.display import MISSING, signed

FINDING_WORDS: dict[Finding, str] = {
    "even": "even",
    "lean": "lean",
    "rich": "rich",
    "undetermined": "cannot tell",
    "probe-fault": "probe fault",
    "combustion-fault": "combustion fault",
}
METHOD_WORDS: dict[Method, str] = {
    "sweep": "shift of the temperature curves in a mixture sweep",
    "steady": "deviations at steady holds",
    "pull": "deviations during pulls",
    "mixed": "sweep, holds and pulls together",
}
SIDE_WORDS: dict[Side, str] = {
    "rich": "rich of the hottest mixture",
    "near-peak": "near the hottest mixture",
    "lean": "lean of the hottest mixture",
    "mixed": "on both sides of the hottest mixture",
}


UNEQUAL_HEAT = "Equal mixture is not equal temperature: heat that is not fuel, and the probes' errors, stay."


def signed_or_missing(value: float | None, digits: int) -> str:
    """'−4.2', or a dash for what is not there."""
    return MISSING if value is None else signed(value, digits)


def with_interval(value: float | None, u95: float | None, digits: int = 1) -> str:
    """'−4.2 ± 0.5' (unit left to the column's head), or a dash for what is not there."""
    interval = "" if value is None or u95 is None else f" ± {u95:.{digits}f}"
    return signed_or_missing(value, digits) + interval


def duration(seconds: float) -> str:
    """A length of time for people: '6 min 40 s'."""
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    parts = [(hours, "h"), (minutes, "min"), (rest, "s")]
    return " ".join(f"{n} {unit}" for n, unit in parts if n) or "0 s"


def listed(numbers: list[int]) -> str:
    """'cylinder 3', 'cylinders 1, 2 and 5'."""
    *most, last = [str(n) for n in numbers]
    return f"cylinders {', '.join(most)} and {last}" if most else f"cylinder {last}"


def verdict(balance: Balance) -> str:
    """The session's answer in one sentence."""
    found = Counter(c.finding for c in balance.cylinders)
    total = len(balance.cylinders)
    if found["undetermined"] == total:
        return "Cannot tell: this session does not show how evenly the cylinders are fuelled."
    parts = []
    for kind, word in FINDING_WORDS.items():
        members = sorted(c.cylinder for c in balance.cylinders if c.finding == kind)
        if members:
            parts.append(f"{len(members)} {word}" + ("" if kind == "even" else f" ({listed(members)})"))
    return f"Of {total} cylinders: {'; '.join(parts)}."


def reasons_by_cylinders(balance: Balance, *, only_unanswered: bool = False) -> list[tuple[list[int], str]]:
    """Each reason once and typeset, with the cylinders it holds for, in the cylinders' order."""
    grouped: dict[str, list[int]] = {}
    for entry in balance.cylinders:
        if only_unanswered and entry.finding in ("even", "lean", "rich"):
            continue
        for reason in entry.reasons:
            grouped.setdefault(typeset(reason), []).append(entry.cylinder)
    return [(cylinders, reason) for reason, cylinders in grouped.items()]


def typeset(text: str) -> str:
    """`text` with a proper minus before its negative numbers; hyphens in words, names and dates stay."""
    return re.sub(r"(?<![^\s(\[=±])-(?=\d)", "−", text)


def sentence(text: str) -> str:
    """`text` with a capital letter first, typeset."""
    return typeset(text[:1].upper() + text[1:])


def reason_sentence(cylinders: list[int], reason: str) -> str:
    """A reason with the cylinders it holds for, which are not said twice."""
    if len(cylinders) == 1 and re.search(rf"\bcylinder {cylinders[0]}\b", reason):
        return sentence(reason)
    return f"{listed(cylinders).capitalize()}: {typeset(reason)}"
