"""The bench of the boards, with everything that can be wired wrong; and a grower who answers."""

import re

from board_bench import PROBES, Bench, VirtualHeart
from board_rig import settings

from controller import Commands, ControllerSettings
from hardware.kernel_files import parse_source
from warmheap.check_ask import Questions
from warmheap.check_found import Report
from warmheap.check_guards import Guards
from warmheap.check_kit import Kit
from warmheap.check_live import everything, turn

SOURCES = {"pump_battery_v": "hwmon:ina226:in1", "fan_battery_v": "hwmon:ina226:in2"}
AMPS = {"pump_battery_a": "hwmon:ina226:curr1", "fan_battery_a": "hwmon:ina226:curr2"}
BACKWARDS_SHARE = 0.12


class CheckBench(Bench):
    """``wrong`` holds what is wrong with it: words as in ``felt``, ``write`` and ``board``."""

    def __init__(self, tree, factory, *wrong, fitted=("flow", "tach"), **rig):
        self.wrong, self.fitted, self.volts_v, self.sag_v = set(wrong), set(fitted), [12.7, 12.7], [0.2, 0.1]
        self.raw, self.warm, self.gone, self.spare, self.pumped_kg = {}, "", set(), {}, 0.0
        self.put, self.files = (0.0, 0.0), {}
        super().__init__(tree, factory, **rig)

    def board(self, **changes):
        sources = SOURCES | (AMPS if "amps" in self.fitted else {})
        wired = {"probes": PROBES, "sources": {name: parse_source(text) for name, text in sources.items()}}
        if "flow" not in self.fitted:
            wired["flow_meter"] = None
        if "tach" not in self.fitted:
            wired["tachometer"] = None
        return settings(self.tree, **(wired | changes))

    def felt(self, commands):
        pump, fan = commands.pump_duty, commands.fan_duty
        self.put = (0.7 if "pump runs on" in self.wrong and self.most else pump, fan)
        pump = 0.0 if "pump dead" in self.wrong else 0.7 if "pump runs on" in self.wrong and pump + self.most else pump
        fan = 0.0 if "fan dead" in self.wrong else 0.7 if "fan runs on" in self.wrong and fan + self.most else fan
        self.rig.full_kg_s = 0.5 * (BACKWARDS_SHARE if "pump backwards" in self.wrong else 1.0)
        return Commands(pump, fan)

    def write(self):
        seen = self.rig.measure()
        c = {name: getattr(seen, name) for name in PROBES}
        if {"pump backwards", "hoses swapped", "probes swapped"} & self.wrong:
            c["water_supply_c"], c["water_return_c"] = c["water_return_c"], c["water_supply_c"]
        c = {PROBES[name]: value for name, value in c.items()} | self.spare
        if self.warm:
            c[self.warm] += 0.4 * max(0.0, min(self.now_s - self.warm_s, 20.0)) * (1.0 if c[self.warm] < 33.0 else -1.0)
        for probe, value in c.items():
            if probe not in self.gone:
                self.tree.probe(probe, self.raw.get(probe, f"{1000.0 * value:.0f}\n".encode()))
        for n, duty in enumerate((self.rig.commands.pump_duty, self.rig.commands.fan_duty), 1):
            volts_v = self.volts_v[n - 1] - self.sag_v[n - 1] * duty
            self.file(f"in{n}_input", 1000.0 * volts_v)
            draws = 0.0 if f"{('pump', 'fan')[n - 1]} fuse" in self.wrong else self.put[n - 1]
            self.file(f"curr{n}_input", 4000.0 * draws)

    def file(self, name, value):
        if self.files.get(name) != value:
            self.files[name] = value
            (self.volts / name).write_text(f"{value:.0f}")

    def hold(self, probe):
        self.warm, self.warm_s = probe, self.now_s

    def pass_time(self, seconds):
        super().pass_time(seconds)
        self.pumped_kg += self.rig.flow * min(max(seconds, 0.0), 1.0)


class Grower:
    """Answers by what is asked: ``answers`` maps a pattern to a line, or to what makes one. Anything else: Enter."""

    def __init__(self, said, answers):
        self.said, self.answers, self.closed, self.silent = said, answers, False, False

    def drop_typed(self):
        pass

    def ready(self):
        return not self.silent

    def take(self):
        asked = next(text for text in reversed(self.said) if text.startswith("?"))
        answer = next((a for pattern, a in self.answers.items() if re.search(pattern, asked)), "")
        line = answer() if callable(answer) else answer
        self.silent = line is None
        return line


class Checked:
    """A check of a bench: its kit, its findings by name, what was said."""

    def __init__(self, bench, names, answers=None, yes=False, board=None, heart=None, **values):
        self.bench, self.said, self.heart = bench, [], heart or VirtualHeart(bench)
        plant = bench.open()
        self.plant = plant
        ask = Questions(None if answers is None else Grower(self.said, answers), self.said.append, consents=yes)
        report = Report(self.said.append)
        limits = ControllerSettings(**({"pump_full_flow_kg_s": 0.5} | values))
        self.kit = Kit(limits, board or bench.board(), plant.readings, report, ask, self.said.append, Guards(limits))
        self.report, self.names = report, list(names)

    def run(self):
        with self.plant:
            try:
                self.done = turn(self.kit, everything(self.kit, self.names), self.plant, self.heart, clock=self.clock)
            finally:
                self.after = self.duties()  # before the plant is closed
        return self

    def clock(self):
        return self.bench.now_s

    @property
    def found(self):
        return {finding.name: finding for finding in self.report.findings}

    def duties(self):
        return [self.bench.factory.pin(pin).state for pin in (18, 13)]
