"""Reads vehicle files and their databases, and says what is wrong with them."""

from __future__ import annotations

from simulator.reader.database import check_database
from simulator.reader.demos import demo_names, find_vehicle
from simulator.reader.schema import json_schema
from simulator.reader.vehicle_file import check_vehicle, load_vehicle

__all__ = ["check_database", "check_vehicle", "demo_names", "find_vehicle", "json_schema", "load_vehicle"]
