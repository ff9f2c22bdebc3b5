"""The loop: honours next_s, renews leases in between, keeps time by the monotonic clock, tells a disobedient output."""

import pytest

from controller import Commands, Decision, Measurements
from warmheap.loop import Jitter, Loop, OutputFault


class World:
    """Clock, plant, controller and heart in one: time moves only where the loop waits."""

    def __init__(self, next_s=(10.0,), lease_s=2.0, slips=(), sleeps_through=()):
        self.now_s = 100.0
        self.next_s, self.lease_s, self.slips, self.sleeps_through = (
            list(next_s),
            lease_s,
            list(slips),
            list(sleeps_through),
        )
        self.stopping = self.orphaned = False
        self.plant_s, self.ticks, self.beats, self.renewals, self.ticked_at = 0.0, [], 0, [], []
        self.out = {"pump": 0.0, "fan": 0.0}
        self.wanted = Commands(0.5, 0.25)
        self.lies = 0
        self.ends_s = 0.0

    def clock(self):
        return self.now_s

    # plant
    def measure(self):
        return Measurements(time_s=1e9 + self.plant_s)

    def apply(self, commands):
        self.out = {"pump": commands.pump_duty, "fan": commands.fan_duty}
        self.ends_s = self.now_s + self.lease_s

    def renew(self):
        self.renewals.append(self.now_s)
        if self.now_s > self.ends_s:
            return False
        self.ends_s = self.now_s + self.lease_s
        return True

    def duties(self):
        if self.lies:
            self.lies -= 1
            return {"pump": 0.9, "fan": 0.25}
        return dict(self.out)

    def pass_time(self, dt_s):
        self.plant_s += dt_s

    # controller
    def step(self, m):
        self.ticked_at.append(self.now_s)
        if self.slips:
            self.now_s += self.slips.pop(0)
        return Decision(
            self.wanted, "draw", "test", "why", next_s=self.next_s[min(len(self.ticks), len(self.next_s) - 1)]
        )

    # heart
    def beat(self):
        self.beats += 1

    def wait(self, seconds):
        self.now_s += seconds
        if self.sleeps_through and self.now_s > self.sleeps_through[0][0]:
            self.now_s += self.sleeps_through.pop(0)[1]
        return self.stopping

    def loop(self, **how):
        return Loop(self, self, self, self.ticks.append, clock=self.clock, **how)


def gaps(world):
    return [round(b - a, 6) for a, b in zip(world.ticked_at, world.ticked_at[1:], strict=False)]


def test_it_comes_again_when_it_was_asked_to():
    world = World(next_s=(10.0, 2.0, 60.0, 1.0))
    world.loop().run(72.5)
    assert gaps(world)[:4] == [10.0, 2.0, 60.0, 0.5]


@pytest.mark.parametrize(("asked_s", "held_s"), [(0.0, 1.0), (-5.0, 1.0), (3600.0, 60.0)])
def test_it_is_held_to_one_to_sixty_seconds(asked_s, held_s):
    world = World(next_s=(asked_s,))
    world.loop().run(180.0)
    assert set(gaps(world)) == {held_s}


def test_a_fixed_tick_goes_before_what_is_asked():
    world = World(next_s=(60.0,))
    world.loop(tick_s=5.0).run(50.0)
    assert set(gaps(world)) == {5.0}


def test_leases_are_renewed_in_between_well_before_they_end():
    world = World(next_s=(60.0,))
    world.loop().run(60.0)
    waits = [b - a for a, b in zip(world.renewals, world.renewals[1:], strict=False)]
    assert len(waits) > 200 and max(waits) < 0.5
    assert world.beats > 200


def test_a_late_tick_does_not_shift_the_next_one():
    world = World(next_s=(10.0,), slips=(3.0, 0.0, 0.0))
    loop = world.loop()
    loop.run(40.0)
    assert world.ticked_at[:4] == pytest.approx([100.0, 110.0, 120.0, 130.0])
    assert loop.jitter.latest_s == pytest.approx(0.0, abs=1e-6)


def test_far_behind_it_does_not_catch_up_in_a_burst():
    world = World(next_s=(1.0,), slips=(0.0, 30.0, 0.0))
    world.loop().run(8.0)
    assert all(gap >= 0.99 for gap in gaps(world))


def test_a_process_that_slept_through_its_lease_decides_at_once():
    world = World(next_s=(60.0,), sleeps_through=[(105.0, 10.0)])
    world.loop().run(120.0)
    assert 115.0 < world.ticked_at[1] < 116.0


def test_jitter_counts_how_late_ticks_begin():
    world = World(next_s=(10.0,), sleeps_through=[(109.9, 0.5)])
    loop = world.loop()
    loop.run(30.0)
    assert loop.jitter.latest_s == pytest.approx(0.5, abs=0.01)
    assert "500 ms at most" in str(loop.jitter) and str(Jitter()).startswith("0 ticks")


def test_speed_shortens_the_waiting_and_not_the_plants_time():
    world = World(next_s=(60.0,))
    world.loop(speed=60.0).run(3600.0)
    assert world.plant_s == 3600.0
    assert world.now_s - 100.0 == pytest.approx(60.0)


def test_without_any_waiting_it_still_beats_and_listens():
    world = World(next_s=(60.0,))
    world.loop(speed=1e9).run(6000.0)
    assert world.beats >= 100


def test_it_is_watched_before_anything_is_switched_on():
    world = World()
    beats = []
    world.apply = lambda commands: beats.append(world.beats)
    world.loop().run(0.0)
    assert beats == [1]


def test_at_high_speed_signals_are_still_heard():
    world = World(next_s=(60.0,))
    heard, wait = [], world.wait
    world.wait = lambda seconds: (heard.append(seconds), wait(seconds))[1]
    world.loop(speed=1e12).run(600.0)
    assert heard.count(0.0) >= 9


def test_stop_ends_it_at_once_and_lets_no_time_pass():
    world = World(next_s=(60.0,))
    world.stopping = False

    def told(tick):
        world.stopping = True

    Loop(world, world, world, told, clock=world.clock).run()
    assert len(world.ticked_at) == 1 and world.plant_s == 0.0


def test_an_output_that_disobeys_once_is_chance_three_times_a_fault():
    world = World(next_s=(1.0,))
    world.lies = 2
    world.loop().run(5.0)
    world.lies = 3
    with pytest.raises(OutputFault, match=r"pump is told 0\.50 and puts out 0\.90"):
        world.loop().run(5.0)


def test_whole_percents_are_no_disobedience():
    world = World(next_s=(1.0,))
    world.wanted = Commands(0.345, 0.0)
    world.duties = lambda: {"pump": 0.34, "fan": 0.0}
    world.loop().run(10.0)
    assert len(world.ticks) == 11


def test_an_output_that_gives_no_number_is_a_fault():
    world = World(next_s=(1.0,))
    world.duties = lambda: {"pump": float("nan"), "fan": 0.25}
    with pytest.raises(OutputFault):
        world.loop().run(10.0)
