"""`benchwarden analyze FILE`: judges a saved capture with no hardware, and starts nearly as fast as numpy."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from service.analysis import Analysis, AnalysisOptions


def add(commands: Any) -> None:
    """The command with its options."""
    command: argparse.ArgumentParser = commands.add_parser(
        "analyze",
        help="judge a saved capture",
        description="Judges a capture file: CSV with the header time_s,ch1_v,ch2_v, NPZ as a run keeps it, "
        "or NPZ of arrays with those three names. What the options say counts, else what the file of a run "
        "knows; rate and frame are found from the record otherwise.",
    )
    command.add_argument("file", metavar="FILE")
    command.add_argument("--sent", metavar="HEX", help="what was sent; without it, what the line carried")
    command.add_argument("--baud", type=float, metavar="N", help="nominal bit rate")
    command.add_argument("--frame", metavar="8N1", help="nominal frame")
    command.add_argument("--logic", metavar="FAMILY", help="1.8, 2.5, 3.3, 5-ttl, 5-cmos or rs232")
    command.add_argument("--to-target", metavar="CHANNEL", help="line of the PC (ch1)")
    command.add_argument("--from-target", metavar="CHANNEL", help="line of the target (ch2)")
    command.add_argument(
        "--timebase-ppm", type=float, metavar="PPM", help="accuracy of the scope (25 assumed)"
    )
    command.add_argument(
        "--time-column",
        metavar="NAME",
        help="of a file with other names: the column of seconds; --to-target and --from-target name the "
        "columns of volts",
    )
    command.add_argument("--report", metavar="FILE", help="write the report as HTML")
    command.add_argument("--json", action="store_true", help="print the result document as JSON")
    command.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """The verdict's exit code; BadInput and its kind when the file or an option cannot be used."""
    from service.analysis import analyse_file
    from service.cli.results import show

    analysis = analyse_file(arguments.file, _options(arguments))
    facts = []
    if arguments.report is not None:
        _write_report(analysis, arguments.report)
        facts.append(("report", arguments.report))
    return show(analysis.document, analysis.meta.title, facts, as_json=arguments.json)


def _options(arguments: argparse.Namespace) -> AnalysisOptions:
    from service.analysis import AnalysisOptions
    from service.errors import BadInput
    from service.pipeline.readings import FrameFormat
    from service.plans import bytes_of_hex

    try:
        frame = FrameFormat.parse(arguments.frame) if arguments.frame else None
    except ValueError as error:
        raise BadInput(str(error)) from None
    return AnalysisOptions(
        sent=None if arguments.sent is None else bytes_of_hex(arguments.sent),
        baud=arguments.baud,
        frame=frame,
        logic=arguments.logic,
        to_target=arguments.to_target,
        from_target=arguments.from_target,
        timebase_ppm=arguments.timebase_ppm,
        time_column=arguments.time_column,
    )


def _write_report(analysis: Analysis, path: str) -> None:
    from dataclasses import replace

    from service.errors import BadInput
    from service.report import render_report
    from service.report.meta import software_versions

    meta = replace(analysis.meta, versions=software_versions())
    try:
        with open(path, "w", encoding="utf-8") as file:
            file.write(render_report(analysis.document, analysis.shots, meta))
    except OSError as error:
        raise BadInput(f"cannot write the report to {path}: {error.strerror}") from None
