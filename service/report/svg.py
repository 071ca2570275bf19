"""A small writer of SVG text. Everything that is given to it is escaped."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from html import escape


class SvgWriter:
    """Collects elements; `str()` gives them. Attribute names: `class_` is class, `_` becomes `-`."""

    def __init__(self) -> None:
        self._parts: list[str] = []

    def leaf(self, tag: str, text: str | None = None, **attributes: object) -> None:
        """One element with a text at most."""
        inner = "" if text is None else escape(text, quote=False)
        closed = f">{inner}</{tag}>" if text is not None else "/>"
        self._parts.append(f"<{tag}{_attributes(attributes)}{closed}")

    @contextmanager
    def group(self, tag: str = "g", **attributes: object) -> Iterator[None]:
        """An element around what is written inside the `with`."""
        self._parts.append(f"<{tag}{_attributes(attributes)}>")
        yield
        self._parts.append(f"</{tag}>")

    def line(self, x1: float, y1: float, x2: float, y2: float, class_: str) -> None:
        """A straight line."""
        self.leaf(
            "line", x1=coordinate(x1), y1=coordinate(y1), x2=coordinate(x2), y2=coordinate(y2), class_=class_
        )

    def text(self, x: float, y: float, text: str, class_: str, anchor: str = "start") -> None:
        """A text at its baseline; anchor start, middle or end."""
        self.leaf("text", text, x=coordinate(x), y=coordinate(y), class_=class_, text_anchor=anchor)

    def box(self, x: float, y: float, width: float, height: float, class_: str, title: str = "") -> None:
        """A rectangle with slightly rounded corners; `title` is shown on hover."""
        round_ = coordinate(min(2.0, width / 6))
        placed = {
            "x": coordinate(x),
            "y": coordinate(y),
            "width": coordinate(width),
            "height": coordinate(height),
        }
        if not title:
            self.leaf("rect", **placed, rx=round_, class_=class_)
            return
        with self.group("rect", **placed, rx=round_, class_=class_):
            self.leaf("title", title)

    def __str__(self) -> str:
        return "".join(self._parts)


def coordinate(number: float) -> str:
    """A tenth of a unit is finer than any screen or printer shows here."""
    text = f"{number:.1f}"
    return text[:-2] if text.endswith(".0") else text


def _attributes(given: dict[str, object]) -> str:
    return "".join(
        f' {name.rstrip("_").replace("_", "-")}="{escape(str(value))}"' for name, value in given.items()
    )
