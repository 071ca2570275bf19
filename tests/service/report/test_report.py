"""The HTML report: complete, self-contained, harmless, and readable without colour or sight."""

from __future__ import annotations

import base64
import hashlib
import re
import xml.etree.ElementTree as ET
from html.parser import HTMLParser
from typing import Any

import pytest

from service.report import content_security_policy, render_report
from service.report.pictures import MOST_SHOTS
from tests.service.report import documents as made

ALL = ("good", "one_missing", "wrong_probe", "dead_line", "several_shots", "all_values", "hostile")
VOID = {"meta", "link", "br", "img", "hr", "input"}


class Page(HTMLParser):
    """The elements of a page, their attributes and texts; fails on wrong nesting."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self._open: list[str] = []
        self.feed(html)
        self.close()
        assert self._open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self._open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self._open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.elements if name == tag]


def report(name: str, **meta: Any) -> str:
    document, shots = getattr(made, name)()
    return render_report(document, shots, made.meta(**meta))


def drawings(html: str) -> list[ET.Element]:
    """The drawings, parsed strictly as XML."""
    return [ET.fromstring(text) for text in re.findall(r"<svg[^>]*class=\"lanes\".*?</svg>", html, re.DOTALL)]


@pytest.mark.parametrize("name", ALL)
def test_a_report_asks_for_nothing_and_runs_nothing(name: str) -> None:
    """No script, no handler, no link to anywhere: it can be kept for years and opened from a stranger."""
    page = Page(report(name))
    tags = {tag for tag, _ in page.elements}
    assert not tags & {
        "script",
        "link",
        "img",
        "iframe",
        "object",
        "embed",
        "form",
        "base",
        "foreignobject",
        "a",
    }
    for _, attributes in page.elements:
        assert not [
            a for a in attributes if a.startswith("on") or a in ("src", "href", "xlink:href", "style")
        ]
    assert not re.search(r"url\((?!#)|@import|@font-face", report(name).split("</style>")[0])


@pytest.mark.parametrize("name", ALL)
def test_every_drawing_is_well_formed_and_described(name: str) -> None:
    """Title and description, their ids used once, both lanes named in words."""
    html = report(name)
    seen = drawings(html)
    assert seen
    ids = re.findall(r'\bid="([^"]+)"', html)
    assert len(set(ids)) == len(ids)
    for svg in seen:
        texts = {e.tag: e.text for e in svg if e.tag in ("title", "desc")}
        assert all(texts.get(tag) for tag in ("title", "desc"))
        assert set((svg.get("aria-labelledby") or "").split()) <= set(ids)
        lanes = [e.text for e in svg.iter("text") if e.get("class") == "lane-name"]
        assert lanes == ["to target", "from target"]
        assert "NaN" not in ET.tostring(svg, "unicode")


def test_what_a_firmware_says_stays_text() -> None:
    """Markup from bytes, messages, identity and file names is shown, letter by letter, and does nothing."""
    trick = "</style><script>alert(1)</script>\x1b\u202e"
    html = report("hostile", title=trick, station=trick, source=trick, run_id=trick, notes=(trick,),
                  instrument={trick: trick}, settings={trick: {trick: trick}}, versions={trick: trick},
                  started_at=trick, sent=trick.encode())  # fmt: skip
    page = Page(html)
    assert "script" not in {tag for tag, _ in page.elements}
    assert "</style><script>alert(1)</script>" in page.text
    assert "\x1b" not in html
    assert "\u202e" not in html


def test_the_policy_allows_the_one_style_sheet_and_nothing_else() -> None:
    """The hash is that of the style element's text (CSP level 3, 'sha256-...' sources)."""
    html = report("good")
    (style,) = re.findall(r"<style>(.*?)</style>", html, re.DOTALL)
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    metas = {m.get("http-equiv"): m.get("content") for m in Page(html).all("meta")}
    assert metas["Content-Security-Policy"] == content_security_policy()
    assert content_security_policy().startswith(f"default-src 'none'; style-src 'sha256-{digest}'")


def test_tables_can_be_read_by_ear() -> None:
    """A language, one main heading, and for each table a caption and a scope for each heading cell."""
    page = Page(report("one_missing"))
    assert page.all("html")[0]["lang"] == "en"
    assert len(page.all("h1")) == 1
    assert len(page.all("caption")) == len(page.all("table")) == 4
    assert all(th.get("scope") in ("row", "col") for th in page.all("th"))
    assert all(d.get("aria-label") for d in page.all("div") if d.get("role") == "region")


