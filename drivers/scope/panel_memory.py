"""What one opening of a scope remembers of its front panel: as it was found, what is owed, as it was left."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

from drivers.scope.as_found import Found, put_back, read_found
from drivers.scope.conversation import Conversation
from drivers.scope.dialect import Dialect
from drivers.scope.found_panel import FoundPanel, panel_of
from drivers.scope.setup import Difference


@dataclass
class PanelMemory:
    """`owes`: what was found is to be put back, and was not yet. `notes`: how it is left is to be read."""

    dialect: Dialect
    talk: Conversation
    found: tuple[Found, ...]
    owes: bool
    notes: bool
    left: tuple[Found, ...] = field(default=(), init=False)

    @property
    def panel_found(self) -> FoundPanel | None:
        """None: it was not read."""
        return panel_of(self.dialect, self.found) if self.found else None

    @property
    def panel_left(self) -> FoundPanel | None:
        """None: it was not read."""
        return panel_of(self.dialect, self.left) if self.left else None

    @property
    def said(self) -> dict[str, str | None]:
        """What was found in the scope's own words, by name of the setting."""
        return {one.place.name: one.said for one in self.found}

    def put_back(self, keep: Callable[[str], bool]) -> tuple[Difference, ...]:
        """All that was found, but for what `keep` names; what could not be. Raises NotReachable."""
        left = put_back(tuple(one for one in self.found if not keep(one.place.name)), self.talk)
        self.owes = False
        return left

    def restore(self, said: Mapping[str, str | None]) -> None:
        """Bring back what another opening had found; that is what was found from now on."""
        before = [replace(one, said=said[one.place.name]) for one in self.found if one.place.name in said]
        put_back(tuple(before), self.talk)
        self.found = read_found(self.dialect, self.talk)

    def note(self) -> None:
        """Read how it is left, where that is wanted. Raises NotReachable."""
        if self.notes:
            self.left = read_found(self.dialect, self.talk)
