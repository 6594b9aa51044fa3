"""What may record this: a drive that lost frames or failed since its soak may not, whatever it carried."""

from datetime import timedelta

from ebbmark_agent.report import Report
from ebbmark_collector.intake import accept_many

from tests.collector import wire
from tests.collector.conftest import Api

GOOD = wire.OWN.model_copy(update={"serial": "S0001", "wwn": "wwn0001"})
HURT = wire.OWN.model_copy(update={"serial": "S0002", "wwn": "wwn0002"})
ON_GOOD = wire.subject(GOOD)
ON_HURT = wire.subject(HURT, ref="d1", volume_id="vol-1-1")
ASKED = "format=150MB/s&take_minutes=30"


def hand_in(api: Api, *given: Report) -> None:
    """Have the host report something now."""
    accept_many(api.store, list(given), host_id=api.host_id, received_at=api.time.now)


def soaked(api: Api) -> dict[str, str]:
    """Two drives, both soaked, the one hurt later the faster; give their ids by serial."""
    now = api.time.now
    hand_in(
        api,
        wire.inventory(now, identities=[GOOD, HURT]),
        wire.soak(now, 300e6, on=ON_GOOD),
        wire.soak(now, 310e6, on=ON_HURT),
    )
    listed = api.client().get("/v1/drives").get_json()["items"]
    return {one["serial"]: one["drive_id"] for one in listed}


def standings(api: Api) -> list[tuple[str, str]]:
    """Give which drives may record it, best first, each with its standing."""
    items = api.client().get(f"/v1/fits?{ASKED}").get_json()["items"]
    return [(one["drive_id"], one["answer"]["standing"]) for one in items]


def test_a_drive_that_lost_frames_may_not_record_until_soaked_again(api: Api) -> None:
    """An incident after the soak makes it unfit for any format and puts it last, with who said so."""
    ids = soaked(api)
    before = standings(api)
    api.time.go_on(days=1)
    incident = {"happened_at": api.time.now.isoformat(), "sentence": "dropped frames"}
    path = f"/v1/drives/{ids['S0002']}"
    assert api.client().post(f"{path}/incidents", json=incident).status_code == 201
    after = standings(api)
    own = api.client().get(f"{path}/fits?{ASKED}").get_json()["items"][0]
    api.time.go_on(days=1)
    hand_in(api, wire.soak(api.time.now, 310e6, on=ON_HURT))
    again = standings(api)

    assert before == [(ids["S0002"], "fit"), (ids["S0001"], "fit")]
    assert after == [(ids["S0001"], "fit"), (ids["S0002"], "unfit")]
    assert "reported frames lost" in own["sentences"][0]
    assert again[0] == (ids["S0002"], "fit")


def test_a_wrong_read_back_since_the_soak_counts(api: Api) -> None:
    """A later spot that read back something else makes the drive unfit for any format."""
    ids = soaked(api)
    api.time.go_on(days=1)
    hand_in(api, wire.probe(api.time.now - timedelta(hours=1), 310e6, read_back_ok=False, on=ON_HURT))

    assert standings(api)[-1] == (ids["S0002"], "unfit")
