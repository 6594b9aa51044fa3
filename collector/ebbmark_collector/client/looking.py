"""Commands that look: the fleet, drives, one drive, its probes and pictures, hosts, roles, formats."""

from pathlib import Path

import click

from ebbmark_collector.client.asking import Document, part
from ebbmark_collector.client.failures import ClientSettingsError
from ebbmark_collector.client.frame import Desk, main, works_at_a_desk
from ebbmark_collector.client.tables import facts, sentences, table
from ebbmark_collector.client.words import UNKNOWN, age, day, minute, plain, rate, size, tail

STANDINGS = ("fit", "marginal", "unfit", "unproven")
SEVERITIES = ("warning", "minor", "major", "critical")
most = click.option(
    "--most", type=click.IntRange(1, 100_000), default=200, show_default=True, help="Rows at most."
)


def called(drive: Document) -> str:
    """Give the name people call a drive by."""
    for name in ("asset_tag", "label"):
        if drive.get(name):
            return str(drive[name])
    named = str(drive.get("serial") or drive["drive_id"])
    return f"{drive.get('model') or 'drive'} …{tail(named)}"


def drive_table(rows: list[Document], desk: Desk) -> str:
    """Lay drives out, a line each."""
    head = ("DRIVE", "STANDING", "FLOOR", "DEMAND", "ROLE", "HOST", "SOAKED", "ALERTS")
    return table(
        head,
        [
            (
                called(row),
                row["standing"],
                rate(row["floor_bytes_per_s"]),
                rate(row["demand_bytes_per_s"]),
                row["role"],
                row["host_name"],
                age(row["last_soak_at"], desk.now),
                row["open_alerts"] or "",
            )
            for row in rows
        ],
        right=("FLOOR", "DEMAND", "SOAKED", "ALERTS"),
        width=desk.width,
    )


def alert_table(rows: list[Document], desk: Desk) -> str:
    """Lay alerts out, a line each."""
    return table(
        ("ALERT", "SEVERITY", "SINCE", "SEEN BY", "WHAT"),
        [
            (
                tail(row["alert_id"]),
                row["severity"],
                age(row["raised_at"], desk.now),
                _seen(row),
                row["headline"],
            )
            for row in rows
        ],
        right=("SINCE",),
        wrapped="WHAT",
        width=desk.width,
    )


def _seen(alert: Document) -> str:
    if alert["shelved_until"]:
        return "shelved"
    return alert["acknowledged_by"] or ""


@main.command()
@works_at_a_desk
def fleet(desk: Desk) -> None:
    """Show the fleet at a glance, worst first."""
    found = desk.collector.get("/v1/fleet")

    def text() -> str:
        stands, alerts = found["standings"], found["open_alerts"]
        lines = [
            f"{found['drives']} drives on {found['hosts']} hosts: "
            + ", ".join(f"{stands[word]} {word}" for word in STANDINGS)
            + f"; {found['without_role']} without a role.",
            "Open alerts: "
            + ", ".join(f"{alerts[word]} {word}" for word in reversed(SEVERITIES))
            + f"; {found['shelved_alerts']} shelved.",
        ]
        if found["worst_alerts"]:
            lines += ["", alert_table(found["worst_alerts"], desk)]
        if found["worst_drives"]:
            lines += ["", drive_table(found["worst_drives"], desk), "", "Rates in MB/s."]
        return "\n".join(lines)

    desk.show(found, text)


@main.command()
@click.option("--standing", type=click.Choice(STANDINGS), multiple=True, help="Only these; may be repeated.")
@click.option("--role", multiple=True, help="Only of this role; may be repeated.")
@click.option("--kit", multiple=True, help="Only of this kit; may be repeated.")
@click.option("--host", multiple=True, help="Only last seen on this host; may be repeated.")
@click.option("--containing", help="Only with this text in label, tag, model, serial, host or place.")
@click.option("--retired", is_flag=True, help="Retired ones as well.")
@most
@works_at_a_desk
def drives(
    desk: Desk,
    *,
    standing: tuple[str, ...],
    role: tuple[str, ...],
    kit: tuple[str, ...],
    host: tuple[str, ...],
    containing: str | None,
    retired: bool,
    most: int,
) -> None:
    """List drives, worst first."""
    rows = list(
        desk.collector.every(
            "/v1/drives",
            limit=most,
            standing=standing or None,
            role=role or None,
            kit=kit or None,
            host_name=host or None,
            contains=containing,
            without=None if retired else "retired_at",
        )
    )
    desk.show(rows, lambda: f"{drive_table(rows, desk)}\n\nRates in MB/s." if rows else "No drive fits that.")


