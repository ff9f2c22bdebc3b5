"""What limits the draw, in a grower's words and in a colour: one row for each value of ``Decision.limit``.

Colours are the Okabe-Ito set and shades between, which stay apart for colour-blind eyes (common practice, no source).
"""

from __future__ import annotations

LIMITS: dict[str, tuple[str, str]] = {
    "none": ("nothing: full draw", "#D55E00"),
    "off": ("never draws", "#CCCCCC"),
    "hold-off": ("waiting until the pile is hot", "#CCCCCC"),
    "start": ("pump starting", "#FFFFB3"),
    "flow": ("flow at its target", "#F0E442"),
    "supply": ("keeping the water hot enough", "#E69F00"),
    "scald": ("water too hot to send", "#7F2704"),
    "heat-budget": ("no more than the pile can spare", "#56B4E9"),
    "pile-floor": ("pile near its coldest allowed", "#0072B2"),
    "spent": ("the pile is ending", "#08306B"),
    "demand": ("greenhouse warm enough", "#009E73"),
    "ceiling": ("greenhouse at its ceiling", "#66C2A5"),
    "frost": ("pulses against freezing", "#CC79A7"),
    "battery": ("battery low", "#000000"),
    "no-flow": ("pump turns, no water moves", "#999999"),
    "sensor": ("a sensor gives no reading", "#8B4513"),
    "drained": ("loop drained", "#B0A090"),
    "manual": ("by hand", "#44AA99"),
    "tank": ("tank warmed enough for a day", "#117733"),
    "crop": ("below the floor for the crop", "#882255"),
    "off-time": ("pause between two draws", "#DDDDDD"),
    "timer": ("outside the timer's hours", "#E0E0E0"),
}
UNKNOWN_COLOUR = "#762A83"


def limit_words(code: str) -> str:
    """``code`` in plain words; an unknown one with its dashes taken out."""
    return LIMITS[code][0] if code in LIMITS else code.replace("-", " ")


def limit_colour(code: str) -> str:
    """The colour of ``code`` in pictures."""
    return LIMITS[code][1] if code in LIMITS else UNKNOWN_COLOUR
