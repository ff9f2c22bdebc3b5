"""The board as a plant: opens all or nothing, closes in reverse, reads what is there, falls back when left alone."""

import subprocess
import sys
import threading
import time
from dataclasses import replace
from math import isnan
from pathlib import Path

import pytest
from board_rig import CORE, SUPPLY, settings
from waiting import until

from controller import Commands, Controller, ControllerSettings
from hardware import HardwareError, OutputSettings, Plant, PulseSettings
from hardware.gpio_pwm import default_chip
from hardware.kernel_files import parse_source
from hardware.onewire import OneWire
from hardware.plant import safe_specs
from hardware.reading import GOOD
from hardware.sampler import Sampler

ROOT = Path(__file__).parents[2]


@pytest.fixture
def board(tree, factory):
    tree.probe(CORE, b"55000\n")
    tree.probe(SUPPLY, b"40000\n")
    tree.chip("hwmon", 0, "ina226", "1-0040", {"in1_input": "12600"})
    with Plant(settings(tree), factory=factory, epoch_s=1e9) as plant:
        plant.await_first()
        yield plant


def test_measure_gives_what_is_there_and_nan_for_the_rest(board):
    m = board.measure()
    assert (m.pile_core_c, m.water_supply_c, m.pump_battery_v) == (55.0, 40.0, pytest.approx(12.6))
    assert m.water_flow_kg_s == 0.0 and m.fan_speed_hz == 0.0
    assert isnan(m.greenhouse_c) and isnan(m.pile_o2)
    assert 1e9 <= m.time_s < 1e9 + 60.0


def test_every_reading_has_age_and_quality(board):
    for name, reading in board.readings().items():
        assert reading.quality == GOOD and 0.0 <= reading.age_s < 5.0, name


def test_time_runs_on_the_monotonic_clock(tree, factory):
    now = [100.0]
    with Plant(settings(tree), factory=factory, epoch_s=5000.0, clock=lambda: now[0]) as plant:
        assert plant.measure().time_s == 5000.0
        now[0] = 160.0
        assert plant.measure().time_s == 5060.0


def test_a_probe_offset_is_added(tree, factory):
    tree.probe(CORE, b"55000\n")
    with Plant(settings(tree, probe_offset_k={"pile_core_c": -0.5, "greenhouse_c": 1.0}), factory=factory) as plant:
        plant.await_first()
        assert plant.measure().pile_core_c == 54.5


def test_pulses_become_flow_and_turns(tree, factory):
    with Plant(settings(tree), factory=factory) as plant:
        for i in range(57):
            plant._meters["water_flow_kg_s"][0].rate.note(i / 28.0)
            plant._meters["fan_speed_hz"][0].rate.note(i / 80.0)
        m = plant.measure()
    assert m.water_flow_kg_s == pytest.approx(28.0 / 450.0)
    assert m.fan_speed_hz == pytest.approx(40.0)  # two pulses a turn


def test_readings_outside_the_contract_are_read_but_not_controlled_by(tree, factory):
    tree.chip("hwmon", 0, "ina226", "1-0040", {"in1_input": "12600", "curr1_input": "2500"})
    sources = {"pump_battery_v": parse_source("hwmon:ina226:in1"), "pump_battery_a": parse_source("hwmon:ina226:curr1")}
    with Plant(settings(tree, sources=sources), factory=factory) as plant:
        plant.await_first()
        assert plant.readings()["pump_battery_a"].value == 2.5
        assert plant.measure().pump_battery_v == pytest.approx(12.6)


def test_commands_reach_the_pins(board, factory):
    board.apply(Commands(0.29, 1.0))
    assert int(factory.pin(18).state * 100) == 29 and factory.pin(13).state == 1.0
    assert board.duties() == {"pump": pytest.approx(0.29, abs=0.002), "fan": 1.0}
    assert board.renew()


@pytest.mark.parametrize("bad", [Commands(float("nan"), 0.0), Commands(0.0, 1.01), Commands(-0.1, 0.0)])
def test_commands_that_make_no_sense_are_refused_and_change_nothing(board, factory, bad):
    board.apply(Commands(0.5, 0.5))
    with pytest.raises(ValueError, match="must be 0..1"):
        board.apply(bad)
    assert board.duties()["pump"] == pytest.approx(0.5, abs=0.002)


