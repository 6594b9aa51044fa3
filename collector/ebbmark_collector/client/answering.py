"""Commands that answer: which drives may record this, is the case ready, what is left to do, what to buy."""

import click

from ebbmark_collector.client.asking import Document, part
from ebbmark_collector.client.failures import NO_GO
from ebbmark_collector.client.frame import Desk, main, works_at_a_desk
from ebbmark_collector.client.looking import called
from ebbmark_collector.client.tables import paragraph, sentences, table
from ebbmark_collector.client.words import age, day, how_long, plain, rate, size

headroom = click.option("--headroom", type=click.FloatRange(1, 10), default=1.2, show_default=True)
buffer_s = click.option(
    "--buffer-s",
    type=click.FloatRange(0, 600),
    default=1.0,
    show_default=True,
    help="Seconds of stream held.",
)
take_minutes = click.option(
    "--minutes", type=click.FloatRange(min=0.1), help="The longest take; else the whole medium."
)
NO_BACKUP = "Rates in MB/s. A pass is no backup."


def _carries(answer: Document) -> str:
    return how_long(answer["minutes_whole_medium"], answer["minutes_whole_medium_kind"])


@main.command()
@click.argument("what")
@take_minutes
@headroom
@buffer_s
@click.option("--kit", help="Among this kit only.")
@click.option("--host", help="Among the drives of this host only.")
@click.option("--most", type=click.IntRange(1, 500), default=50, show_default=True)
@works_at_a_desk
def fits(
    desk: Desk,
    *,
    what: str,
    minutes: float | None,
    headroom: float,
    buffer_s: float,
    kit: str | None,
    host: str | None,
    most: int,
) -> None:
    """Tell which drives may record WHAT, best first.

    WHAT is a recording format, a rate such as 150MB/s, or a role.
    """
    found = desk.collector.get(
        "/v1/fits",
        format=what,
        headroom=headroom,
        buffer_s=buffer_s,
        take_minutes=minutes,
        kit=kit,
        host_id=desk.collector.host(host)["host_id"] if host else None,
        limit=most,
    )
    head = ("DRIVE", "STANDING", "FLOOR", "RECORDS", "SOAKED", "KIT", "HOST")

    def text() -> str:
        if not found["items"]:
            return "No drive has a soak to judge by. `ebbmark worklist` says what to soak first."
        rows = [
            (
                called(row),
                row["answer"]["standing"],
                rate(row["answer"]["floor_bytes_per_s"]),
                _carries(row["answer"]),
                age(row["evidence_at"], desk.now),
                row["kit"] or "",
                row["host_name"],
            )
            for row in found["items"]
        ]
        asked = f"{plain(found['asked'])} asks {rate(found['demand_bytes_per_s'])} MB/s."
        shown = table(head, rows, right=("FLOOR", "SOAKED"), width=desk.width)
        return f"{asked}\n\n{shown}\n\n{NO_BACKUP}"

    desk.show(found, text)


@main.command()
@click.argument("which")
@click.argument("what", required=False)
@take_minutes
@headroom
@buffer_s
@works_at_a_desk
def carries(
    desk: Desk, *, which: str, what: str | None, minutes: float | None, headroom: float, buffer_s: float
) -> None:
    """Tell what the drive WHICH may record, or whether it may record WHAT and why not."""
    listed = desk.collector.drive(which)
    found = desk.collector.get(
        f"/v1/drives/{part(listed['drive_id'])}/fits",
        format=what,
        headroom=headroom,
        buffer_s=buffer_s,
        take_minutes=minutes,
    )
    head = ("FORMAT", "STANDING", "DEMAND", "FLOOR", "FIRST TAKE", "WHOLE MEDIUM")

    def text() -> str:
        rows = [
            (
                row["asked"],
                row["standing"],
                rate(row["demand_bytes_per_s"]),
                rate(row["floor_bytes_per_s"]),
                how_long(row["minutes_from_rest"], row["minutes_from_rest_kind"]),
                _carries(row),
            )
            for row in found["items"]
        ]
        shown = table(head, rows, right=("DEMAND", "FLOOR"), width=desk.width)
        why = found["items"][0]["sentences"] if what and found["items"] else []
        evidence = f"{called(listed)}, soaked {day(found['evidence_at'])}."
        texts = [plain(evidence), "", shown, ""]
        if why:
            texts += [sentences(why, width=desk.width), ""]
        return "\n".join([*texts, NO_BACKUP])

    desk.show(found, text)


