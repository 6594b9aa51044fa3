"""Who may do what: scopes, an agent's own only, enrolment, tokens that end, the audit log, no secret kept."""

from pathlib import Path

import pytest
from ebbmark_collector.http.operation import Scope
from ebbmark_collector.http.resources import every_operation
from ebbmark_collector.intake import accept
from ebbmark_collector.store import access, hosts

from tests.collector import wire
from tests.collector.conftest import Api

CLAIM = {"host_name": "cut-7", "system": "Linux 6.1", "machine_key": "mk-77777777"}


def enrol_token(api: Api, **more: object) -> str:
    """Make an enrolment token."""
    body = {"label": "floor", "quota": 2, "expires_at": "2026-03-03T00:00:00Z", **more}
    made = api.client().post("/v1/enrol-tokens", json=body)
    assert made.status_code == 201, made.data
    return made.get_json()["token"]


@pytest.mark.parametrize("scope", [*Scope, None], ids=str)
def test_every_operation_keeps_out_who_is_not_meant(api: Api, scope: Scope | None) -> None:
    """Without a token 401 with a challenge, with one of another scope 403; nothing else is let on."""
    for operation in every_operation():
        if not operation.scopes or scope in operation.scopes:
            continue
        path = operation.path.replace("{", "").replace("}", "")
        answer = api.client(scope).open(path, method=operation.method, json={})

        assert (403 if scope else 401) == answer.status_code, path
        assert answer.headers["WWW-Authenticate"].startswith("Bearer")  # RFC 6750, section 3


@pytest.mark.parametrize(
    "header",
    [
        "Bearer",
        "Bearer ",
        "Basic abc",
        "Bearer ebb_x",
        "Bearer ebb__",
        "Bearer ebb_0123456789ab_x",
        "x" * 3000,
    ],
)
def test_a_wrong_token_is_told_in_one_way(api: Api, header: str) -> None:
    """Whatever is wrong with a token, the answer does not say which part was right."""
    answer = api.client(None).get("/v1/fleet", headers={"Authorization": header})

    assert answer.status_code == 401
    assert answer.content_type == "application/problem+json"


def test_a_token_ends(api: Api) -> None:
    """A token is good until its end and not after; a revoked one at once is not."""
    made = (
        api.client()
        .post("/v1/tokens", json={"scope": "viewer", "label": "wall", "expires_at": "2026-03-02T13:00:00Z"})
        .get_json()
    )
    header = {"Authorization": f"Bearer {made['token']}"}

    def status() -> int:
        return api.client(None).get("/v1/kits", headers=header).status_code

    before = status()
    api.time.go_on(minutes=59)
    still = status()
    api.time.go_on(minutes=1)
    after = status()

    assert (before, still, after) == (200, 200, 401)


def test_a_revoked_token_is_out_at_once(api: Api) -> None:
    """After revoking, the next request is refused, and the last use stays to be seen."""
    made = api.client().post("/v1/tokens", json={"scope": "viewer", "label": "wall"}).get_json()
    header = {"Authorization": f"Bearer {made['token']}"}
    api.client(None).get("/v1/kits", headers=header)
    api.client().post(f"/v1/tokens/{made['token_id']}/revoke")

    assert api.client(None).get("/v1/kits", headers=header).status_code == 401
    listed = api.client().get("/v1/tokens?label=wall").get_json()["items"][0]
    assert listed["last_used_at"] is not None


def test_a_token_revoked_elsewhere_is_out_within_a_second(api: Api) -> None:
    """What another worker or the command line revokes is taken for a second at most."""
    made = api.client().post("/v1/tokens", json={"scope": "viewer", "label": "wall"}).get_json()
    header = {"Authorization": f"Bearer {made['token']}"}
    assert api.client(None).get("/v1/kits", headers=header).status_code == 200
    api.store.write(lambda tx: access.revoke_token(tx, made["token_id"], 1))
    api.time.go_on(seconds=1)

    assert api.client(None).get("/v1/kits", headers=header).status_code == 401


