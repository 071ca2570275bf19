"""How many runs of one owner may wait: counted in the transaction that adds one, so that many who ask at once
get no more places than there are.
"""

from __future__ import annotations

import sqlalchemy as sa

from service import tables as t
from service.database import lock_named
from service.errors import OwnQueueFull


def require_place(connection: sa.Connection, owner: str, most: int) -> None:
    """Raises OwnQueueFull when so many runs of that owner wait that those of others would be kept waiting."""
    lock_named(connection, f"queue of {owner}")
    query = sa.select(sa.func.count()).where(t.runs.c.owner == owner, t.runs.c.state == "queued")
    waiting = int(connection.execute(query).scalar_one())
    if waiting >= most:
        raise OwnQueueFull(f"{waiting} runs of this token wait already: ask again when some are done")