@main.command()
@click.argument("kit")
@click.option("--format", "what", required=True, help="What is recorded.")
@click.option("--hours", type=click.FloatRange(min=0.1), required=True, help="Of recording in all.")
@click.option(
    "--slots", type=click.Choice(["single", "relay", "mirror"]), default="single", show_default=True
)
@headroom
@buffer_s
@works_at_a_desk
def readiness(
    desk: Desk, *, kit: str, what: str, hours: float, slots: str, headroom: float, buffer_s: float
) -> None:
    """Tell whether the case KIT is good for the job, medium by medium.

    Ends with 0 for go and 13 for no go, so that a script can tell; an error ends with its own code.
    """
    found = desk.collector.get(
        f"/v1/kits/{part(kit)}/readiness",
        format=what,
        hours=hours,
        slots=slots,
        headroom=headroom,
        buffer_s=buffer_s,
    )
    head = ("MEDIUM", "GO", "STANDING", "FLOOR", "HOURS", "SOAKED", "OFFLOAD")

    def text() -> str:
        rows = [
            (
                called(row),
                "go" if row["go"] else "no",
                row["answer"]["standing"],
                rate(row["answer"]["floor_bytes_per_s"]),
                None if row["hours"] is None else f"{row['hours']:.1f}",
                age(row["evidence_at"], desk.now),
                None if row["offload_minutes"] is None else f"{row['offload_minutes']:.0f} min",
            )
            for row in found["media"]
        ]
        shown = table(head, rows, right=("FLOOR", "HOURS", "SOAKED", "OFFLOAD"), width=desk.width)
        verdict = "GO" if found["go"] else "NO GO"
        spare = f"{found['media_needed']} media needed, {found['spares']} to spare."
        said = paragraph(f"{verdict}: {found['sentence']} {spare}", width=desk.width)
        return f"{said}\n\n{shown}\n\n{NO_BACKUP}"

    desk.show(found, text)
    if not found["go"]:
        click.get_current_context().exit(NO_GO)


@main.command()
@works_at_a_desk
def kits(desk: Desk) -> None:
    """List the kits and how their media stand."""
    found = desk.collector.get("/v1/kits")
    head = ("KIT", "DRIVES", "FIT", "MARGINAL", "UNFIT", "UNPROVEN", "OLDEST SOAK")

    def text() -> str:
        rows = [
            (
                *(row[name] for name in ("kit", "drives", "fit", "marginal", "unfit", "unproven")),
                day(row["oldest_evidence_at"]),
            )
            for row in found["items"]
        ]
        return table(head, rows, right=head[1:6], width=desk.width) if rows else "No drive belongs to a kit."

    desk.show(found, text)


@main.command()
@works_at_a_desk
def worklist(desk: Desk) -> None:
    """Say what new drives still need from a person."""
    found = desk.collector.get("/v1/worklist")
    head = ("DRIVE", "HOST", "ROLE", "NEEDS", "WRITES", "HOURS")

    def text() -> str:
        if not found["items"]:
            return "Nothing is left to do: every drive has a role and its soak."
        rows = [
            (
                row["called"],
                row["host"],
                row["role"],
                " and ".join(
                    word
                    for word, needed in (("a role", row["needs_role"]), ("a soak", row["needs_soak"]))
                    if needed
                ),
                size(row["soak_bytes"]),
                None if row["soak_hours"] is None else f"{row['soak_hours']:.1f}",
            )
            for row in found["items"]
        ]
        written = size(found["soak_bytes"])
        total = f"{found['drives']} drives, {found['soak_hours']:.1f} h of soaks, {written} written."
        return f"{total}\n\n{table(head, rows, right=('WRITES', 'HOURS'), width=desk.width)}"

    desk.show(found, text)


@main.command()
@click.option("--days", type=click.IntRange(1, 3650), default=365, show_default=True, help="How far ahead.")
@works_at_a_desk
def replacements(desk: Desk, *, days: int) -> None:
    """Say what to have at hand by which month."""
    found = desk.collector.get("/v1/replacements", days=days)

    def text() -> str:
        rows = [
            (month["month"], called(row), row["model"], row["role"], day(row["likely_at"]), _limit(row))
            for month in found["items"]
            for row in month["drives"]
        ]
        if not rows:
            return f"No drive is foreseen to leave its role within {days} days."
        return table(("MONTH", "DRIVE", "MODEL", "ROLE", "LIKELY", "BECAUSE"), rows, width=desk.width)

    desk.show(found, text)


def _limit(row: Document) -> str:
    return str(row["limit"]).replace("_", " ")
