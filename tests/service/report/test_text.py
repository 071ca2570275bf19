"""The page for terminals: the same facts as the report, narrow, plain, and free of anything that acts."""

from __future__ import annotations

import pytest

from service.report.text import WIDTH, text_page
from tests.service.report import documents as made


def page(name: str) -> str:
    return text_page(getattr(made, name)()[0], "Echo test at north-3", [("report", "report.html")])


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("good", ["Echo test at north-3: PASS", "Tide␣7   (6 characters)", "6 ok", "230412.0 ± 7.4 Bd",
                  "4.34005 ± 0.00014 µs", "6.500 ± 0.024 µs to 6.600 ± 0.024 µs (limit: at most 2 ms)",
                  "start edge to last edge        39.0604 ± 0.0030 µs (9 bits)",
                  "start edge to end of stop bit  43.4005 ± 0.0030 µs (10 bits)", "report.html"]),
        ("one_missing", ["FAIL", "Decided by: content", "[fail] echo-missing (side: device, line",
                         "What to do: Look for", "no. 4  sent e (0x65)  echoed –  missing"]),
        ("wrong_probe", ["INCONCLUSIVE", "[inconclusive]", "probe-ratio (side: bench"]),
        ("dead_line", ["nothing   (0 characters)", "not measured", "6 missing",
                       "Not measured on the from-target line: rate, idle level, because it was at rest."]),
    ],
)  # fmt: skip
def test_one_page_answers_what_a_person_asks(name: str, words: list[str]) -> None:
    """Verdict, characters, rates with uncertainty, latency with its limit, findings and remedies."""
    shown = page(name)
    assert [w for w in words if w not in shown] == []


@pytest.mark.parametrize("name", ["good", "one_missing", "wrong_probe", "dead_line", "several_shots"])
def test_no_line_is_wider_than_the_page(name: str) -> None:
    """So that a terminal of usual width does not break tables."""
    assert [line for line in page(name).splitlines() if len(line) > WIDTH + 10] == []


def test_a_firmware_cannot_steer_the_terminal() -> None:
    """Escape sequences arrive as text."""
    shown = page("hostile")
    assert all(c.isprintable() or c == "\n" for c in shown)
    assert "\\x1b[2J" in shown


def test_many_possible_formats_do_not_break_the_table() -> None:
    """Both lines stand side by side within the page, however much one cell holds."""
    document = made.good()[0]
    for role in ("to_target", "from_target"):
        document["lines"][role]["frame"]["possible"] = [
            "8N1",
            "8N2",
            "7S1",
            "8M2",
            "8N1.5",
            "7S2",
            "9N2",
            "9M1",
        ]
    shown = text_page(document, "Analysis of x.csv")
    assert [line for line in shown.splitlines() if len(line) > WIDTH] == []
    assert shown.count("9M1)") == 2


def test_a_character_that_began_before_the_record_is_called_cut_off() -> None:
    """A dash would say that there was none."""
    document = made.good()[0]
    document["echoes"][0] |= {"sent": None, "sent_index": None, "echoed": None, "status": "extra"}
    assert "sent –  echoed cut off  extra" in text_page(document, "Analysis of x.csv")
