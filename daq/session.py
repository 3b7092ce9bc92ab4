"""A session on disk: a folder that keeps what each instrument said, readable by any spreadsheet.

| file               | holds                                                                               |
| ------------------ | ----------------------------------------------------------------------------------- |
| `INSTRUMENT.csv`   | `host_s` [s since the recording began], the instrument's columns, fields as received |
| `INSTRUMENT.2.csv` | the same from where the instrument began to print other columns, and so on          |
| `setup.toml`       | what the columns mean; may be edited afterwards                                     |
| `marks.jsonl`      | what happened, and seals (see `daq.session_marks`)                                  |

    host_s,time_ms,cj_C,egt1_mV,egt2_mV,rpm
    12.345678,98340,24.6,31.204,open,2996

Files are only ever appended to, so a session cut short at any byte is a shorter session. What no longer
matches its seal is left out and reported; what no seal covers yet (the last 10 s of a recording that was cut
off) is read as it is. Lines without a line end and a tail of zero bytes are not data.
"""

from __future__ import annotations

from daq.session_add_mark import add_mark
from daq.session_csv import DamagedPart
from daq.session_marks import Mark
from daq.session_reader import InstrumentTable, Session, open_session
from daq.session_tail import SessionTail
from daq.session_writer import SessionWriter

__all__ = [
    "DamagedPart",
    "InstrumentTable",
    "Mark",
    "Session",
    "SessionTail",
    "SessionWriter",
    "add_mark",
    "open_session",
]
