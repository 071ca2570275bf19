"""One command being carried out: what its function gets."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from simulator.scope.instrument import Conversation, Scope
    from simulator.scope.settings import ChannelSettings, Settings


class Call:
    """The scope, the conversation in which the command came, its channel and its values."""

    def __init__(self, conversation: Conversation, channel: int) -> None:
        self.conversation = conversation
        self.scope: Scope = conversation.scope
        self.channel: int = channel
        self.values: list[object] = []

    @property
    def settings(self) -> Settings:
        return self.scope.settings

    @property
    def vertical(self) -> ChannelSettings:
        """Settings of the command's channel."""
        return self.settings.channels[self.channel - 1]

    def wait_until_idle(self) -> None:
        """Waits for pending operations."""
        self.conversation.wait_until_idle()
