"""Faults of a module's own behaviour."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import ClassVar, Self

from faults.fault import Fault, register, rename
from faults.reading import BitRate, Identifier, MessageName, ModuleName, NetworkName
from faults.severities import Severities
from simulator import deviations
from simulator.deviations import Behaviour, Deviation
from simulator.errors import BadRequest, UnknownName
from simulator.vehicle import Network, Vehicle


@register
@dataclass(frozen=True, kw_only=True)
class DeadModule(Fault):
    """A module is as if without supply for ever; its terminator stays."""

    kind: ClassVar[str] = "dead_module"
    example: ClassVar[str] = "dead_module module=GBX"

    module: ModuleName

    def changes(self, vehicle: Vehicle) -> tuple[Deviation, ...]:
        return (Behaviour(vehicle.module(self.module).name, "dead"),)

    @classmethod
    def everywhere(cls, vehicle: Vehicle, severities: Severities) -> Iterator[Fault]:
        yield from (cls(module=module) for module in vehicle.modules)


@register
@dataclass(frozen=True, kw_only=True)
class StuckDominant(Fault):
    """A module drives every network of its dominant, without end, while it is awake."""

    kind: ClassVar[str] = "stuck_dominant"
    example: ClassVar[str] = "stuck_dominant module=GBX"

    module: ModuleName

    def changes(self, vehicle: Vehicle) -> tuple[Deviation, ...]:
        return (Behaviour(vehicle.module(self.module).name, "stuck_dominant"),)

    @classmethod
    def everywhere(cls, vehicle: Vehicle, severities: Severities) -> Iterator[Fault]:
        yield from (cls(module=module) for module in vehicle.modules)


@register
@dataclass(frozen=True, kw_only=True)
class StuckRecessive(Fault):
    """A module, while awake, never drives its networks dominant: it neither sends nor acknowledges."""

    kind: ClassVar[str] = "stuck_recessive"
    example: ClassVar[str] = "stuck_recessive module=GBX"

    module: ModuleName

    def changes(self, vehicle: Vehicle) -> tuple[Deviation, ...]:
        return (Behaviour(vehicle.module(self.module).name, "stuck_recessive"),)

    @classmethod
    def everywhere(cls, vehicle: Vehicle, severities: Severities) -> Iterator[Fault]:
        yield from (cls(module=module) for module in vehicle.modules)


@register
@dataclass(frozen=True, kw_only=True)
class NotConfigured(Fault):
    """A module has no configuration: it still acknowledges and answers tester-present."""

    kind: ClassVar[str] = "not_configured"
    example: ClassVar[str] = "not_configured module=GBX"

    module: ModuleName

    def changes(self, vehicle: Vehicle) -> tuple[Deviation, ...]:
        return (Behaviour(vehicle.module(self.module).name, "not_configured"),)

    @classmethod
    def everywhere(cls, vehicle: Vehicle, severities: Severities) -> Iterator[Fault]:
        yield from (cls(module=module) for module in vehicle.modules)


@register
@dataclass(frozen=True, kw_only=True)
class Flooding(Fault):
    """A module sends frames of one identifier without a pause."""

    kind: ClassVar[str] = "flooding"
    example: ClassVar[str] = "flooding module=GBX id=0x001"

    module: ModuleName
    id: Identifier = 0

    def changes(self, vehicle: Vehicle) -> tuple[Deviation, ...]:
        return (Behaviour(vehicle.module(self.module).name, "flooding", self.id),)

    @classmethod
    def everywhere(cls, vehicle: Vehicle, severities: Severities) -> Iterator[Fault]:
        for module in vehicle.modules:
            yield from (cls(module=module, id=identifier) for identifier in severities.identifiers)


@register
@dataclass(frozen=True, kw_only=True)
class WrongBitRate(Fault):
    """A module sends and listens at another bit rate, in bit/s."""

    kind: ClassVar[str] = "wrong_bit_rate"
    example: ClassVar[str] = "wrong_bit_rate module=GBX bit_rate=250000"

    module: ModuleName
    bit_rate: BitRate

    def changes(self, vehicle: Vehicle) -> tuple[Deviation, ...]:
        return (Behaviour(vehicle.module(self.module).name, "wrong_bit_rate", self.bit_rate),)

    @classmethod
    def everywhere(cls, vehicle: Vehicle, severities: Severities) -> Iterator[Fault]:
        for module in vehicle.modules:
            right = {vehicle.networks[name].bit_rate for name in vehicle.networks_at(module)}
            wrong = (bit_rate for bit_rate in severities.bit_rates if bit_rate not in right)
            yield from (cls(module=module, bit_rate=bit_rate) for bit_rate in wrong)


@register
@dataclass(frozen=True, kw_only=True)
class SilentMessage(Fault):
    """One message of the database is no longer sent."""

    kind: ClassVar[str] = "silent_message"
    example: ClassVar[str] = "silent_message message=GbxGear"

    message: MessageName
    network: NetworkName | None = None

    def changes(self, vehicle: Vehicle) -> tuple[Deviation, ...]:
        """The message of its network, silent."""
        return (deviations.SilentMessage(self._network(vehicle).name, self.message),)

    def canonical(self, vehicle: Vehicle) -> Self:
        """The same fault; its network is named only where several have a message of that name."""
        network = self._network(vehicle).name
        return rename(self, network=network if len(_networks_with(vehicle, self.message)) > 1 else None)

    @classmethod
    def everywhere(cls, vehicle: Vehicle, severities: Severities) -> Iterator[Fault]:
        """The fault wherever the vehicle can have it, in each severity."""
        for network in vehicle.networks.values():
            for message in network.messages:
                if message.sender is not None:
                    yield cls(message=message.name, network=network.name).canonical(vehicle)

    def _network(self, vehicle: Vehicle) -> Network:
        if self.network is not None:
            network = vehicle.network(self.network)
            names = [message.name for message in network.messages]
            if self.message not in names:
                raise UnknownName(f"message on network {network.name}", self.message, names)
            return network
        found = _networks_with(vehicle, self.message)
        if not found:
            known = {message.name for network in vehicle.networks.values() for message in network.messages}
            raise UnknownName("message", self.message, known)
        if len(found) > 1:
            names = [network.name for network in found]
            raise BadRequest(f"message '{self.message}' is on several networks ({', '.join(names)}): add network=")
        return found[0]


def _networks_with(vehicle: Vehicle, message: str) -> list[Network]:
    return [network for network in vehicle.networks.values() if any(item.name == message for item in network.messages)]
