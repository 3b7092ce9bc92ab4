"""What the setup assistant takes for an answer; anything else is asked again with the reason."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import click

NONE = "none"


def choice(question: str, choices: Sequence[str], default: str | None) -> str:
    """One of `choices`; they are listed where there are few."""
    listed = len(choices) <= 6
    answer: str = click.prompt(
        question, type=click.Choice(list(choices)), default=default, show_choices=listed
    )
    return answer


def unless(taken: Mapping[str, object], why: str) -> Callable[[str], str]:
    """An answer that is not among `taken`."""

    def check(text: str) -> str:
        if text in taken:
            raise click.UsageError(f"{text!r} is {why}")
        return text

    return check


def cylinders_of(text: str, left: Sequence[int]) -> tuple[int, ...]:
    """Cylinder numbers with blanks or commas between them, each one that no other bank has."""
    try:
        numbers = tuple(int(part) for part in text.replace(",", " ").split())
    except ValueError:
        raise click.UsageError("write numbers with blanks between them, such as 1 3 5 7") from None
    if not numbers or len(set(numbers)) < len(numbers) or not set(numbers) <= set(left):
        raise click.UsageError(f"name each cylinder once, out of {' '.join(map(str, left))}")
    return numbers


def pair(text: str) -> tuple[float, float]:
    """Two numbers."""
    try:
        first, second = (float(part) for part in text.replace(",", " ").split())
    except ValueError:
        raise click.UsageError("write two numbers with a blank between them") from None
    return first, second


def increasing_pair(text: str) -> tuple[float, float]:
    """Two numbers, the second one more than the first."""
    first, second = pair(text)
    if second <= first:
        raise click.UsageError("the second must be more than the first")
    return first, second


def number_or_none(text: str) -> str:
    """A number of °C that a thermocouple can show, or NONE."""
    if text == NONE:
        return text
    try:
        if 0.0 < float(text) < 1372.0:
            return text
    except ValueError:
        pass
    raise click.UsageError(f"write a number of °C below 1372, or {NONE}")
