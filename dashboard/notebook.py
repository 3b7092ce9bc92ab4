"""Sessions in a notebook: tables as pandas DataFrames with units in the names, results, plotly figures.

>>> from dashboard.notebook import open_session
>>> run = open_session("sample_logs/inline-four-broken-probe")
>>> run.frame().columns.tolist()
['time_s', 'egt1_C', 'egt2_C', 'egt3_C', 'egt4_C', 'egt2_status', 'lambda_all_lambda', 'rpm', 'map_kPa', 'injector_ms']
>>> run.findings().loc[[2, 3], "finding"].to_dict()
{2: 'probe-fault', 3: 'rich'}
>>> offset = run.findings().loc[3, "fuel_offset_percent"]
>>> bool(1.5 < offset < 3.0)  # 2.3 % were put into this invented engine
True
>>> [kind for kind in run.stretches()["kind"] if kind == "sweep"]
['sweep']
>>> run.trims(step_percent=1.0)["trim_percent"].abs().max() <= 1.0
np.True_
>>> run.figure_offsets().words[:60]
'fuel offset, + is rich [%]. Bank all: cylinder 1: ...'
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from analysis.balance import balance
from analysis.result import Balance, Trims
from analysis.trims import propose_trims
from daq.physical import PhysicalTable, physical_table
from daq.session import Session
from daq.session import open_session as read_session
from daq.setupfile import load_setup
from dashboard import frames
from dashboard.display import Display
from dashboard.trim_limits import limits_from

if TYPE_CHECKING:
    import plotly.graph_objects as go

    from dashboard.figures.rails import Picture

__all__ = ["NotebookSession", "open_session"]


def open_session(folder: str | Path, setup: str | Path | None = None) -> NotebookSession:
    """The session in `folder`, read under its own setup or under the setup file `setup`.

    Raises SessionError, SetupError.
    """
    session = read_session(folder)
    table = physical_table(session, None if setup is None else load_setup(setup))
    return NotebookSession(session, table)


@dataclass(frozen=True)
class NotebookSession:
    """A session with its physical table; the analysis runs when its result is first asked for."""

    session: Session
    table: PhysicalTable
    display: Display = field(default_factory=Display)

    def frame(self) -> pd.DataFrame:
        """Physical values on one time base (see `dashboard.frames.physical_frame`)."""
        return frames.physical_frame(self.table)

    def raw(self, instrument: str) -> pd.DataFrame:
        """What an instrument said, unconverted, on its own times. Raises KeyError."""
        return frames.raw_frame(self.session.tables[instrument])

    @cached_property
    def balance(self) -> Balance:
        """The whole answer."""
        return balance(self.table)

    def findings(self) -> pd.DataFrame:
        """A row a cylinder: finding, deviation [°C], fuel offset [%], intervals, reasons."""
        return frames.findings_frame(self.balance)

    def stretches(self) -> pd.DataFrame:
        """A row a stretch: what the result rests on, what was refused, and why."""
        return frames.stretches_frame(self.balance)

    def propose(self, **limits: float) -> Trims:
        """A trim step within the setup's limits or those given (step_percent, leaning_share, threshold_percent).

        Raises SetupError for a limit that cannot be.
        """
        return propose_trims(self.balance, limits_from(limits, self.table.setup.trims))

    def trims(self, **limits: float) -> pd.DataFrame:
        """`propose` as a table: a row a cylinder."""
        return frames.trims_frame(self.propose(**limits))

    def figure_traces(self, start_s: float | None = None, end_s: float | None = None) -> go.Figure:
        """Everything over time between `start_s` and `end_s` [s] (default: all of it)."""
        from dashboard.figures.traces import traces_figure

        first_s, last_s = float(self.table.time_s[0]), float(self.table.time_s[-1])
        start_s, end_s = first_s if start_s is None else start_s, last_s if end_s is None else end_s
        return traces_figure(self.table, self.display, start_s, end_s, stretches=self.balance.stretches)

    def figure_offsets(self) -> Picture:
        """Each cylinder's fuel offset with its interval, as SVG."""
        from dashboard.figures.rails import offset_rails, rails_picture

        band = self.table.setup.trims.threshold_percent
        rails = offset_rails(self.balance)
        title = "fuel offset, + is rich"
        return rails_picture(rails, self.display, title=title, unit="%", least=2 * band, band=band)

    def figure_sweep(self, bank: str) -> go.Figure:
        """The bank's sweep before and after the curves are shifted. Raises KeyError where it has none."""
        from dashboard.figures.sweep import sweep_figure

        curves = {sweep.bank: sweep for sweep in self.balance.sweeps}[bank]
        index = [b.bank for b in self.balance.banks].index(bank)
        return sweep_figure(curves, index, self.display)

    def figure_regions(self) -> go.Figure:
        """Each cylinder's deviation by operating region."""
        from dashboard.figures.regions import regions_figure

        return regions_figure(self.balance, self.display)
