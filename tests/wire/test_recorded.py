"""Documents recorded from each wire version are read by the present agent and collector, with news in too."""

import json
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from ebbmark_agent.consent import accept_orders, read_orders
from ebbmark_agent.errors import OrdersRefusedError
from ebbmark_agent.report import WIRE_VERSION, Body, Orders, Report
from ebbmark_collector.store import reports
from ebbmark_collector.store.sqlite import SqliteStore

from tests.collector.conftest import SetClock, make_api

RECORDED = sorted(Path(__file__).parent.glob("v*/*.json"))
REPORTS = [path for path in RECORDED if not path.stem.startswith("orders")]
KINDS = {"inventory", "health", "probe", "take", "finding", "status"}


def _name(path: Path) -> str:
    return f"{path.parent.name}-{path.stem}"


def _with_news(document: Any) -> Any:
    """Give the document as a newer writer might send it: a field more in every part but a table of texts."""
    if isinstance(document, dict):
        told = {key: part if key == "sources" else _with_news(part) for key, part in document.items()}
        return {**told, "told_by_a_newer_version": [1, {"a": None}]}
    if isinstance(document, list):
        return [_with_news(part) for part in document]
    return document


def _hand_in(document: Any, tmp_path: Path) -> tuple[dict[str, Any], bytes]:
    """Hand a report to a collector; give its receipt and the document as it was kept."""
    report = Report.model_validate_json(json.dumps(document))
    store = SqliteStore(tmp_path / "collector.db")
    try:
        api = make_api(store, SetClock(now=report.made_at + timedelta(minutes=1)))
        # The recording names the host it came from; this collector knows its own.
        sent = {**document, "host_id": api.host_id}
        answer = api.client("agent").post("/v1/reports", json={"reports": [sent]})
        assert answer.status_code == 200, answer.get_data(as_text=True)
        kept = store.read(lambda tx: reports.report(tx, report.report_id))
        assert kept is not None
        return answer.get_json(), kept["document"]
    finally:
        store.close()


def test_every_version_has_every_kind_on_record() -> None:
    """Each wire version up to the present one has a recording of every kind of report, and orders."""
    for version in range(1, WIRE_VERSION + 1):
        folder = Path(__file__).parent / f"v{version}"
        recorded = [
            json.loads(path.read_text())
            for path in folder.glob("*.json")
            if not path.stem.startswith("orders")
        ]

        assert {one["body"]["kind"] for one in recorded} == KINDS
        assert {one["wire_version"] for one in recorded} == {version}
        assert (folder / "orders.json").exists()


@pytest.mark.parametrize("path", REPORTS, ids=_name)
def test_a_recorded_report_is_accepted_and_kept(path: Path, tmp_path: Path) -> None:
    """The collector takes in a report of that version, once, and keeps what it says."""
    document = json.loads(path.read_text())

    receipt, kept = _hand_in(document, tmp_path)

    assert receipt["accepted"] == [document["report_id"]]
    assert json.loads(kept)["body"] == document["body"]


@pytest.mark.parametrize("path", REPORTS, ids=_name)
def test_news_in_a_report_does_no_harm(path: Path, tmp_path: Path) -> None:
    """A report of a newer version with fields unknown here is accepted, and kept with those fields."""
    document = {**_with_news(json.loads(path.read_text())), "wire_version": WIRE_VERSION + 1}

    receipt, kept = _hand_in(document, tmp_path)

    assert receipt["accepted"] == [document["report_id"]]
    assert json.loads(kept)["body"]["told_by_a_newer_version"] == [1, {"a": None}]


def test_a_kind_unknown_here_is_refused_by_its_id_alone(tmp_path: Path) -> None:
    """A report of a kind that is not known here does not hold up the others of its request."""
    good = json.loads((Path(__file__).parent / "v1" / "status.json").read_text())
    strange = {**good, "report_id": "strange-1", "body": {"kind": "told_by_a_newer_version"}}
    store = SqliteStore(tmp_path / "collector.db")
    try:
        made_at = Report.model_validate_json(json.dumps(good)).made_at
        api = make_api(store, SetClock(now=made_at + timedelta(minutes=1)))
        both = [{**one, "host_id": api.host_id} for one in (strange, good)]
        answer = api.client("agent").post("/v1/reports", json={"reports": both}).get_json()
    finally:
        store.close()

    assert answer["accepted"] == [good["report_id"]]
    assert [one["report_id"] for one in answer["refused"]] == ["strange-1"]


@pytest.mark.parametrize("path", [one for one in RECORDED if one.stem.startswith("orders")], ids=_name)
def test_recorded_orders_are_obeyed(path: Path) -> None:
    """The agent takes orders of that version, and those of a later collector with fields unknown to it."""
    document = json.loads(path.read_text())
    for one in (document, _with_news(document)):
        orders = read_orders(json.dumps(one))

        taken = accept_orders(orders, host_id=orders.host_id, held=None, now=orders.issued_at)

        assert taken.valid_until == orders.valid_until


def test_orders_of_a_later_version_are_refused() -> None:
    """Orders whose meaning may have changed are not obeyed; the held ones stay."""
    path = next(one for one in RECORDED if one.stem == "orders")
    document = {**json.loads(path.read_text()), "version": 1000}
    orders = Orders.model_validate_json(json.dumps(document))

    with pytest.raises(OrdersRefusedError, match="newer than this agent"):
        accept_orders(orders, host_id=orders.host_id, held=None, now=orders.issued_at)


def test_no_kind_of_report_is_without_a_recording() -> None:
    """The kinds on record are the kinds of the wire."""
    from typing import get_args

    union = get_args(Body)[0]

    assert {one.model_fields["kind"].default for one in get_args(union)} == KINDS
