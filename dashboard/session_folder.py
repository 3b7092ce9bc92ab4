"""The folder of sessions that the dashboard was opened on, and the only place it reads and writes.

A name that arrives in an address or a request is matched against the folder's own listing and never joined to a
path unseen, so that it cannot lead outside, by dots, slashes or links.
"""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path

from daq.errors import SessionError
from daq.setupfile import Setup, parse_setup

TRASH = "trash"
SETUP_NAME = "setup.toml"
LARGEST_SETUP_BYTES = 1_000_000


@dataclass(frozen=True)
class Fingerprint:
    """What tells that a session's files have changed: name, size and time of change of each."""

    files: tuple[tuple[str, int, int], ...]


class SessionFolder:
    """Sessions, setup files and tables right inside one folder."""

    def __init__(self, root: str | Path) -> None:
        self.root = Path(root).resolve()
        if not self.root.is_dir():
            raise SessionError(f"{root}: is not a folder; name the folder that holds the sessions")

    def names(self) -> list[str]:
        """Names of the sessions, newest first; links are not followed."""
        found = [
            entry
            for entry in self.root.iterdir()
            if not entry.is_symlink() and entry.is_dir() and _is_session(entry)
        ]
        return [entry.name for entry in sorted(found, key=_changed_ns, reverse=True)]

    def path(self, name: str) -> Path:
        """The folder of the session `name`. Raises SessionError for any name that is not in the listing."""
        if name not in self.names():
            raise SessionError(f"there is no session named {name!r} in this folder")
        return self.root / name

    def files(self, suffix: str) -> list[str]:
        """Names of the plain files with `suffix` right inside the folder, e.g. setups ('.toml')."""
        return sorted(
            entry.name
            for entry in self.root.iterdir()
            if entry.suffix == suffix and not entry.is_symlink() and entry.is_file()
        )

    def file(self, name: str, suffix: str) -> Path:
        """The file `name` right inside the folder. Raises SessionError for a name not in the listing."""
        if name not in self.files(suffix):
            raise SessionError(f"there is no file named {name!r} in this folder")
        return self.root / name

    def fingerprint(self, name: str) -> Fingerprint:
        """Changes whenever a file of the session changes."""
        entries = [(f.name, f.stat()) for f in sorted(self.path(name).iterdir()) if f.is_file()]
        return Fingerprint(tuple((file, stat.st_size, stat.st_mtime_ns) for file, stat in entries))

    def new_path(self, name: str) -> Path:
        """Where a new session `name` may be written. Raises SessionError for a name that is no plain file name."""
        plain = name.strip()
        if (
            not plain
            or len(plain) > 100
            or not all(c.isalnum() or c in " ._-" for c in plain)
            or plain[0] == "."
        ):
            raise SessionError(
                "a session's name may hold letters, digits, blanks, dots, dashes and underscores"
            )
        if plain.lower() == TRASH or (self.root / plain).exists():
            raise SessionError(f"{plain!r} is taken already; choose another name")
        return self.root / plain

    def move_to_trash(self, name: str) -> Path:
        """Move a session into the folder's trash; nothing is erased. Returns where it went."""
        trash = self.root / TRASH
        if trash.is_symlink():
            raise SessionError("the trash folder is a link to elsewhere; nothing was moved")
        source = self.path(name)
        trash.mkdir(exist_ok=True)
        return Path(shutil.move(source, _free_name(trash, name)))

    def setup_text(self, name: str) -> str:
        """The text of the session's setup file. Raises SessionError if it cannot be read."""
        file = self.path(name) / SETUP_NAME
        try:
            if file.is_symlink() or file.stat().st_size > LARGEST_SETUP_BYTES:
                raise SessionError(f"{name}: its {SETUP_NAME} is a link or too large to be a setup")
            return file.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise SessionError(f"{name}: its {SETUP_NAME} cannot be read ({error})") from None

    def correct_setup(self, name: str, text: str) -> Setup:
        """Replace the session's setup by `text`, keeping the previous one as setup.toml.N; samples stay untouched.

        Raises SetupError, with nothing written, if the text is not a setup.
        """
        setup = parse_setup(text, SETUP_NAME)
        previous = self.setup_text(name)
        folder = self.path(name)
        number = 1 + max([0, *(_number(entry) for entry in folder.glob(f"{SETUP_NAME}.*"))])
        (folder / f"{SETUP_NAME}.{number}").write_text(previous, encoding="utf-8", newline="")
        written = folder / f".{SETUP_NAME}.new"
        written.write_text(text, encoding="utf-8", newline="")
        written.replace(folder / SETUP_NAME)
        return setup


def _is_session(entry: Path) -> bool:
    return entry.name != TRASH and not entry.name.startswith(".") and (entry / SETUP_NAME).is_file()


def _changed_ns(entry: Path) -> int:
    return max((file.stat().st_mtime_ns for file in entry.glob("*.csv")), default=entry.stat().st_mtime_ns)


def _number(entry: Path) -> int:
    suffix = entry.suffix.lstrip(".")
    return int(suffix) if suffix.isdecimal() else 0


def _free_name(folder: Path, name: str) -> Path:
    candidate, number = folder / name, 1
    while candidate.exists():
        number += 1
        candidate = folder / f"{name} ({number})"
    return candidate
