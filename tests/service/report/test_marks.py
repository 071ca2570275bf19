"""Bytes of a firmware become marks that can be seen and cannot act."""

from __future__ import annotations

import curses.ascii

import pytest

from service.report.marks import CONTROL_NAMES, mark, marks, printable, short_name, spoken


def test_every_byte_has_a_visible_mark_of_its_own() -> None:
    """256 values, 256 different marks, none of them blank or a control character."""
    shown = [mark(v) for v in range(256)]
    assert len(set(shown)) == 256
    assert all(text.isprintable() and text.strip() for text in shown)


def test_control_names_are_those_of_the_code_table() -> None:
    """ISO/IEC 646 names, checked against the standard library's table (curses.ascii.controlnames)."""
    assert tuple(map(str, curses.ascii.controlnames[:32])) == CONTROL_NAMES


@pytest.mark.parametrize(
    ("value", "word", "box"),
    [(0x20, "space (0x20)", "␣"), (0x0D, "CR (0x0D)", "CR"), (0x41, "A (0x41)", "A"), (0x80, "0x80", "80")],
)
def test_a_character_can_be_spoken_and_boxed(value: int, word: str, box: str) -> None:
    """A screen reader hears a word, a narrow box holds two or three letters."""
    assert (spoken(value), short_name(value)) == (word, box)


def test_a_text_shows_its_spaces_and_line_ends() -> None:
    """What a terminal would swallow is seen."""
    assert marks(b"Tide 7\r\n") == "Tide␣7\\r\\n"
    assert marks([0x1A3]) == "\\x1a3"


def test_a_hostile_text_cannot_move_the_cursor_or_turn_the_page() -> None:
    """Escape sequences, bidirectional overrides and zero-width characters become visible."""
    assert printable("a\x1b[2Jb\u202ec\u200bd") == "a\\x1b[2Jb\\u202ec\\u200bd"
