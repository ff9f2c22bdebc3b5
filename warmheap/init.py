"""``warmheap init``: a commented settings file, or the units of the service manager."""

from __future__ import annotations

import argparse
import os
from pathlib import Path

from .errors import UsageError

DEFAULT = "greenhouse.toml"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the verb takes."""
    parser.add_argument("file", nargs="?", default=DEFAULT, help=f"where to write ({DEFAULT}); never overwritten")


def run(args: argparse.Namespace) -> None:
    """Write the file."""
    from hardware.onewire import OneWire
    from hardware.settings import Roots

    from .settings_file import SYS
    from .settings_page import commented_file

    probes = OneWire({}, Roots.under(os.environ.get(SYS, "/sys")).onewire).here()
    write_new(Path(args.file), commented_file(probes))
    print(
        f"wrote {args.file}: give pump and fan their pins and your sensors their names, then: warmheap run {args.file}"
    )


def write_new(path: Path, text: str) -> None:
    """Write a file that is not there yet; ``UsageError`` when it is, or cannot be written."""
    try:
        with path.open("x", encoding="utf-8") as stream:
            stream.write(text)
    except FileExistsError:
        raise UsageError(f"{path} is there already and is not overwritten: name another file or move it away") from None
    except OSError as wrong:
        raise UsageError(f"cannot write {path}: {wrong.strerror}") from None
