"""Stores on both engines, a clock the test sets, and an application on them."""

import itertools
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import psycopg
import pytest
from ebbmark_collector.clock import Clock
from ebbmark_collector.http import auth
from ebbmark_collector.http.app import create_app
from ebbmark_collector.http.operation import Scope, Services
from ebbmark_collector.settings import Settings
from ebbmark_collector.store import Store, hosts
from ebbmark_collector.store.sqlite import SqliteStore
from flask import Flask
from flask.testing import FlaskClient

from tests.collector import postgres_server

NOON = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
_numbers = itertools.count(1)


@dataclass
class SetClock:
    """A clock that stands where the test puts it."""

    now: datetime = NOON
    passed_s: float = 0.0

    def go_on(self, **span: float) -> datetime:
        """Let time pass, as `timedelta` says it."""
        self.now += timedelta(**span)
        self.passed_s += timedelta(**span).total_seconds()
        return self.now

    def clock(self) -> Clock:
        """Give it as the collector takes it."""
        return Clock(utc=lambda: self.now, monotonic_s=lambda: self.passed_s)


@pytest.fixture(scope="session")
def postgres_dsn() -> Iterator[str]:
    """A running PostgreSQL server of this session's own."""
    if not postgres_server.PROGRAMS:
        if os.environ.get("CI"):
            pytest.fail("PostgreSQL's server programs are missing; here its tests must run, not skip")
        pytest.skip("PostgreSQL's server programs are not installed (Debian: apt-get install postgresql)")
    # Of this session alone: another session that runs beside this one must not sweep it away.
    folder = Path(tempfile.mkdtemp(prefix="ebbmark-pg-"))
    folder.chmod(0o755)
    try:
        with postgres_server.running(folder) as dsn:
            yield dsn
    finally:
        shutil.rmtree(folder, ignore_errors=True)


@pytest.fixture(scope="session")
def postgres_template(postgres_dsn: str) -> str:
    """A database with the schema in it, to be copied."""
    from ebbmark_collector.store.postgres import PostgresStore

    with psycopg.connect(postgres_dsn, autocommit=True) as conn:
        conn.execute("CREATE DATABASE template_ebbmark")
    PostgresStore(postgres_dsn.replace("dbname=postgres", "dbname=template_ebbmark"), pool=1).close()
    return "template_ebbmark"


@pytest.fixture
def new_postgres(postgres_dsn: str, postgres_template: str) -> Callable[[], str]:
    """Makes fresh databases and gives their connection strings."""

    def make() -> str:
        name = f"ebbmark_{next(_numbers)}"
        with psycopg.connect(postgres_dsn, autocommit=True) as conn:
            for _ in range(50):
                try:
                    conn.execute(f"CREATE DATABASE {name} TEMPLATE {postgres_template}")
                    break
                except psycopg.errors.ObjectInUse:  # the server looks after the template now and then
                    postgres_server.with_pause(0.1)
        return postgres_dsn.replace("dbname=postgres", f"dbname={name}")

    return make


@pytest.fixture
def sqlite_store(tmp_path: Path) -> Iterator[SqliteStore]:
    """A fresh SQLite store."""
    store = SqliteStore(tmp_path / "collector.db")
    yield store
    store.close()


@pytest.fixture(params=["sqlite", pytest.param("postgresql", marks=pytest.mark.postgres)])
def store(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Store]:
    """A fresh store, once on each engine."""
    made: Store
    if request.param == "sqlite":
        made = SqliteStore(tmp_path / "collector.db")
    else:
        from ebbmark_collector.store.postgres import PostgresStore

        made = PostgresStore(request.getfixturevalue("new_postgres")(), pool=12)
    yield made
    made.close()


@dataclass
class Api:
    """An application with a token of each scope, and a host that is enrolled."""

    app: Flask
    store: Store
    time: SetClock
    host_id: str
    tokens: dict[str, str] = field(default_factory=dict)

    def client(self, scope: str | None = "admin") -> FlaskClient:
        """Give a client that shows a token of this scope, or none."""
        client = self.app.test_client()
        if scope is not None:
            client.environ_base["HTTP_AUTHORIZATION"] = f"Bearer {self.tokens[scope]}"
        return client


@pytest.fixture
def time() -> SetClock:
    """A clock at noon."""
    return SetClock()


def make_api(store: Store, time: SetClock, settings: Settings | None = None) -> Api:
    """Put an application on a store."""
    app = create_app(Services(store=store, clock=time.clock(), settings=settings or Settings()))
    host_id = "host-1"
    api = Api(app=app, store=store, time=time, host_id=host_id)
    store.write(
        lambda tx: hosts.add_host(
            tx, host_id=host_id, name="cut-1", system="Linux", machine_key="mk-00000001", now_ms=0
        )
    )
    for scope in Scope:
        api.tokens[scope.value] = store.write(
            lambda tx, scope=scope: auth.issue(
                tx,
                scope=scope,
                label=f"test {scope}",
                created_by="test",
                now=time.now,
                host_id=host_id if scope is Scope.AGENT else None,
            )
        )[1]
    return api


@pytest.fixture
def api(sqlite_store: SqliteStore, time: SetClock) -> Api:
    """An application on a fresh SQLite store."""
    return make_api(sqlite_store, time)
