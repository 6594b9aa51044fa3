"""The demonstration from end to end; whatever happens, nothing of it stays behind."""

import contextlib
import logging
import signal
import sys
import tempfile
import threading
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from types import FrameType
from typing import Any

from ebbmark_collector.clock import Clock
from ebbmark_collector.store.sqlite import SqliteStore

from sample_fleet.demo import show
from sample_fleet.demo.api import Api
from sample_fleet.demo.programs import Agent, DemoError, RunningCollector, collector
from sample_fleet.demo.stand_in import StandIn, stand_in
from sample_fleet.diary.days import Diary
from sample_fleet.scoring.replay import ROUND_HOUR, run_rounds, set_up, tag_drives, take_in
from sample_fleet.studio.invent import SMALL, Presence, invent

SEED = 2000
DAYS = 100
TRIES = 4  # on a busy machine a probe gives way, again and again
ROLE = "demo-recorder"
TAG = "DEMO-1"
FORMAT = "prores-422-hq-uhd-29.97"
SHOWN_DRIVES = 14
SHOWN_ALERTS = 8
BASE = Path("/var/tmp")  # noqa: S108 - a loop device's file wants a disk; the folder in it is private


def tour(*, once: bool, folder_only: bool = False) -> None:
    """Give the tour; without `once`, on a terminal, stay until Ctrl-C.

    Args:
        once: End when all is shown.
        folder_only: Make no drive; probe an ordinary folder.

    Raises:
        DemoError: When it cannot go on.
    """
    logging.disable(logging.INFO)
    base = BASE if BASE.is_dir() else Path(tempfile.gettempdir())
    clock = Clock()
    with _ended_by_signals(), contextlib.ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="ebbmark-demo-", dir=base)))
        print("Ebbmark, shown. All of it stays on this machine and is removed at the end.")
        began_s = clock.monotonic_s()
        _play_fleet(folder / "collector", clock)
        running = stack.enter_context(collector(folder / "collector", folder / "collector.log"))
        show.heading(f"2. The collector serves at {running.url}")
        api = Api(running.url, running.admin_token)
        stack.callback(api.close)
        drive = stack.enter_context(stand_in(folder, folder_only=folder_only))
        mine = _probe_for_real(api, Agent(folder), drive, folder, clock.utc())
        _show_fleet(api, mine)
        _show_way_on(running, mine)
        show.line(f"That took {clock.monotonic_s() - began_s:.0f} s.")
        if not once and sys.stdout.isatty():
            show.heading("The collector stays up until Ctrl-C.")
            with contextlib.suppress(KeyboardInterrupt):
                threading.Event().wait()
        print("\nStopping, and removing the drive, the folders and the processes.", flush=True)


@contextlib.contextmanager
def _ended_by_signals() -> Iterator[None]:
    """Let the first Ctrl-C or polite kill end the tour by its clean-up, and no further one disturb that."""
    ending = (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)

    def end(number: int, _frame: FrameType | None) -> None:
        for one in ending:
            signal.signal(one, signal.SIG_IGN)
        raise KeyboardInterrupt(number)

    before = {one: signal.signal(one, end) for one in ending}
    try:
        yield
    finally:
        for one, handler in before.items():
            signal.signal(one, handler)


def _play_fleet(data: Path, clock: Clock) -> None:
    studio = invent(SEED, SMALL)
    fixed = sum(drive.presence is Presence.FIXED for drive in studio.drives)
    show.heading("1. An invented studio")
    show.line(
        f"{len(studio.hosts)} machines, {len(studio.drives)} drives ({fixed} of them fixed), "
        f"{DAYS} days of reports up to yesterday."
    )
    midnight = clock.utc().replace(hour=0, minute=0, second=0, microsecond=0)
    first_day = midnight - timedelta(days=DAYS)
    began_s, count = clock.monotonic_s(), 0
    data.mkdir(mode=0o700)
    store = SqliteStore(data / "collector.db")
    try:
        set_up(store, studio, first_day)
        diary = Diary(studio, first_day=first_day)
        for day in range(DAYS):
            arrivals = diary.next_day()
            count += len(arrivals)
            take_in(store, arrivals)
            if day % 7 == 0:
                tag_drives(store, studio)
            run_rounds(store, first_day + timedelta(days=day, hours=ROUND_HOUR))
        tag_drives(store, studio)
    finally:
        store.close()
    seconds = clock.monotonic_s() - began_s
    show.line(
        f"{count:,} reports went through the collector's own intake and were judged, in {seconds:.0f} s."
    )


