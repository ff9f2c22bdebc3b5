"""``warmheap report``: what was harvested, saved and broken, as one HTML file, JSON, or tables to go on with."""

from __future__ import annotations

import argparse
import json
from dataclasses import replace
from datetime import date, tzinfo
from math import isfinite
from os.path import isdir
from pathlib import Path
from typing import Any

from .errors import UsageError

DEFAULT_OUT = Path("out") / "report.html"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the verb takes."""
    parser.add_argument(
        "ledger", nargs="?", help="ledger file, or the folder given to `warmheap run --state` (its usual one)"
    )
    parser.add_argument("--out", metavar="FILE", help=f"where the page or the tables go ({DEFAULT_OUT})")
    parser.add_argument("--json", action="store_true", help="print one JSON object and nothing else")
    parser.add_argument(
        "--export", choices=("csv", "parquet"), help="write every table of the ledger into the folder --out"
    )
    parser.add_argument(
        "--units", choices=("metric", "us"), default="metric", help="degrees Celsius or Fahrenheit (metric)"
    )
    parser.add_argument("--heat", choices=("kWh", "MJ", "kBtu", "therm"), help="unit of heat (kWh)")
    parser.add_argument("--zone", metavar="NAME", help="time zone of the days, like America/New_York (this machine's)")
    _accuracy_arguments(parser)
    _fuel_arguments(parser)


def _accuracy_arguments(parser: argparse.ArgumentParser) -> None:
    told = parser.add_argument_group("how well the heat is measured")
    told.add_argument(
        "--matched", action="store_true", help="supply and return probes were matched at standstill, to 0.1 K"
    )
    told.add_argument("--bucket", action="store_true", help="the flow meter was checked with bucket and watch, to 3 %%")
    told.add_argument("--probe-accuracy", metavar="K", help='of a probe, "±" of its sheet, like "0.5 K"')
    told.add_argument("--meter-accuracy", metavar="SHARE", help='of the flow meter, "±" of its sheet, like "10 %%"')
    told.add_argument(
        "--fan-accuracy", metavar="SHARE", help='of the fan\'s full flow in the settings, like "20 %%" (40 %%)'
    )


def _fuel_arguments(parser: argparse.ArgumentParser) -> None:
    told = parser.add_argument_group("fuel and money; nothing is assumed")
    told.add_argument("--fuel", help="propane, oil, gas, electricity, pellets, ... (a wrong name lists them all)")
    told.add_argument("--efficiency", metavar="SHARE", help='of the heater it would have burnt in, like "80 %%"')
    told.add_argument("--settings", metavar="FILE", help="take [fuel] from this settings file (the one that `run` had)")
    told.add_argument("--price", metavar="P", help='for a unit of it, like "2.66 USD" or "2.66 USD/gal"')
    told.add_argument("--price-date", metavar="DATE", help="day of that price, like 2026-02-23; goes with --price")
    told.add_argument(
        "--costs", metavar="C", help="feed, water, parts, hours of labour of the season, in the same money"
    )


def run(args: argparse.Namespace) -> None:
    """Write what ``args`` asks for."""
    ledger = ledger_file(args.ledger)
    if args.export:
        from .export import export

        export(ledger, Path(args.out or Path("out") / "ledger"), args.export)
        return
    figures = collect(args, ledger)
    if args.json:
        print(json.dumps(plain(figures), allow_nan=False))
        return
    from .files import write_whole
    from .report_html import ledger_text, page
    from .report_units import shown

    units = shown(args.units, args.heat)
    out = Path(args.out or DEFAULT_OUT)
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        write_whole(out, page(figures, units).encode())
    except OSError as wrong:
        raise UsageError(f"cannot write the report {out}: {wrong.strerror or wrong}; name another --out") from None
    for row in figures["ledgers"]:
        print(f"{row['name']:18} {ledger_text(row, units)}")
    print(f"report: {out}")


def collect(args: argparse.Namespace, ledger: Path) -> dict[str, Any]:
    """The figures of a ledger as ``args`` wants them."""
    from .report_data import read
    from .report_figures import figures

    wanted, accuracy, zone = _wanted(args, ledger), _accuracy(args), _zone(args.zone)
    return figures(read(ledger, zone), accuracy, wanted, date.today())


def ledger_file(given: str | None) -> Path:
    """The ledger that is meant: a file, a folder's, or that of the usual state folder."""
    from .run import state_folder

    path = Path(given) if given else state_folder(argparse.Namespace(state=None, plant=None))
    return path / "ledger.sqlite" if isdir(path) or not given else path


