"""Outputs: whole percents, kernel channels, leases, and how another process makes them safe."""

import os
import subprocess
import sys
import threading
import types
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from waiting import until

from hardware import HardwareError
from hardware.gpio_pwm import GpioPwm, lgpio_factory, whole_percent
from hardware.lease import LeasedOutput, LeaseKeeper
from hardware.pwmchip import PwmChannel
from hardware.safe_off import make_safe, preload


@given(st.floats(0.0, 1.0))
def test_duty_survives_being_cut_to_whole_percents(duty):
    cut = int(whole_percent(duty) * 100)  # what gpiozero does before it hands the duty to lgpio
    assert abs(cut - 100.0 * duty) <= 0.5 + 1e-9
    assert 0.0 <= whole_percent(duty) <= 1.0


@pytest.mark.parametrize("percent", range(101))
def test_every_whole_percent_is_put_out_as_such(percent):
    assert int(whole_percent(percent / 100) * 100) == percent


def test_a_gpio_output_begins_off_and_is_let_go_as_input(factory):
    output = GpioPwm(18, 100.0, factory)
    pin = factory.pin(18)
    assert pin.function == "output" and pin.state == 0.0 and pin.frequency == 100
    output.set(0.29)
    assert int(pin.state * 100) == 29
    assert output.duty() == pytest.approx(0.29, abs=0.002)
    output.close()
    assert pin.function == "input"


@pytest.mark.parametrize("frequency_hz", [0.0, 101.0, 25_000.0, float("nan")])
def test_a_frequency_that_software_cannot_keep_is_refused(factory, frequency_hz):
    with pytest.raises(HardwareError, match="pin 18: .* too fast for PWM by software, at most 100 Hz"):
        GpioPwm(18, frequency_hz, factory)


def test_a_taken_pin_costs_one_line(factory):
    first = GpioPwm(18, 100.0, factory)  # kept: gpiozero frees the pin of a device that nobody holds
    with pytest.raises(HardwareError, match="pin 18 cannot be an output: .*already in use"):
        GpioPwm(18, 100.0, factory)
    first.close()


def test_without_a_chip_the_factory_says_so():
    with pytest.raises(HardwareError, match="cannot open gpiochip99"):
        lgpio_factory(99)


def test_without_lgpio_it_says_what_to_install(monkeypatch):
    monkeypatch.setitem(sys.modules, "lgpio", None)
    monkeypatch.delitem(sys.modules, "gpiozero.pins.lgpio", raising=False)
    with pytest.raises(HardwareError, match=r"lgpio is not installed: pip install 'warmheap\[board\]'"):
        lgpio_factory(0)


def test_a_kernel_channel_writes_nanoseconds(tree):
    files = tree.pwm_channel(0, 1)
    channel = PwmChannel(0, 1, 25_000.0, tree.pwm)
    assert (files / "period").read_text() == "40000\n" and (files / "enable").read_text() == "1\n"
    assert channel.duty() == 0.0
    channel.set(0.2345)
    assert (files / "duty_cycle").read_text() == "9380\n"
    assert channel.duty() == pytest.approx(0.2345)
    channel.set(0.0)
    channel.close()
    assert (files / "enable").read_text() == "0\n" and (files.parent / "unexport").read_text() == "1\n"


def test_the_duty_goes_down_before_the_period_which_the_kernel_insists_on(tree, monkeypatch):
    files = tree.pwm_channel()
    (files / "duty_cycle").write_text("900000\n")
    (files / "period").write_text("1000000\n")
    written, write = [], PwmChannel._write
    monkeypatch.setattr(PwmChannel, "_write", lambda self, name, v: (written.append((name, v)), write(self, name, v)))
    PwmChannel(0, 0, 25_000.0, tree.pwm)
    assert written == [("duty_cycle", 0), ("period", 40_000), ("enable", 1)]


def test_a_channel_that_shall_keep_running_is_left_so(tree):
    files = tree.pwm_channel()
    channel = PwmChannel(0, 0, 1000.0, tree.pwm)
    channel.set(0.3)
    channel.close()
    assert (files / "enable").read_text() == "1\n" and (files / "duty_cycle").read_text() == "300000\n"


def test_a_channel_is_exported_when_it_is_not_there(tree):
    files = tree.pwm_channel()
    away = files.rename(tree.root / "later")
    writer = threading.Timer(0.1, lambda: away.rename(files))
    writer.start()
    PwmChannel(0, 0, 1000.0, tree.pwm)
    writer.join()
    assert (files.parent / "export").read_text() == "0\n"


def test_inverted_polarity_is_put_right_while_off(tree):
    files = tree.pwm_channel(polarity="inversed")
    PwmChannel(0, 0, 1000.0, tree.pwm)
    assert (files / "polarity").read_text() == "normal\n"


def test_a_chip_that_is_not_there_is_named_with_those_that_are(tree):
    tree.pwm_channel(2, 0)
    with pytest.raises(HardwareError, match="pwmchip0/0: .*there is no such chip; here: pwmchip2"):
        PwmChannel(0, 0, 1000.0, tree.pwm)


def test_loading_lgpio_leaves_no_pipe_in_the_folder(tmp_path):
    code = (
        "import os\nfrom hardware.lgpio_import import load_lgpio\n"
        "lgpio = load_lgpio()\nprint(os.listdir('.'), lgpio._notify_thread.is_alive(), load_lgpio() is lgpio)"
    )
    env = os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])}
    run = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, cwd=tmp_path, env=env, check=True
    )
    assert run.stdout.strip() == "[] True True"


