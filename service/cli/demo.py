"""`benchwarden demo`: a whole echo test on a simulated bench, through the HTTP API, as a script would."""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import httpx

    from service.cli.progress import Tell
    from service.wiring import Wiring

RUN_S = 120.0
"""Longest silence between two events of the run."""


def add(commands: Any) -> None:
    """The command with its options."""
    command: argparse.ArgumentParser = commands.add_parser(
        "demo",
        help="an echo test on a simulated bench, end to end",
        description="Starts a simulated bench and the service, runs an echo test through the HTTP API, "
        "prints the result and names the report. Exits 0 when that worked, whatever the verdict.",
    )
    command.add_argument("--firmware", metavar="NAME", help="what the simulated firmware does (good)")
    command.add_argument("--bench", metavar="NAME", help="what is wrong with the simulated bench (good)")
    command.add_argument("--fault", metavar="NAME", help="what breaks in the middle of the run (nothing)")
    command.add_argument("--text", default="Tide 7", help="text to send (Tide 7)")
    command.add_argument("--data", metavar="DIR", help="folder of runs and reports (benchwarden-data/demo)")
    command.add_argument("--json", action="store_true", help="print the result document as JSON")
    command.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """0 when the demo itself worked."""
    from service.cli.children import simulated_bench, termination_interrupts
    from service.cli.progress import progress
    from service.cli.say import log_to_stderr

    log_to_stderr(everything=False)
    given = {name: getattr(arguments, name) for name in ("firmware", "bench", "fault")}
    options = [f"--{name}={value}" for name, value in given.items() if value is not None]
    with (
        termination_interrupts(),
        tempfile.TemporaryDirectory(prefix="benchwarden-demo-") as folder,
        progress() as tell,
        simulated_bench(options, Path(folder)) as stations,
    ):
        finished = _echo_test(stations, arguments, tell)
    return _show(finished, arguments)


def _echo_test(stations: Path, arguments: argparse.Namespace, tell: Tell) -> dict[str, Any]:
    """The run as the API gives it when it has ended, with the place of its report."""
    import httpx

    from service.cli.failures import ApiRefused
    from service.settings import read_settings
    from service.web.serving import serving
    from service.wiring import build

    data = arguments.data or read_settings().data / "demo"
    wiring = build(read_settings({"stations": stations, "data": data, "host": "127.0.0.1", "port": 0}))
    station = wiring.stations[0].name
    tell("service", "starting the service", 0.0)
    with (
        serving(wiring) as url,
        _let_in(wiring) as headers,
        httpx.Client(base_url=url, headers=headers, trust_env=False, timeout=RUN_S) as client,
    ):
        asked = client.post(f"/api/v1/stations/{station}/echo-tests", json={"send": {"text": arguments.text}})
        _require(asked)
        where = asked.headers["Location"]
        _follow(client, where, tell)
        answer = client.get(where)
        _require(answer)
        finished: dict[str, Any] = answer.json()
        if finished["error"]:
            raise ApiRefused(finished["error"])
        finished["report_file"] = str(wiring.store.report(finished["id"]))
    return finished


@contextmanager
def _let_in(wiring: Wiring) -> Iterator[dict[str, str]]:
    """Nothing while the door is open; else a token for as long as the block runs."""
    from service.access.command import made_by

    if wiring.access.is_open:
        yield {}
        return
    access = wiring.access
    token, secret = access.tokens.make("demo", "submitter", days=1 / 24, by=made_by())
    access.audit.add(made_by(), "token make", token.id, name=token.name, role=token.role)
    try:
        yield {"Authorization": f"Bearer {secret}"}
    finally:
        access.tokens.revoke(token.id)
        access.audit.add(made_by(), "token revoke", token.id, name=token.name, role=token.role)


def _follow(client: httpx.Client, where: str, tell: Tell) -> None:
    """Pass the run's progress on until its last event (server-sent events, HTML standard)."""
    import json

    with client.stream("GET", f"{where}/events") as stream:
        for line in stream.iter_lines():
            if not line.startswith("data:"):
                continue
            event = json.loads(line.removeprefix("data:"))
            if event.get("event") == "progress":
                tell(event["step"], event["message"], event["fraction"])
            elif event.get("event") == "end":
                return


def _require(answer: httpx.Response) -> None:
    """The problem's own sentence when the API did not do what was asked."""
    from service.cli.failures import ApiRefused

    if answer.is_error:
        raise ApiRefused(answer.json())


def _show(finished: Mapping[str, Any], arguments: argparse.Namespace) -> int:
    from service.cli.results import VERDICT_CODES, show

    document, station = finished["result"], finished["station"]
    code = VERDICT_CODES[document["verdict"]]
    facts = [
        ("run", finished["id"]),
        ("report", finished["report_file"]),
        ("exit code", f"0, the demo worked; `benchwarden echo {station}` would have given {code}"),
    ]
    told = {
        "run": {"id": finished["id"], "station": station, "report": finished["report_file"]},
        "echo_exit_code": code,
    }
    show(document | told, f"Echo test at {station}", facts, as_json=arguments.json)
    return 0
