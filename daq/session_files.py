"""Files that are only ever created and appended to, and are on the disk when this says so."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable
from pathlib import Path

_APPEND = os.O_WRONLY | os.O_APPEND | getattr(os, "O_BINARY", 0)
_sync_data: Callable[[int], None] = getattr(os, "fdatasync", os.fsync)


def create_file(path: Path) -> int:
    """A descriptor of the new, empty file `path`, for appending. Raises OSError, also where it exists already."""
    return os.open(path, _APPEND | os.O_CREAT | os.O_EXCL, 0o666)


def open_to_append(path: Path) -> int:
    """A descriptor of the existing file `path`, for appending. Raises OSError."""
    return os.open(path, _APPEND)


def append_whole(file: int, data: bytes) -> None:
    """All of `data` in one call. Raises OSError; a short write, which leaves a torn line behind, is one too."""
    if os.write(file, data) != len(data):
        raise OSError(0, "the disk took only part of a batch; it is full or at a limit")


def sync_file(file: int) -> None:
    """What was written survives a power cut. Raises OSError, also where the file has been removed meanwhile."""
    _sync_data(file)
    if os.fstat(file).st_nlink == 0:
        raise OSError(0, "it was removed while recording")


def sync_folder(folder: Path) -> None:
    """The names of new files in `folder` survive a power cut (on Windows a folder cannot be synced).

    A folder that may not be read cannot be synced either; that is no reason not to record. Raises OSError.
    """
    if os.name != "posix":
        return
    with contextlib.suppress(PermissionError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def make_folder(folder: Path) -> None:
    """An empty `folder` whose name, and those of the parents that it needed, survive a power cut. Raises OSError."""
    folder = folder.absolute()
    missing = [path for path in (folder, *folder.parents) if not path.exists()]
    folder.mkdir(parents=True, exist_ok=True)
    for path in missing:
        sync_folder(path.parent)


def reason_of(error: OSError) -> str:
    """The reason alone: the path is named elsewhere in the message."""
    return (error.strerror or str(error)).strip().lower() or type(error).__name__
