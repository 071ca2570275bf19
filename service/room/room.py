"""All that is kept of the room, in one hand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from service.room.baselines import Baselines
from service.room.history import History
from service.room.inventory import Inventory
from service.room.morning_plan import MorningPlan
from service.room.mornings import Mornings
from service.room.outbox import Outbox
from service.room.presence import Presence
from service.room.standings import Standings
from service.room.statistic_rows import Statistics
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
    mornings: Mornings
    outbox: Outbox
    statistics: Statistics


def room_of(
    store: RunStore, stations: Sequence[Station], clock: Clock, plan: MorningPlan | None = None
) -> Room:
    """The room of these stations, with its mornings as planned."""
    known = tuple(stations)
    inventory = Inventory(store.database, known, clock)
    standings = Standings(store.database, inventory, clock)
    presence = Presence(store.database, known, clock)
    history = History(store.database, inventory, clock)
    return Room(
        inventory=inventory,
        standings=standings,
        presence=presence,
        history=history,
        baselines=Baselines(store.database, inventory, clock),
        mornings=Mornings(store.database, known, standings, presence, history, clock, plan),
        outbox=Outbox(store.database, plan, clock),
        statistics=Statistics(store.database, known, inventory, clock),
    )
