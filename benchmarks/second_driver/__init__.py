"""A virtual driver, kart and receiver that share nothing with linelab: used to judge it."""

from .circuit import Circuit, circuit_from_edges, make_circuit, write_geojson
from .incident import Incident, IncidentError, with_incidents
from .kart import FAST, JUNIOR, KARTS, RENTAL, Kart, kart_file_values
from .line import best_line, lap_times
from .receiver import Filter, Log, Receiver, any_receiver, good_receiver, log, mixed_receiver, poor_receiver
from .session import (
    HABITS,
    Fault,
    Session,
    exact_brake_points,
    exact_drive_points,
    exact_minimum_speeds,
    plan_session,
)
from .spoil import Spoiled, spoil

__all__ = [
    "FAST", "HABITS", "JUNIOR", "KARTS", "RENTAL", "Circuit", "Fault", "Filter", "Incident", "IncidentError", "Kart",
    "Log", "Receiver", "Session", "Spoiled", "any_receiver", "best_line", "circuit_from_edges", "exact_brake_points",
    "exact_drive_points", "exact_minimum_speeds", "good_receiver", "kart_file_values", "lap_times", "log",
    "make_circuit", "mixed_receiver", "plan_session", "poor_receiver", "spoil", "with_incidents", "write_geojson",
]  # fmt: skip