def plain(value: Any) -> Any:
    """JSON values: what is no finite number becomes null."""
    if isinstance(value, dict):
        return {key: plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(item) for item in value]
    return None if isinstance(value, float) and not isfinite(value) else value


def _accuracy(args: argparse.Namespace) -> Any:
    from .heat_error import COVERAGE, Accuracy

    found = Accuracy()
    if args.probe_accuracy is not None:
        found = replace(found, probe_k=_quantity("--probe-accuracy", args.probe_accuracy, "K", 5.0) / COVERAGE)
    if args.meter_accuracy is not None:
        found = replace(found, meter_factor=_quantity("--meter-accuracy", args.meter_accuracy, "1", 1.0) / COVERAGE)
    if args.fan_accuracy is not None:
        found = replace(found, fan_factor=_quantity("--fan-accuracy", args.fan_accuracy, "1", 1.0) / COVERAGE)
    found = found.matched() if args.matched else found
    return found.bucketed() if args.bucket else found


def _quantity(name: str, text: str, kind: str, most: float) -> float:
    from .units import QuantityError, to_si

    try:
        value = to_si(text, kind)
    except QuantityError as wrong:
        raise UsageError(f"{name} {text!r} {wrong}") from None
    if not 0.0 < value <= most:
        raise UsageError(
            f"{name} {text!r} is outside 0..{most:g} {kind if kind != '1' else ''}: say it as on the sensor's sheet"
        )
    return value


def _zone(name: str | None) -> tzinfo | None:
    from zoneinfo import ZoneInfo

    try:
        return ZoneInfo(name) if name is not None else None
    except (KeyError, ValueError, OSError):
        raise UsageError(f"--zone {name!r} is no time zone: use a name like America/New_York or UTC") from None


def _wanted(args: argparse.Namespace, ledger: Path) -> Any:
    from .fuel_choice import chosen, overridden
    from .report_fuel import Wanted

    efficiency = _quantity("--efficiency", args.efficiency, "1", 6.0) if args.efficiency is not None else None
    told = overridden(_fuel_settings(args, ledger), args.fuel, efficiency, args.price, _date(args.price_date))
    try:
        choice = chosen(told)
    except UsageError as wrong:
        flags = str(wrong).replace("fuel.kind", "--fuel").replace("fuel.price_date", "--price-date")
        raise UsageError(
            flags.replace("fuel.", "--") if args.fuel or args.price or args.efficiency else wrong
        ) from None
    if choice is None:
        if args.costs is not None:
            raise UsageError("--costs goes with --fuel, or with [fuel] in the settings file")
        return None
    costs = _money(args.costs) if args.costs is not None else 0.0
    return Wanted(choice.fuel, choice.efficiency_factor, choice.price, costs)


def _fuel_settings(args: argparse.Namespace, ledger: Path) -> Any:
    """[fuel] of ``--settings``, else of the settings that the board keeps beside its ledger."""
    from .fuel_choice import FuelSettings
    from .settings_file import SettingsFileError, load, parse
    from .settings_store import TwoCopies

    if args.settings is not None:
        return load(args.settings).outside.fuel
    kept = TwoCopies(ledger.parent, "settings").load().text
    try:
        return parse(kept, "kept settings").outside.fuel if kept else FuelSettings()
    except SettingsFileError:
        return FuelSettings()  # of another version; the report does not hang on it


def _money(text: str) -> float:
    number = text.strip().partition(" ")[0]
    try:
        value = float(number)
    except ValueError:
        value = float("nan")
    if not 0.0 <= value <= 1e9:
        raise UsageError(f'--costs {text!r} is no sum of money: write a number with a point, like "120 USD"')
    return value


def _date(text: str | None) -> date | None:
    try:
        return date.fromisoformat(text) if text is not None else None
    except ValueError:
        raise UsageError(f"--price-date {text!r} is no date: write it as year-month-day, like 2026-02-23") from None
