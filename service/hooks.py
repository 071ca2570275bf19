"""What a run tells its surroundings while it works: progress, captures to keep, and whether to stop."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from drivers.scope.capture import Capture


class RunCancelled(Exception):
    """Somebody asked the run to stop; the instrument was left idle."""


def _quiet(_step: str, _message: str, _fraction: float) -> None:
    return None


def _forget(_capture: Capture, _label: str) -> None:
    return None


def _never() -> bool:
    return False


@dataclass(frozen=True)
class RunHooks:
    """The defaults listen to nothing and never stop: right for a script that only wants the result."""

    progress: Callable[[str, str, float], None] = _quiet
    """(step, message for people, fraction done 0..1)."""
    keep: Callable[[Capture, str], None] = _forget
    """(capture, label): called for each capture as soon as it is taken, before anything is made of it."""
    cancelled: Callable[[], bool] = _never

    def stop_if_cancelled(self) -> None:
        """Raises RunCancelled when somebody asked to stop."""
        if self.cancelled():
            raise RunCancelled("the run was cancelled")
