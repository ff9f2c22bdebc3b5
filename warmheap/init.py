"""``warmheap init``: a commented settings file, or the units of the service manager."""

from __future__ import annotations

import argparse
import json
import os
from pathlib import Path

from .errors import UsageError
from .files import write_first

DEFAULT = "greenhouse.toml"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the verb takes."""
    parser.add_argument("file", nargs="?", default=DEFAULT, help=f"where to write ({DEFAULT}); never overwritten")
    parser.add_argument("--service", metavar="DIR", help="write the service manager's units for FILE into DIR instead")
    parser.add_argument("--json", action="store_true", help="print what was written as one JSON object")


def run(args: argparse.Namespace) -> None:
    """Write the file, or the units."""
    path = Path(args.file)
    if args.service:
        from .service import SERVICE, WATCHDOG, write_units

        folder = Path(args.service)
        text = write_units(folder, path)
        written = [str(folder / SERVICE), str(folder / WATCHDOG)]
    else:
        from .settings_page import commented_file

        write_new(path, commented_file(_probes()))
        written = [str(path)]
        text = f"wrote {path}: give pump and fan their pins and your sensors their names, then: warmheap run {path}"
    print(json.dumps({"wrote": written}) if args.json else text)


def _probes() -> list[str]:
    """The 1-wire probes that this board has now."""
    from hardware.onewire import OneWire
    from hardware.settings import Roots

    from .settings_file import SYS

    return OneWire({}, Roots.under(os.environ.get(SYS, "/sys")).onewire).here()


def write_new(path: Path, text: str) -> None:
    """Write a file that is not there yet; ``UsageError`` when it is, or cannot be written."""
    try:
        write_first(path, text.encode())
    except FileExistsError:
        raise UsageError(f"{path} is there already and is not overwritten: name another file or move it away") from None
    except OSError as wrong:
        raise UsageError(f"cannot write {path}: {wrong.strerror}; name a place that can be written") from None
