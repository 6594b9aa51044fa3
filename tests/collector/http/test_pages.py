"""The docs page and the pictures as a browser sees them, and the metrics as a strict parser reads them."""

import shutil
import subprocess
import xml.etree.ElementTree as ET
from datetime import timedelta
from pathlib import Path

import pytest
from ebbmark_collector.intake import accept_many
from ebbmark_collector.rounds import judge_fleet

from tests.collector import wire
from tests.collector.conftest import Api
from tests.collector.http.openmetrics import read_openmetrics

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--window-size=1000,1200",
]
PNG = b"\x89PNG\r\n\x1a\n"  # PNG specification (third edition), section 5.2


@pytest.fixture
def judged(api: Api) -> Api:
    """A drive with a soak, spots over a month, and an alert with awkward characters in its names."""
    client = api.client()
    rule = {"matched_by": "serial", "pattern": "S*", "role": "field-recorder"}
    assert client.post("/v1/assignments", json=rule).status_code == 201
    start = api.time.now
    given = [wire.inventory(start), wire.soak(start, 300e6)]
    given += [wire.probe(start + timedelta(days=day), 400e6 - day * 5e6) for day in range(1, 30)]
    api.time.go_on(days=31)
    accept_many(api.store, given, host_id=api.host_id, received_at=api.time.now)
    drive_id = client.get("/v1/drives").get_json()["items"][0]["drive_id"]
    awkward = {"asset_tag": 'A"\\ <b>&', "kit": "A-cam"}
    assert client.patch(f"/v1/drives/{drive_id}", json=awkward, headers={"If-Match": "*"}).status_code == 200
    judge_fleet(api.store, api.time.now, everything=True)
    return api


def shot(page: Path, folder: Path) -> bytes:
    """Open a file in the browser and give the picture of it."""
    if BROWSER is None:
        pytest.skip("Chromium is not installed (Debian: apt-get install chromium)")
    target = folder / f"{page.stem}.png"
    command = [
        BROWSER,
        *FLAGS,
        f"--user-data-dir={folder / 'profile'}",
        f"--screenshot={target}",
        page.as_uri(),
    ]
    subprocess.run(command, capture_output=True, timeout=90, check=True)
    return target.read_bytes()


@pytest.mark.browser
def test_a_browser_shows_the_page_and_the_pictures(judged: Api, tmp_path: Path) -> None:
    """The docs page, a trace and a floor over months are well-formed and more than a blank page."""
    client = judged.client()
    drive_id = client.get("/v1/drives").get_json()["items"][0]["drive_id"]
    soak = client.get(f"/v1/drives/{drive_id}/probes?kind=soak").get_json()["items"][0]["probe_id"]
    blank = tmp_path / "blank.html"
    blank.write_text("<!doctype html><title>x</title>")
    empty = shot(blank, tmp_path)
    for name, path in (
        ("docs.html", "/docs"),
        ("trace.svg", f"/v1/probes/{soak}/trace.svg"),
        ("floor.svg", f"/v1/drives/{drive_id}/floor.svg"),
    ):
        answer = client.get(path)
        assert answer.status_code == 200
        (tmp_path / name).write_bytes(answer.data)
        if name.endswith(".svg"):
            ET.fromstring(answer.data)
            assert b"<script" not in answer.data
            assert b"MB/s" in answer.data
        picture = shot(tmp_path / name, tmp_path)
        assert picture.startswith(PNG)
        assert len(picture) > 2 * len(empty)


def test_metrics_pass_a_strict_parser(judged: Api) -> None:
    """Every family reads as OpenMetrics 1.0 by a strict reader, names and escapes included."""
    answer = judged.client("viewer").get("/metrics")
    families = read_openmetrics(answer.get_data(as_text=True))

    floors = families["ebbmark_drive_floor_bytes_per_second"]
    assert floors.unit == "bytes_per_second"
    assert [labels["asset_tag"] for labels, _value in floors.samples] == ['A"\\ <b>&']
    assert floors.samples[0][1] > 1e8
    assert sum(value for _labels, value in families["ebbmark_drives"].samples) == 1
