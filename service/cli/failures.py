"""Failures that only commands know, each with the exit code and the problem that it stands for."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from service.errors import INTERNAL, OUTCOMES, problem_type


class CommandFailed(Exception):
    """One sentence, an exit code, and the same as RFC 9457 members."""

    def __init__(self, sentence: str, exit_code: int, problem: Mapping[str, Any] | None = None) -> None:
        super().__init__(sentence)
        self.exit_code = exit_code
        self.problem = dict(
            problem
            or {"type": problem_type("command-failed"), "title": "The command failed", "detail": sentence}
        )


class ApiRefused(CommandFailed):
    """The API answered with a problem, or a run ended with one: told with its words and its exit code."""

    def __init__(self, problem: Mapping[str, Any]) -> None:
        kind = problem.get("type")
        outcome = next((o for o in OUTCOMES.values() if problem_type(o.name) == kind), INTERNAL)
        sentence = problem.get("detail") or problem.get("title") or "the service refused"
        super().__init__(str(sentence), outcome.exit_code, problem)
