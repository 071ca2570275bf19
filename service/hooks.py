"""What a run tells its surroundings while it works: progress, captures to keep, and whether to stop."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from drivers.scope.capture import Capture


@dataclass(frozen=True)
class Met:
    """How a run found a scope when it opened it."""

    scope: str
    """Its address and who answered there."""
    switched_on: bool
    """It says that it was switched on since anybody asked last."""
    panel: Mapping[str, Any] | None
    """Every setting that it could be asked for, flat; None: it was not asked."""
    owed: Mapping[str, str | None] | None = None
    """Settings that are to be put back, in the scope's own words; None where none are."""
    unusual: Sequence[str] = ()
    """What of it no run would have left so, in words."""


@dataclass(frozen=True)
class Since:
    """What happened to a scope between the last run that was at it and this one."""

    switched_on: bool = False
    """It was switched off and on; never said of a scope that no run has met before."""
    changed: tuple[str, ...] | None = None
    """Settings that are not as that run left them, in words; None: nothing to compare with."""
    unusual: tuple[str, ...] = ()


class NeedsPerson(Exception):
    """The run can go on only after a person has done something; the instrument was left idle meanwhile."""

    def __init__(self, prompt: Mapping[str, Any], limit_s: float) -> None:
        super().__init__(f"a person is needed: {prompt.get('text', prompt)}")
        self.prompt = prompt
        self.limit_s = limit_s


class RunCancelled(Exception):
    """Somebody asked the run to stop; the instrument was left idle."""


@dataclass(frozen=True, eq=False)
class Look:
    """What the bench shows while a person is waited for. It is shown to the person, and not kept."""

    text: str
    values: Mapping[str, Any] = field(default_factory=dict)
    """Numbers as JSON, units in their names."""
    seen: bool = False
    """What is waited for is there: the run goes on by itself."""


def _quiet(_step: str, _message: str, _fraction: float) -> None:
    return None


def _forget(_capture: Capture, _label: str) -> None:
    return None


def _met(_met: Met) -> None:
    return None


def _left(_panel: Mapping[str, Any] | None, _switched_on_again: bool) -> None:
    return None


def _nothing_owed() -> Mapping[str, str | None] | None:
    return None


def _never() -> bool:
    return False


def _no_note(_label: str, _facts: Mapping[str, Any]) -> None:
    return None


def _nothing_kept(_label: str) -> None:
    return None


def _nobody(prompt: Mapping[str, Any], _limit_s: float) -> Mapping[str, Any]:
    raise NeedsPerson(prompt, _limit_s)


def _nobody_watches(
    prompt: Mapping[str, Any], limit_s: float, _look: Callable[[], Look], _every_s: float
) -> Mapping[str, Any]:
    raise NeedsPerson(prompt, limit_s)


@dataclass(frozen=True, eq=False)
class RunHooks:
    """The defaults listen to nothing and never stop: right for a script that only wants the result."""

    progress: Callable[[str, str, float], None] = _quiet
    """(step, message for people, fraction done 0..1)."""
    keep: Callable[[Capture, str], None] = _forget
    """(capture, label): called for each capture as soon as it is taken, before anything is made of it."""
    note: Callable[[str, Mapping[str, Any]], None] = _no_note
    """(label, facts as JSON): called right before `keep` of that label; they are kept beside the capture."""
    kept: Callable[[str], tuple[Capture, Mapping[str, Any]] | None] = _nothing_kept
    """The capture of that label and its facts, when this run took it before its program died."""
    ask: Callable[[Mapping[str, Any], float], Mapping[str, Any]] = _nobody
    """(prompt with at least `text`, seconds to wait): what the person answered.

    Raises NeedsPerson the first time. The run is then done again from its start when the answer is there, and
    everything that was captured comes from `kept`, so ask outside of `open_bench` or be ready to leave it.
    """
    watch: Callable[[Mapping[str, Any], float, Callable[[], Look], float], Mapping[str, Any]] = (
        _nobody_watches
    )
    """(prompt, seconds to wait, look, seconds between looks): as `ask`, but stays here and looks meanwhile.

    The answer has `by`: "bench" when a look had `seen`, "person" when somebody said that the step is done. It
    is kept like any answer: a run that is done again does not wait for it twice. What `look` does must leave
    the scope idle.
    """
    met: Callable[[Met], None] = _met
    """Called whenever the scope was opened, before anything is done with it."""
    left: Callable[[Mapping[str, Any] | None, bool], None] = _left
    """(settings as they were left, None when unknown; whether the scope was switched off and on meanwhile):
    called when the scope was let go of."""
    owed: Callable[[], Mapping[str, str | None] | None] = _nothing_owed
    """What this run had found at the scope and could not put back, since its program died."""
    since: Callable[[], Since] = Since
    """What happened to the scope since the last run, as far as it was met."""
    cancelled: Callable[[], bool] = _never

    def stop_if_cancelled(self) -> None:
        """Raises RunCancelled when somebody asked to stop."""
        if self.cancelled():
            raise RunCancelled("the run was cancelled")
