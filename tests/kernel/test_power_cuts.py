"""Power cuts at any moment, many of them while the log is being written."""

from rig_runs import cut_faults


def test_what_a_power_cut_leaves_is_whole(cuts):
    assert [(c["number"], cut_faults(c)) for c in cuts if cut_faults(c)] == []


def test_cuts_came_at_different_moments(cuts):
    assert len({c["rows"] for c in cuts}) > len(cuts) // 4
    assert len({c["saved"] for c in cuts}) > len(cuts) // 2


def test_the_judge_sees_what_is_wrong():
    good = {"sound": "ok", "gapless": True, "ticks": [1.0, 2.0, 3.0], "newest_s": 2.0, "saved": 5, "learned": 5}
    good |= {"lost": [], "outputs": 2}
    assert cut_faults(good) == []
    for change in ({"sound": "page 3"}, {"gapless": False}, {"newest_s": 1.0}, {"learned": 4}, {"lost": ["memory"]}):
        assert cut_faults(good | change), change
