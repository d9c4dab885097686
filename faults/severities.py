"""How bad the faults of a catalogue are."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Severities:
    """The numbers a catalogue tries: ohm, metre of added stub, volt of ground shift, (volt, ohm) of weak batteries.

    ``bit_rates`` in bit/s; those a module's networks have are left out. ``factors``: what a wrong value of a
    configuration is of the right one. The defaults are a teaching choice.
    """

    ohms: tuple[float, ...] = (0.1, 1.0, 10.0, 100.0, 1_000.0, 10_000.0)
    lengths_m: tuple[float, ...] = (2.0, 10.0)
    volts: tuple[float, ...] = (1.0, 3.0)
    batteries: tuple[tuple[float, float], ...] = ((11.5, 0.05), (9.0, 0.1))
    identifiers: tuple[int, ...] = (0,)
    bit_rates: tuple[int, ...] = (125_000, 250_000, 500_000, 1_000_000)
    factors: tuple[float, ...] = (0.9, 1.1)
