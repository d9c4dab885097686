"""A bench for the bit-level medium: runs it, keeps what it tells, and numbers the bits of a moment from SOF."""

from __future__ import annotations

from collections.abc import Iterable

from simulator.datalink.bitwise import Bitwise
from simulator.datalink.controller import Attempt, Outgoing, Wiring
from simulator.datalink.trouble import Trouble

BIT_NS = 2000  # 500 kbit/s


class BitBench:
    """A bit-level medium with a record of what happened on it; every node hears every other unless told otherwise."""

    def __init__(self, *nodes: str, bit_rate: int = 500_000, settled: bool = True, **options: object) -> None:
        self.attempts: list[Attempt] = []
        self.changes: list[tuple[int, str, str]] = []
        self.troubles: list[Trouble] = []
        self.bit_ns = 1_000_000_000 // bit_rate
        self.medium = Bitwise(
            bit_rate,
            attempted=self.attempts.append,
            changed=lambda t_ns, node, status: self.changes.append((t_ns, node, status)),
            troubled=self.troubles.append,
            **options,  # type: ignore[arg-type]
        )
        self.t_ns = 0
        self.wire(*nodes)
        if settled:
            self.run(100 * self.bit_ns)

    def wire(
        self,
        *nodes: str,
        hearers: dict[str, tuple[str, ...]] | None = None,
        stuck: Iterable[str] = (),
        **wiring: object,
    ) -> None:
        everybody = dict.fromkeys(nodes, nodes) | (hearers or {})
        self.medium.rewire(self.t_ns, Wiring(everybody, stuck=frozenset(stuck), **wiring))  # type: ignore[arg-type]

    def run(self, until_ns: int) -> None:
        while self.medium.deadline_ns <= until_ns:
            self.medium.advance(self.medium.deadline_ns)
        self.t_ns = max(self.t_ns, until_ns)

    def send(self, node: str, frame_id: int, data: bytes = b"", **options: object) -> Outgoing:
        """Submit a frame now."""
        frame = Outgoing(frame_id, data, **options)  # type: ignore[arg-type]
        self.medium.submit(self.t_ns, node, frame)
        return frame

    def watch(self, bits: int = 2000) -> None:
        """Keep the next bits."""
        self.medium.watch(self.t_ns, self.t_ns, self.t_ns + bits * self.bit_ns)

    def flip(self, bit: int, *nodes: str) -> None:
        """Invert what nodes sample in a bit, counted from now."""
        self.medium.disturb(self.t_ns + bit * self.bit_ns, *nodes)

    def drawn(self, node: str | None = None) -> str:
        """The bits kept: what is on the wire, or what one node drives."""
        return "".join("0" if (node in bit.driving if node else bit.driving) else "1" for bit in self.medium.bits)

    def driven(self, node: str) -> list[int]:
        """Numbers of the bits kept that a node drives dominant."""
        return [number for number, bit in enumerate(self.medium.bits) if node in bit.driving]

    def counters(self, *nodes: str) -> list[tuple[int, int]]:
        return [self.medium.counters(node) for node in nodes]

    def kinds(self, node: str) -> list[tuple[str, str]]:
        """What a node has noticed: (kind, place)."""
        return [(one.kind, one.place) for one in self.troubles if one.node == node]

    def told(self) -> list[tuple[object, ...]]:
        """All that was told up to now, in order; what is told late is waited for."""
        until_ns = self.t_ns
        # of errors one is told when the medium stops next, some hundred bits later at most: let it come to that
        self.run(until_ns + 1000 * self.bit_ns)
        told: list[tuple[object, ...]] = [
            (one.t_end_ns, "attempt", one.node, one.outcome, one.t_start_ns, one.length_bits, one.dominant_bits,
             one.acknowledged_by, one.received_by) for one in self.attempts
        ]  # fmt: skip
        told += [(one.t_ns, "trouble", *one[1:]) for one in self.troubles]
        told += [(t_ns, "change", node, status) for t_ns, node, status in self.changes]
        return sorted(one for one in told if one[0] <= until_ns)  # type: ignore[operator, type-var]
