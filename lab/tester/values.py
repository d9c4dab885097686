"""Live values by name: what modules answer when asked, and what the messages at the sockets say."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass
from fnmatch import fnmatchcase
from typing import Any

from lab.tester.diagnosis import Diagnosis, NoAnswer, NoService
from lab.tester.identity import read_value
from simulator.diagnostics.services.read_codes import CLOCK, SUPPLY
from simulator.errors import UnknownName
from simulator.vehicle import Message, Vehicle

#: How long the messages at a socket are listened to, in s: longer than the slowest usual cycle (own choice).
LISTEN_S = 1.2
#: What every module can be asked: name, data identifier, physical value of one count, unit.
ASKED = (("supply", SUPPLY, 0.01, "V"), ("clock", CLOCK, 0.1, "s"))


@dataclass(frozen=True)
class Value:
    """A value: ``name`` as MODULE.what or MESSAGE.SIGNAL; ``value`` None where there is none, then ``word`` says why.

    ``by``: asked (a data identifier) or heard (a message at a socket).
    """

    name: str
    value: float | str | None
    unit: str
    by: str
    word: str = ""

    def as_json(self) -> dict[str, Any]:
        """The mapping of the command ``values``."""
        return asdict(self)

    def shown(self) -> str:
        """The value with its unit, or why there is none."""
        if self.value is None:
            return self.word
        number = f"{self.value:.6g}" if isinstance(self.value, float) else str(self.value)
        return f"{number} {self.unit}".strip()


def value_names(vehicle: Vehicle) -> list[str]:
    """Every name that may be asked for."""
    return [*(f"{module}.{what}" for module in vehicle.modules for what, *_ in ASKED), *_signals(vehicle)]


def names_like(vehicle: Vehicle, names: Iterable[str]) -> list[str]:
    """The names that these mean, with * and ? for any letters. Raises UnknownName for one that means nothing."""
    known = value_names(vehicle)
    wanted: list[str] = []
    for name in names:
        found = [each for each in known if fnmatchcase(each.lower(), name.lower())]
        if not found:
            raise UnknownName("value", name, known)
        wanted += found
    return wanted


def read_values(diagnosis: Diagnosis, names: Iterable[str] = ()) -> list[Value]:
    """The values of these names (with * and ? for any letters; default: all that there are).

    Raises UnknownName for a name that nothing has.
    """
    wanted = names_like(diagnosis.vehicle, names)
    chosen = dict.fromkeys(wanted or value_names(diagnosis.vehicle))
    values = [*_asked(diagnosis, chosen), *_heard(diagnosis, chosen)]
    # a network that no socket is on, and no gateway passes on, has nothing to say there: only what was named is told
    return [value for value in values if wanted or value.value is not None]


def _signals(vehicle: Vehicle) -> Iterator[str]:
    for _, message in _messages(vehicle):
        for signal in message.codec.signals if message.codec is not None else ():
            yield f"{message.name}.{signal.name}"


def _messages(vehicle: Vehicle) -> Iterable[tuple[str, Message]]:
    """The messages with their networks, those with a socket first, each name once."""
    found: dict[str, tuple[str, Message]] = {}
    for name, network in sorted(vehicle.networks.items(), key=lambda item: item[1].socket is None):
        for message in network.messages:
            found.setdefault(message.name, (name, message))
    return found.values()


def _asked(diagnosis: Diagnosis, chosen: Iterable[str]) -> Iterator[Value]:
    for module in diagnosis.vehicle.modules:
        for what, number, scale, unit in ASKED:
            name = f"{module}.{what}"
            if name not in chosen:
                continue
            try:
                raw = int.from_bytes(read_value(diagnosis, module, number), "big")
            except (NoAnswer, NoService) as no:
                yield Value(name, None, unit, "asked", str(no))
            else:
                yield Value(name, round(raw * scale, 6), unit, "asked")


def _heard(diagnosis: Diagnosis, chosen: Iterable[str]) -> Iterator[Value]:
    """What the sockets hear within a while; a message of which there was none has no value."""
    wanted = set(chosen)
    last = diagnosis.listen(LISTEN_S)
    for network, message in _messages(diagnosis.vehicle):
        signals = message.codec.signals if message.codec is not None else ()
        data = last.get((network, message.frame_id, message.extended))
        decoded = message.codec.decode(data, decode_choices=True) if data is not None and message.codec else {}
        for signal in signals:
            name = f"{message.name}.{signal.name}"
            if name not in wanted:
                continue
            value = decoded.get(signal.name)
            if value is None:
                yield Value(name, None, signal.unit or "", "heard", "not heard at a socket")
            else:
                plain = float(value) if isinstance(value, int | float) else str(value)
                yield Value(name, plain, signal.unit or "", "heard")
