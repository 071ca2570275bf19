"""The command line: parse, run one command, and turn whatever happens into a sentence and an exit code.

Exit codes: 0 pass, 1 fail, 2 bad usage or bad input file, 3 inconclusive, 4 instrument or link not reachable,
5 anything else. Python's own 1 for a crash would read as a verdict, so a crash is 5.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence
from importlib import import_module
from typing import NoReturn

from service.cli.say import complain, print_json

ANYTHING_ELSE = 5


def run(argv: Sequence[str]) -> int:
    """Run the command in `argv`; the exit code is returned, errors end as one sentence on standard error."""
    try:
        arguments = parser(argv).parse_args(argv)
    except SystemExit as ending:  # argparse: 0 after --help and --version, 2 after bad usage
        if "--json" in argv and ending.code:
            print_json(_bad_usage(_Parser.complaint))
        return int(ending.code or 0)
    as_json = getattr(arguments, "json", False)
    try:
        return int(arguments.run(arguments))
    except KeyboardInterrupt:
        return _interrupted(as_json)
    except BrokenPipeError:
        # whoever read our output has gone; Python would complain again while it flushes at the end
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return ANYTHING_ELSE
    except known_errors() as error:
        return told(error, as_json=as_json)
    except Exception as error:
        import logging

        logging.exception("a mistake in the program")
        return _mistaken(error, as_json=as_json)


def _bad_usage(sentence: str) -> dict[str, object]:
    from service.errors import BadInput, problem_of

    return problem_of(BadInput(sentence))


def _interrupted(as_json: bool) -> int:
    from service.errors import problem_of
    from service.hooks import RunCancelled

    complain("interrupted")
    if as_json:
        print_json(problem_of(RunCancelled("interrupted")))
    return ANYTHING_ELSE


def _mistaken(error: Exception, *, as_json: bool) -> int:
    from service.errors import problem_of

    complain(f"a mistake in the program: {type(error).__name__}: {error}")
    if as_json:
        print_json(problem_of(error))
    return ANYTHING_ELSE


def known_errors() -> tuple[type[Exception], ...]:
    """Errors that are told in one sentence; asked for only when something went wrong."""
    from drivers.errors import DriverError
    from service.cli.failures import CommandFailed
    from service.errors import ServiceError
    from service.hooks import RunCancelled

    return ServiceError, DriverError, RunCancelled, CommandFailed


def told(error: Exception, *, as_json: bool) -> int:
    """One sentence for a person, the same facts as RFC 9457 members with `--json`; returns the exit code."""
    from service.cli.failures import CommandFailed
    from service.errors import outcome_of, problem_of

    complain(" ".join(str(error).split()))
    if as_json:
        print_json(error.problem if isinstance(error, CommandFailed) else problem_of(error))
    return error.exit_code if isinstance(error, CommandFailed) else outcome_of(error).exit_code


def parser(argv: Sequence[str] = ()) -> argparse.ArgumentParser:
    """All commands with their options; only the one that `argv` begins with, where it does."""
    top = _Parser(
        prog="benchwarden",
        description="Proves the stations of a microcontroller lab and judges serial echo firmware with "
        "evidence.",
        epilog="Exit codes: 0 pass, 1 fail, 2 bad usage or input, 3 inconclusive, 4 instrument or link not "
        "reachable, 5 anything else.",
    )
    top.add_argument("--version", action=_Version, nargs=0, help="show the version and leave")
    commands = top.add_subparsers(title="commands", required=True, metavar="COMMAND")
    named = COMMANDS.get(argv[0] if argv else "")
    for module in dict.fromkeys(COMMANDS.values()) if named is None else [named]:
        import_module(f"service.cli.{module}").add(commands)
    return top


class _Parser(argparse.ArgumentParser):
    """Keeps what it complained about: `--json` says it as a document as well. The width of the terminal it
    asks without shutil, which would import every packer of files for it.
    """

    complaint = ""

    def error(self, message: str) -> NoReturn:
        _Parser.complaint = message
        super().error(message)

    def _get_formatter(self) -> argparse.HelpFormatter:
        return argparse.HelpFormatter(self.prog, width=_columns() - 2)


def _columns() -> int:
    told = os.environ.get("COLUMNS", "")
    if told.isdecimal() and int(told) > 0:
        return int(told)
    try:
        return os.get_terminal_size(sys.__stdout__.fileno() if sys.__stdout__ else 1).columns or 80
    except (OSError, ValueError):
        return 80


class _Version(argparse.Action):
    """The version is looked up only when it is asked for."""

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> None:
        from importlib.metadata import version

        print(f"benchwarden {version('benchwarden')}")
        parser.exit(0)


COMMANDS = {
    "demo": "demo",
    "serve": "serve",
    "worker": "worker",
    "simulate": "simulate",
    "echo": "echo",
    "check": "check",
    "analyze": "analyze",
    "commission": "commission",
    "backup": "backup",
    "restore": "backup",
    "token": "token",
    "audit": "audit",
    "item": "item",
    "claim": "claim",
    "give-back": "claim",
    "history": "history",
    "baseline": "history",
    "morning": "morning",
    "statistics": "statistics",
}
"""Each command and the module that it stands in: a command imports no other one."""
