"""Enrolling, one round, and seeing a report before it is sent; against a real HTTP server on loopback."""

import json
import socket
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from ebbmark_agent.report import Orders

from tests.agent.cli.conftest import Run
from tests.agent.standin_collector import TOKEN, Answer, StandIn, standing_in


@pytest.fixture
def stand_in() -> Iterator[StandIn]:
    """A collector on loopback with orders for host-1."""
    with standing_in() as state:
        now = datetime.now(UTC)
        orders = Orders(host_id="host-1", issued_at=now, valid_until=now + timedelta(days=1))
        state.orders = orders.model_dump_json().encode()
        yield state


def test_enrolling_keeps_the_token_private(run: Run, stand_in: StandIn, tmp_path: Path) -> None:
    """Enrolment says where and as whom, keeps the token for its owner alone, and names the write default."""
    result = run("enrol", "--collector", stand_in.url, EBBMARK_TOKEN="once")
    token = tmp_path / "state" / "token"

    assert result.exit_code == 0, result.stderr
    assert "host host-1" in result.stdout
    assert "limits.writes_allowed" in result.stdout
    assert token.read_text().strip() == TOKEN
    assert token.stat().st_mode & 0o777 == 0o600
    assert TOKEN not in result.stdout + result.stderr


def test_the_enrolment_token_may_lie_in_a_file(run: Run, stand_in: StandIn, tmp_path: Path) -> None:
    """A token file is read; an empty or missing one is an error with its own code."""
    path = tmp_path / "enrol-token"
    path.write_text("once\n")

    assert run("enrol", "--collector", stand_in.url, "--token-file", str(path)).exit_code == 0
    path.write_text("")
    assert run("enrol", "--collector", stand_in.url, "--token-file", str(path)).exit_code == 36
    assert run("enrol", "--collector", stand_in.url, "--token-file", str(tmp_path / "x")).exit_code == 36


@pytest.mark.parametrize(
    ("answer", "code"),
    [(Answer(202), 64), (Answer(401, {"detail": "That token was used."}), 63), (Answer(500), 65)],
)
def test_enrolments_that_fail_have_codes_of_their_own(
    run: Run, stand_in: StandIn, answer: Answer, code: int
) -> None:
    """Waiting for approval, a used token and a collector in trouble are told apart."""
    stand_in.enrol = answer

    assert run("enrol", "--collector", stand_in.url, EBBMARK_TOKEN="once").exit_code == code


def test_enrolling_where_nobody_listens(run: Run) -> None:
    """A collector that is down has its own code and sentence."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    result = run("enrol", "--collector", f"http://127.0.0.1:{port}", EBBMARK_TOKEN="once")

    assert result.exit_code == 61
    assert "does not answer" in result.stderr


def test_plain_http_to_elsewhere_is_refused(run: Run) -> None:
    """Without the owner's word nothing is sent over plain http beyond this machine."""
    assert run("enrol", "--collector", "http://192.0.2.1:1", EBBMARK_TOKEN="once").exit_code == 37


def test_without_enrolment_there_is_nothing_to_run(run: Run) -> None:
    """Running or asking for the next report before enrolment says how to enrol."""
    for command in ("run", "next-report"):
        result = run(command)

        assert result.exit_code == 35
        assert "ebbmark-agent enrol" in result.stderr


def test_one_round_delivers_inventory_health_and_status(run: Run, stand_in: StandIn) -> None:
    """A round on a new machine tells of its drives, their health and its consent; nothing is left waiting."""
    run("enrol", "--collector", stand_in.url, EBBMARK_TOKEN="once")
    result = run("run", "--one-round", EBBMARK_LIMITS_QUIET_S="0.1")
    kinds = {report["body"]["kind"] for report in stand_in.stored.values()}

    assert result.exit_code == 0, result.stderr
    assert kinds >= {"inventory", "status"}
    assert sorted(report["sequence"] for report in stand_in.stored.values()) == [
        report["sequence"] for report in stand_in.stored.values()
    ]


def test_the_next_report_is_shown_before_it_is_sent(run: Run, stand_in: StandIn, tmp_path: Path) -> None:
    """What would leave is printed whole, without mount points, and nothing is sent by looking."""
    run("enrol", "--collector", stand_in.url, EBBMARK_TOKEN="once")
    result = run("next-report")
    reports = [json.loads(line) for line in result.stdout.splitlines()]
    inventory = next(one["body"] for one in reports if one["body"]["kind"] == "inventory")

    assert result.exit_code == 0
    assert all("mount" not in volume and "label" not in volume for volume in inventory["volumes"])
    assert stand_in.stored == {}


def test_a_wrong_token_loses_nothing(run: Run, stand_in: StandIn, tmp_path: Path) -> None:
    """With a token the collector does not know a round goes on; its reports wait."""
    run("enrol", "--collector", stand_in.url, EBBMARK_TOKEN="once")
    (tmp_path / "state" / "token").write_text("wrong")
    result = run("run", "--one-round", EBBMARK_LIMITS_QUIET_S="0.1")

    assert result.exit_code == 0
    assert stand_in.stored == {}
    assert run("next-report").stdout.count("\n") >= 2
