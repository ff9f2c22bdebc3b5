"""What ``warmheap tune`` begins with and leaves behind: settings from a file, and a settings file with the gains found."""

from __future__ import annotations

import argparse
from dataclasses import fields, replace
from pathlib import Path
from typing import TYPE_CHECKING

from controller import ControllerSettings
from controller.settings import SettingsError

from .errors import UsageError
from .init import write_new

if TYPE_CHECKING:
    from controller.tuning_rules import Gains
    from sim.scenario import Scenario

HEAD = (
    "# Settings of the loops and of the plant behind them, written by 'warmheap tune'.\n"
    "# Pins and sensors are not in it: 'warmheap init' writes a file that shows how they are given.\n"
)


def settings_of(args: argparse.Namespace, scenario: Scenario) -> ControllerSettings:
    """The settings to tune for: the scenario's own or those of ``--settings``, under what was learned in ``--state``."""
    from .settings_file import Settings, load

    try:
        file = load(args.settings) if args.settings else Settings(scenario.controller_settings(), None, "")
        if args.state is None:
            return file.controller
        from .learned import applied
        from .settings_store import SettingsStore

        document = SettingsStore(Path(args.state)).learned()
        if document is None:
            raise UsageError(f"--state {args.state}: nothing was learned there; 'warmheap commission' does that")
        return applied(file, document)[0].controller
    except SettingsError as wrong:
        raise UsageError(wrong) from None


def with_gains(settings: ControllerSettings, flow: Gains, supply: Gains) -> ControllerSettings:
    """The settings with the gains of both loops, in the settings' own terms; ``UsageError`` where they do not allow them."""
    from controller.pump import PumpCurve

    try:
        return replace(
            settings,
            flow_loop_gain=flow.gain * PumpCurve(settings).slope_kg_s,
            flow_loop_integral_s=flow.integral_s,
            supply_loop_gain_per_k=-supply.gain / settings.flow_target_kg_s,
            supply_loop_integral_s=supply.integral_s,
        )
    except SettingsError as wrong:
        raise UsageError(f"the gains that were found are no settings: {wrong}") from None


def write_settings(path: Path, settings: ControllerSettings, title: str) -> None:
    """Write what differs from the defaults as a settings file; an existing file is never overwritten."""
    write_new(path, HEAD + f"# Found for: {title}\n" + lines_of(settings))


def lines_of(settings: ControllerSettings) -> str:
    """What differs from the defaults, table by table, each value with its unit."""
    from .settings_table import KEYS

    defaults = {f.name: f.default for f in fields(ControllerSettings)}
    tables: dict[str, list[str]] = {}
    for key in KEYS:
        value = getattr(settings, key.target, None)
        if key.target in defaults and value != defaults[key.target]:
            tables.setdefault(key.table, []).append(f"{key.name} = {_written(key.kind, value)}")
    return "".join(f"\n[{table}]\n" + "\n".join(lines) + "\n" for table, lines in tables.items())


def _written(kind: str, value: object) -> str:
    from .units import from_si

    if isinstance(value, tuple):
        return "[" + ", ".join(f'"{name}"' for name in value) + "]"
    if not isinstance(value, float):
        return f'"{value}"'
    text = from_si(float(f"{value:.4g}"), kind)
    return text if text.replace(".", "").isdecimal() else f'"{text}"'