def _probe_for_real(api: Api, agent: Agent, drive: StandIn, folder: Path, now: datetime) -> dict[str, Any]:
    show.heading("3. A real agent on this machine")
    show.line(drive.told)
    token_file = folder / "enrol-token"
    token_file.touch(mode=0o600)
    ends_at = (now + timedelta(hours=1)).isoformat()
    made = api.post("/v1/enrol-tokens", {"label": "demonstration", "expires_at": ends_at})
    token_file.write_text(made["token"])
    show.line(agent.must("enrol", "--collector", api.url, "--token-file", str(token_file)))
    agent.must("run", "--one-round")
    mine = _drive_at(api, drive.mount)
    _give_role(api, mine, drive, ends_at)
    _let_it_probe(api, agent, mine, drive)
    return _show_probe(api, mine["drive_id"])


def _real_host(api: Api) -> dict[str, Any]:
    found: dict[str, Any] = api.get("/v1/hosts", sort="-enrolled_at", limit=1)["items"][0]
    return found


def _drive_at(api: Api, mount: Path) -> dict[str, Any]:
    """Find the drive beneath a folder: the longest mount point that leads to it."""
    host = _real_host(api)
    best: tuple[int, dict[str, Any]] | None = None
    for listed in api.get("/v1/drives", host_id=host["host_id"], limit=100)["items"]:
        drive = api.get(f"/v1/drives/{listed['drive_id']}")
        for volume in drive.get("volumes") or ():
            at = volume.get("mount")
            if (
                at
                and (mount == Path(at) or Path(at) in mount.parents)
                and (best is None or len(at) > best[0])
            ):
                best = len(at), drive
    if best is None:
        raise DemoError(f"The agent saw no drive beneath {mount}. `ebbmark-agent drives` shows what it sees.")
    return best[1]


def _give_role(api: Api, mine: dict[str, Any], drive: StandIn, ends_at: str) -> None:
    role = api.put(
        f"/v1/roles/{ROLE}",
        {
            "role": {
                "name": ROLE,
                "label": "UHD recorder of the demonstration",
                "kind": "recorder",
                "streams": [{"format": FORMAT}],
                "headroom": 1.2,
                "buffer_s": 1.0,
                "spot_mbyte": 300,
                "soak_every_days": 30,
            }
        },
    )
    api.post("/v1/assignments", {"matched_by": "asset_tag", "pattern": TAG, "role": ROLE})
    api.patch(f"/v1/drives/{mine['drive_id']}", {"asset_tag": TAG})
    show.line(
        f"The drive has the role {ROLE}: {FORMAT}, {show.rate(role['rate_bytes_per_s'])}, with headroom "
        f"{show.rate(role['demand_bytes_per_s'])}, one second of buffer."
    )
    if drive.is_drive:
        api.patch(f"/v1/hosts/{_real_host(api)['host_id']}", {"probing_enabled": True})
        order = {"kind": "soak", "max_bytes": drive.soak_bytes, "ends_at": ends_at}
        api.post("/v1/probe-orders", {"drive_id": mine["drive_id"], **order})
        show.line(
            f"Probing is turned on for this machine, and a soak of {drive.soak_bytes / 1e9:.1f} GB ordered."
        )


def _let_it_probe(api: Api, agent: Agent, mine: dict[str, Any], drive: StandIn) -> None:
    if drive.is_drive:
        for _ in range(2):  # the first round may only fetch the orders
            agent.must("run", "--one-round")
            if _soak_of(api, mine["drive_id"]):
                return
        show.line(_why_not(api, agent, mine["drive_id"]))
    show.line("It is asked by hand, which is permission enough:")
    by_hand = ("probe", str(drive.mount), "--soak", "--bytes", str(drive.soak_bytes), "--for", FORMAT)
    show.as_typed(agent.command(*by_hand))
    for _ in range(TRIES):
        agent.run(*by_hand)
        agent.must("run", "--one-round")
        if _soak_of(api, mine["drive_id"]):
            return
        show.line("It gave way to something else that used this machine's disks, as it should. Once more.")


