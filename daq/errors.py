"""What can go wrong at the user's hands, as one tree.

EvenburnError            anything a user can cause or mend; its text is one clear line, without a traceback
├── SetupError           the setup file: unreadable, an unknown key, a cylinder in two banks, a missing column
├── StreamError          a captured line stream that holds no header or no sample
├── PortError            a serial port that is absent, busy or gone
├── SessionError         a folder that is not a session, or whose files cannot be read or written
├── TableError           a table from elsewhere that cannot be understood
└── ExtraError           something was asked for that needs an optional part of the program

Whether the *data* can answer is not an error but part of every result.
"""

from __future__ import annotations


class EvenburnError(Exception):
    """Base of every error that a user can cause; `str(error)` is one line that says what to do."""


class SetupError(EvenburnError):
    """The setup file cannot be used; the text names the file, the key and what would be right."""


class StreamError(EvenburnError):
    """A captured line stream cannot be used."""


class PortError(EvenburnError):
    """A serial port cannot be opened or has gone."""


class SessionError(EvenburnError):
    """A session folder cannot be read or written."""


class TableError(EvenburnError):
    """A table from another program cannot be understood."""


class ExtraError(EvenburnError):
    """An optional part of the program is needed and not installed; the text names it."""
