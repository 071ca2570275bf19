"""Bytes of TCP connections as a capture file, with headers made up around them: no root is needed.

The file format is libpcap's of 1998 (magic 0xA1B2C3D4, version 2.4), link type 101: packets that begin with
their IP header (values from memory; that tshark reads them is their test). IPv4 is RFC 791, TCP RFC 9293.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from tests.witnesses.relay import Piece

LOOPBACK = bytes([127, 0, 0, 1])
SEGMENT = 16_000
SYN, ACK, PUSH = 0x02, 0x10, 0x08
FIRST_CLIENT_PORT = 50_000
RAW_IP = 101


@dataclass
class _Conversation:
    """Sequence numbers of one connection."""

    client_port: int
    next_of: dict[bool, int] = field(default_factory=lambda: {True: 1000, False: 2000})


def write_pcap(path: Path, pieces: Sequence[Piece], server_port: int) -> None:
    """Every piece as TCP segments from or to `server_port`, each connection with its own handshake."""
    packets: list[bytes] = []
    conversations: dict[int, _Conversation] = {}
    for piece in pieces:
        if piece.connection not in conversations:
            conversations[piece.connection] = _Conversation(FIRST_CLIENT_PORT + piece.connection)
            packets += _handshake(conversations[piece.connection], server_port)
        talk = conversations[piece.connection]
        for begin in range(0, len(piece.data), SEGMENT):
            part = piece.data[begin : begin + SEGMENT]
            packets.append(_packet(talk, server_port, piece.from_client, PUSH | ACK, part))
    head = struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 1 << 18, RAW_IP)
    records = [
        struct.pack("<IIII", 1_800_000_000 + number // 1000, number % 1000 * 1000, len(packet), len(packet))
        + packet
        for number, packet in enumerate(packets)
    ]
    path.write_bytes(head + b"".join(records))


def _handshake(talk: _Conversation, server_port: int) -> list[bytes]:
    hello = _packet(talk, server_port, True, SYN, b"")
    answer = _packet(talk, server_port, False, SYN | ACK, b"")
    return [hello, answer, _packet(talk, server_port, True, ACK, b"")]


def _packet(talk: _Conversation, server_port: int, from_client: bool, flags: int, data: bytes) -> bytes:
    ports = (talk.client_port, server_port) if from_client else (server_port, talk.client_port)
    acknowledged = talk.next_of[not from_client] if flags & ACK else 0
    tcp = struct.pack(
        "!HHIIBBHHH", *ports, talk.next_of[from_client], acknowledged, 5 << 4, flags, 65535, 0, 0
    )
    talk.next_of[from_client] += len(data) + (1 if flags & SYN else 0)
    tcp = tcp[:16] + struct.pack("!H", _sum(_pseudo(len(tcp) + len(data)) + tcp + data)) + tcp[18:] + data
    ip = struct.pack("!BBHHHBBH", 0x45, 0, 20 + len(tcp), 0, 0, 64, 6, 0) + LOOPBACK + LOOPBACK
    return ip[:10] + struct.pack("!H", _sum(ip)) + ip[12:] + tcp


def _pseudo(length: int) -> bytes:
    return LOOPBACK + LOOPBACK + struct.pack("!BBH", 0, 6, length)


def _sum(data: bytes) -> int:
    """The Internet checksum, RFC 1071."""
    data += b"\0" * (len(data) % 2)
    total: int = sum(struct.unpack(f"!{len(data) // 2}H", data))
    while total >> 16:
        total = (total & 0xFFFF) + (total >> 16)
    return ~total & 0xFFFF
