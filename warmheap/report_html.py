"""The report as one HTML file: no scripts, no requests to anywhere, pictures inline."""

from __future__ import annotations

from typing import Any

from . import report_figures
from .errors import UsageError
from .heat_error import plus_minus
from .report_advice import advice
from .report_figures import GROUPS
from .report_pictures import amount, pictures
from .report_units import Shown

GROUP_WORDS = {g: words for g, (words, _) in GROUPS.items()} | {"other": "other"}


def page(f: dict[str, Any], units: Shown) -> str:
    """The whole file as text. ``UsageError`` when the template engine is not installed."""
    try:
        from jinja2 import Environment, PackageLoader, StrictUndefined
        from markupsafe import Markup
    except ModuleNotFoundError as missing:
        raise UsageError(f"{missing.name} is not installed: pip install 'warmheap[report]', or use --json") from None
    loader = PackageLoader("warmheap", "templates")
    env = Environment(loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    drawn = {name: Markup(text) for name, text in pictures(f, units).items()}  # noqa: S704 - made here, texts escaped
    return env.get_template("report.html.j2").render(**_words(f, units), f=f, pictures=drawn, advice=advice(f))


def _words(f: dict[str, Any], units: Shown) -> dict[str, Any]:
    limits = [item for item in f["limited_by_h"].items() if item[1] > 0.0]
    return {
        "span": f"{f['from'][:10]} to {f['to'][:10]}",
        "groups": GROUP_WORDS,
        "group_h": {g: sum(d["limits_h"][g] for d in f["days"]) for g in GROUP_WORDS},
        "top_limits": limits[:4],
        "words_of": report_figures.limit_words,
        "now_words": report_figures.limit_words(limits[0][0]) if limits else "unknown",
        "left_words": left_words(f["pile"]),
        "amount": lambda h: amount(units, h["kwh"], h["half_kwh"]),
        "ledger_text": lambda row: ledger_text(row, units),
        "degrees": units.degrees,
        "difference": units.difference,
        "degree": units.degree,
        "heat": units.heat,
        "heat_unit": units.heat_unit,
        "watts": watts,
    }


def left_words(pile: dict[str, Any]) -> str:
    """How long the pile may last, with its interval."""
    likely, low, high = pile["left_days"], pile["left_low_days"], pile["left_high_days"]
    if not likely == likely:
        return "not known yet"
    return f"{likely:.0f} days ({low:.0f} to {high:.0f})" if low == low and high == high else f"{likely:.0f} days"


def ledger_text(row: dict[str, Any], units: Shown) -> str:
    """One ledger's amount: "412 ± 35 kWh"."""
    if row["value"] is None:
        return "not said"
    if row["unit"] == "kWh" and row["name"] != "fuel avoided":
        return amount(units, row["value"], row["half"])
    return f"{plus_minus(row['value'], row['half'])} {row['unit']}"


def watts(heat_w: float) -> str:
    """A heat rate in words."""
    if heat_w != heat_w:
        return "an unknown amount"
    return f"{heat_w / 1000.0:.1f} kW" if heat_w >= 950.0 else f"{heat_w:.0f} W"
