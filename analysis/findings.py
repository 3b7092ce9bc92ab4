"""From an offset and its interval to a finding, with the reason in plain sentences."""

from __future__ import annotations

from analysis.result import Finding

EVEN_WITHIN_U95 = 1.25  # an interval wider than this many thresholds cannot call a cylinder even
# Two thirds of a standard uncertainty: the chance is three in four that no more than that is hidden.
PROBABLE_SHARE_OF_U95 = 1 / 3


def judge(offset_percent: float, u95_percent: float, threshold_percent: float) -> Finding:
    """'lean', 'rich', 'even' or 'undetermined' for an offset with its expanded uncertainty [% fuel per air].

    A difference counts when it is certain (outside its own interval) and may well be worth a trim: the threshold is
    reached by the offset or by what its uncertainty may easily have hidden.

    >>> judge(-2.0, 0.4, threshold_percent=1.0), judge(0.3, 0.4, 1.0), judge(-2.0, 3.0, 1.0)
    ('lean', 'even', 'undetermined')
    >>> judge(-0.5, 0.2, 1.0)  # certain, and not worth a trim
    'even'
    """
    size = abs(offset_percent)
    if size > u95_percent and size + PROBABLE_SHARE_OF_U95 * u95_percent >= threshold_percent:
        return "lean" if offset_percent < 0 else "rich"
    return "even" if u95_percent <= EVEN_WITHIN_U95 * threshold_percent else "undetermined"


def sweep_reason(cylinder: int, offset: float, u95: float, threshold: float, finding: Finding) -> str:
    """What the sweep says of one cylinder."""
    amount = f"{abs(offset):.1f} ± {u95:.1f} %"
    if finding == "lean":
        return (
            f"in the sweep cylinder {cylinder}'s curve peaks while the bank is still rich: it gets {amount} less fuel "
            "than its bank's mean"
        )
    if finding == "rich":
        return (
            f"in the sweep cylinder {cylinder}'s curve peaks after the bank's: it gets {amount} more fuel than its "
            "bank's mean"
        )
    if finding == "undetermined":
        return (
            f"the sweep leaves cylinder {cylinder}'s offset at {offset:+.1f} ± {u95:.1f} %, too wide to decide about "
            f"{threshold:.1f} %"
        )
    if abs(offset) > u95:
        return (
            f"cylinder {cylinder} differs by {offset:+.1f} ± {u95:.1f} %: real, but below the {threshold:.1f} % worth "
            "a trim"
        )
    return f"in the sweep cylinder {cylinder}'s curve lies on its bank's within {u95:.1f} % of fuel ({offset:+.1f} %)"


def steady_finding(
    deviation_C: float, u95_C: float, offset_percent: float, u95_percent: float, threshold_percent: float
) -> Finding:
    """The finding from temperatures alone: the deviation decides whether, the slope how much.

    deviation_C ± u95_C includes heat that is not mixture. The sign of the slope is certain here, its size is not, so
    a deviation outside its interval is a real difference even where the offset's size is uncertain.

    >>> steady_finding(45.0, 30.0, offset_percent=-9.0, u95_percent=9.5, threshold_percent=1.0)
    'lean'
    >>> steady_finding(12.0, 30.0, -2.5, 6.0, 1.0)
    'undetermined'
    """
    if abs(deviation_C) > u95_C and abs(offset_percent) >= threshold_percent:
        return "lean" if offset_percent < 0 else "rich"
    return "even" if u95_percent <= EVEN_WITHIN_U95 * threshold_percent else "undetermined"


def steady_reason(
    cylinder: int, deviation: float, u95_C: float, offset: float, u95: float, side: str, finding: Finding
) -> str:
    """What held stretches say of one cylinder."""
    where = f"cylinder {cylinder} runs {deviation:+.0f} °C from its bank's mean on the {side} side"
    if finding in ("lean", "rich"):
        fuel = "less" if finding == "lean" else "more"
        return (
            f"{where}, more than probes and uneven heat explain (±{u95_C:.0f} °C): about "
            f"{abs(offset):.0f} ± {u95:.0f} % {fuel} fuel, if it is fuel and not ignition or a valve; a mixture sweep "
            "would tell"
        )
    if finding == "even":
        return f"{where}, within ±{u95_C:.0f} °C"
    return (
        f"{where}, which probes and heat that is not mixture may explain (±{u95_C:.0f} °C): its mixture may be "
        f"anywhere in {offset:+.1f} ± {u95:.1f} %"
    )


NEAR_PEAK = (
    "the bank ran so near the hottest mixture that temperature hardly changes with fuel and may change either way: "
    "cannot tell from here"
)
NO_MIXTURE = "no lambda for this bank, and no mixture column: a deviation, but not which mixture it means"
NO_BEND = (
    "the mixture was moved, but over too straight a part of the curve: a cylinder that is shifted looks the same there "
    "as one that is hotter"
)
NOTHING_STEADY = "no steady stretch in which this bank's probes could be compared"
ALONE = "no other healthy cylinder in this bank to compare with"

SWEEP_ADVICE = (
    "log a mixture sweep: moderate load, steady speed, never full load; enrich to about lambda 0.78, lean slowly (over "
    "150 s) to about 1.10 while watching the temperature limit, and enrich again; a shift between the curves then "
    "tells the offsets to about ±0.3 to 0.5 %"
)
RICHER_ADVICE = (
    "or hold steady at a richer mixture (lambda 0.85 or below) for at least 60 s at the same speed and load"
)
RETURN_ADVICE = "sweep back to rich as well: what moves the same both ways is mixture, what does not is drift"
WIDER_ADVICE = (
    "sweep wider: the curves must bend (pass their hottest point) for a shift to be told from height"
)
