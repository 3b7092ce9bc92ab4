"""What a session shows over time: its channels, panel by panel, in the reader's units."""

from __future__ import annotations

import weakref
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.live_deviation import deviations_C
from daq.physical import PhysicalTable
from dashboard.display import Display

FloatArray = npt.NDArray[np.float64]
DEVIATION, TEMPERATURE, MIXTURE, SPEED, LOAD = "deviation of bank ", "temperature", "mixture", "speed", "load"


@dataclass(frozen=True)
class Channel:
    """One line of the picture: its panel, its values (n_samples,) in SI units, whose it is.

    cylinder: None for what belongs to a bank or the whole engine.
    """

    panel: str
    name: str
    values: FloatArray
    bank_index: int | None = None
    cylinder: int | None = None

    @property
    def label(self) -> str:
        """What stands on the line itself."""
        return self.name if self.cylinder is None else str(self.cylinder)


def channels(table: PhysicalTable) -> list[Channel]:
    """Every channel that the session has, panel by panel from top to bottom: deviations of each bank first."""
    found: list[Channel] = []
    deviations = deviations_of(table)
    for index, bank in enumerate(table.setup.bank):
        for cylinder in bank.cylinders:
            values = deviations[table.cylinders.index(cylinder)]
            found.append(Channel(DEVIATION + bank.name, f"cylinder {cylinder}", values, index, cylinder))
    for index, bank in enumerate(table.setup.bank):
        for cylinder in bank.cylinders:
            values = table.egt_C[:, table.cylinders.index(cylinder)]
            found.append(Channel(TEMPERATURE, f"cylinder {cylinder}", values, index, cylinder))
    for index, bank in enumerate(table.setup.bank):
        if bank.name in table.lambda_by_bank:
            found.append(Channel(MIXTURE, bank.name, table.lambda_by_bank[bank.name], index))
    for panel, quantity in ((SPEED, table.rpm), (LOAD, table.load)):
        if quantity is not None:
            found.append(Channel(panel, panel, quantity))
    return found


_deviations: dict[int, tuple[weakref.ref[PhysicalTable], FloatArray]] = {}


def deviations_of(table: PhysicalTable) -> FloatArray:
    """(n_cylinders, n_samples) °C from the mean of the cylinder's bank; kept as long as the table is."""
    known = _deviations.get(id(table))
    if known is not None and known[0]() is table:
        return known[1]
    for key in [key for key, (owner, _) in _deviations.items() if owner() is None]:
        _deviations.pop(key, None)
    result = np.ascontiguousarray(deviations_C(table.egt_C, table.setup).T)
    _deviations[id(table)] = (weakref.ref(table), result)
    return result


def in_unit(channel: Channel, values: FloatArray, display: Display) -> FloatArray:
    """Values of a channel as the reader wants them."""
    if channel.panel.startswith(DEVIATION):
        return np.asarray(display.difference(values))
    if channel.panel == TEMPERATURE:
        return np.asarray(display.temperature(values))
    return np.asarray(display.mixture(values)) if channel.panel == MIXTURE else values


def panel_title(panel: str, table: PhysicalTable, display: Display) -> str:
    """What a panel shows with its unit, e.g. 'port,<br>from mean [°C]'."""
    if panel.startswith(DEVIATION):
        return f"{panel.removeprefix(DEVIATION)},<br>from mean [{display.temperature_unit}]"
    if panel == TEMPERATURE:
        return f"exhaust<br>[{display.temperature_unit}]"
    if panel == MIXTURE:
        return display.mixture_name
    if panel == SPEED:
        return "speed<br>[1/min]"
    unit = table.setup.conditions.load_unit
    return f"load<br>[{unit}]" if unit else "load"
