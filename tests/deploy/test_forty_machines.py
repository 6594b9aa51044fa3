"""Enrolling a whole floor: one token for forty machines, each let in by a person, a clone told of."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
import requests

from tests.collector.serving import Served, serving

MACHINES = 40


class Floor:
    """A collector with one enrolment token as the guide has it made."""

    def __init__(self, served: Served, *, network: str = "127.0.0.0/8", hours: float = 48) -> None:
        assert served.admin_token is not None
        self.url = served.url
        self.admin = served.as_admin(served.admin_token)
        expires_at = (datetime.now(UTC) + timedelta(hours=hours)).isoformat()
        made = self.ask(
            "POST",
            "/v1/enrol-tokens",
            label="editing floor",
            quota=MACHINES,
            expires_at=expires_at,
            network=network,
            approval_needed=True,
        )
        assert made.status_code == 201, made.text
        self.token: str = made.json()["token"]

    def ask(self, method: str, path: str, **body: Any) -> requests.Response:
        """Ask as admin."""
        return requests.request(method, self.url + path, json=body or None, headers=self.admin, timeout=20)

    def claim(self, number: int, *, key: str | None = None) -> requests.Response:
        """Ask to become a host, as machine NUMBER does; no token but the enrolment's is shown."""
        return requests.post(
            f"{self.url}/v1/enrolments/claim",
            json={
                "enrol_token": self.token,
                "host_name": f"cut-{number}",
                "system": "Linux 6.1",
                "machine_key": key or f"mk-{number:08d}",
            },
            timeout=20,
        )

    def waiting(self) -> list[dict[str, Any]]:
        """Give who waits."""
        items: list[dict[str, Any]] = self.ask("GET", "/v1/enrolments?state=pending&limit=200").json()[
            "items"
        ]
        return items


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A real collector."""
    with serving(tmp_path_factory.mktemp("floor") / "data") as running:
        yield running


@pytest.fixture
def floor(served: Served) -> Floor:
    """A fresh enrolment token for the floor."""
    return Floor(served)


def test_forty_machines_wait_and_the_next_is_refused(floor: Floor) -> None:
    """The quota lets forty ask; asking again costs nothing; the next machine is refused."""
    already = len(floor.waiting())
    asked = [floor.claim(number).status_code for number in range(MACHINES)]
    again = floor.claim(0).status_code
    beyond = floor.claim(MACHINES)

    assert asked == [202] * MACHINES
    assert again == 202
    assert beyond.status_code == 403
    assert len(floor.waiting()) == already + MACHINES


def test_a_waiting_machine_is_let_in_by_a_person(floor: Floor) -> None:
    """A machine has no token until an admin approves it; its next asking gives one."""
    assert floor.claim(101).status_code == 202
    (asked,) = [one for one in floor.waiting() if one["host_name"] == "cut-101"]
    approved = floor.ask("POST", f"/v1/enrolments/{asked['enrolment_id']}/approve")
    claimed = floor.claim(101)

    assert approved.status_code == 200, approved.text
    assert claimed.status_code == 201
    assert claimed.json()["agent_token"].startswith("ebb_")


def test_a_cloned_machine_is_told(floor: Floor) -> None:
    """Two machines with one key are two hosts, and the collector names both to who let them in."""
    for number in (201, 202):
        floor.claim(number, key="mk-cloned-disk")
    for asked in floor.waiting():
        if asked["host_name"] in {"cut-201", "cut-202"}:
            floor.ask("POST", f"/v1/enrolments/{asked['enrolment_id']}/approve")
    first, second = (floor.claim(number, key="mk-cloned-disk").json() for number in (201, 202))

    assert first["warning"] is None
    assert first["host_id"] != second["host_id"]
    assert "cut-201" in second["warning"]
    assert "cloned" in second["warning"]


def test_a_token_is_good_in_its_network_only(served: Served) -> None:
    """From outside its network the token is refused in the words of an unknown one."""
    elsewhere = Floor(served, network="10.20.0.0/16")

    assert elsewhere.claim(301).status_code == 403


def test_a_token_ends_in_the_future(served: Served) -> None:
    """A token that would have ended already cannot be made: the command's hours cannot be got wrong."""
    made = requests.post(
        f"{served.url}/v1/enrol-tokens",
        json={
            "label": "late",
            "quota": 1,
            "expires_at": (datetime.now(UTC) - timedelta(hours=1)).isoformat(),
        },
        headers=served.as_admin(served.admin_token or ""),
        timeout=20,
    )

    assert made.status_code == 422
