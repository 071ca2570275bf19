"""The page of a station check: what to do first, and nothing that a browser would obey."""

from __future__ import annotations

import re

from service.report.check_page import render_check
from service.report.check_text import check_page
from service.room_rules import RoomRules, all_of
from tests.service.report import documents as made
from tests.whole.check_benches import check_of

ROOM = RoomRules("4711, then 112", "red button beside the door", "<b>I. Holm</b>", "2027-01-04")


def test_a_check_page_says_what_to_do_first_and_shows_each_item() -> None:
    """Of a real check of a bench with both switches at x1: one cause, its first step, every item a row."""
    document = check_of(bench="both-ratios-off", seed=3)
    page = render_check(document, made.meta())
    assert page.index(document["first_step"].split(".")[0]) < page.index('id="items"')
    assert page.count('<tr><th scope="row">') == len(document["items"])
    assert all(f"<code>{finding['code']}</code>" in page for finding in document["findings"])
    assert "Nobody has entered this room" in page, "an emergency number that nobody entered is asked for"
    assert "Nobody has entered this room" in " ".join(check_page(document).split())


def test_what_the_local_officer_entered_is_printed_with_who_and_when() -> None:
    """On the page of a check; as text, whatever was typed."""
    document = check_of(seed=3) | {"local_rules": list(all_of(ROOM))}
    page = render_check(document, made.meta())
    assert "Emergency: 4711, then 112." in page
    assert "approved by &lt;b&gt;I. Holm&lt;/b&gt; on 2027-01-04." in page


def test_what_instruments_and_persons_say_stays_text() -> None:
    """A name or a message with markup in it is shown, never obeyed; nothing is fetched from elsewhere."""
    document = check_of(seed=3)
    document["station"] = "<script>alert(1)</script>"
    document["first_step"] = "<img src=x onerror=alert(1)>"
    page = render_check(document, made.meta())
    assert "<script" not in page
    assert "<img" not in page
    assert "&lt;script&gt;" in page
    assert not re.search(r"(?:src|href)=\"?(?:https?:)?//", page)
