"""The room: what is where, who is at a bench, what may be relied on now, and what the mornings say."""