def test_no_secret_is_kept(api: Api, tmp_path: Path) -> None:
    """Neither the database nor any answer after the first holds a token's text."""
    made = api.client().post("/v1/tokens", json={"scope": "admin", "label": "second"}).get_json()
    enrol = enrol_token(api)
    claimed = api.client(None).post("/v1/enrolments/claim", json={**CLAIM, "enrol_token": enrol}).get_json()
    api.store.close()

    kept = b"".join(path.read_bytes() for path in tmp_path.iterdir() if path.is_file())
    for text in (made["token"], enrol, claimed["agent_token"], *api.tokens.values()):
        assert text.split("_", 2)[2].encode() not in kept


def test_an_agent_reads_its_own_orders_only(api: Api) -> None:
    """The orders of another host are refused; its own come with an ETag that saves sending them again."""
    api.store.write(
        lambda tx: hosts.add_host(
            tx, host_id="host-2", name="cut-2", system="Linux", machine_key=None, now_ms=0
        )
    )
    own = api.client("agent").get("/v1/hosts/host-1/orders")
    again = api.client("agent").get("/v1/hosts/host-1/orders", headers={"If-None-Match": own.headers["ETag"]})
    other = api.client("agent").get("/v1/hosts/host-2/orders")

    assert (own.status_code, again.status_code, other.status_code) == (200, 304, 403)
    assert own.get_json()["probing_enabled"] is False


def test_a_machine_becomes_a_host(api: Api) -> None:
    """A claim with a good token gives a host and a token that works; repeated, it stays the same host."""
    body = {**CLAIM, "enrol_token": enrol_token(api, quota=1)}
    first = api.client(None).post("/v1/enrolments/claim", json=body)
    second = api.client(None).post("/v1/enrolments/claim", json=body)

    assert (first.status_code, second.status_code) == (201, 201)
    assert first.get_json()["host_id"] == second.get_json()["host_id"]
    header = {"Authorization": f"Bearer {second.get_json()['agent_token']}"}
    path = f"/v1/hosts/{second.get_json()['host_id']}/orders"
    assert api.client(None).get(path, headers=header).status_code == 200
    earlier = {"Authorization": f"Bearer {first.get_json()['agent_token']}"}
    assert api.client(None).get(path, headers=earlier).status_code == 401


def test_an_enrolment_token_lets_in_as_many_as_it_says(api: Api) -> None:
    """The machine beyond the quota is refused, in the same words as any other fault."""
    token = enrol_token(api, quota=2)
    statuses = [
        api.client(None)
        .post(
            "/v1/enrolments/claim",
            json={**CLAIM, "enrol_token": token, "host_name": f"cut-{n}", "machine_key": f"mk-0000000{n}"},
        )
        .status_code
        for n in range(3)
    ]

    assert statuses == [201, 201, 403]


@pytest.mark.parametrize(
    "more",
    [{"network": "10.9.0.0/16"}, {"expires_at": "2026-03-02T12:00:01Z"}],
    ids=["from another network", "too late"],
)
def test_a_token_not_good_here_is_refused(api: Api, more: dict[str, object]) -> None:
    """A token for another network, or past its end, lets nobody in."""
    token = enrol_token(api, **more)
    api.time.go_on(minutes=1)
    answer = api.client(None).post("/v1/enrolments/claim", json={**CLAIM, "enrol_token": token})

    assert answer.status_code == 403


def test_a_machine_may_have_to_wait_for_a_person(api: Api) -> None:
    """Where asked for, a machine waits until an admin approves it, then the same claim lets it in."""
    body = {**CLAIM, "enrol_token": enrol_token(api, approval_needed=True)}
    waiting = api.client(None).post("/v1/enrolments/claim", json=body)
    listed = api.client().get("/v1/enrolments?state=pending").get_json()["items"]
    api.client().post(f"/v1/enrolments/{listed[0]['enrolment_id']}/approve")
    let_in = api.client(None).post("/v1/enrolments/claim", json=body)

    assert (waiting.status_code, let_in.status_code) == (202, 201)
    assert [item["host_name"] for item in listed] == ["cut-7"]


