"""What the loop costs: jitter, processor and memory of loop and guardian on a board made of files, one tick a second.

    python bench/loop_cost.py [SECONDS]

The board is a folder with the kernel's files (PWM channels, 1-wire probes, hwmon); real probes would add waiting, not work.
"""

import os
import re
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).parents[1]
SECONDS = float(sys.argv[1]) if len(sys.argv) > 1 else 60.0
PROBES = {
    "pile_core": 58000,
    "pile_edge": 51000,
    "water_supply": 38000,
    "water_return": 21000,
    "greenhouse": 9000,
    "outdoor": -2000,
}
TICKS_HZ = os.sysconf("SC_CLK_TCK")
MOST_CPU, MOST_MB = 0.02, 80.0


def build(root):
    """A board's files under ``root`` and its settings file."""
    for channel in (0, 1):
        folder = root / f"sys/class/pwm/pwmchip0/pwm{channel}"
        folder.mkdir(parents=True)
        for name, content in (("period", "0"), ("duty_cycle", "0"), ("enable", "0"), ("polarity", "normal")):
            (folder / name).write_text(content)
    sensors = []
    for n, (name, millidegrees) in enumerate(PROBES.items()):
        probe = root / f"sys/bus/w1/devices/28-{n:012x}"
        probe.mkdir(parents=True)
        (probe / "temperature").write_text(f"{millidegrees}\n")
        sensors.append(f'{name} = "{probe.name}"')
    chip = root / "sys/class/hwmon/hwmon0"
    chip.mkdir(parents=True)
    (chip / "name").write_text("ina226\n")
    (chip / "in1_input").write_text("12700\n")
    sensors += ['pump_battery = "hwmon:ina226:in1"', 'fan_battery = "hwmon:ina226:in1"']
    lines = ["[pump]", 'pwm = "0/0"', "[fan]", 'pwm = "0/1"', "[sensors]", *sensors]
    (root / "g.toml").write_text("\n".join(lines))


def used(pid):
    """Processor seconds and resident MB of a process."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    resident = int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")
    return (int(fields[11]) + int(fields[12])) / TICKS_HZ, resident / 1e6


def main():
    """Run for a while and print what it took."""
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        build(root)
        command = [
            sys.executable,
            "-m",
            "warmheap",
            "run",
            str(root / "g.toml"),
            "--state",
            str(root / "s"),
            "--tick",
            "1",
        ]
        env = os.environ | {"WARMHEAP_SYS": str(root / "sys"), "PYTHONPATH": str(ROOT)}
        run = subprocess.Popen(command, env=env, cwd=ROOT, stdout=subprocess.PIPE, text=True)
        time.sleep(5.0)  # starting is no idling
        loop = int(Path(f"/proc/{run.pid}/task/{run.pid}/children").read_text().split()[0])
        before = {name: used(pid) for name, pid in (("loop", loop), ("guardian", run.pid))}
        time.sleep(SECONDS)
        after = {name: used(pid) for name, pid in (("loop", loop), ("guardian", run.pid))}
        run.send_signal(signal.SIGTERM)
        out = run.communicate()[0]
    total = 0.0
    for name, (cpu_s, mb) in after.items():
        share = (cpu_s - before[name][0]) / SECONDS
        total += share
        print(f"{name}: {share:.2%} of one core, {mb:.0f} MB")
    print(re.search(r"\d+ ticks.*", out)[0])
    all_mb = sum(mb for _, mb in after.values())
    print(f"both: {total:.2%} of one core (goal {MOST_CPU:.0%}), {all_mb:.0f} MB (goal {MOST_MB:.0f} MB)")
    return total > MOST_CPU or all_mb > MOST_MB


if __name__ == "__main__":
    raise SystemExit(main())