@main.command()
@click.argument("which")
@works_at_a_desk
def drive(desk: Desk, *, which: str) -> None:
    """Show one drive: how it stands, why, and what to do.

    WHICH is its asset tag, serial, id or label.
    """
    listed = desk.collector.drive(which)
    found = desk.collector.get(f"/v1/drives/{part(listed['drive_id'])}")
    alerts = list(desk.collector.every("/v1/alerts", limit=20, drive_id=found["drive_id"], open=True))
    desk.show(found, lambda: _drive_text(found, alerts, desk))


def _drive_text(found: Document, alerts: list[Document], desk: Desk) -> str:
    judged = found["judgement"] or {}
    parts = [
        facts(
            (
                ("Drive", f"{called(found)}  ({found['drive_id']})"),
                ("Standing", f"{found['standing']} since {minute(found['standing_since'])}"),
                ("Role", found["role"] or "none: give it one with an assignment rule"),
                ("Floor", _floor(found)),
                ("Evidence", _evidence(found)),
                ("Soaks", _soaks(found)),
                ("Model", f"{found['model'] or UNKNOWN}, firmware {found['firmware'] or UNKNOWN}"),
                ("Serial", f"{found['serial'] or UNKNOWN} ({found['confidence']})"),
                ("Capacity", size(found["capacity_bytes"])),
                ("Where", _where(found)),
                ("Kit", found["kit"]),
                ("Last seen", f"{age(found['last_seen_at'], desk.now)} ago"),
                ("Used", None if found["percentage_used"] is None else f"{found['percentage_used']} %"),
                ("Retired", found["retired_why"]),
                ("Notes", found["notes"]),
            ),
            width=desk.width,
        )
    ]
    why = [reason["sentence"] for reason in judged.get("reasons", []) if isinstance(reason, dict)]
    for title, texts in (
        ("Why", why),
        ("Cause, likeliest first, and what to do", [_cause(cause) for cause in found["causes"][:3]]),
        ("Found", [finding["sentence"] for finding in found["findings"]]),
    ):
        if texts:
            parts += ["", f"{title}:", sentences(texts, width=desk.width)]
    if alerts:
        parts += ["", alert_table(alerts, desk)]
    parts += ["", "A pass is no backup."]
    return "\n".join(parts)


def _evidence(found: Document) -> str:
    if not found["evidence_at"]:
        return "none"
    until = f", good until {day(found['valid_until'])}" if found["valid_until"] else ""
    return f"of {day(found['evidence_at'])}{until}"


def _soaks(found: Document) -> str | None:
    sooner = found["soak_sooner"]
    return f"every {sooner['every_days']:.0f} days for now. {sooner['why']}" if sooner else None


def _floor(found: Document) -> str:
    if found["floor_bytes_per_s"] is None:
        return f"not known, asked {rate(found['demand_bytes_per_s'])} MB/s"
    return f"{rate(found['floor_bytes_per_s'])} MB/s, asked {rate(found['demand_bytes_per_s'])} MB/s"


def _where(found: Document) -> str:
    return ", ".join(
        str(found[name]) for name in ("host_name", "place", "bus", "presence") if found.get(name)
    ).replace("_", " ")


def _cause(cause: Document) -> str:
    kind = str(cause["kind"]).replace("_", " ")
    return " ".join([f"{kind}:", *cause["facts"], cause["next_step"]])


@main.command()
@click.argument("which")
@most
@works_at_a_desk
def probes(desk: Desk, *, which: str, most: int) -> None:
    """List a drive's probes, newest first."""
    listed = desk.collector.drive(which)
    rows = list(desk.collector.every(f"/v1/drives/{part(listed['drive_id'])}/probes", limit=most))
    head = ("PROBE", "KIND", "BEGAN", "WROTE", "FLOOR", "READ BACK", "OUTCOME")

    def text() -> str:
        shown = table(
            head,
            [
                (
                    tail(row["probe_id"]),
                    row["kind"],
                    minute(row["started_at"]),
                    size(row["bytes_written"]),
                    rate(row["floor_bytes_per_s"]),
                    {True: "equal", False: "DIFFERS", None: UNKNOWN}[row["read_back_ok"]],
                    str(row["outcome"]).replace("_", " "),
                )
                for row in rows
            ],
            right=("WROTE", "FLOOR"),
            width=desk.width,
        )
        return f"{shown}\n\nFloor in MB/s." if rows else "This drive has no probe yet."

    desk.show(rows, text)


