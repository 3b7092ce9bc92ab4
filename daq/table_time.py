"""Times of day in a table from another program, as seconds."""

from __future__ import annotations

from datetime import date

from daq.errors import TableError
from daq.table_text import CLOCK

DAY_S = 86400.0
MIDNIGHT_STEP_S = 43200.0


class Clock:
    """Turns times of day, given in the order of the rows, into seconds that go on past midnight.

    A date is followed where it changes. Without one, a step back of more than half a day is midnight.
    """

    def __init__(self) -> None:
        self._date = ""
        self._day = 0
        self._last_s: float | None = None

    def seconds(self, cell: str) -> float | None:
        """Seconds since midnight of the first day (of 0001-01-01 where a date changes); None for no time of day.

        Raises TableError where the date changes but the order of day and month cannot be known.
        """
        found = CLOCK.fullmatch(cell)
        if found is None:
            return None
        hour = int(found["h"])
        if found["half"]:
            if not 1 <= hour <= 12:
                return None
            hour = hour % 12 + (12 if found["half"] in "Pp" else 0)
        if hour > 23:
            return None
        second = 3600.0 * hour + 60.0 * int(found["m"]) + float(found["s"].replace(",", "."))
        self._follow(found["date"] or "", second)
        self._last_s = second
        return DAY_S * self._day + second - _zone_s(found["zone"] or "")

    def _follow(self, said: str, second: float) -> None:
        if self._last_s is None:
            self._date = said
        elif said != self._date:
            self._day += _day_number(said) - _day_number(self._date)
            self._date = said
        elif not said and second < self._last_s - MIDNIGHT_STEP_S:
            self._day += 1


def _day_number(said: str) -> int:
    """Days since 0001-01-01 of YYYY-MM-DD or DD.MM.YYYY. Raises TableError for any other or no date."""
    try:
        if said[4:5] == "-":
            return date.fromisoformat(said).toordinal()
        if "." in said:
            day, month, year = said.split(".")
            if len(year) == 4:
                return date(int(year), int(month), int(day)).toordinal()
    except ValueError:
        pass
    raise TableError(
        f"the date changes within the table and {said!r} can be read in two ways, or not at all; "
        "export dates as YYYY-MM-DD"
    )


def _zone_s(zone: str) -> float:
    if zone in ("", "Z"):
        return 0.0
    sign = -1.0 if zone[0] == "-" else 1.0
    return sign * (3600.0 * int(zone[1:3]) + 60.0 * int(zone[-2:]))
