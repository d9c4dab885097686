"""Where a fault sits: places, plugs and runs of a vehicle, found and named as the vehicle names them."""

from __future__ import annotations

from collections.abc import Iterator

from simulator.errors import BadRequest, UnknownName
from simulator.vehicle import Network, Vehicle


def plug_network(vehicle: Vehicle, module: str, network: str | None) -> Network:
    """The network of a module's plug. Raises UnknownName, and BadRequest for a place that is no plug."""
    if module not in vehicle.modules:
        if vehicle.networks_at(module):
            raise BadRequest(f"'{module}' is no module's plug; write a module, or run= for the wire beside it")
        raise UnknownName("module", module, vehicle.modules)
    return vehicle.network_of_place(module, network)


def place_network_word(vehicle: Vehicle, place: str, network: str | None) -> str | None:
    """The network to print with a place: its name where several networks have that place, else None."""
    return vehicle.network_of_place(place, network).name if len(vehicle.networks_at(place)) > 1 else None


def run_words(vehicle: Vehicle, run: str, network: str | None) -> tuple[str, str | None]:
    """The name of a run as the file writes it, and the network to print with it (None: no other has that run)."""
    found = vehicle.network_of_run(run, network)
    canonical = found.run(run).name
    elsewhere = any(_has_run(other, canonical) for other in vehicle.networks.values() if other is not found)
    return canonical, found.name if elsewhere else None


def places(vehicle: Vehicle) -> Iterator[tuple[str, str | None]]:
    """Every place with the network to print, network by network."""
    for network in vehicle.networks.values():
        for place in network.places:
            yield place, place_network_word(vehicle, place, network.name)


def plugs(vehicle: Vehicle) -> Iterator[tuple[str, str | None]]:
    """Every module's plug with the network to print, network by network."""
    return ((place, network) for place, network in places(vehicle) if place in vehicle.modules)


def runs(vehicle: Vehicle) -> Iterator[tuple[str, str | None]]:
    """Every run with the network to print, network by network."""
    for network in vehicle.networks.values():
        for run in network.runs:
            yield run_words(vehicle, run.name, network.name)


def _has_run(network: Network, name: str) -> bool:
    try:
        network.run(name)
    except UnknownName:
        return False
    return True
