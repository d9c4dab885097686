"""A vehicle with a replaced gearbox unit, a tester at its socket, and hands: for the tests of the way back."""

from __future__ import annotations

from dataclasses import replace

from socket_client import SocketClient

import faults
from simulator.condition import Condition
from simulator.diagnostics import code_text
from simulator.reader import find_vehicle, load_vehicle
from simulator.simulation import Simulation
from simulator.vehicle import Vehicle
from simulator.world import AsFound, BackOnTheRoad, World


class Workshop:
    """A vehicle with a replaced gearbox unit, a tester at its socket, and hands.

    ``minutes``: how long the road test is; the fluid begins at ``celsius``.
    """

    def __init__(
        self,
        name: str = "pipkin",
        *,
        celsius: float = 36.0,
        minutes: float = 1.0,
        fault: str = "",
        found: AsFound | None = None,
    ) -> None:
        self.vehicle = shortened(load_vehicle(find_vehicle(name)), minutes)
        self.service = self.vehicle.road.service["GBX"]
        faulty = faults.parse(fault).apply(self.vehicle) if fault else self.vehicle
        self.simulation = Simulation(faulty, condition=Condition(ignition_on=False))
        self.world = World(self.simulation, celsius=celsius)
        self.track = BackOnTheRoad(self.world, "GBX", found)
        self.tester = SocketClient(self.simulation, "GBX")
        self.world.key(on=True)
        self.simulation.advance(1.0)

    def word(self, step: str) -> str:
        return self.track.step(step).word

    def why(self, step: str) -> str:
        return self.track.step(step).why

    def wait(self, seconds: float) -> None:
        self.simulation.advance(seconds)

    def extended(self) -> None:
        """The extended session, unlocked."""
        assert self.tester.ask("1003")[0] == 0x50
        self.tester.unlock()

    def write_request(self, number: int, data: bytes = b"") -> bytes:
        item = self.service.configuration[number]
        return b"\x2e" + item.number.to_bytes(2, "big") + (data or item.data)

    def write_all(self) -> None:
        self.extended()
        for number in range(len(self.service.configuration)):
            assert self.tester.ask(self.write_request(number))[0] == 0x6E
            assert self.tester.pending >= 1  # longer than P2, so "response pending" came first

    def cycle_key(self) -> None:
        self.world.key(on=False)
        self.wait(2.0)
        self.world.key(on=True)
        self.wait(2.0)

    def configure(self) -> None:
        self.world.connect_supply(13.6, 70.0)
        self.write_all()
        self.cycle_key()

    def idle(self) -> None:
        """The engine runs, foot on the brake, lever in park."""
        self.world.brake(held=True)
        assert self.world.start_engine() == ""
        self.wait(12.0)
        assert self.world.state.engine == "running"

    def fill(self) -> None:
        """Fluid in, and the circuits filled: the lever through every position."""
        self.world.add_fluid("GBX", 1.0)
        for position in ("reverse", "neutral", "drive", "park"):
            assert self.world.select(position)
            self.wait(4.0)

    def level(self) -> None:
        self.fill()
        while self.world.state.fluid_celsius < 36.0:
            self.wait(5.0)
        self.world.open_plug("GBX")
        while self.world.plug_words("GBX") != "drops":
            self.wait(5.0)
        self.world.close_plug("GBX")

    def ready_to_calibrate(self) -> None:
        self.configure()
        self.idle()
        self.level()
        self.extended()

    def calibrate(self) -> bytes:
        """Start the routine, keep the session alive to its end, and ask for its results."""
        started = self.tester.ask(routine(1))
        if started[0] == 0x7F:
            return started
        self.tester.keep_alive(45.0)
        return self.tester.ask(routine(3))

    def clear_all(self) -> None:
        for module in self.vehicle.modules:
            other = SocketClient(self.simulation, module)
            assert other.ask("14FFFFFF") == b"\x54"

    def roll_call(self) -> None:
        answering = []
        for module in self.vehicle.modules:
            other = SocketClient(self.simulation, module)
            if other.ask("3E00") == b"\x7e\x00":
                answering.append(module)
        self.track.note_roll_call(answering)

    def drive(self) -> None:
        """The route again and again, until nothing more comes of it."""
        self.world.disconnect_supply()
        for _ in range(14):
            self.world.drive(self.service.road_test.script)
            while self.world.state.legs:
                self.wait(20.0)
                if self.word("drive") in ("done", "stopped"):
                    self.world.drive("release\nto 0 in 20\nbrake\nselect park")
                    self.wait(25.0)
                    return


def shortened(vehicle: Vehicle, minutes: float) -> Vehicle:
    """The same with a shorter road test, on fluid that need not be as warm."""
    service = vehicle.road.service["GBX"]
    test = replace(service.road_test, minutes=minutes, fluid_celsius=36.0 if minutes < 5 else 60.0)
    return replace(vehicle, road=replace(vehicle.road, service={"GBX": replace(service, road_test=test)}))


def routine(control: int) -> bytes:
    return bytes((0x31, control, 0x03, 0x10))


def codes(shop: Workshop) -> list[str]:
    """What the unit stores now, by service 19 02."""
    answer = shop.tester.ask("190209")
    assert answer[:2] == b"\x59\x02"
    rows = answer[3:]
    return [code_text(int.from_bytes(rows[n : n + 3], "big")) for n in range(0, len(rows), 4)]
