"""1-wire answers, good and false: each false one that was seen on a real bus is a case."""

import time
from math import isnan

import pytest
from board_rig import CORE, SUPPLY
from hypothesis import given
from hypothesis import strategies as st
from waiting import until

from hardware.onewire import OneWire, Probe, parse_temperature, parse_w1_slave
from hardware.reading import ABSENT, BAD, GOOD, STALE
from hardware.sampler import Sampler

SLAVE = b"72 01 4b 46 7f ff 0e 10 57 : crc=57 %s\n72 01 4b 46 7f ff 0e 10 57 t=%d\n"


@pytest.mark.parametrize(
    ("raw", "temperature_c"),
    [
        (b"20000\n", 20.0),
        (b"54312\n", 54.312),
        (b"-5500\n", -5.5),
        (b"0\n", 0.0),
        (b"125000", 125.0),
        (b"85000\n", 85.0),
    ],
)
def test_good_answers(raw, temperature_c):
    assert parse_temperature(raw).temperature_c == temperature_c


@pytest.mark.parametrize(
    ("raw", "why"),
    [
        (b"", "empty answer"),  # bad checksum and unplugged look the same, after 0.8 s
        (b"\n", "empty answer"),
        (b"127937\n", "127.94 C cannot be"),  # 0x07ff, with a good checksum
        (b"-127000\n", "-127.00 C cannot be"),
        (b"nan\n", "no number"),
        (b"20.5\n", "no number"),
        (b"99999999999\n", "no number"),
    ],
)
def test_false_answers(raw, why):
    parsed = parse_temperature(raw)
    assert isnan(parsed.temperature_c) and why in parsed.why


@pytest.mark.parametrize(
    ("raw", "why"),
    [
        (SLAVE % (b"NO", 23125), "checksum"),
        (b"", "empty answer"),
        (b"00 00 00 00 00 00 00 00 00 : crc=00 YES\n00 00 00 00 00 00 00 00 00 t=0\n", "short circuit"),
        (b"72 01 : crc=57 YES\n72 01 t=\n", "no temperature"),
        (SLAVE % (b"YES", 127937), "cannot be"),
    ],
)
def test_false_answers_of_old_kernels(raw, why):
    parsed = parse_w1_slave(raw)
    assert isnan(parsed.temperature_c) and why in parsed.why


def test_a_good_answer_of_old_kernels():
    assert parse_w1_slave(SLAVE % (b"YES", 23125)).temperature_c == 23.125


@given(st.binary(max_size=200))
def test_no_bytes_make_the_parsers_raise(raw):
    for parse in (parse_temperature, parse_w1_slave):
        parsed = parse(raw)
        assert isnan(parsed.temperature_c) == bool(parsed.why)
        assert isnan(parsed.temperature_c) or -55.0 <= parsed.temperature_c <= 125.0


def judged(*answers):
    """The qualities that one probe's answers get, given as (time_s, millidegrees)."""
    probe = Probe()
    return [probe.judge(parse_temperature(str(m).encode()), at_s).quality for at_s, m in answers]


def test_power_on_value_is_refused_unless_the_pile_was_just_there():
    assert judged((0, 85000)) == [BAD]
    assert judged((0, 20000), (2, 85000)) == [GOOD, BAD]
    assert judged((0, 83500), (2, 85000), (4, 85000)) == [GOOD, GOOD, GOOD]
    assert judged((0, 84000), (700, 85000)) == [GOOD, BAD]
    assert judged((0, 85062)) == [GOOD]


def test_every_probe_is_read_by_name(tree):
    tree.probe(CORE, b"55125\n")
    tree.probe(SUPPLY, b"")
    found = OneWire({"core": CORE, "supply": SUPPLY, "gone": "28-00000000cccc"}, tree.w1).sample()
    assert found["core"].value == 55.125 and found["core"].quality == GOOD
    assert found["supply"].quality == BAD and isnan(found["supply"].value)
    assert found["gone"].quality == ABSENT and "28-00000000cccc" in found["gone"].why


def test_old_kernels_are_read_by_w1_slave(tree):
    (tree.w1 / CORE).mkdir()
    (tree.w1 / CORE / "w1_slave").write_bytes(SLAVE % (b"YES", 41500))
    assert OneWire({"core": CORE}, tree.w1).sample()["core"].value == 41.5


