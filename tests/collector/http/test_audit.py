"""Every action of an admin leaves one line in the audit log: who, what, on which thing; never a secret."""

import json
from collections.abc import Callable
from pathlib import Path

from click.testing import CliRunner
from ebbmark_collector.cli import main
from ebbmark_collector.http.operation import Scope
from ebbmark_collector.http.resources import every_operation
from ebbmark_collector.intake import accept_many
from ebbmark_collector.rounds import judge_fleet
from ebbmark_collector.settings import Settings
from ebbmark_collector.store.opening import open_store

from tests.collector import wire
from tests.collector.conftest import Api

SOON = "2026-03-20T00:00:00Z"
CLAIM = {"system": "Linux", "machine_key": "mk-00000001"}


def every_action(api: Api) -> dict[str, tuple[str, str]]:
    """Do everything an admin may do once; give what the log then says, by operation: action and subject."""
    client, said = api.client(), {}
    given = [wire.inventory(api.time.now), wire.soak(api.time.now, 30e6)]

    def do(operation: str, method: str, path: str, body: object = None) -> dict[str, object]:
        before = {line["audit_id"] for line in lines()}
        stands = client.get(path).headers.get("ETag") if method != "POST" else None
        headers = {"If-Match": stands} if stands else None
        answer = client.open(path, method=method, json=body, headers=headers)
        assert answer.status_code < 300, (operation, answer.data)
        new = [line for line in lines() if line["audit_id"] not in before]
        assert len(new) == 1, (operation, new)
        assert new[0]["who"].startswith("admin:test admin (")
        said[operation] = (new[0]["action"], new[0]["subject"])
        found: dict[str, object] = answer.get_json() or {}
        return found

    def lines() -> list[dict[str, str]]:
        found: list[dict[str, str]] = client.get("/v1/audit?limit=500").get_json()["items"]
        return found

    role = {"label": "x", "kind": "recorder", "streams": [{"format": "150MB/s"}]}
    do("put_role", "PUT", "/v1/roles/mine", {"role": role})
    do("delete_role", "DELETE", "/v1/roles/mine")
    rule = {"matched_by": "serial", "pattern": "S*", "role": "field-recorder"}
    made = do("add_assignment", "POST", "/v1/assignments", rule)
    do("put_assignment", "PUT", f"/v1/assignments/{made['assignment_id']}", {**rule, "pattern": "S1*"})
    accept_many(api.store, given, host_id="host-1", received_at=api.time.now)
    judge_fleet(api.store, api.time.go_on(hours=1), everything=True)
    drive = f"/v1/drives/{client.get('/v1/drives').get_json()['items'][0]['drive_id']}"
    alert = f"/v1/alerts/{client.get('/v1/alerts').get_json()['items'][0]['alert_id']}"
    do("acknowledge_alert", "POST", f"{alert}/acknowledge", {"note": "seen"})
    do("shelve_alert", "POST", f"{alert}/shelve", {"until": SOON})
    do("unshelve_alert", "POST", f"{alert}/unshelve", {})
    do("patch_drive", "PATCH", drive, {"place": "shelf"})
    do("drive_erased", "POST", f"{drive}/erased", {})
    happened = {"happened_at": "2026-03-02T11:00:00Z", "sentence": "dropped frames"}
    do("add_incident", "POST", f"{drive}/incidents", happened)
    order = {"drive_id": drive.rpartition("/")[2], "kind": "soak", "ends_at": SOON, "max_bytes": 10**9}
    asked = do("add_probe_order", "POST", "/v1/probe-orders", order)
    do("withdraw_probe_order", "POST", f"/v1/probe-orders/{asked['order_id']}/withdraw")
    do("retire_drive", "POST", f"{drive}/retire", {"why": "worn"})
    do("return_drive", "POST", f"{drive}/return-to-service")
    do("delete_assignment", "DELETE", f"/v1/assignments/{made['assignment_id']}")
    held = do("add_hold", "POST", "/v1/holds", {"ends_at": SOON, "reason": "show"})
    do("end_hold", "POST", f"/v1/holds/{held['hold_id']}/end")
    token = do("add_token", "POST", "/v1/tokens", {"scope": "viewer", "label": "wall"})
    do("revoke_token", "POST", f"/v1/tokens/{token['token_id']}/revoke")
    body = {"label": "floor", "quota": 5, "expires_at": SOON, "approval_needed": True}
    enrol = do("add_enrol_token", "POST", "/v1/enrol-tokens", body)
    for name, deed in (("cut-2", "approve"), ("cut-3", "refuse")):
        claim = {**CLAIM, "host_name": name, "enrol_token": enrol["token"]}
        waiting = api.client(None).post("/v1/enrolments/claim", json=claim).get_json()
        do(f"{deed}_enrolment", "POST", f"/v1/enrolments/{waiting['enrolment_id']}/{deed}")
    do("revoke_enrol_token", "POST", f"/v1/enrol-tokens/{enrol['token_id']}/revoke")
    do("patch_host", "PATCH", "/v1/hosts/host-1", {"probing_enabled": True})
    do("retire_host", "POST", "/v1/hosts/host-1/retire")
    return said


def test_every_action_of_an_admin_is_in_the_log(api: Api) -> None:
    """Each operation that changes something and needs an admin leaves exactly one line of its own."""
    said = every_action(api)

    changing = {
        operation.name
        for operation in every_operation()
        if operation.method != "GET" and Scope.ADMIN in operation.scopes
    } - {"try_assignments"}  # changes nothing
    assert changing == set(said)
    assert (
        len({action for action, _ in said.values()}) == len(said) - 1
    )  # adding and replacing a rule are one
    assert all(subject for _, subject in said.values())


def test_the_log_holds_no_secret(api: Api) -> None:
    """No token's secret part stands in any line."""
    every_action(api)
    text = json.dumps(api.client().get("/v1/audit?limit=500").get_json())

    assert "ebb_" not in text
    for token in api.tokens.values():
        assert token.split("_", 2)[2] not in text


def test_what_is_done_on_the_command_line_is_in_the_log_too(tmp_path: Path) -> None:
    """Tokens made beside the API leave their line."""
    run: Callable[..., object] = CliRunner().invoke
    run(main, ["token", "--data", str(tmp_path), "--scope", "admin", "--label", "me"])
    run(main, ["enrol-token", "--data", str(tmp_path), "--machines", "40"])
    store = open_store(tmp_path, Settings())
    rows = store.read(lambda tx: tx.query("SELECT who, action FROM audit ORDER BY audit_id"))
    store.close()

    assert [(row["who"], row["action"]) for row in rows] == [
        ("command line", "token.add"),
        ("command line", "enrol_token.add"),
    ]
