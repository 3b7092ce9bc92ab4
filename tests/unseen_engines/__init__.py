"""Engines that the estimator has not seen: independent test rigs with known truth, made to be honestly hard.

    engine = make_engine("kinked", seed=3, heat_C=15.0)
    table, truth = run(engine, "standard")

Nothing here may be read by the estimator or fitted to it.
"""

from .engine import EngineTruth, make_engine
from .options import EIGHT, FAULT_KINDS, FOUR, Fault, Options
from .schedule import SCHEDULES, Schedule, Segment
from .session import Truth, as_line_stream, run, setup_text
from .shapes import SHAPES, Curve

__all__ = [
    "EIGHT",
    "FAULT_KINDS",
    "FOUR",
    "SCHEDULES",
    "SHAPES",
    "Curve",
    "EngineTruth",
    "Fault",
    "Options",
    "Schedule",
    "Segment",
    "Truth",
    "as_line_stream",
    "make_engine",
    "run",
    "setup_text",
]
