"""The collector's commands."""

import json
import os
import sys
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path

import click

from ebbmark_collector import logs, tls
from ebbmark_collector.clock import Clock
from ebbmark_collector.errors import CollectorError
from ebbmark_collector.http import auth
from ebbmark_collector.http.app import create_app
from ebbmark_collector.http.operation import Scope, Services
from ebbmark_collector.http.pressure import waiting_requests
from ebbmark_collector.intake import house
from ebbmark_collector.rounds import Rounds, open_post
from ebbmark_collector.sd_notify import ServiceManager
from ebbmark_collector.server import Server, check_listen
from ebbmark_collector.settings import load
from ebbmark_collector.store import Store, Tx, access, keeping, to_ms
from ebbmark_collector.store.ids import new_id
from ebbmark_collector.store.opening import DATABASE, open_store
from ebbmark_collector.store.sqlite import SqliteStore


class _Commands(click.Group):
    """Turns our errors into a sentence and an exit code instead of a traceback."""

    def invoke(self, ctx: click.Context) -> object:
        """Run the command."""
        try:
            return super().invoke(ctx)
        except CollectorError as error:
            click.echo(f"ebbmark-collector: {error.sentence}", err=True)
            sys.exit(20)


data_option = click.option(
    "--data",
    type=click.Path(file_okay=False, path_type=Path),
    required=True,
    help="The folder that holds the database.",
)
config_option = click.option(
    "--config",
    "config_path",
    type=click.Path(dir_okay=False, path_type=Path),
    help="A TOML file; without it the defaults hold.",
)


@click.group(cls=_Commands)
@click.version_option(package_name="ebbmark")
def main() -> None:
    """Take in reports, judge drives against their roles, and alert before a take is lost."""


def _note(tx: Tx, now: datetime, *, who: str, action: str, subject: str, detail: dict[str, object]) -> None:
    """Write what is done here into the audit log, as what is done over the API."""
    access.add_audit(
        tx,
        audit_id=new_id(now),
        at_ms=to_ms(now),
        who=who,
        action=action,
        subject=subject,
        detail_json=json.dumps(detail),
    )


def _first_admin(store: Store, clock: Clock) -> str | None:
    def job(tx: Tx) -> str | None:
        if access.has_admin(tx):
            return None
        now = clock.utc()
        token_id, text = auth.issue(tx, scope=Scope.ADMIN, label="first run", created_by="first run", now=now)
        _note(tx, now, who="first run", action="token.add", subject=token_id, detail={"scope": "admin"})
        return text

    return store.write(job)


def _serve_tls(server: tls.TlsServer, store: Store, clock: Clock, rounds: Rounds) -> None:
    token = _first_admin(store, clock)
    if token is not None:
        click.echo(f"admin token: {token}")

    def listening(address: str) -> None:
        click.echo(f"listening on {address}")
        sys.stdout.flush()

    rounds.start()
    try:
        server.run(manager=ServiceManager(os.environ), listening=listening)
    finally:
        rounds.stop()


@main.command()
@data_option
@config_option
@click.option("--listen", help="HOST:PORT; wins over the configuration.")
@click.option("--verbose", is_flag=True, help="Log every request.")
def serve(data: Path, config_path: Path | None, listen: str | None, verbose: bool) -> None:
    """Serve the API until told to stop. The first run prints an admin token, once."""
    logs.set_up(verbose=verbose)
    settings = load(config_path)
    if listen is not None:
        settings = settings.model_copy(update={"serve": settings.serve.model_copy(update={"listen": listen})})
    check_listen(settings.serve)
    https = tls.TlsServer(settings, data=data, verbose=verbose) if tls.asked_for(settings.serve) else None
    clock = Clock()
    post = open_post(settings.notify)
    house_formats = house.read_formats(settings.house.formats_file)
    store = open_store(data, settings)
    try:
        house.put_in_force(store, house_formats, clock.utc())
        if https is not None:
            _serve_tls(https, store, clock, Rounds(store, clock, settings, post))
            return
        services = Services(store=store, clock=clock, settings=settings)
        app = create_app(services)
        server = Server(app, settings.serve)
        server.on_signals()  # before anybody is told that it listens
        token = _first_admin(store, clock)
        if token is not None:
            click.echo(f"admin token: {token}")
        for host, port in server.addresses:
            click.echo(f"listening on http://{f'[{host}]' if ':' in host else host}:{port}")
        sys.stdout.flush()
        rounds = Rounds(store, clock, settings, post, waiting=partial(waiting_requests, app))
        rounds.start()
        try:
            server.run(now_s=clock.monotonic_s, manager=ServiceManager(os.environ))
        finally:
            rounds.stop()
    finally:
        store.close()


