"""A whole ``warmheap run`` on the simulated board, and everything that can happen to it, under both rules of the kernel."""

import pytest
from rig_runs import BACK_S, EXTRA, FAULTS, RULES, bad, in_full, wrong_with


@pytest.mark.parametrize("fault", [*FAULTS, *EXTRA])
@pytest.mark.parametrize("rule", RULES)
def test_outputs_are_safe_in_two_seconds_and_control_is_back_in_twenty(injected, rule, fault):
    guest = injected[rule]
    assert guest.of(fault), "it was never tried"
    wrong = bad(fault, guest)
    assert not wrong, in_full(wrong)


@pytest.mark.parametrize("fault", FAULTS)
def test_each_was_tried_often_enough(injected, fault):
    assert sum(len(guest.of(fault)) for guest in injected.values()) >= 50


@pytest.mark.parametrize("rule", RULES)
def test_a_start_from_the_files_takes_less_than_twenty_seconds(injected, rule):
    starts = [r["back_s"] for r in injected[rule].of("start") if r["how"] == "program"]
    assert starts and max(starts) <= BACK_S


def test_a_frozen_process_leaves_a_line_high_until_the_guardian_acts(injected):
    """Were the faults harmless by themselves, all of this would prove nothing."""
    late = [r["safe_s"] for guest in injected.values() for r in guest.of("stop") + guest.of("deadlock")]
    assert sum(s > 0.8 for s in late) > len(late) // 4


def test_the_judge_sees_what_is_wrong():
    good = {"on": True, "safe_s": 0.1, "back_s": 3.0}
    wanted = {"pump": 0.3, "fan": 0.7}
    assert wrong_with("kill", good, wanted) == []
    for change in ({"safe_s": 2.1}, {"safe_s": None}, {"back_s": 20.1}, {"back_s": None}, {"on": False}):
        assert wrong_with("kill", good | change, wanted), change
    for change in ({"same_loop": False}, {"drift_s": 3e7}, {"during": {"pump": 0.0, "fan": 0.7}}, {"ended": False}):
        assert wrong_with("clock", good | change, wanted), change
    assert wrong_with("bus", good | {"lost_s": None, "again_s": 0.1}, wanted)
