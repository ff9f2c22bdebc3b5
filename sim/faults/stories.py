"""The grower's 42 failure stories: which faults play each, or why it is none of the plant's and which test holds it."""

from __future__ import annotations

STORIES: dict[int, str] = {
    1: "the pile goes cold from over-draw", 2: "a hot pile, no useful delivery",
    3: "the pile dried out, often by the fan",
    4: "the pile is airless", 5: "too much air cools the pile", 6: "air takes a short way",
    7: "the air's way is blocked by water, ice or snow",
    8: "slumped or cracked top, cover gone, storm", 9: "loss to the ground and the edge", 10: "above 70 °C and slowing",
    11: "the pile is spent", 12: "a wrong story from a correlation", 13: "air lock", 14: "dry run",
    15: "stiction after a rest",
    16: "a loose lead or dead output stage", 17: "flow meter clogged", 18: "flow meter counts by itself",
    19: "slow clog or leak, worn pump",
    20: "frozen line", 21: "night back-flow", 22: "supply and return swapped", 23: "false codes of digital probes",
    24: "a probe vanishes", 25: "a probe is off", 26: "a probe is stuck", 27: "a probe pulled out in turning",
    28: "battery killed",
    29: "panel in snow or shade", 30: "latched in fault", 31: "hung or crashed program, output left on",
    32: "the card dies, settings lost", 33: "clock wrong", 34: "nobody was told", 35: "condensate in the duct",
    36: "NH3 or CO2 in the house",
    37: "mould: wet leaves all night", 38: "unvented backup adds water", 39: "vent or door left open",
    40: "the record flatters",
    41: "tuned in a hot week, used all winter", 42: "protection switched off after false trips",
}  # fmt: skip

ELSEWHERE: dict[int, tuple[str, str]] = {
    12: (
        "No fault of the plant but of judgement: the tool must step and test, not correlate.",
        "tests/controller/test_commissioning.py",
    ),
    34: (
        "No fault of the plant: a message must leave the house. The rules "
        "ending in -untold hold that each cause raises its alarm.",
        "tests/warmheap/test_status_and_restart.py",
    ),
    40: ("A question of the record, not of the plant.", "tests/warmheap/test_ledger.py"),
    42: ("The faultless arm of the campaign: false trips and notices a week.", "tests/sim/test_faults_campaign.py"),
}
"""Stories that no fault of the plant plays: why, and which test holds them."""
