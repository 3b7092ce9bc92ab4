"""What a page needs from the server that shows it: the folder, the analyst, the recorder, the door."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from flask import Flask, current_app, request

from dashboard.analysing import Analyst
from dashboard.display import Display, display_from
from dashboard.security import Door
from dashboard.session_folder import SessionFolder

if TYPE_CHECKING:
    from dashboard.live import Live

KEY = "EVENBURN"


@dataclass(frozen=True)
class Context:
    """One server's parts; several servers may live in one process."""

    folder: SessionFolder
    analyst: Analyst
    live: Live
    door: Door


def put(server: Flask, parts: Context) -> None:
    """Give `server` its parts."""
    server.config[KEY] = parts


def context() -> Context:
    """The parts of the server that handles the present request."""
    parts: Context = current_app.config[KEY]
    return parts


def display(fuel: str = "petrol") -> Display:
    """How the device that sent the present request wants things shown."""
    return display_from(request.cookies, fuel)