@pytest.mark.parametrize(
    ("name", "words"),
    [
        (
            "good",
            ["pass", "Tide␣7", "230412.0 ± 7.4 Bd", "4.34005 ± 0.00014 µs", "Nothing was noticed", "6 ok"],
        ),
        ("one_missing", ["fail", "e (0x65)", "What to do: Look for", "echo-missing", "1 missing"]),
        ("wrong_probe", ["inconclusive", "spoiled by the bench", "costs the device nothing", "probe-ratio"]),
        ("dead_line", ["not measured", "nothing", "6 missing", "rate, idle level, because it was at rest."]),
        ("several_shots", ["shot 3 of 3", "17 ok, 1 missing"]),
    ],
)
def test_a_report_says_what_happened_in_words(name: str, words: list[str]) -> None:
    """Verdict, evidence and remedy can be read without seeing a colour or a drawing."""
    text = Page(report(name)).text
    assert [w for w in words if w not in text] == []


def test_instrument_settings_times_and_cautions_are_in_the_report() -> None:
    """What a reader needs years later: who measured, with which settings, when (UTC), and cautions."""
    page = Page(report("good"))
    for words in ("Quayside Instruments", "00317", "sample interval 100 ns", "offset 1.65 V", "level 1.65 V",
                  "2027-01-12 06:31:08 UTC", "25 ppm", "numpy", "protective earth"):  # fmt: skip
        assert words in page.text
    assert {t.get("datetime") for t in page.all("time")} == {"2027-01-12T06:31:08Z", "2027-01-12T06:31:10Z"}


def test_named_intervals_say_which_frame_time_is_which() -> None:
    """Nine bits to the last edge, ten to the end of the stop bit: 39.06 and 43.40 us at 230,400 baud.

    T is 0x54: its highest bit is 0, so its last edge is at nine bits (arithmetic of the frame).
    """
    close_up = drawings(report("good"))[-1]
    words = [e.text or "" for e in close_up.iter("text") if e.get("class") == "span-words"]
    assert [w.split(":")[0] for w in words] == [
        "one bit",
        "start edge to last edge",
        "start edge to end of stop bit",
        "end of stop bit to start of echo",
    ]
    assert float(words[1].split()[5]) == pytest.approx(9 * made.BIT_S * 1e6, abs=0.05)
    assert "(9 bits)" in words[1]
    assert "43.40 µs (10 bits, the whole frame)" in words[2]
    assert "6.600 µs" in words[3]


def test_the_close_up_shows_the_first_flawed_character() -> None:
    """A reader is led to where it went wrong, in the shot in which it did."""
    assert "Close up of no. 14, i (0x69) (not echoed)" in Page(report("several_shots")).text
    svg = ET.tostring(drawings(report("one_missing"))[0], "unicode")
    assert svg.count("flaw box") == 1


def test_an_echo_that_nobody_asked_for_can_be_looked_at() -> None:
    """With nothing sent there is no interval to name, and the caption stays a sentence."""
    scene = made.Scene(from_target=[made.Spoken(0x55, 0.0)])
    scene.echoes = [
        {"shot": 0, "sent": None, "echoed": 0x55, "status": "extra", "start_to_start_s": None,
         "stop_end_to_start_s": None, "sent_index": None, "echo_index": 0}
    ]  # fmt: skip
    text = Page(report_of((made.document([scene], "fail"), [made.shot_of(scene)]))).text
    assert "Close up of no. 1, U (0x55) (nobody sent it)." in text
    assert "it). ." not in text


def test_bits_of_the_close_up_are_those_of_the_character() -> None:
    """e = 0x65 is sent as 1010 0110 after the start bit (ITU-T T.50 codes, least significant bit first)."""
    bits = [e.text for e in drawings(report("one_missing"))[-1].iter("text") if e.get("class") == "bit"]
    assert bits[:10] == ["start", *"10100110", "stop"]


