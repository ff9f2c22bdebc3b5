"""The commented settings file and the reference page, both written from the table of keys."""

from __future__ import annotations

import json
import secrets
from collections.abc import Sequence

from .settings_table import KEYS, TABLES, Key
from .units import KINDS, from_si

_WHAT = {
    "pin": "a pin number",
    "count": "a whole number",
    "pwm": '"chip/channel"',
    "yes/no": "true or false",
    "text": "text",
    "date": "a date",
    "sensor": '"28-0123456789ab", "hwmon:CHIP:CHANNEL" or "iio:CHIP:CHANNEL"',
}

_EXAMPLES = {
    "pin": "18",
    "pwm": '"0/0"',
    "sensor": '"28-0123456789ab"',
    "count": "0",
    "1": '"80 %"',
    "date": "2026-02-23",
}

_TEXTS = {"fuel.price": '"2.66 USD"'}

_FILE_HEAD = """\
# Settings of a greenhouse heated by a compost pile. Every line that begins with # is off and shows its default.
# Quantities carry their unit in quotes: "1 gal/min", "4 L/min", "113 degF", "45 degC", "50 gal". Gallons are US gallons.
# Shares and duties may be plain: 0.25 or "25 %". docs/settings.md explains every key.
"""

_PAGE_HEAD = """\
# Settings

<!-- Written by `make docs-settings` from warmheap/settings_table.py. Do not edit. -->

`warmheap init` writes a settings file with every key in it, commented. Only what differs from the defaults need stand
there: [examples/plain-greenhouse.toml](../examples/plain-greenhouse.toml) runs a greenhouse with 25 lines.

Quantities carry their unit in quotes: `"1 gal/min"`, `"113 degF"`. Gallons are US gallons. Shares and duties may be plain
numbers: `0.25` or `"25 %"`. A mistake costs one line that names the key, the value and what is allowed.

A sensor is written as the id of a 1-wire probe, `"28-0123456789ab"` (only thermometers), or as a file of a kernel driver:
`"hwmon:CHIP:CHANNEL"` or `"iio:CHIP:CHANNEL"`, such as `"hwmon:ina226:in1"` or `"iio:scd30:concentration_co2"`. Two chips
of one name are told apart by their bus address, `"hwmon:ina226@1-0041:in1"`. To put a reading right, write
`{ source = "28-0123456789ab", offset = "-0.3 K" }`, or, behind a voltage divider,
`{ source = "iio:adc:voltage0", factor = 5.7 }`.

The `safe` duty is what an output falls back to when the program is dead or stuck. It is 0, since a pump or fan that rests
for the seconds until the program is back harms nothing. Where the line freezes in minutes and the board may stay dead for
hours, give the pump a small one, on `pwm` and not on `pin`: only a PWM channel of the kernel keeps its duty without a
program.
"""


def commented_file(probes: Sequence[str] = ()) -> str:
    """A settings file with every key, all but the table heads commented out. ``probes`` are ids to offer."""
    lines = [_FILE_HEAD]
    for table, about in TABLES.items():
        keys = [key for key in KEYS if key.table == table]
        if not keys:
            continue
        lines += [f"# {about}", f"[{table}]" if table not in ("flow_meter", "tachometer") else f"# [{table}]"]
        if table == "sensors" and probes:
            lines.append(f"# probes on the bus now: {', '.join(probes)}")
        lines += [f"# {key.name} = {example(key)}".ljust(40) + f"  # {meaning(key)}" for key in keys] + [""]
    return "\n".join(lines)


def page() -> str:
    """The reference page in Markdown."""
    parts = [_PAGE_HEAD]
    for table, about in TABLES.items():
        keys = [key for key in KEYS if key.table == table]
        if keys:
            rows = [f"| `{k.name}` | {_default(k)} | {allowed(k)} | {k.help} |" for k in keys]
            parts.append(
                "\n".join(
                    [f"## [{table}]\n\n{about}\n", "| key | default | allowed | meaning |", "|---|---|---|---|", *rows]
                )
            )
    return "\n\n".join(part.rstrip() for part in parts) + "\n"


def meaning(key: Key) -> str:
    """Help and bounds in one line."""
    return f"{key.help}; {allowed(key)}"


def allowed(key: Key) -> str:
    """What may stand there."""
    if key.kind == "order":
        return "each of these names once"
    if key.allowed:
        return " or ".join(f'"{a}"' for a in key.allowed)
    if key.kind in ("pin", "count") and key.bounds:
        return f"{_WHAT[key.kind]}, {key.bounds[0]:g} .. {key.bounds[1]:g}"
    if key.kind == "text" and key.bounds:
        return f"{_WHAT[key.kind]}, {key.bounds[0]:g} .. {key.bounds[1]:g} characters"
    if key.bounds:
        low, high = (from_si(bound, key.kind) for bound in key.bounds)
        return f"{low} .. {high}"
    return _WHAT[key.kind]


def example(key: Key) -> str:
    """The default as it would be written, or an example where there is none."""
    if key.default is None and key.kind == "text":
        return _quoted(secrets.token_urlsafe(18)) if key.path == "page.token" else _TEXTS.get(key.path, '"..."')
    if key.default is None:
        return f'"{key.allowed[0]}"' if key.allowed else _EXAMPLES[key.kind]
    if key.kind == "yes/no":
        return str(key.default).lower()
    if key.kind == "count":
        return str(key.default)
    if key.kind in ("choice", "text"):
        return f'"{key.default}"'
    if key.kind == "order":
        return json.dumps(list(key.default))
    return _quoted(from_si(key.default, key.kind))


def _quoted(text: str) -> str:
    return text if text.replace(".", "").isdecimal() else f'"{text}"'


def _default(key: Key) -> str:
    return "none" if key.default is None else f"`{example(key)}`"


def kinds_without_units() -> set[str]:
    """Kinds of keys that the table of units does not know; there must be none."""
    return {key.kind for key in KEYS} - set(KINDS) - set(_WHAT) - {"choice", "order"}


if __name__ == "__main__":
    print(page(), end="")