def test_an_unreadable_file_is_no_answer(tree):
    (tree.w1 / CORE / "temperature").mkdir(parents=True)
    found = OneWire({"core": CORE}, tree.w1).sample()["core"]
    assert found.quality == ABSENT and "no answer" in found.why


def test_a_dead_bus_gives_no_reading_and_no_error(tmp_path):
    assert OneWire({"core": CORE}, tmp_path / "nothing").sample()["core"].quality == ABSENT


def test_all_probes_are_converted_at_once(tree):
    tree.probe(CORE, b"20000\n")
    bulk = tree.w1 / "w1_bus_master1" / "therm_bulk_read"
    bulk.parent.mkdir()
    bulk.write_text("")
    OneWire({"core": CORE}, tree.w1).sample()
    assert bulk.read_text() == "trigger\n"


def test_a_conversion_that_never_ends_is_not_waited_for(tree, monkeypatch):
    tree.probe(CORE, b"20000\n")
    bulk = tree.w1 / "w1_bus_master1" / "therm_bulk_read"
    bulk.parent.mkdir()
    bulk.write_text("")
    monkeypatch.setattr("hardware.onewire._converting", lambda file: True)
    began_s = time.monotonic()
    assert OneWire({"core": CORE}, tree.w1).sample()["core"].value == 20.0
    assert 1.4 < time.monotonic() - began_s < 3.0


def test_a_missing_probe_is_named_with_the_ones_that_are_there(tree):
    tree.probe(SUPPLY, b"20000\n")
    line = OneWire({"pile_core": CORE}, tree.w1).missing()["pile_core"]
    assert CORE in line and f"not named: {SUPPLY}" in line and "\n" not in line
    assert OneWire({"supply": SUPPLY}, tree.w1).missing() == {}


def test_unplugged_and_plugged_in_again_comes_back_by_itself(tree):
    tree.probe(CORE, b"50000\n")
    sampler = Sampler("t", OneWire({"core": CORE}, tree.w1), every_s=0.01)
    try:
        assert until(lambda: sampler.readings().get("core") and sampler.readings()["core"].quality == GOOD)
        tree.probe(CORE, b"")
        assert until(lambda: sampler.readings()["core"].quality == BAD)
        (tree.w1 / CORE / "temperature").unlink()
        (tree.w1 / CORE).rmdir()
        assert until(lambda: sampler.readings()["core"].quality == ABSENT)
        tree.probe(CORE, b"49000\n")
        assert until(lambda: sampler.readings()["core"].value == 49.0)
    finally:
        sampler.close()


class Hangs:
    """A bus whose second read never comes back."""

    def __init__(self, release):
        self.release, self.reads = release, 0

    def sample(self):
        from hardware.reading import Reading

        self.reads += 1
        if self.reads > 1:
            self.release.wait(20.0)
        return {"core": Reading(50.0, 0.0, GOOD, "")}


def test_a_bus_that_hangs_grows_stale_and_blocks_nobody():
    import threading

    release, now = threading.Event(), [0.0]
    bus = Hangs(release)
    sampler = Sampler("t", bus, every_s=0.0, stale_after_s=30.0, clock=lambda: now[0])
    assert until(lambda: bus.reads == 2)
    now[0] = 29.0
    assert sampler.readings()["core"].value == 50.0 and sampler.readings()["core"].age_s == 29.0
    now[0] = 31.0
    began_s = time.monotonic()
    old = sampler.readings()["core"]
    assert time.monotonic() - began_s < 0.1
    assert old.quality == STALE and isnan(old.value) and "31 s ago" in old.why
    release.set()
    sampler.close()


def test_a_driver_that_raises_does_not_end_the_readings():
    from hardware.reading import Reading

    class Moody:
        reads = 0

        def sample(self):
            self.reads += 1
            if self.reads == 2:
                raise RuntimeError("a surprise")
            return {"x": Reading(float(self.reads), 0.0, GOOD, "")}

    seen, sampler = set(), Sampler("t", Moody(), every_s=0.02)
    try:
        assert until(lambda: seen.add(sampler.readings().get("x", Reading()).why) or "a surprise" in seen)
        assert until(lambda: sampler.readings()["x"].value >= 3.0)
    finally:
        sampler.close()
