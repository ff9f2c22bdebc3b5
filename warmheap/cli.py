"""The command line: ``warmheap VERB ...``."""

from __future__ import annotations

import argparse
import io
import os
import sys
from collections.abc import Sequence
from contextlib import suppress
from importlib import import_module
from typing import NoReturn

from .errors import Stopped, UsageError

OK, WRONG, INTERRUPTED = 0, 2, 130
LONGEST_LINE = 600

# Each verb: what it is for, and the module that does it (None: not in this version).
VERBS: dict[str, tuple[str, str | None]] = {
    "plan": ("work out how big a pile, coil, pump, panel and battery this greenhouse and weather need", "plan"),
    "simulate": ("run a season of a simulated greenhouse and show what a policy harvests", "simulate"),
    "tune": ("find controller gains for a plant and prove that they are safe", "tune"),
    "init": ("write a commented settings file for your greenhouse", "init"),
    "check": ("show each sensor and move each output once", "check"),
    "commission": ("learn pump, fan, coil and delays of a greenhouse in one guided session", "commission"),
    "run": ("control the greenhouse", "run"),
    "report": ("say what was harvested, saved, and broken", "report"),
    "replay": ("run a recorded log through today's controller", "replay"),
    "campaign": ("run many seasons or fault episodes on all cores", "campaign"),
}


class _Parser(argparse.ArgumentParser):
    def error(self, message: str) -> NoReturn:
        """Refuse in one line instead of a page of usage."""
        raise UsageError(f"{message} (see {self.prog} --help)")


def build_parser() -> argparse.ArgumentParser:
    """The parser with all verbs; each built verb adds its own arguments."""
    parser = _Parser(
        prog="warmheap", description="Heats a greenhouse from a compost pile, all winter, without killing the pile."
    )
    verbs = parser.add_subparsers(dest="verb", metavar="VERB", required=True)
    for verb, (purpose, module) in VERBS.items():
        later = "" if module else " (not in this version)"
        sub = verbs.add_parser(verb, help=purpose + later, description=_sentence(purpose + later))
        if module:
            import_module(f".{module}", __package__).add_arguments(sub)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code: 0 done, 2 a mistake told in one line, 130 stopped by Ctrl-C."""
    _make_printable()
    try:
        code = _run(build_parser(), argv)
        sys.stdout.flush()
        return code
    except UsageError as mistake:
        return _say(mistake, WRONG)
    except Stopped as stopped:
        return _say(stopped, INTERRUPTED)
    except KeyboardInterrupt:
        return _say("stopped; nothing was kept", INTERRUPTED)
    except BrokenPipeError:  # the reader of a pipe has seen enough
        sys.stderr.close()
        return OK
    except OSError as wrong:  # whatever no verb has better words for: a full disk behind the output, mostly
        where = f"{wrong.filename}: " if wrong.filename else "cannot go on: "
        return _say(f"{where}{wrong.strerror or wrong}; make room, or see to it that it may be read and written", WRONG)
    except MemoryError:
        return _say("out of memory: ask for less at a time, or use a machine with more", WRONG)
    finally:
        _let_go_of_output()


def _make_printable() -> None:
    """No text is too foreign for the output, and an output that was closed takes everything."""
    if sys.stdout is None:
        sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115 - for the rest of the process
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="backslashreplace")


def _let_go_of_output() -> None:
    """What a full disk does not take is let go of; Python would otherwise try once more at its end, and complain."""
    try:
        sys.stdout.flush()
    except (OSError, ValueError):
        with suppress(OSError, ValueError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _run(parser: argparse.ArgumentParser, argv: Sequence[str] | None) -> int:
    args, unknown = parser.parse_known_args(argv)
    purpose, module = VERBS[args.verb]
    if module is None:
        raise UsageError(f"{args.verb} will {purpose}; this version does not have it yet")
    if unknown:
        parser.error(f"unknown argument {unknown[0]!r} of {args.verb}")
    for name, value in vars(args).items():
        if value == []:  # what argparse makes of "--days=--"
            parser.error(f"argument --{name.replace('_', '-')}: '--' is no value")
    import_module(f".{module}", __package__).run(args)
    return OK


def _say(text: object, code: int) -> int:
    line = " ".join(str(text).split())
    line = "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in line)
    if len(line) > LONGEST_LINE:
        line = f"{line[: LONGEST_LINE // 2]} ... {line[-LONGEST_LINE // 2 :]}"
    with suppress(OSError):
        print(f"warmheap: {line}", file=sys.stderr, flush=True)
    return code


def _sentence(text: str) -> str:
    return text[0].upper() + text[1:] + "."