def _why_not(api: Api, agent: Agent, drive_id: str) -> str:
    """Say why the agent did not probe by itself: it gave way, or it would not begin."""
    begun = api.get(f"/v1/drives/{drive_id}/probes", kind="soak", limit=1)["items"]
    if begun:
        return (
            f"The agent began and gave way after {begun[0]['bytes_written'] / 1e9:.2f} GB: something else "
            "used this machine's disks."
        )
    said = agent.run("why").stdout.splitlines()
    why = [row.split("refused", 1)[1].strip() for row in said if "refused" in row]
    return "By itself the agent would not probe now. " + " ".join(why)


def _soak_of(api: Api, drive_id: str) -> dict[str, Any] | None:
    query: dict[str, str | int] = {"kind": "soak", "outcome": "completed", "limit": 1}
    found = api.get(f"/v1/drives/{drive_id}/probes", **query)["items"]
    return found[0] if found else None


def _show_probe(api: Api, drive_id: str) -> dict[str, Any]:
    soak = _soak_of(api, drive_id)
    if soak is None:
        raise DemoError(
            f"The agent gave way {TRIES} times: this machine's disks are in use. Try again when they are not."
        )
    back = {True: "read back the same", False: "READ BACK DIFFERENT", None: "not read back"}[
        soak["read_back_ok"]
    ]
    cliff = soak.get("cliff_at_bytes")
    stepped = f", a step down at {cliff / 1e9:.2f} GB" if cliff else ""
    show.line(
        f"The agent wrote {soak['bytes_written'] / 1e9:.2f} GB in {soak['duration_s']:.0f} s, {back}: "
        f"floor {show.rate(soak['floor_bytes_per_s'])}{stepped}."
    )
    mine: dict[str, Any] = api.get(f"/v1/drives/{drive_id}")
    reasons = (mine.get("judgement") or {}).get("reasons") or [{"sentence": "not judged yet"}]
    show.line(f"The collector's word: {mine['standing']}: {reasons[0]['sentence']}")
    return mine


def _show_fleet(api: Api, mine: dict[str, Any]) -> None:
    show.heading("4. The fleet, worst first")
    listed = api.get("/v1/drives", sort="-urgency", limit=SHOWN_DRIVES)["items"]
    show.fleet(listed)
    counts = api.get("/v1/fleet")
    standings = ", ".join(f"{count} {word}" for word, count in counts["standings"].items())
    show.line(f"All {counts['drives']} drives: {standings}.")
    show.heading("5. Open alerts and why")
    alerts = api.get("/v1/alerts", open="true", sort="-severity_order", limit=100)["items"]
    alerts.sort(key=lambda a: a["drive_id"] != mine["drive_id"])
    for found in alerts[:SHOWN_ALERTS]:
        show.alert(api.get(f"/v1/alerts/{found['alert_id']}"))
    if len(alerts) > SHOWN_ALERTS:
        show.line(f"... and {len(alerts) - SHOWN_ALERTS} more at /v1/alerts?open=true")


def _show_way_on(running: RunningCollector, mine: dict[str, Any]) -> None:
    show.heading("6. To look further")
    show.as_typed(f"export TOKEN={running.admin_token}")
    for path in (
        "/v1/fleet",
        "/v1/drives?sort=-urgency&limit=5",
        f"/v1/drives/{mine['drive_id']}",
        f"/v1/drives/{mine['drive_id']}/probes",
        "/v1/alerts?open=true",
        "/v1/worklist",
    ):
        show.as_typed(f"curl -s -H \"Authorization: Bearer $TOKEN\" '{running.url}{path}'")
    show.as_typed(f"curl -s {running.url}/openapi.json")
