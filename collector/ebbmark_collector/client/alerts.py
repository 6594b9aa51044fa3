"""Commands about alerts: what is open, one with its history, and what a person does about it."""

from collections.abc import Callable

import click

from ebbmark_collector.client.asking import Document, part
from ebbmark_collector.client.failures import ClientSettingsError
from ebbmark_collector.client.frame import Desk, main, works_at_a_desk
from ebbmark_collector.client.looking import SEVERITIES, alert_table, most
from ebbmark_collector.client.tables import facts, paragraph, sentences, table
from ebbmark_collector.client.words import day, minute, read_instant, read_span, tail

note = click.option("--note", default="", help="Why; it stays in the alert's history.")


@main.command()
@click.option("--severity", type=click.Choice(SEVERITIES), multiple=True, help="Only these; may be repeated.")
@click.option("--cleared", is_flag=True, help="Cleared ones as well.")
@most
@works_at_a_desk
def alerts(desk: Desk, *, severity: tuple[str, ...], cleared: bool, most: int) -> None:
    """List open alerts, worst first."""
    rows = list(
        desk.collector.every(
            "/v1/alerts", limit=most, severity=severity or None, open=None if cleared else True
        )
    )
    desk.show(rows, lambda: alert_table(rows, desk) if rows else "No alert is open.")


@main.command()
@click.argument("alert_id")
@works_at_a_desk
def alert(desk: Desk, *, alert_id: str) -> None:
    """Show one alert: what it rests on, what to do, and its history. The end of its id is enough."""
    found = desk.collector.get(_path(desk, alert_id))
    desk.show(found, lambda: _text(found, desk))


def _path(desk: Desk, alert_id: str) -> str:
    return f"/v1/alerts/{part(desk.collector.by_tail('/v1/alerts', 'alert_id', alert_id))}"


def _text(found: Document, desk: Desk) -> str:
    shown = facts(
        (
            ("Alert", f"{found['alert_id']}  ({str(found['condition']).replace('_', ' ')})"),
            ("What", found["headline"]),
            ("Severity", found["severity"]),
            ("To do", found["next_step"]),
            ("Act by", day(found["act_by"]) if found["act_by"] else None),
            ("Cause", str(found["cause"]).replace("_", " ") if found["cause"] else None),
            ("On", found["asset_tag"] or found["drive_id"] or found["host_name"]),
            ("Role", found["role"]),
            ("Evidence", None if found["fresh"] else "none fresh: the drive is out of reach"),
            ("Shelved", minute(found["shelved_until"]) if found["shelved_until"] else None),
            (
                "Cleared",
                f"{minute(found['cleared_at'])}: {found['cleared_because']}" if found["cleared_at"] else None,
            ),
        ),
        width=desk.width,
    )
    lines = [
        (minute(line["at"]), line["event"], line["severity"], line["done_by"] or "", line["why"] or "")
        for line in found["history"]
    ]
    history = table(("WHEN", "EVENT", "SEVERITY", "BY", "WHY"), lines, wrapped="WHY", width=desk.width)
    return "\n".join([shown, "", "Why:", sentences(found["why"], width=desk.width), "", history])


def _each(desk: Desk, alert_ids: tuple[str, ...], deed: Callable[[str], Document], done: str) -> None:
    rows = [deed(alert_id) for alert_id in alert_ids]
    desk.show(
        rows,
        lambda: "\n".join(
            paragraph(f"{tail(row['alert_id'])} {done}: {row['headline']}", width=desk.width) for row in rows
        ),
    )


@main.command()
@click.argument("alert_ids", nargs=-1, required=True)
@note
@works_at_a_desk
def acknowledge(desk: Desk, *, alert_ids: tuple[str, ...], note: str) -> None:
    """Say that you have seen these alerts."""
    _each(
        desk,
        alert_ids,
        lambda one: desk.collector.post(f"{_path(desk, one)}/acknowledge", {"note": note}),
        "acknowledged",
    )


@main.command()
@click.argument("alert_ids", nargs=-1, required=True)
@click.option("--for", "for_", help="How long, as in 8h or 2d.")
@click.option("--until", help="Or until when, in your own time unless it says otherwise.")
@note
@works_at_a_desk
def shelve(desk: Desk, *, alert_ids: tuple[str, ...], for_: str | None, until: str | None, note: str) -> None:
    """Set alerts aside for a while; they live on and tell nobody."""
    if (for_ is None) is (until is None):
        raise ClientSettingsError("Say either --for or --until.")
    end = read_instant(until) if until else desk.now + read_span(for_ or "")
    body = {"until": end.isoformat(), "note": note}
    _each(
        desk,
        alert_ids,
        lambda one: desk.collector.post(f"{_path(desk, one)}/shelve", body),
        f"shelved until {minute(end.isoformat())}",
    )


@main.command()
@click.argument("alert_ids", nargs=-1, required=True)
@note
@works_at_a_desk
def unshelve(desk: Desk, *, alert_ids: tuple[str, ...], note: str) -> None:
    """Take alerts back from the shelf."""
    _each(
        desk,
        alert_ids,
        lambda one: desk.collector.post(f"{_path(desk, one)}/unshelve", {"note": note}),
        "unshelved",
    )