class Line:
    """A driver that remembers."""

    def __init__(self, fails=0):
        self.duties, self.closed, self.fails = [], False, fails

    def set(self, duty):
        if self.fails and duty == 0.0 and self.duties:
            self.fails -= 1
            raise OSError("the bus is away")
        self.duties.append(duty)

    def duty(self):
        return self.duties[-1]

    def close(self):
        self.closed = True


def leased(line, now, safe_duty=0.0):
    return LeasedOutput("pump", line, safe_duty, "why", lease_s=2.0, clock=lambda: now[0])


def test_an_output_begins_at_its_safe_value():
    line = Line()
    assert not leased(line, [0.0], safe_duty=0.2).leased
    assert line.duties == [0.2]


def test_a_lease_that_is_renewed_holds_and_one_that_is_not_ends():
    line, now = Line(), [0.0]
    output = leased(line, now, safe_duty=0.1)
    output.set(0.7)
    for now[0] in (1.0, 2.5, 4.0):
        assert output.renew()
        output.check()
    assert line.duty() == 0.7
    now[0] = 6.1
    output.check()
    assert line.duty() == 0.1 and not output.leased
    assert not output.renew()  # a loop that wakes up late must decide anew
    assert line.duty() == 0.1
    output.set(0.5)
    assert line.duty() == 0.5 and output.leased


def test_a_lease_cannot_be_renewed_once_it_has_run_out_even_unseen():
    now = [0.0]
    output = leased(Line(), now)
    output.set(0.7)
    now[0] = 2.1
    assert not output.renew()


def test_a_driver_that_fails_is_made_safe_at_the_next_check():
    line, now = Line(fails=1), [0.0]
    output = leased(line, now)
    output.set(0.7)
    now[0] = 3.0
    with pytest.raises(OSError, match="the bus is away"):
        output.check()
    assert output.leased
    output.check()
    assert line.duty() == 0.0 and not output.leased


def test_closing_makes_safe_and_lets_go_once():
    line, now = Line(), [0.0]
    output = leased(line, now)
    output.set(1.0)
    output.close()
    output.close()
    output.set(0.9)
    output.make_safe()
    assert line.duties == [0.0, 1.0, 0.0] and line.closed


def test_the_keeper_ends_leases_when_the_loop_is_stuck_even_past_a_broken_driver():
    broken, good = Line(fails=10**6), Line()
    outputs = [LeasedOutput(n, d, 0.0, "why", lease_s=0.2) for n, d in (("pump", broken), ("fan", good))]
    for output in outputs:
        output.set(0.8)
    keeper = LeaseKeeper(outputs, every_s=0.02)
    try:
        assert until(lambda: good.duty() == 0.0, 2.0)
        assert broken.duty() == 0.8
    finally:
        keeper.close()


class FakeLgpio(types.ModuleType):
    """Records what is asked of the chip."""

    class error(Exception):
        pass

    SET_PULL_NONE = 128

    def __init__(self, busy=0):
        super().__init__("lgpio")
        self.calls, self.busy = [], busy

    def gpiochip_open(self, chip):
        self.calls.append(("open", chip))
        return 7

    def gpiochip_close(self, handle):
        self.calls.append(("close", handle))

    def gpio_claim_output(self, handle, pin, level):
        if self.busy:
            raise self.error("GPIO busy")
        self.calls.append(("output", pin, level))

    def gpio_claim_input(self, handle, pin, flags):
        self.calls.append(("input", pin))

    def gpio_write(self, handle, pin, level):
        self.calls.append(("write", pin, level))

    def tx_pwm(self, handle, pin, hz, percent):
        self.calls.append(("pwm", pin, hz, percent))


GPIO = {"name": "pump", "kind": "gpio", "chip": 0, "pin": 18, "duty": 0.0, "frequency_hz": 100.0}


def test_a_dead_process_line_is_claimed_driven_low_and_let_go(monkeypatch):
    chip = FakeLgpio()
    monkeypatch.setitem(sys.modules, "lgpio", chip)
    preload([GPIO])
    release = make_safe(GPIO)
    assert chip.calls == [("open", 0), ("output", 18, 0)]
    release()
    assert chip.calls[-2:] == [("input", 18), ("close", 7)] and ("write", 18, 0) in chip.calls


def test_a_line_whose_safe_value_is_not_off_is_kept_running(monkeypatch):
    chip = FakeLgpio()
    monkeypatch.setitem(sys.modules, "lgpio", chip)
    make_safe(GPIO | {"duty": 0.15})
    assert chip.calls[-1][:3] == ("pwm", 18, 100.0) and int(chip.calls[-1][3]) == 15


def test_a_line_that_is_still_held_is_told_and_the_chip_closed(monkeypatch):
    chip = FakeLgpio(busy=1)
    monkeypatch.setitem(sys.modules, "lgpio", chip)
    with pytest.raises(HardwareError, match="pin 18 cannot be made safe: GPIO busy"):
        make_safe(GPIO)
    assert chip.calls[-1] == ("close", 7)


def test_a_kernel_channel_is_made_safe_through_its_files(tree):
    files = tree.pwm_channel()
    PwmChannel(0, 0, 100.0, tree.pwm).set(0.9)
    spec = {"kind": "pwmchip", "chip": 0, "channel": 0, "root": str(tree.pwm), "duty": 0.0, "frequency_hz": 100.0}
    make_safe(spec)()
    assert (files / "duty_cycle").read_text() == "0\n"


def test_an_unknown_kind_of_output_is_refused():
    with pytest.raises(HardwareError, match="unknown kind 'steam'"):
        make_safe({"kind": "steam"})
