"""One statement of the check before and after a run."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Verdict = Literal["good", "warning", "fault", "cannot tell"]
Topic = Literal[
    "reading", "polarity", "offset", "noise", "cold junction", "port", "transmission", "timing", "files"
]


@dataclass(frozen=True)
class CheckItem:
    """What was found about `subject` ("cylinder 3", an instrument's name, "session") and what to do about it.

    text: one plain sentence. action: one plain sentence, empty where nothing needs to be done.
    """

    subject: str
    topic: Topic
    verdict: Verdict
    text: str
    action: str = ""
