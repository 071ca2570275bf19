"""A saved capture over HTTP: judged as the command does it, refused with a reason, nothing kept."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from service.web.app import create_app
from tests.service.bench_of_straw import straw_wiring
from tests.service.web.conftest import Client
from tests.service.web.test_error_shape import assert_problem

URL = "/api/v1/analyses"
BIT_S = 1 / 9600
STEP_S = BIT_S / 24


def line(text: bytes, delay_s: float, seconds: float) -> np.ndarray[Any, np.dtype[np.float64]]:
    """Volts of 8N1 characters back to back: 3.3 V idle, edges one step wide (ISO 1177 bit order)."""
    bits = [bit for value in text for bit in (0, *((value >> n) & 1 for n in range(8)), 1)]
    times = np.arange(round(seconds / STEP_S)) * STEP_S
    place = np.floor((times - delay_s) / BIT_S).astype(int)
    talking = (place >= 0) & (place < len(bits))
    return np.where(talking, np.array(bits)[place.clip(0, len(bits) - 1)], 1) * 3.3


def csv(sent: bytes = b"Tide 7", echoed: bytes = b"Tide 7") -> bytes:
    """A bench on which each character comes back a character and a half later."""
    seconds = (len(sent) + 5) * 10 * BIT_S
    to_target, from_target = line(sent, 12 * BIT_S, seconds), line(echoed, 27 * BIT_S, seconds)
    noise = np.random.default_rng(7).normal(0, 0.01, (2, len(to_target)))
    rows = zip(np.arange(len(to_target)) * STEP_S, to_target + noise[0], from_target + noise[1], strict=True)
    return ("time_s,ch1_v,ch2_v\r\n" + "\r\n".join(f"{t:.9g},{a:.4f},{b:.4f}" for t, a, b in rows)).encode()


def hand_in(client: Client, content: bytes, **options: str) -> Any:
    return client.post(URL, files={"capture": ("bench.csv", content)}, data=options)


def test_a_good_record_is_judged(client: Client) -> None:
    """The whole pipeline over HTTP, against a record made bit by bit."""
    answer = hand_in(client, csv(), sent=b"Tide 7".hex(), baud="9600", frame="8N1", logic="3.3")
    assert answer.status_code == 200, answer.text
    document = answer.json()
    assert document["schema"] == 1
    assert bytes(c["value"] for c in document["lines"]["from_target"]["characters"]) == b"Tide 7"
    assert next(c for c in document["criteria"] if c["name"] == "content")["verdict"] == "pass"
    assert document["lines"]["to_target"]["baud"]["value"] == pytest.approx(9600, rel=2e-3)


def test_a_changed_echo_is_found_and_channels_can_be_named(client: Client) -> None:
    """to_target and from_target say which column is which line."""
    swapped = csv(b"Tide 7", b"tIDE 7").replace(b"ch1_v,ch2_v", b"ch2_v,ch1_v")
    document = hand_in(
        client, swapped, baud="9600", frame="8N1", logic="3.3", to_target="ch2", from_target="ch1"
    ).json()
    assert document["verdict"] == "fail"
    assert "echo-changed" in [f["code"] for f in document["findings"]]


def test_columns_of_any_name_can_be_handed_in(client: Client) -> None:
    """The same option as the command's, in either spelling."""
    other = csv().replace(b"time_s,ch1_v,ch2_v", b"Elapsed,Lead 1,Lead 2")
    given = {"baud": "9600", "frame": "8N1", "logic": "3.3", "to_target": "Lead 1", "from_target": "Lead 2"}
    for spelling in ("time_column", "time-column"):
        answer = hand_in(client, other, **given, **{spelling: "Elapsed"})
        assert answer.status_code == 200, answer.text
        assert answer.json()["lines"]["to_target"]["channel"] == "Lead 1"


@pytest.mark.parametrize(
    ("content", "options", "words"),
    [
        (b"", {}, "empty"),
        (b"\x00\x01\x02", {}, "bench.csv"),
        (b"PK\x03\x04 not really", {}, "bench.csv"),
        (b"t,a,b\r\n0,1,2\r\n", {}, "time_s"),
        (csv(), {"to_target": "ch7"}, "ch7"),
        (csv(), {"baud": "fast"}, "body.baud"),
        (csv(), {"baud": "-1"}, "above 0"),
        (csv(), {"frame": "8X1"}, "8X1"),
        (csv(), {"logic": "4"}, "1.8, 2.5, 3.3"),
        (csv(), {"sent": "4g"}, "'g'"),
        (csv(), {"timebase_ppm": "-3"}, "timebase_ppm"),
        (csv(), {"from_target": "ch1"}, "'ch1'"),
        (csv(), {"buad": "9600"}, "buad"),
    ],
)
def test_what_cannot_be_judged_is_refused_with_the_reason(
    client: Client, content: bytes, options: dict[str, str], words: str
) -> None:
    """422 and one sentence, for a bad file as for a bad option."""
    assert_problem(hand_in(client, content, **options), 422, words)


def test_a_missing_file_is_named(client: Client) -> None:
    """422 with the place."""
    assert_problem(client.post(URL, files={"other": ("x", b"1")}), 422, "capture")


def test_an_upload_larger_than_the_setting_is_refused(tmp_path: Any) -> None:
    """413; the limit is the setting upload_max_bytes."""
    app = create_app(straw_wiring(tmp_path, upload_max_bytes=2000))
    with Client(app, base_url="http://127.0.0.1") as client:
        assert_problem(hand_in(client, csv()), 413)


def test_an_analysis_leaves_no_run(serve_straw: Callable[..., Client]) -> None:
    """It is an answer, not a run."""
    client = serve_straw()
    hand_in(client, csv())
    assert client.get("/api/v1/runs").json() == []


def test_options_that_are_empty_count_as_not_given(client: Client) -> None:
    """A form sends empty fields for what was left blank."""
    names = ("sent", "baud", "frame", "logic", "to_target", "from_target", "timebase_ppm")
    assert hand_in(client, csv(), **dict.fromkeys(names, "")).json() == hand_in(client, csv()).json()


def test_the_names_of_the_command_line_are_taken_too(client: Client) -> None:
    """Whoever knows `analyze FILE --to-target ch2` need not learn other names."""
    answer = client.post(
        URL,
        files={"file": ("bench.csv", csv())},
        data={"to-target": "ch2", "from-target": "ch1", "timebase-ppm": "5"},
    )
    assert answer.status_code == 200, answer.text
    document = answer.json()
    assert document["expected"]["timebase_ppm"] == 5
    assert "probes-exchanged" in [f["code"] for f in document["findings"]]


def test_options_in_the_address_are_refused_not_ignored(client: Client) -> None:
    """An analysis without the options that were asked for would be another one."""
    answer = client.post(URL + "?baud=9600", files={"capture": ("bench.csv", csv())})
    assert_problem(answer, 400, "form")
