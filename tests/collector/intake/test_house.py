"""A house's own recording formats: checked with their lines, in force from the start, roles held to them."""

from datetime import timedelta
from pathlib import Path

import pytest
from ebbmark_collector.errors import ConfigurationError
from ebbmark_collector.intake import house
from ebbmark_collector.store import drives
from ebbmark_collector.store.sqlite import SqliteStore

from tests.collector.conftest import NOON, Api
from tests.collector.http.test_manners import with_drives

HOUSE = """
[[free]]
name = "four-camera-show"
label = "Four cameras on one disk"
source = "measured in the house"
mbyte_per_s = 120
"""
ROLE = {"role": {"label": "Show", "kind": "recorder", "streams": [{"format": "four-camera-show"}]}}


def test_every_mistake_is_told_with_its_line(tmp_path: Path) -> None:
    """A file with two mistakes gives both, each with line and key, and what is legal."""
    path = tmp_path / "formats.toml"
    path.write_text(HOUSE.replace("120", "-1") + "peek = 3\n")

    with pytest.raises(ConfigurationError) as raised:
        house.read_formats(path)

    assert "house.formats_file" in raised.value.sentence
    assert "6" in raised.value.sentence
    assert "mbyte_per_s" in raised.value.sentence
    assert "peek" in raised.value.sentence


def test_a_file_that_is_not_there_is_a_sentence(tmp_path: Path) -> None:
    """A missing file is said by its key."""
    with pytest.raises(ConfigurationError, match=r"house\.formats_file: .* cannot be read"):
        house.read_formats(tmp_path / "none.toml")


def test_the_houses_formats_are_in_force_everywhere(api: Api) -> None:
    """They are listed as the house's, a fit and a role may name them, and so may a kit's readiness."""
    (drive_id,) = with_drives(api)
    client = api.client()
    before = client.put("/v1/roles/show", json=ROLE)
    house.put_in_force(api.store, HOUSE, api.time.now)
    listed = {one["name"]: one["origin"] for one in client.get("/v1/formats").get_json()["items"]}
    fits = client.get(f"/v1/drives/{drive_id}/fits?format=four-camera-show")
    role = client.put("/v1/roles/show", json=ROLE)
    client.patch(f"/v1/drives/{drive_id}", json={"kit": "A"}, headers={"If-Match": "*"})
    ready = client.get("/v1/kits/A/readiness?format=four-camera-show&hours=1")

    assert before.status_code == 422
    assert listed["four-camera-show"] == "house"
    assert listed["prores-422-hq-uhd-25"] == "shipped"
    assert fits.get_json()["items"][0]["demand_bytes_per_s"] == pytest.approx(144e6)  # headroom 1.2
    assert role.get_json()["rate_bytes_per_s"] == 120e6
    assert ready.status_code == 200


def test_a_changed_file_has_every_drive_looked_at_again(api: Api) -> None:
    """What was judged under other formats is judged anew; the same file again changes nothing."""
    (drive_id,) = with_drives(api)

    def due() -> list[str]:
        long_ago_ms = round((NOON - timedelta(days=30)).timestamp() * 1000)
        return api.store.read(lambda tx: drives.to_look_at(tx, judged_before_ms=long_ago_ms, limit=10))

    api.store.write(lambda tx: tx.run("UPDATE drives SET look_again = 0, judged_ms = 1772452800000"))
    quiet = due()
    changed = [house.put_in_force(api.store, HOUSE, api.time.now) for _ in range(2)]

    assert quiet == []
    assert changed == [True, False]
    assert due() == [drive_id]


def test_a_format_a_role_needs_is_not_taken_away(api: Api) -> None:
    """With the file gone while a role names a format of it, the start is refused and the role named."""
    house.put_in_force(api.store, HOUSE, api.time.now)
    assert api.client().put("/v1/roles/show", json=ROLE).status_code == 200

    with pytest.raises(ConfigurationError, match="the role show needs what is no longer in it"):
        house.put_in_force(api.store, None, api.time.now)
    assert api.client().get("/v1/roles/show").status_code == 200


def test_the_formats_outlive_a_restart_of_another_worker(sqlite_store: SqliteStore, tmp_path: Path) -> None:
    """A second process on the same database judges by them too."""
    from ebbmark_collector.intake.rulebook import rulebook

    house.put_in_force(sqlite_store, HOUSE, NOON)
    other = SqliteStore(sqlite_store.path)
    found = other.read(lambda tx: rulebook(tx).formats.find("four-camera-show"))
    other.close()

    assert found.mean_bytes_per_s == 120e6
