"""Tables of long sessions, kept in the user's own cache folder so that a second visit need not read the samples.

Safe to delete. A session's own folder is never asked, since it may be a stranger's; what is kept is believed only for
the same files (names, sizes, times of change, the text of setup and marks with its seals) and the same program, and
only if every checksum is right. Whatever fails, the samples are read.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import shutil
import sys
import tempfile
import zlib
from importlib.metadata import version
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import numpy.typing as npt

import daq
from daq.physical import Mark, PhysicalTable
from daq.session_marks import MARKS_FILE
from daq.setupfile import Setup
from dashboard.session_folder import SETUP_NAME, Fingerprint

LEAST_SAMPLES = 200_000  # shorter sessions are read in about a second
LARGEST_BYTES = 2_000_000_000
ABOUT = "about.json"
ARRAYS = ("time_s", "egt_C", "egt_status", "cold_junction_C")
OPTIONAL = ("rpm", "load", "injector_ms", "mixture")


class _About(msgspec.Struct):
    """What is kept of a table beside its arrays; checksums: CRC-32 of each array's values."""

    key: str
    name: str
    setup: Setup
    cylinders: tuple[int, ...]
    banks: tuple[str, ...]
    gaps_s: tuple[tuple[float, float], ...]
    marks: tuple[Mark, ...]
    problems: tuple[str, ...]
    checksums: dict[str, int]


def cache_folder() -> Path:
    """Where this user's caches belong on this system."""
    if sys.platform == "win32":
        base = os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local"
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Caches"
    else:  # XDG Base Directory Specification
        base = os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache"
    return Path(base) / "evenburn"


def load(session: Path, fingerprint: Fingerprint) -> PhysicalTable | None:
    """The table of the session as its files are now; None if it was not kept or is not to be believed."""
    entry = _entry(session)
    try:
        about = msgspec.json.decode((entry / ABOUT).read_bytes(), type=_About)
        if about.key != _key(session, fingerprint):
            return None
        arrays = {name: np.load(entry / f"{name}.npy", allow_pickle=False) for name in about.checksums}
        if any(_checksum(arrays[name]) != value for name, value in about.checksums.items()):
            return None
        columns: dict[str, Any] = {name: arrays[name] for name in ARRAYS}
        columns |= {name: arrays.get(name) for name in OPTIONAL}
        return PhysicalTable(
            name=about.name,
            setup=about.setup,
            cylinders=about.cylinders,
            lambda_by_bank={bank: arrays[f"lambda_{n}"] for n, bank in enumerate(about.banks)},
            gaps_s=about.gaps_s,
            marks=about.marks,
            problems=about.problems,
            **columns,
        )
    except (OSError, ValueError, EOFError, KeyError, TypeError):  # msgspec's errors are ValueErrors
        return None


def store(session: Path, fingerprint: Fingerprint, table: PhysicalTable) -> None:
    """Keep the table of a long session in place of an older one; a full or forbidden disk is no error."""
    if table.time_s.size < LEAST_SAMPLES:
        return
    found = {name: getattr(table, name) for name in (*ARRAYS, *OPTIONAL)}
    found |= {f"lambda_{n}": values for n, values in enumerate(table.lambda_by_bank.values())}
    arrays: dict[str, npt.NDArray[np.generic]] = {k: v for k, v in found.items() if v is not None}
    about = _About(
        key=_key(session, fingerprint),
        name=table.name,
        setup=table.setup,
        cylinders=table.cylinders,
        banks=tuple(table.lambda_by_bank),
        gaps_s=table.gaps_s,
        marks=table.marks,
        problems=table.problems,
        checksums={name: _checksum(values) for name, values in arrays.items()},
    )
    with contextlib.suppress(OSError):
        _write(_entry(session), about, arrays)
        _remove_oldest()


def _write(entry: Path, about: _About, arrays: dict[str, npt.NDArray[np.generic]]) -> None:
    entry.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=entry.parent, prefix="new-") as name:
        new = Path(name) / "entry"
        new.mkdir(mode=0o700)
        for array, values in arrays.items():
            np.save(new / f"{array}.npy", values, allow_pickle=False)
        (new / ABOUT).write_bytes(msgspec.json.encode(about))
        shutil.rmtree(entry, ignore_errors=True)
        new.rename(entry)


def _remove_oldest() -> None:
    """Remove the entries that were written first until the rest is small enough."""
    entries = sorted(cache_folder().glob(f"*/{ABOUT}"), key=lambda file: file.stat().st_mtime_ns)
    sizes = [sum(file.stat().st_size for file in about.parent.iterdir()) for about in entries]
    while entries and sum(sizes) > LARGEST_BYTES:
        shutil.rmtree(entries.pop(0).parent, ignore_errors=True)
        sizes.pop(0)


def _entry(session: Path) -> Path:
    return cache_folder() / hashlib.sha256(str(session.resolve()).encode()).hexdigest()[:32]


def _key(session: Path, fingerprint: Fingerprint) -> str:
    """Another one for other files or another program. Raises OSError if setup or marks cannot be read."""
    program = [(file.name, file.stat().st_size, file.stat().st_mtime_ns) for file in _modules()]
    said = repr((version("evenburn"), np.__version__, program, str(session.resolve()), fingerprint.files))
    digest = hashlib.sha256(said.encode())
    for name in (SETUP_NAME, MARKS_FILE):
        digest.update((session / name).read_bytes() if (session / name).is_file() else b"")
    return digest.hexdigest()


def _modules() -> list[Path]:
    """The modules that make a table, whose change makes what was kept stale."""
    return sorted(Path(daq.__path__[0]).glob("*.py"))


def _checksum(values: npt.NDArray[np.generic]) -> int:
    return zlib.crc32(np.ravel(values, order="K").view(np.uint8).data)
