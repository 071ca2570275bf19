"""`benchwarden item ...`: the things of the lab from the command line; needs no running service."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from service.room.items import Item


def add(commands: Any) -> None:
    """The command with its verbs."""
    command: argparse.ArgumentParser = commands.add_parser(
        "item",
        help="scopes, probes, bridges and boards: where each is and what it may be used for",
        description="Keeps the inventory. What is new, was out or in repair is for practice only until a "
        "station check has passed with it in its place.",
    )
    verbs = command.add_subparsers(title="verbs", required=True, metavar="VERB", dest="verb")
    for name, about, arguments in VERBS:
        verb = verbs.add_parser(name, help=about, description=about)
        for flags, options in arguments:
            verb.add_argument(flags, **options)
        verb.add_argument("--stations", metavar="FILE", help="the stations file (stations.toml)")
        verb.add_argument("--data", metavar="DIR", help="the data folder (benchwarden-data)")
        verb.add_argument("--database", metavar="URL", help="postgresql://... (a file in the data folder)")
        verb.add_argument("--who", metavar="NAME", help="who does it (the user's name)")
        verb.add_argument("--json", action="store_true", help="print JSON")
        verb.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """0 when it was done."""
    from service.cli.room import noted, room, who

    inventory = room(arguments).inventory
    inventory.settle()
    a, by = arguments, who(arguments)
    if a.verb == "list":
        return _told_all(a, inventory.all(kind=a.kind, state=a.state, station=a.station))
    facts = {name: getattr(a, name, None) for name in ("kind", "station", "line", "state", "because", "text")}
    inventory = noted(inventory, f"item {a.verb}", a.id, who=by, **facts)
    acts = {
        "add": lambda: inventory.add(a.id, a.kind, a.label, by, a.identity),
        "show": lambda: inventory.one(a.id),
        "place": lambda: inventory.place(a.id, a.station, by, a.line),
        "away": lambda: inventory.take_away(a.id, by),
        "state": lambda: inventory.set_state(a.id, a.state, by, a.because),
        "note": lambda: inventory.note(a.id, a.text, by),
    }
    item = acts[a.verb]()
    return _told(a, item, inventory.log_of(item.id) if a.verb == "show" else [])


def _told_all(arguments: argparse.Namespace, items: list[Item]) -> int:
    from dataclasses import asdict

    from service.cli.say import print_json, say

    if arguments.json:
        print_json({"items": [asdict(item) for item in items]})
    else:
        say("\n".join(_line(item) for item in items) or "no items")
    return 0


def _told(arguments: argparse.Namespace, item: Item, log: list[Any]) -> int:
    from dataclasses import asdict

    from service.cli.say import print_json, say
    from service.report.history_text import entry_text

    if arguments.json:
        more = {"log": [asdict(entry) for entry in log]} if arguments.verb == "show" else {}
        print_json(asdict(item) | more)
        return 0
    say("\n".join([_line(item), *(f"  {entry_text(entry)}" for entry in log)]))
    return 0


def _line(item: Item) -> str:
    from service.room.items import WORDS
    from service.room.plain import one_line

    at = item.placement
    where = "nowhere" if at is None else at.station + (f" {at.place}" if item.kind == "probe" else "")
    state = WORDS[item.state] + (", until a check has passed" if item.awaits_check else "")
    return f"{item.id:12} {item.kind:7} {where:22} {state}" + (
        f"; {one_line(item.label)}" if item.label else ""
    )


_KINDS = "scope, probe, bridge, board, pc or supply"
_STATES = "in-use, practice-only, out or in-repair"
_ID: tuple[str, dict[str, Any]] = ("id", {"metavar": "ID"})
VERBS: tuple[tuple[str, str, tuple[tuple[str, dict[str, Any]], ...]], ...] = (
    ("list", "what there is", (
        ("--kind", {"metavar": "KIND", "help": _KINDS}), ("--state", {"metavar": "STATE", "help": _STATES}),
        ("--station", {"metavar": "NAME"}),
    )),
    ("add", "a new thing", (
        _ID, ("kind", {"metavar": "KIND", "help": _KINDS}), ("--label", {"default": "", "metavar": "TEXT"}),
        ("--identity", {"metavar": "TEXT", "help": "of a scope its serial number"}),
    )),
    ("show", "one thing with its log", (_ID,)),
    ("place", "put it on a station", (
        _ID, ("station", {"metavar": "STATION"}),
        ("--line", {"metavar": "LINE", "help": "of a probe: to_target or from_target"}),
    )),
    ("away", "take it from its station", (_ID,)),
    ("state", "what it may be used for; in-use comes true with the next check that passes", (
        _ID, ("state", {"metavar": "STATE", "help": _STATES}),
        ("--because", {"required": True, "metavar": "TEXT"}),
    )),
    ("note", "write something down about it", (_ID, ("text", {"metavar": "TEXT"}))),
)  # fmt: skip
"""Verb, what it does, its arguments."""