def test_outputs_that_nobody_renews_go_to_their_own_safe_values(tree, factory):
    wired = settings(tree, pump=OutputSettings(pin=18, safe_duty=0.2))
    with Plant(wired, factory=factory, lease_s=0.3) as plant:
        assert plant.duties()["pump"] == pytest.approx(0.2, abs=0.002)  # from the start
        plant.apply(Commands(0.8, 0.8))
        assert until(lambda: plant.duties()["fan"] == 0.0, 3.0)
        assert plant.duties()["pump"] == pytest.approx(0.2, abs=0.002)
        assert not plant.renew()


def test_each_safe_value_has_its_reason(tree, factory):
    with Plant(settings(tree, fan=OutputSettings(pin=13, safe_duty=0.1)), factory=factory) as plant:
        assert "harms nothing" in plant.outputs["pump"].why and "set by the grower" in plant.outputs["fan"].why


def test_close_makes_safe_in_reverse_order_once(tree, factory, monkeypatch):
    order = []
    from hardware import gpio_pwm, pulses

    for kind, label in ((gpio_pwm.GpioPwm, "output"), (pulses.PulseInput, "pulses")):
        close = kind.close
        monkeypatch.setattr(kind, "close", lambda self, c=close, name=label: (order.append(name), c(self))[1])
    plant = Plant(settings(tree), factory=factory)
    plant.apply(Commands(1.0, 1.0))
    plant.close()
    plant.close()
    assert order[:2] == ["pulses", "pulses"] and set(order[2:]) == {"output"}
    assert factory.pin(18).function == "input" and factory.pin(18).state == 0.0


def test_close_makes_safe_first_even_while_a_sensor_hangs(tree, factory, monkeypatch):
    hang, found = threading.Event(), []
    close = Sampler.close
    monkeypatch.setattr(OneWire, "sample", lambda self: {} if hang.wait(5.0) else {})
    monkeypatch.setattr(Sampler, "close", lambda self: (found.append(plant.duties()), close(self)))
    plant = Plant(settings(tree), factory=factory)
    plant.apply(Commands(1.0, 1.0))
    began_s = time.monotonic()
    plant.close()
    assert found[0] == {"pump": 0.0, "fan": 0.0} and time.monotonic() - began_s < 1.0
    hang.set()


def test_one_output_that_fails_does_not_keep_the_other_on(tree, factory):
    plant = Plant(settings(tree), factory=factory)
    plant.apply(Commands(1.0, 1.0))

    def fails(duty):
        raise OSError("gone")

    for name in ("pump", "fan"):
        driver = plant.outputs[name].driver
        well, driver.set = driver.set, fails
        with pytest.raises(OSError, match="gone"):
            plant.make_safe()
        assert plant.duties() == {"pump": 1.0 if name == "pump" else 0.0, "fan": 0.0 if name == "pump" else 1.0}
        driver.set = well
        plant.apply(Commands(1.0, 1.0))
    plant.close()


@pytest.mark.parametrize("busy", [1, 100])
def test_an_input_that_is_busy_when_let_go_of_is_tried_again_and_no_error(tree, factory, monkeypatch, busy):
    tries, close = [], factory.close

    def moody():
        tries.append(1)
        if len(tries) <= busy:
            raise RuntimeError("GPIO busy")
        close()

    monkeypatch.setattr(factory, "close", moody)
    monkeypatch.setattr("hardware.plant.lgpio_factory", lambda chip: factory)
    with Plant(replace(settings(tree), gpiochip=0)) as plant:
        plant.apply(Commands(1.0, 1.0))
    assert len(tries) == min(busy + 1, 3) and factory.pin(18).state == 0.0


