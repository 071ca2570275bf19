"""The start-stop frame of one character (ISO 1177, V.4: least significant data bit first)."""

from __future__ import annotations

from dataclasses import dataclass

MARK, SPACE = 1, 0


@dataclass(frozen=True)
class Frame:
    """Data bits 5..9, parity N E O M S, stop bits 1, 1.5 or 2."""

    data_bits: int = 8
    parity: str = "N"
    stop_bits: float = 1

    def __post_init__(self) -> None:
        if self.data_bits not in range(5, 10) or self.parity not in tuple("NEOMS"):
            raise ValueError(f"no such frame: {self.data_bits} data bits, parity {self.parity!r}")
        if self.stop_bits not in (1, 1.5, 2):
            raise ValueError(f"stop bits must be 1, 1.5 or 2, was {self.stop_bits!r}")

    @classmethod
    def parse(cls, text: str) -> Frame:
        """From "8N1" or "7E2"; ValueError says what is allowed."""
        try:
            return cls(int(text[0]), text[1].upper(), float(text[2:]))
        except (ValueError, IndexError):
            raise ValueError(
                f"frame {text!r} is not of the form 8N1: data bits 5-9, parity N E O M S, stop bits 1 1.5 2"
            ) from None

    def __str__(self) -> str:
        return f"{self.data_bits}{self.parity}{self.stop_bits:g}"

    @property
    def bits_before_stop(self) -> int:
        """Start, data and parity elements."""
        return 1 + self.data_bits + (self.parity != "N")

    @property
    def total_bits(self) -> float:
        return self.bits_before_stop + self.stop_bits

    def elements(self, value: int) -> tuple[int, ...]:
        """Unit elements from the start element to the last one before the stop element, 0 = space."""
        data = tuple(value >> place & 1 for place in range(self.data_bits))
        parity = () if self.parity == "N" else (self.parity_bit(data),)
        return (SPACE, *data, *parity)

    def parity_bit(self, data: tuple[int, ...]) -> int:
        """The parity element that belongs to these data elements."""
        odd = sum(data) & 1
        return {"E": odd, "O": 1 - odd, "M": MARK, "S": SPACE}[self.parity]
