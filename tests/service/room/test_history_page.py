"""The history as it is read: words first, drawings with tables, what moves before what rests."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from service.cli.main import run
from service.report.course_picture import far_limits, picture
from service.report.history_page import render_history
from service.room.courses import Course, Point, course_of
from service.room.inventory import Inventory
from service.web.app import create_app
from tests.service.bench_of_straw import straw_wiring
from tests.service.cli.test_main import STATIONS
from tests.service.room.papers import kept_check
from tests.service.web.conftest import Client

HOSTILE = "<script>alert(1)</script>\x1b[2J\u202e"
START = datetime(2027, 1, 11, 8, 0, tzinfo=UTC)


def course(
    values: list[float], least: float | None = 0.9, greatest: float | None = 1.1, probes: tuple[str, ...] = ()
) -> Course:
    """A value a day with U = 0.02; `probes`: which one was there, "P-1" without."""
    points = [
        Point(
            at=f"{START + timedelta(days=n):%Y-%m-%dT%H:%M:%S.000Z}",
            run=f"r{n}",
            station="north-1",
            name="to_target.probe_factor",
            value=value,
            u=0.02,
            unit="",
            verdict="fail" if greatest is not None and value > greatest else "pass",
            least=least,
            greatest=greatest,
            things={"to_target": probes[n] if probes else "P-1"},
        )
        for n, value in enumerate(values)
    ]
    return course_of("to_target.probe_factor", points)


def test_every_value_is_drawn_with_its_uncertainty_and_failures_by_shape() -> None:
    """A dot and a whisker each; limits as lines; words as the label for whoever sees no drawing."""
    drawn = picture(course([1.0, 1.01, 0.99, 1.2]))
    assert drawn.count("<circle") == 4
    assert drawn.count('class="point off"') == 1
    assert drawn.count('class="whisker"') == 4
    assert drawn.count('class="limit"') == 2
    assert 'aria-label="1.200 ± 0.020 on 2027-01-14; 4 values are too few for a trend"' in drawn


def test_a_limit_far_away_is_said_and_not_drawn() -> None:
    """Else the values would be one flat line."""
    far = course([1.0, 1.01, 0.99], least=None, greatest=50.0)
    assert 'class="limit"' not in picture(far)
    assert far_limits(far) == "May be at most 50: too far away to be drawn."
    assert far_limits(course([1.0, 1.01, 0.99])) == ""


def test_a_jump_that_came_with_another_probe_says_so() -> None:
    """In the words and as a line with its name: nobody looks for a fault in the channel."""
    rng = np.random.default_rng(5)
    values = [1.0 + rng.normal(scale=0.002) for _ in range(10)] + [
        1.05 + rng.normal(scale=0.002) for _ in range(10)
    ]
    jumped = course(values, probes=("P-1",) * 10 + ("P-12",) * 10)
    assert jumped.kind == "jump"
    assert "jumped by 0.049 on 2027-01-21, when P-12 came; steady since" in jumped.words
    drawn = picture(jumped)
    assert 'class="jump"' in drawn
    assert ">P-12</text>" in drawn
    assert "came" not in course(values).words


def test_the_drift_is_drawn_through_the_values() -> None:
    """From the first to the last, at the slope that the words tell: 0.007 a week, here 0.01 in ten days."""
    drifting = course([1.0 + 0.001 * n for n in range(11)])
    assert drifting.kind == "drift"
    line = next(part for part in picture(drifting).split("<") if 'class="drift"' in part)
    ends = {
        k: float(v) for k, v in (bit.split("=") for bit in line.replace('"', "").split() if bit[0] in "xy")
    }
    dots = [part for part in picture(drifting).split("<") if 'class="point"' in part]
    first, last = (float(dot.split('cy="')[1].split('"')[0]) for dot in (dots[0], dots[-1]))
    assert ends["y1"] == pytest.approx(first, abs=0.2)
    assert ends["y2"] == pytest.approx(last, abs=0.2)


def test_what_moves_comes_first_and_what_never_changed_last(
    inventory: Inventory,
) -> None:
    """And a person's notes are text, in the history of the thing."""
    inventory.add("P-1", "probe", "", "Ida")
    inventory.note("P-1", HOSTILE, HOSTILE)
    page = render_history("north-1", [course([1.0] * 9), course([1 + 0.001 * n for n in range(11)])],
                          inventory.log_of("P-1"))  # fmt: skip
    assert page.index("drifts by") < page.index("Never anything else") < page.index("What befell it")
    assert "<script>" not in page
    assert "\x1b" not in page
    assert "\u202e" not in page
    assert "&lt;script&gt;" in page
    assert "The newest 10 values of 11" in page
    assert "Nothing was measured yet." in render_history("north-2", [])


def test_few_values_do_not_say_that_nothing_drifts() -> None:
    """Two checks prove neither a drift nor that there is none."""
    assert "Too few values yet" in render_history("north-1", [course([1.0, 1.01])])
    assert "Nothing drifts and nothing jumped" in render_history("north-1", [course([1.0, 1.01] * 5)])


@pytest.fixture
def client(tmp_path: Path) -> Iterator[Client]:
    wiring = straw_wiring(tmp_path)
    wiring.room.inventory.add("P-1", "probe", "black clip", "Ida")
    wiring.room.inventory.note("P-1", "cable feels loose", "Ida")
    kept_check(wiring.store, "north-1", datetime.now(UTC) - timedelta(days=1))
    with Client(create_app(wiring), base_url="http://127.0.0.1", raise_server_exceptions=False) as client:
        yield client


def test_over_http_the_history_is_a_page_too(client: Client) -> None:
    """By Accept and `format`; JSON as ever for whoever asks for nothing."""
    page = client.get("/api/v1/stations/north-1/history", headers={"Accept": "text/html"})
    assert page.headers["content-type"] == "text/html; charset=utf-8"
    assert "sandbox" in page.headers["content-security-policy"]
    assert "<h1>north-1</h1>" in page.text
    assert isinstance(client.get("/api/v1/stations/north-1/history").json(), list)
    told = client.get("/api/v1/items/P-1/history?format=text").text
    assert "Ida: note, cable feels loose" in told
    assert "probe P-1 (black clip)" in client.get("/api/v1/items/P-1/history?format=html").text


def test_the_command_writes_the_page_and_tells_the_notes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """With author and time, as they stand in the log of the thing."""
    stations = tmp_path / "stations.toml"
    stations.write_text(STATIONS)
    lab = ["--stations", str(stations), "--data", str(tmp_path / "data")]
    assert run(["item", "add", "P-7", "probe", *lab]) == 0
    assert run(["item", "note", "P-7", "clip bent", "--who", "Ida", *lab]) == 0
    capsys.readouterr()
    page = tmp_path / "P-7.html"
    assert run(["history", "--item", "P-7", "--html", str(page), *lab]) == 0
    out = capsys.readouterr().out
    assert "nothing was measured yet" in out
    assert "Ida: note, clip bent" in out
    assert "clip bent" in page.read_text()