def test_a_slow_echo_gets_a_view_of_its_own() -> None:
    """2 ms after a character of 43 us, one view of both would show no bit of either."""
    scene = made.conversation(b"T")
    scene.from_target[0] = made.Spoken(0x54, 2e-3)
    scene.echoes[0] |= {"start_to_start_s": 2e-3, "stop_end_to_start_s": 2e-3 - 10 * made.BIT_S}
    html = render_report(made.document([scene]), [made.shot_of(scene)], made.meta())
    titles = [svg.findtext("title") for svg in drawings(html)]
    assert titles[1:] == [
        "Close up of no. 1, T (0x54), as sent",
        "Close up of no. 1, T (0x54), its echo",
    ]
    assert "end of stop bit to start of echo: 1.957 ms" in Page(html).text


def test_exchanged_probes_are_drawn_under_their_true_roles() -> None:
    """The document's roles follow the traffic: the lane "to target" shows the channel that carried it."""
    document, (shot,) = made.good()
    swapped = type(shot)(shot.from_target, shot.to_target, shot.sent, True, 1.65)
    html = render_report(document, [swapped], made.meta())
    names = [e.text for e in drawings(html)[0].iter("text") if e.get("class") == "soft"]
    assert [n for n in names if n in ("ch1", "ch2")] == ["ch1", "ch2"]
    straight = drawings(render_report(document, [shot], made.meta(sent=made.SENT)))[0]
    paths = [
        [p.get("d") for p in s.iter("path") if p.get("class") == "wave"]
        for s in (drawings(html)[0], straight)
    ]
    assert paths[0] == paths[1]


def test_many_shots_keep_the_flawed_ones_in_sight() -> None:
    """Not more than MOST_SHOTS are drawn, and the one with the fault is among them."""
    html = report_of(made.several_shots(MOST_SHOTS + 3))
    titles = [svg.findtext("title") for svg in drawings(html)]
    assert len(titles) == MOST_SHOTS + 1
    assert f"Both lines, shot {MOST_SHOTS + 3} of {MOST_SHOTS + 3}" in titles
    assert "3 shots without a flaw are not drawn" in Page(html).text


def test_a_long_test_keeps_a_page_that_can_be_opened() -> None:
    """4,000 echoes: every flawed one is listed, the rest is counted."""
    scene = made.conversation(bytes(200), lose=(150,))
    scene.echoes *= 20
    html = report_of((made.document([scene]), []))
    assert html.count("▲ missing") == 20
    assert "3400 more rows" in Page(html).text


def test_a_document_without_shots_has_no_drawings_and_no_empty_heading() -> None:
    """Captures may have been removed; the tables still stand."""
    html = report_of((made.good()[0], []))
    assert drawings(html) == []
    assert "On the wires" not in Page(html).text


def test_a_record_without_characters_is_drawn_and_said() -> None:
    """A silent bench: both lines flat, nothing to close up on."""
    scene = made.Scene()
    lines = {
        r: made.line(c, [scene], r, dead=True) for r, c in (("to_target", "ch1"), ("from_target", "ch2"))
    }
    html = report_of((made.document([scene], "inconclusive", lines=lines), [made.shot_of(scene)]))
    assert len(drawings(html)) == 1
    assert "carries no character" in (drawings(html)[0].findtext("desc") or "")


def report_of(told: tuple[dict[str, Any], list[Any]]) -> str:
    return render_report(*told, made.meta())


def test_colours_contrast_enough_in_light_dark_and_print() -> None:
    """WCAG 2.2, 1.4.3: 4.5 for text; 1.4.11: 3 for borders. Formula: its definition of contrast ratio."""
    (style,) = re.findall(r"<style>(.*?)</style>", report("good"), re.DOTALL)
    themes = [
        dict(re.findall(r"--([a-z-]+): (#[0-9a-f]+)", block))
        for block in re.findall(r":root \{(.*?)\}", style, re.DOTALL)
    ]
    assert len(themes) == 3
    for theme in themes:
        for ground in ("paper", "sheet"):
            for ink in (
                "ink",
                "soft",
                "to-target",
                "from-target",
                "marker",
                "pass",
                "fail",
                "inconclusive",
                "none",
            ):
                assert contrast(theme[ink], theme[ground]) >= 4.5, (ink, ground, theme)
            assert contrast(theme["border"], theme[ground]) >= 3


def contrast(one: str, other: str) -> float:
    lighter, darker = sorted((luminance(one), luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def luminance(colour: str) -> float:
    digits = colour[1:] if len(colour) == 7 else "".join(c * 2 for c in colour[1:])
    parts = [int(digits[i : i + 2], 16) / 255 for i in (0, 2, 4)]
    red, green, blue = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue
