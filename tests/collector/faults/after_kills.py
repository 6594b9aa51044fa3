"""What must hold of a database whose collectors were killed: whole, each report once, alerts that agree."""

from collections import defaultdict

from ebbmark_collector.store.sqlite import SqliteStore


def check(store: SqliteStore, accepted: set[str]) -> None:
    """Hold a database against the reports that were acknowledged."""
    with store.tx() as tx:
        kept = [row["report_id"] for row in tx.query("SELECT report_id FROM reports")]
        known = [row["report_id"] for row in tx.query("SELECT report_id FROM report_ids")]
        probes = [row["report_id"] for row in tx.query("SELECT report_id FROM probes")]
        alerts = tx.query("SELECT alert_id, drive_id, is_open, times_raised FROM alerts")
        lines = tx.query("SELECT alert_id, number, event FROM alert_transitions ORDER BY alert_id, number")
        drives = tx.query("SELECT drive_id, open_alerts FROM drives")
        sound = tx.query("PRAGMA integrity_check")
    histories: dict[str, list[tuple[int, str]]] = defaultdict(list)
    for line in lines:
        histories[line["alert_id"]].append((line["number"], line["event"]))

    assert sound == [{"integrity_check": "ok"}]
    assert accepted <= set(kept), f"{len(accepted - set(kept))} acknowledged reports are not there"
    assert len(kept) == len(set(kept))
    assert sorted(kept) == sorted(known)
    assert sorted(one for one in kept if one.startswith("probe-")) == sorted(probes)
    for drive in drives:
        open_now = sum(alert["is_open"] for alert in alerts if alert["drive_id"] == drive["drive_id"])
        assert drive["open_alerts"] == open_now
    for alert in alerts:
        _check_history(alert, histories[alert["alert_id"]])


def _check_history(alert: dict[str, int], story: list[tuple[int, str]]) -> None:
    assert bool(story) == (alert["times_raised"] > 0)
    if not story:
        return
    first = story[0][0]
    assert [number for number, _ in story] == list(range(first, first + len(story)))
    assert sum(event in {"raised", "raised_again"} for _, event in story) == alert["times_raised"]
    assert (story[-1][1] == "cleared") != bool(alert["is_open"])
