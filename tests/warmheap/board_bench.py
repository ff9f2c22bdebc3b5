"""A board made of kernel files and mock pins, with a rig on the other side of them, in virtual time."""

from board_rig import settings
from commission_rig import Rig

from controller import Commands
from hardware import Plant
from hardware.kernel_files import parse_source
from hardware.pulses import PulseRate
from warmheap.heart import Heart

FILE = """
[pump]
pwm = "0/0"
[fan]
pwm = "0/1"
frequency = "25 kHz"
[sensors]
pile_core = "28-0000000000a1"
water_supply = "28-0000000000a2"
pump_battery = "hwmon:ina226:in1"
"""
PROBES = {"pile_core_c": "28-0000000000a1", "water_supply_c": "28-0000000000a2", "water_return_c": "28-0000000000a4"}


class VirtualHeart(Heart):
    """Waiting lets virtual time pass on the other side of pins and files; real time stands nearly still."""

    def __init__(self, bench):
        super().__init__()
        self.bench = bench

    def wait(self, seconds):
        self.bench.pass_time(seconds)
        return self.stopping


class Bench:
    """A rig behind the board's files: reads the duty off the pins, drives probes, volts and pulses back."""

    def __init__(self, tree, factory, **changes):
        self.tree, self.factory, self.rig = tree, factory, Rig(lag_s=8.0, **changes)
        self.now_s, self.sampled_s, self.pulses = 100.0, 0.0, {"water_flow_kg_s": 0.0, "fan_speed_hz": 0.0}
        self.volts = tree.chip("hwmon", 0, "ina226", "1-0040", {"in1_input": "12600", "in2_input": "12600"})
        self.most = 0.0
        self.write()

    def board(self):
        sources = {"pump_battery_v": "hwmon:ina226:in1", "fan_battery_v": "hwmon:ina226:in2"}
        sources = {name: parse_source(text) for name, text in sources.items()}
        return settings(self.tree, probes=PROBES, sources=sources)

    def open(self):
        self.plant = Plant(self.board(), factory=self.factory, epoch_s=1.7e9, clock=lambda: self.now_s)
        self.plant.await_first()
        for pulses, _ in self.plant._meters.values():
            pulses.rate = PulseRate(lambda: self.now_s)
        return self.plant

    def felt(self, commands):
        """What arrives at pump and fan."""
        return commands

    def write(self):
        seen = self.rig.measure()
        for name, probe in PROBES.items():
            self.tree.probe(probe, f"{1000.0 * getattr(seen, name):.0f}\n".encode())

    def pass_time(self, seconds):
        """Let time pass in steps of at most a second."""
        part_s = min(max(seconds, 0.0), 1.0)
        duties = {name: self.factory.pin(pin).state for name, pin in (("pump", 18), ("fan", 13))}
        self.most = max(self.most, *duties.values())
        self.rig.commands = self.felt(Commands(duties["pump"], duties["fan"]))
        self.rig.advance(part_s)
        begin_s, self.now_s = self.now_s, self.now_s + part_s
        self.pulse("water_flow_kg_s", 450.0 * self.rig.flow, begin_s)
        self.pulse("fan_speed_hz", 2.0 * self.rig.fan_hz, begin_s)
        if self.now_s - self.sampled_s >= 2.0:
            self.sampled_s = self.now_s
            self.write()
            for sampler in self.plant._samplers:
                sampler._read_once()

    def pulse(self, name, rate_hz, begin_s):
        """Give the pulses of the time since ``begin_s``, each at its own moment."""
        if name not in self.plant._meters:
            return
        before = self.pulses[name]
        self.pulses[name] = after = before + rate_hz * (self.now_s - begin_s)
        for k in range(int(before) + 1, int(after) + 1):
            self.plant._meters[name][0].rate.note(begin_s + (k - before) / rate_hz)