def test_opens_all_or_nothing(tree, factory):
    wired = settings(tree, tachometer=PulseSettings(pin=99, per_unit=2.0))
    with pytest.raises(HardwareError, match="pin 99"):
        Plant(wired, factory=factory)
    assert factory.pin(18).function == "input"
    Plant(settings(tree), factory=factory).close()  # every pin was let go


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"pump": OutputSettings(pin=18, active_high=False)}, "pump: active_high = false is refused.*pull-down"),
        ({"fan": OutputSettings(pin=18)}, "pin 18 is used twice, for pump and fan"),
        ({"flow_meter": PulseSettings(pin=13, per_unit=1.0)}, "pin 13 is used twice, for fan and flow_meter"),
        ({"pump": OutputSettings()}, "pump has neither pin nor pwm"),
        ({"pump": OutputSettings(pin=18, pwm=(0, 0))}, "pump has both pin and pwm"),
        ({"pump": OutputSettings(pin=18, safe_duty=1.5)}, "safe duty 1.5 is outside 0..1"),
        (
            {"pump": OutputSettings(pwm=(0, 1)), "fan": OutputSettings(pwm=(0, 1))},
            'pwm "0/1" is used twice',
        ),
    ],
)
def test_a_wiring_that_cannot_be_safe_is_refused_before_anything_opens(tree, factory, change, told):
    with pytest.raises(HardwareError, match=told):
        Plant(settings(tree, **change), factory=factory)
    assert factory.pins == {}


def test_kernel_channels_need_no_gpio_at_all(tree):
    files = tree.pwm_channel(0, 0)
    tree.pwm_channel(1, 0)
    wired = settings(
        tree,
        pump=OutputSettings(pwm=(0, 0)),
        fan=OutputSettings(pwm=(1, 0), frequency_hz=25_000.0),
        flow_meter=None,
        tachometer=None,
    )
    with Plant(wired) as plant:
        plant.apply(Commands(0.333, 0.5))
        assert (files / "duty_cycle").read_text() == "3330000\n"
        assert [s["kind"] for s in safe_specs(wired)] == ["pwmchip", "pwmchip"]
    assert (files / "duty_cycle").read_text() == "0\n"


def test_missing_sensors_are_named_and_do_not_keep_it_from_opening(tree, factory):
    tree.probe(SUPPLY, b"20000\n")
    with Plant(settings(tree), factory=factory) as plant:
        lines = plant.missing()
        assert len(lines) == 2 and CORE in lines[0] and "ina226" in lines[1]
        assert isnan(plant.measure().pile_core_c)


def test_the_guardian_is_told_how_to_make_each_output_safe(tree):
    pump, fan = safe_specs(replace(settings(tree), gpiochip=4))
    assert pump == {"name": "pump", "duty": 0.0, "frequency_hz": 100.0, "kind": "gpio", "chip": 4, "pin": 18}
    assert fan["pin"] == 13


@pytest.mark.parametrize(
    ("revision", "there", "chip"), [(0xA02082, True, 0), (0xC04170, True, 4), (0xC04170, False, 0)]
)
def test_the_chip_of_the_header_is_found_as_gpiozero_finds_it(monkeypatch, revision, there, chip):
    from gpiozero.pins import local

    monkeypatch.setattr(local, "get_pi_revision", lambda: revision)
    monkeypatch.setattr(Path, "exists", lambda self: there)
    assert default_chip() == chip


def test_on_a_board_that_is_not_known_it_is_the_first_chip():
    assert default_chip() == 0  # this machine is no board


def test_the_controller_runs_on_it(board):
    controller = Controller(ControllerSettings())
    decision = controller.step(board.measure())
    board.apply(decision.commands)
    assert board.duties()["pump"] == pytest.approx(decision.commands.pump_duty, abs=0.006)


def test_the_board_loads_nothing_heavy():
    heavy = "sim numba scipy pvlib pandas pydantic pint rich matplotlib psychrolib fluids gpiozero lgpio".split()
    code = f"import sys, controller, hardware, hardware.safe_off\nprint([m for m in {heavy} if m in sys.modules])"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=True)
    assert run.stdout.strip() == "[]"


def test_the_settings_know_which_readings_are_wired(tree):
    wired = {"pile_core_c", "water_supply_c", "water_flow_kg_s", "fan_speed_hz", "pump_battery_v"}
    assert set(settings(tree).sensors()) == wired
    assert set(settings(tree, tachometer=None).sensors()) == wired - {"fan_speed_hz"}
