"""Routes of the inventory: things, where they are, what they may be used for, what befell them."""

from __future__ import annotations

from dataclasses import asdict
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Path, Query, status
from pydantic import BaseModel, ConfigDict, Field

from service.room.items import TEXT_MAX, Entry, Item, Placement
from service.web.dependencies import Parts, Who, problems
from service.web.models import BASE

router = APIRouter(tags=["items"])

ItemId = Annotated[str, Path(examples=["P-07"])]
ItemKind = Literal["scope", "probe", "bridge", "board", "pc", "supply"]
ItemState = Literal["in-use", "practice-only", "out", "in-repair"]
Line = Literal["to_target", "from_target"]
Words = Annotated[str, Field(min_length=1, max_length=TEXT_MAX)]


class ItemIn(BaseModel):
    """A new thing."""

    model_config = ConfigDict(
        extra="forbid",
        json_schema_extra={"examples": [{"id": "P-07", "kind": "probe", "label": "black clip"}]},
    )
    id: Annotated[str, Field(pattern="^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$")]
    kind: ItemKind
    label: Annotated[str, Field(max_length=200)] = ""
    identity: Annotated[
        str | None, Field(max_length=200, description="What it says of itself: of a scope its serial number.")
    ] = None


class PlaceIn(BaseModel):
    """Where it goes."""

    model_config = ConfigDict(
        extra="forbid", json_schema_extra={"examples": [{"station": "north-3", "line": "to_target"}]}
    )
    station: str
    line: Annotated[Line | None, Field(description="Of a probe: the line that it is on.")] = None


class StateIn(BaseModel):
    """What it may be used for from now on; `in-use` comes true with the next check that passes."""

    model_config = ConfigDict(
        extra="forbid", json_schema_extra={"examples": [{"state": "out", "because": "clip arced"}]}
    )
    state: ItemState
    because: Words


class NoteIn(BaseModel):
    """A person's words."""

    model_config = ConfigDict(extra="forbid", json_schema_extra={"examples": [{"text": "cable stiff"}]})
    text: Words


class PlacementOut(BaseModel):
    """Where a thing is or was."""

    station: str
    place: Annotated[str, Field(description="Of a probe its line; of anything else its kind.")]
    channel: Annotated[str | None, Field(description="Of the scope, where a probe is plugged in.")]
    since: str
    until: Annotated[str | None, Field(description="null: it is there now.")]
    who: str


class ItemRow(BaseModel):
    """A thing as it stands in a list."""

    id: str
    kind: ItemKind
    label: str
    identity: str | None
    state: ItemState
    state_since: str
    awaits_check: Annotated[bool, Field(description="In use again as soon as a check has passed with it.")]
    placement: PlacementOut | None
    href: str


class EntryOut(BaseModel):
    """One line of a thing's log."""

    at: str
    who: str
    what: Annotated[str, Field(examples=["made", "placed", "taken-away", "state", "note", "proved"])]
    text: str
    details: dict[str, Any]


class ItemOut(ItemRow):
    """A thing with all that befell it."""

    log: Annotated[list[EntryOut], Field(description="Newest first.")]
    placements: Annotated[list[PlacementOut], Field(description="Oldest first.")]


@router.get("/items", summary="The inventory", responses=problems(422))
def list_items(
    wiring: Parts,
    kind: ItemKind | None = None,
    state: ItemState | None = None,
    station: Annotated[str | None, Query(description="Those that are there now.")] = None,
) -> list[ItemRow]:
    """By name."""
    wiring.room.inventory.settle()
    return [_row(i) for i in wiring.room.inventory.all(kind=kind, state=state, station=station)]


@router.post(
    "/items",
    summary="A new thing",
    status_code=status.HTTP_201_CREATED,
    responses=problems(403, 409, 415, 422),
)
def add_item(body: ItemIn, wiring: Parts, who: Who) -> ItemRow:
    """For practice only, until a check has passed with it in its place."""
    return _row(wiring.room.inventory.add(body.id, body.kind, body.label, who, body.identity))


@router.get("/items/{item}", summary="One thing", responses=problems(404))
def show_item(item: ItemId, wiring: Parts) -> ItemOut:
    """With its log and its places."""
    inventory = wiring.room.inventory
    inventory.settle()
    found = inventory.one(item)
    return ItemOut(
        **_row(found).model_dump(),
        log=[_entry(entry) for entry in inventory.log_of(item)],
        placements=[_placement(p) for p in inventory.placements(item=item)],
    )


@router.put("/items/{item}/place", summary="Put it on a station", responses=problems(403, 404, 409, 415, 422))
def place_item(item: ItemId, body: PlaceIn, wiring: Parts, who: Who) -> ItemRow:
    """What was in its place is taken away."""
    return _row(wiring.room.inventory.place(item, body.station, who, body.line))


@router.delete("/items/{item}/place", summary="Take it away", responses=problems(403, 404))
def take_item_away(item: ItemId, wiring: Parts, who: Who) -> ItemRow:
    """It is on no station from now on."""
    return _row(wiring.room.inventory.take_away(item, who))


@router.put("/items/{item}/state", summary="What it may be used for", responses=problems(403, 404, 415, 422))
def set_item_state(item: ItemId, body: StateIn, wiring: Parts, who: Who) -> ItemRow:
    """No way leads from `out` or `in-repair` to `in-use` but a check that passes."""
    return _row(wiring.room.inventory.set_state(item, body.state, who, body.because))


@router.post(
    "/items/{item}/notes",
    summary="Write something down",
    status_code=status.HTTP_201_CREATED,
    responses=problems(403, 404, 415, 422),
)
def note_item(item: ItemId, body: NoteIn, wiring: Parts, who: Who) -> EntryOut:
    """With author and time; nothing in the log is ever changed."""
    wiring.room.inventory.note(item, body.text, who)
    return _entry(wiring.room.inventory.log_of(item)[0])


def _row(item: Item) -> ItemRow:
    values = {name: getattr(item, name) for name in ItemRow.model_fields if name not in ("placement", "href")}
    placement = _placement(item.placement) if item.placement else None
    return ItemRow(**values, placement=placement, href=f"{BASE}/items/{item.id}")


def _placement(placement: Placement) -> PlacementOut:
    return PlacementOut(**{n: v for n, v in asdict(placement).items() if n != "item"})


def _entry(entry: Entry) -> EntryOut:
    return EntryOut(**asdict(entry))
