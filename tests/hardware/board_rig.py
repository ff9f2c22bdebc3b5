"""A pretend board: the kernel's files in folders, and gpiozero's mock pins.

It proves parsing, wiring and order, not timing.
"""

from pathlib import Path

from gpiozero.pins.mock import MockFactory, MockPWMPin

from hardware import BoardSettings, OutputSettings, PulseSettings, Roots
from hardware.kernel_files import parse_source

CORE, SUPPLY = "28-00000000aaaa", "28-00000000bbbb"


class PwmMock(MockFactory):
    """Every pin can PWM; the board's revision is known."""

    def __init__(self):
        super().__init__(pin_class=MockPWMPin)


class Tree:
    """The kernel's folders under ``root``."""

    def __init__(self, root):
        self.root = root
        self.w1, self.hwmon, self.iio, self.pwm = (root / n for n in ("w1", "hwmon", "iio", "pwm"))
        for folder in (self.w1, self.hwmon, self.iio, self.pwm):
            folder.mkdir()

    def roots(self):
        return Roots(onewire=self.w1, hwmon=self.hwmon, iio=self.iio, pwm=self.pwm)

    def probe(self, probe_id, content):
        folder = self.w1 / probe_id
        folder.mkdir(exist_ok=True)
        (folder / "temperature").write_bytes(content)

    def chip(self, kind, number, name, address, files):
        device = self.root / "devices" / address
        root = {"hwmon": self.hwmon, "iio": self.iio}[kind]
        if kind == "hwmon":
            device.mkdir(parents=True)
            folder = root / f"hwmon{number}"
            folder.mkdir()
            (folder / "device").symlink_to(device)
        else:
            inner = device / f"iio:device{number}"
            inner.mkdir(parents=True)
            folder = root / f"iio:device{number}"
            folder.symlink_to(inner)
        (folder / "name").write_text(name + "\n")
        for file, content in files.items():
            (folder / file).write_text(content)
        return folder

    def pwm_channel(self, chip=0, channel=0, polarity="normal"):
        folder = self.pwm / f"pwmchip{chip}" / f"pwm{channel}"
        folder.mkdir(parents=True)
        for name, content in (("period", "0"), ("duty_cycle", "0"), ("enable", "0"), ("polarity", polarity)):
            (folder / name).write_text(content + "\n")
        for name in ("export", "unexport"):
            (folder.parent / name).write_text("")
        return folder


class SysTree(Tree):
    """The same folders where the kernel has them."""

    def __init__(self, root):
        self.root = root
        self.w1, self.pwm = root / "bus/w1/devices", root / "class/pwm"
        self.hwmon, self.iio = root / "class/hwmon", root / "bus/iio/devices"
        for folder in (self.w1, self.hwmon, self.iio, self.pwm):
            folder.mkdir(parents=True)


def settings(tree, **changes):
    wired = {
        "pump": OutputSettings(pin=18),
        "fan": OutputSettings(pin=13),
        "flow_meter": PulseSettings(pin=23, per_unit=450.0),
        "tachometer": PulseSettings(pin=24, per_unit=2.0),
        "probes": {"pile_core_c": CORE, "water_supply_c": SUPPLY},
        "sources": {"pump_battery_v": parse_source("hwmon:ina226:in1")},
        "roots": tree.roots(),
    }
    return BoardSettings(**(wired | changes))


def pwm_duties(tree):
    """What the kernel's PWM channels put out, in their own units."""
    return [int((f / "duty_cycle").read_text() or 0) for f in tree.files]


def loop_pid(guardian):
    """The process that the guardian started."""
    return int(Path(f"/proc/{guardian.pid}/task/{guardian.pid}/children").read_text().split()[0])