@main.command()
@click.argument("which")
@click.argument("target", type=click.Path(dir_okay=False, path_type=Path))
@click.option("--probe", help="This probe's trace, by the end of its id, instead of the floor over months.")
@click.option("--days", type=click.IntRange(1, 3650), default=365, show_default=True)
@works_at_a_desk
def picture(desk: Desk, *, which: str, target: Path, probe: str | None, days: int) -> None:
    """Draw a drive's floor over months, or one probe's trace, into the SVG file TARGET."""
    drive_path = f"/v1/drives/{part(desk.collector.drive(which)['drive_id'])}"
    if probe is not None:
        probe_id = desk.collector.by_tail(f"{drive_path}/probes", "probe_id", probe)
        drawn = desk.collector.text(f"/v1/probes/{part(probe_id)}/trace.svg")
    else:
        drawn = desk.collector.text(f"{drive_path}/floor.svg", days=days)
    try:
        with target.open("x", encoding="utf-8") as file:
            file.write(drawn)
    except OSError as error:
        raise ClientSettingsError(f"{target} cannot be written: {error.strerror}.") from error
    desk.show({"written": str(target)}, lambda: f"{plain(target)} is written.")


@main.command()
@most
@works_at_a_desk
def hosts(desk: Desk, *, most: int) -> None:
    """List hosts, with whether they may probe and when they last reported."""
    rows = list(desk.collector.every("/v1/hosts", limit=most))
    head = ("HOST", "SYSTEM", "AGENT", "DRIVES", "HEARD", "PROBING", "SAYS")

    def text() -> str:
        return table(
            head,
            [
                (
                    row["name"],
                    row["system"],
                    row["agent_version"],
                    row["drives"],
                    age(row["last_report_at"], desk.now),
                    _probing(row),
                    _says(row),
                )
                for row in rows
            ],
            right=("DRIVES", "HEARD"),
            width=desk.width,
        )

    desk.show(rows, text)


def _probing(host: Document) -> str:
    if not host["probing_enabled"]:
        return "off"
    return "on" if host["writes_allowed"] else "owner forbids"


def _says(host: Document) -> str:
    said = [word for word, on in (("on air", host["on_air"]), ("show", host["show"])) if on]
    if host["state"] == "retired":
        said.append("retired")
    return ", ".join(said)


@main.command()
@works_at_a_desk
def roles(desk: Desk) -> None:
    """List the roles in force and what each asks."""
    found = desk.collector.get("/v1/roles")
    head = ("ROLE", "KIND", "RATE", "DEMAND", "FROM", "LABEL")

    def text() -> str:
        rows = [
            (
                row["name"],
                row["kind"],
                rate(row["rate_bytes_per_s"]),
                rate(row["demand_bytes_per_s"]),
                row["origin"],
                row["label"],
            )
            for row in found["items"]
        ]
        return table(head, rows, right=("RATE", "DEMAND"), width=desk.width) + "\n\nRates in MB/s."

    desk.show(found, text)


@main.command()
@click.option("--containing", default="", help="Only with this text in name or label.")
@works_at_a_desk
def formats(desk: Desk, *, containing: str) -> None:
    """List the recording formats the collector knows, by rate."""
    found = desk.collector.get("/v1/formats")
    items = [row for row in found["items"] if containing.lower() in f"{row['name']} {row['label']}".lower()]
    items.sort(key=lambda row: (row["mean_bytes_per_s"], row["name"]))

    def text() -> str:
        rows = [(row["name"], f"{row['mean_bytes_per_s'] / 1e6:.1f}", row["label"]) for row in items]
        shown = table(("FORMAT", "RATE", "LABEL"), rows, right=("RATE",), width=desk.width)
        return f"{shown}\n\nRates in MB/s." if rows else "No format fits that."

    desk.show({"items": items}, text)
