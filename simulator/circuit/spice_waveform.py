"""The same waveform as a netlist for ngspice: every run as two modes on ideal lines, the supply with it.

Nothing of the wave kernel is in it: ngspice's T elements carry the modes, its own steps solve the whole circuit, the
supply and the ground wires included, which the kernel takes at rest.
"""

from __future__ import annotations

from collections.abc import Iterable

from simulator.circuit.circuit import TESTER, Circuit
from simulator.circuit.lines import LineNetwork, Pair, Piece, Ramp
from simulator.circuit.spice import Netlist, leg_current, plain
from simulator.deviations import LINES
from simulator.probes import Point

#: An ideal line takes a breakpoint wherever its wave bends; REL and ABS this high take none, the step limit does.
LINE_TOLERANCE = "rel=1e6 abs=1e6"


def spice_waveform(
    net: LineNetwork,
    ramps: Iterable[Ramp],
    *,
    from_ns: float,
    until_ns: float,
    step_ns: float,
    places: Iterable[str],
    output: str,
) -> str:
    """A netlist that ngspice runs in batch: the voltages of places (``NAME`` or a module's pins as ``NAME.pin``).

    ``output``: the file that it writes, in ASCII: t in s and volt for every high and low, in the order of ``places``.
    """
    made = _LineNetlist(net, list(ramps), from_ns)
    nodes = [node for place in places for node in made.probe(place)]
    control = [
        ".control",
        "set wr_singlescale",
        "set numdgt=10",
        f"tran {step_ns}n {until_ns - from_ns}n 0 {step_ns}n",
        f"wrdata {output} " + " ".join(f"v({node})" for node in nodes),
        "quit",
        ".endc",
    ]
    return "\n".join([*made.cards(), ".options method=trap reltol=1e-5 abstol=1e-11", *control, ".end", ""])


class _LineNetlist(Netlist):
    """The circuit's netlist with the runs of one network as lines."""

    def __init__(self, net: LineNetwork, ramps: list[Ramp], from_ns: float) -> None:
        super().__init__(Circuit(net.circuit.vehicle, net.circuit.condition, states=net.circuit.states), ())
        self.net = net
        self.ramps = [*ramps, *(Ramp(module, ((0.0, 1.0),)) for module in net.stuck)]
        self.from_ns = from_ns
        self.of_node = {number: self._node(point) for point, number in net.nodes.items()}

    def _node(self, point: Point) -> str:
        if point[0] == "cut":
            side = "after" if point[3].endswith("+") else "before"
            return "_".join(["cut", *(plain(part) for part in (*point[1:3], point[3][:-1])), side, point[4]])
        return self._name(point)

    def probe(self, place: str) -> tuple[str, str]:
        """The node names of a place's or a module's pins' two lines."""
        name, _, pin = place.partition(".")
        high, low = (self._name(("pin" if pin else "place", self.net.network.name, name, line)) for line in LINES)
        return high, low

    def cards(self) -> list[str]:
        """Title, elements, lines, capacitances, drivers."""
        self._card("Vbody", self.body, "0", "0")
        name = self.net.network.name
        for number, element in enumerate(self.circuit.draft.names()):
            if element[0] not in ("run", "stub") or element[1] != name:
                self._resistor(number, " ".join(element))
        for a, b, ohm in self.net.joints:
            ends = (self.of_node[a], self.of_node[b])
            if any(end.startswith("cut_") for end in ends):
                self._card("R", *ends, repr(ohm))
        for number, piece in enumerate(self.net.pieces):
            self._line(number, piece)
        to_ground, between = self.net.capacitance
        for high, low in (tuple(self.of_node[n] for n in pins) for pins in self.net.pins.values()):
            for ends, value in (((high, "0"), to_ground), ((low, "0"), to_ground), ((high, low), between)):
                if value:
                    self._card("C", *ends, f"{value}n")
        for number, ramp in enumerate(self.ramps):
            self._ramp(number, ramp)
        return [f"* {self.circuit.vehicle.name}: waves on {name}", *self.lines]

    def _line(self, number: int, piece: Piece) -> None:
        """Half the resistance, the two modes by controlled sources, half the resistance."""
        pair = self.net.network.pair
        ends: tuple[tuple[str, Pair], ...] = (("a", piece.start), ("b", piece.end))
        for side, (high, low) in ends:
            tag = f"{number}{side}"
            for line, node in (("h", high), ("l", low)):
                self.lines.append(f"Rl{tag}{line} {self.of_node[node]} w{tag}{line} {piece.ohm / 2!r}")
            self.lines += [
                f"Ed{tag} xd{tag} 0 w{tag}h w{tag}l 1",
                f"Vd{tag} xd{tag} d{tag} 0",
                f"Ec{tag} xc{tag} xm{tag} w{tag}h 0 0.5",
                f"Em{tag} xm{tag} 0 w{tag}l 0 0.5",
                f"Vc{tag} xc{tag} c{tag} 0",
                f"Fh{tag} w{tag}h 0 Vd{tag} 1",
                f"Fl{tag} w{tag}l 0 Vd{tag} -1",
                f"Gh{tag} w{tag}h 0 cur='0.5*i(Vc{tag})'",
                f"Gl{tag} w{tag}l 0 cur='0.5*i(Vc{tag})'",
            ]
        modes = (
            ("d", pair.impedance_ohm, pair.delay_ns_per_m),
            ("c", pair.common_impedance_ohm, pair.common_delay_ns_per_m),
        )
        for mode, impedance, delay in modes:
            self.lines.append(
                f"T{mode}{number} {mode}{number}a 0 {mode}{number}b 0 "
                f"z0={impedance!r} td={piece.length_m * delay!r}n {LINE_TOLERANCE}"
            )

    def _ramp(self, number: int, ramp: Ramp) -> None:
        """A driver whose two legs grow and shrink together; the high leg is drawn from the supply pin."""
        kind = self.circuit.transceiver(ramp.module)
        high, low = (self.of_node[node] for node in self.net.driver_pins(ramp.module, ramp.tap))
        _, _, supply, ground = (
            self._name(point) for point in self.circuit.pins(ramp.module, self.net.network.name, ramp.tap)
        )
        if ramp.module == TESTER:
            ground = "0"
        corners = sorted({max(t - self.from_ns, 0.0): share for t, share in ramp.corners}.items())
        wave = " ".join(f"{t!r}n {share!r}" for t, share in corners)
        self.lines.append(f"Vramp{number} ramp{number} 0 pwl({wave})")
        drive, most = kind.vcc_volt - kind.drop_volt, kind.limit_amp
        for leg, start, end, volt in (("h", ground, high, drive), ("l", low, ground, -kind.drop_volt)):
            current = leg_current(volt, end, start, kind.on_ohm, most)
            self.lines.append(f"B{leg}{number} {start} leg{number}{leg} i=v(ramp{number})*{current}")
            self.lines.append(f"Vleg{number}{leg} leg{number}{leg} {end} 0")
        self.lines.append(f"Fs{number} {supply} {ground} Vleg{number}h 1")
