"""All that is kept of the room, in one hand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from service.room.baselines import Baselines
from service.room.history import History
from service.room.inventory import Inventory
from service.room.presence import Presence
from service.room.standings import Standings
from service.run_record import Clock
from service.stations import Station
from service.store import RunStore


@dataclass(frozen=True)
class Room:
    """Made by `room_of`."""

    inventory: Inventory
    standings: Standings
    presence: Presence
    history: History
    baselines: Baselines


def room_of(store: RunStore, stations: Sequence[Station], clock: Clock) -> Room:
    """The room of these stations."""
    known = tuple(stations)
    inventory = Inventory(store.database, known, clock)
    return Room(
        inventory=inventory,
        standings=Standings(store.database, inventory, clock),
        presence=Presence(store.database, known, clock),
        history=History(store.database, inventory, clock),
        baselines=Baselines(store.database, inventory, clock),
    )
