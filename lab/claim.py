"""A finding as handed in: each fault claimed, with its ohm or, where that is left out, with any."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from dataclasses import MISSING, dataclass, replace

import faults as fault_room
from faults import Fault
from faults.fault import own_fields
from lab.case import LOOSE, same_fault
from simulator.errors import BadRequest


@dataclass(frozen=True)
class Claim:
    """One fault of a finding; ``any_ohm``: its ohm was left out, so that only kind and place are claimed."""

    fault: Fault
    any_ohm: bool = False
    text: str = ""

    def __str__(self) -> str:
        return self.text or str(self.fault)

    def names(self, other: Fault) -> bool:
        """Whether it is this fault: of one kind at one place, its ohm, if given, within half a decade."""
        return same_fault(self.fault, other, any_ohm=self.any_ohm)

    def same_place(self, other: Fault) -> bool:
        """Whether kind and place agree, whatever the ohm."""
        return same_fault(self.fault, other, any_ohm=True)

    def settled(self, twin: Fault) -> Fault:
        """The fault claimed, with the numbers of its twin where the claim leaves them open or need not hit them."""
        keys = [*LOOSE, *(["ohm"] if self.any_ohm else [])]
        known = {field.name for field in own_fields(type(self.fault))}
        return replace(self.fault, **{key: getattr(twin, key) for key in keys if key in known})  # type: ignore[arg-type]

    def versions(self, ohms: Sequence[float]) -> list[Fault]:
        """The faults it may mean: itself, and where the ohm is left out every ohm of a list."""
        if not self.any_ohm:
            return [self.fault]
        return [self.fault, *(replace(self.fault, ohm=ohm) for ohm in ohms)]  # type: ignore[call-arg]


def parse_claim(text: str) -> Claim:
    """A claim as typed: a fault as on the command line, whose ohm may be left out. Raises BadRequest."""
    try:
        words = shlex.split(text)
    except ValueError:
        raise BadRequest(f"'{text}' has a quote that does not end; close it") from None
    kind = fault_room.kinds().get(words[0]) if words else None
    field = next((field for field in own_fields(kind) if field.name == "ohm"), None) if kind else None
    if field is None or any(word.startswith("ohm=") for word in words):
        return Claim(fault_room.parse(text))
    if field.default is MISSING:
        return Claim(fault_room.parse(f"{text} ohm={_STANDS_FOR}"), any_ohm=True, text=text)
    return Claim(fault_room.parse(text), any_ohm=True)


#: Where a kind must have an ohm and the finding has none; any would do.
_STANDS_FOR = 100