@main.command()
@data_option
@config_option
@click.option("--scope", type=click.Choice(["viewer", "admin"]), default="viewer", show_default=True)
@click.option("--label", required=True, help="Who or what it is for.")
@click.option("--days", type=click.IntRange(1, 3650), help="How long it is good; for ever if left out.")
def token(data: Path, config_path: Path | None, scope: str, label: str, days: int | None) -> None:
    """Make a token for a person or a program and print it, once."""
    settings, clock = load(config_path), Clock()
    store = open_store(data, settings)
    try:
        now = clock.utc()
        expires_at = now + timedelta(days=days) if days else None

        def job(tx: Tx) -> str:
            token_id, text = auth.issue(
                tx, scope=Scope(scope), label=label, created_by="command line", now=now, expires_at=expires_at
            )
            detail: dict[str, object] = {"scope": scope, "label": label}
            _note(tx, now, who="command line", action="token.add", subject=token_id, detail=detail)
            return text

        text = store.write(job)
    finally:
        store.close()
    click.echo(f"{scope} token: {text}")


@main.command("enrol-token")
@data_option
@config_option
@click.option("--label", default="command line", show_default=True)
@click.option("--machines", type=click.IntRange(1, 10_000), default=1, show_default=True)
@click.option("--hours", type=click.IntRange(1, 24 * 90), default=24, show_default=True)
@click.option("--network", help="Only from here, as in 10.20.0.0/16.")
@click.option("--approve", is_flag=True, help="Each machine waits for an admin.")
def enrol_token(
    *,
    data: Path,
    config_path: Path | None,
    label: str,
    machines: int,
    hours: int,
    network: str | None,
    approve: bool,
) -> None:
    """Make an enrolment token for some machines and print it, once."""
    settings, clock = load(config_path), Clock()
    store = open_store(data, settings)
    try:
        now = clock.utc()

        def job(tx: Tx) -> str:
            token_id, text = auth.issue_enrol_token(
                tx,
                label=label,
                created_by="command line",
                now=now,
                quota=machines,
                expires_at=now + timedelta(hours=hours),
                network=network,
                approval_needed=approve,
            )
            detail: dict[str, object] = {"label": label, "quota": machines, "network": network}
            _note(tx, now, who="command line", action="enrol_token.add", subject=token_id, detail=detail)
            return text

        text = store.write(job)
    finally:
        store.close()
    click.echo(f"enrol token: {text}")


@main.command()
@data_option
@click.argument("target", type=click.Path(dir_okay=False, path_type=Path))
def backup(data: Path, target: Path) -> None:
    """Copy the SQLite database to TARGET while the collector runs, and verify the copy."""
    size = keeping.back_up(data / DATABASE, target)
    click.echo(f"{target}: {size} bytes, verified.")


@main.command()
@data_option
@click.argument("source", type=click.Path(dir_okay=False, path_type=Path))
@click.option("--replace", is_flag=True, help="Set the present database aside and restore over it.")
def restore(data: Path, source: Path, replace: bool) -> None:
    """Verify the backup SOURCE and put it in the database's place. Stop the collector first."""
    keeping.restore(source, data / DATABASE, replace=replace)
    click.echo(f"{data / DATABASE} is restored from {source}, verified.")


@main.command()
@data_option
@click.option(
    "--to", "dsn", required=True, help="A PostgreSQL connection string; its database must be empty."
)
def move(data: Path, dsn: str) -> None:
    """Copy the SQLite database into PostgreSQL and compare every table. Stop the collector first."""
    from ebbmark_collector.store.postgres import PostgresStore

    source = SqliteStore(data / DATABASE)
    target = PostgresStore(dsn, pool=2)
    try:
        moved = keeping.move(source, target)
    finally:
        source.close()
        target.close()
    for table, rows in moved.items():
        click.echo(f"{table}: {rows}")
    click.echo(
        "Every table arrived whole. Set store.postgresql in the configuration and start the collector."
    )


@main.command("show-config")
@config_option
def show_config(config_path: Path | None) -> None:
    """Show every setting in force, with where secrets lie but never the secrets."""
    shown = load(config_path).model_dump(mode="json")
    if shown["store"]["postgresql"]:
        shown["store"]["postgresql"] = "(set)"
    click.echo(json.dumps(shown, indent=2))


@main.command()
@config_option
def validate(config_path: Path | None) -> None:
    """Check a configuration and tell every fault in it."""
    settings = load(config_path)
    check_listen(settings.serve)
    if tls.asked_for(settings.serve):
        tls.check_certificate(settings.serve)
    open_post(settings.notify)
    house.read_formats(settings.house.formats_file)
    click.echo("The configuration is good.")


if __name__ == "__main__":
    main()