def test_a_refused_machine_stays_out(api: Api) -> None:
    """A machine an admin refused is told so."""
    body = {**CLAIM, "enrol_token": enrol_token(api, approval_needed=True)}
    api.client(None).post("/v1/enrolments/claim", json=body)
    listed = api.client().get("/v1/enrolments?state=pending").get_json()["items"]
    api.client().post(f"/v1/enrolments/{listed[0]['enrolment_id']}/refuse")

    answer = api.client(None).post("/v1/enrolments/claim", json=body)

    assert answer.status_code == 403
    assert "refused" in answer.get_json()["detail"]


def test_a_cloned_machine_is_told(api: Api) -> None:
    """One machine key under two names is let in, and said to whoever looks."""
    token = enrol_token(api)
    api.client(None).post("/v1/enrolments/claim", json={**CLAIM, "enrol_token": token})
    clone = api.client(None).post(
        "/v1/enrolments/claim", json={**CLAIM, "enrol_token": token, "host_name": "cut-8"}
    )

    assert "cloned" in clone.get_json()["warning"]
    warned = [i["warning"] for i in api.client().get("/v1/enrolments").get_json()["items"] if i["warning"]]
    assert len(warned) == 1


def test_an_agent_renews_its_token_before_it_ends(api: Api) -> None:
    """The new token works at once, the old one for another hour."""
    new = api.client("agent").post("/v1/hosts/host-1/token").get_json()["agent_token"]

    def status(token: str) -> int:
        header = {"Authorization": f"Bearer {token}"}
        return api.client(None).get("/v1/hosts/host-1/orders", headers=header).status_code

    at_once = (status(new), status(api.tokens["agent"]))
    api.time.go_on(hours=1)
    later = (status(new), status(api.tokens["agent"]))

    assert (at_once, later) == ((200, 200), (200, 401))


def test_every_change_is_in_the_audit_log(api: Api) -> None:
    """What an admin changed stands in the log with who, when and what; reading leaves no line."""
    client = api.client()
    client.get("/v1/fleet")
    client.patch("/v1/hosts/host-1", json={"probing_enabled": True}, headers={"If-Match": "*"})
    client.post("/v1/holds", json={"ends_at": "2026-04-01T00:00:00Z", "reason": "show"})

    lines = client.get("/v1/audit?sort=at").get_json()["items"]
    assert [line["action"] for line in lines] == ["host.edit", "hold.add"]
    assert all("test admin" in line["who"] for line in lines)
    assert lines[0]["detail"] == {"probing_enabled": True}


def test_an_assignment_is_in_the_next_orders(api: Api) -> None:
    """A role handed out, changed or taken back is in the orders fetched next, before anything is reported."""
    report = wire.inventory(api.time.now)
    accept(api.store, report, host_id=api.host_id, received_at=api.time.now)
    client, agent = api.client(), api.client("agent")

    def roles() -> list[str]:
        orders = agent.get(f"/v1/hosts/{api.host_id}/orders").get_json()
        return [subject["role"] for subject in orders["subjects"]]

    before = roles()
    rule = {"matched_by": "serial", "pattern": "S*", "role": "field-recorder"}
    place = client.post("/v1/assignments", json=rule).headers["Location"]
    given = roles()
    tag = {"If-Match": client.get(place).headers["ETag"]}
    client.put(place, json={**rule, "role": "system"}, headers=tag)
    changed = roles()
    client.delete(place, headers={"If-Match": client.get(place).headers["ETag"]})

    assert (before, given, changed, roles()) == ([], ["field-recorder"], ["system"], [])
