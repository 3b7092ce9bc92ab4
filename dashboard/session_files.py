"""A session's files as evidence: their sizes and checksums, and the setup as it was read."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

from daq.errors import SessionError
from daq.setupfile import Setup


@dataclass(frozen=True)
class SessionFiles:
    """files: (name, bytes, SHA-256 in hex), by name. setup_text: the setup file's text."""

    files: tuple[tuple[str, int, str], ...]
    setup_text: str

    @property
    def checksum(self) -> str:
        """SHA-256 over all files: of their list as `sha256sum` prints it, names in byte order."""
        lines = "".join(f"{digest}  {name}\n" for name, _, digest in self.files)
        return hashlib.sha256(lines.encode()).hexdigest()


def session_files(folder: Path, setup: Setup) -> SessionFiles:
    """The files that make up the session in `folder`. Raises SessionError where one cannot be read."""
    patterns = [p for i in setup.instrument for p in (f"{i.name}.csv", f"{i.name}.*.csv")]
    try:
        paths = {
            path for pattern in ("setup.toml", "marks.jsonl", *patterns) for path in folder.glob(pattern)
        }
        files = tuple(_fingerprint(path) for path in sorted(paths, key=lambda path: path.name.encode()))
        setup_text = (folder / "setup.toml").read_text(encoding="utf-8")
    except OSError as error:
        raise SessionError(f"{error.filename}: cannot be read ({error.strerror})") from None
    except UnicodeDecodeError:
        raise SessionError(f"{folder / 'setup.toml'}: is not a text file in UTF-8") from None
    return SessionFiles(files, setup_text)


def _fingerprint(path: Path) -> tuple[str, int, str]:
    with path.open("rb") as stream:
        digest = hashlib.file_digest(stream, "sha256").hexdigest()
    return path.name, path.stat().st_size, digest
