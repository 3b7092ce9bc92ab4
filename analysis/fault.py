"""What keeps a cylinder's temperature from telling its mixture."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.result import Finding


@dataclass(frozen=True)
class Fault:
    """A probe that is not believed, or a cylinder that does not burn like its neighbours; neither gets a trim.

    finding: 'probe-fault' or 'combustion-fault'. kind: a word or two. reason: one plain sentence.
    """

    cylinder: int
    finding: Finding
    kind: str
    reason: str
