"""The pages: thin layouts and callbacks; figures, analysis and files are elsewhere."""

from __future__ import annotations

from types import ModuleType

from dashboard.pages import balance, fitting, review, run, sessions, trims

PAGE_MODULES: tuple[ModuleType, ...] = (run, review, balance, trims, sessions, fitting)
