"""Runs inside the guest: installs, starts and troubles the services under a real systemd.

It is handed to the guest as a file and run by the guest's own Python; the test judges what it left behind
in seen.json.
"""

import json
import os
import pathlib
import signal
import subprocess
import sys
import time

import requests

DATA = "/var/lib/ebbmark-collector"
URL = "http://127.0.0.1:8460"
AS_COLLECTOR = ["runuser", "-u", "ebbmark", "--", "/opt/ebbmark/bin/ebbmark-collector"]
SHOWN = ("ActiveState", "SubState", "Result", "NRestarts", "MainPID", "StatusText", "ExecMainStatus")
seen: dict = {"marks": {}}


def mark(name: str) -> None:
    """Note how long after the start of the machine something was done."""
    seen["marks"][name] = round(time.monotonic(), 1)
    pathlib.Path("seen.json").write_text(json.dumps(seen, indent=1))


def sh(*argv: str, check: bool = True) -> str:
    """Run a program and give its output; complain with all it said."""
    done = subprocess.run(argv, capture_output=True, text=True, check=False)
    if check and done.returncode != 0:
        print(argv, done.returncode, done.stdout, done.stderr, flush=True)
        seen.setdefault("failed", []).append([*argv, done.returncode, done.stderr[-500:]])
    return done.stdout + done.stderr


def unit(name: str) -> dict:
    """Give what systemd knows of a unit."""
    more = ("ActiveEnterTimestampMonotonic", "WatchdogTimestampMonotonic", "ExecMainStartTimestampMonotonic")
    told = sh("systemctl", "show", name, "-p", ",".join((*SHOWN, *more)))
    return dict(line.split("=", 1) for line in told.splitlines() if "=" in line)


def until(what: str, look, within_s: float = 300.0, every_s: float = 0.5):
    """Look again and again until there is something, or give up and note it."""
    deadline = time.monotonic() + within_s
    while time.monotonic() < deadline:
        found = look()
        if found:
            return found
        time.sleep(every_s)
    seen.setdefault("failed", []).append(f"waited in vain for {what}")
    mark(f"gave up on {what}")
    return None


last_jump_s = 0.0


def jump(seconds: int) -> None:
    """Set the clock on: the agent looks at all its jobs anew, so the test need not wait for its cadence.

    Each jump puts them off by up to a minute times their place, so one is let pass before the next.
    """
    global last_jump_s  # noqa: PLW0603
    if time.monotonic() - last_jump_s < 13.0:
        return
    last_jump_s = time.monotonic()
    time.clock_settime(time.CLOCK_REALTIME, time.clock_gettime(time.CLOCK_REALTIME) + seconds)


def install() -> None:
    """Install both services from a bundle and set what this machine's owner would set."""
    seen["install"] = sh("sh", "bundle/install.sh", "both")
    settings = pathlib.Path("/etc/ebbmark/agent.toml")
    text = settings.read_text()
    for key, value in {
        "writes_allowed": "true",
        "probe_hours": '["00:00-24:00"]',
        "quiet_s": "2.0",
        "min_free_bytes": "100000000",
        "min_free_share": "0.01",
        "send_paths": "true",
    }.items():
        lines = [f"{key} = {value}" if line.startswith(f"# {key} = ") else line for line in text.splitlines()]
        text = "\n".join(lines) + "\n"
    settings.write_text(text)
    for name, quick in (
        ("ebbmark-agent", "RestartSec=1"),
        ("ebbmark-collector", "RestartSec=1\nWatchdogSec=15"),
    ):
        folder = pathlib.Path(f"/etc/systemd/system/{name}.service.d")
        folder.mkdir()
        (folder / "quick.conf").write_text(f"[Service]\n{quick}\n")
    sh("systemctl", "daemon-reload")
    mark("installed")


def start_collector() -> requests.Session:
    """Start the collector and speak to it with the token of its first run."""
    sh("systemctl", "enable", "--now", "ebbmark-collector")
    seen["collector"] = unit("ebbmark-collector")
    mark("collector ready")
    first_run = pathlib.Path("/run/ebbmark-collector.first-run")
    seen["first_run_mode"] = f"{first_run.stat().st_mode & 0o777:o} {first_run.stat().st_uid}"
    token = next(
        line.split(": ", 1)[1]
        for line in first_run.read_text().splitlines()
        if line.startswith("admin token: ")
    )
    seen["token_in_journal"] = token in sh("journalctl", "-b", "--no-pager", "-o", "cat")
    session = requests.Session()
    session.headers["Authorization"] = f"Bearer {token}"
    for serial in ("RIGNVME0001", "RIGSATA0001"):
        made = session.post(
            f"{URL}/v1/assignments",
            json={"matched_by": "serial", "pattern": serial, "role": "proxy-recorder"},
            timeout=30,
        )
        if made.status_code != 201:
            seen.setdefault("failed", []).append(made.text)
    return session


def enrol() -> None:
    """Enrol with a token that is good for one machine of this network, where everything else may be slow."""
    told = sh(*AS_COLLECTOR, "enrol-token", "--data", DATA, "--machines", "1", "--network", "127.0.0.0/8")
    pathlib.Path("/root/enrol").write_text(told.split("enrol token: ", 1)[1].split()[0])
    early_place()
    seen["enrol"] = sh(
        "/opt/ebbmark/bin/ebbmark-agent", "enrol", "--collector", URL, "--token-file", "/root/enrol"
    )
    mark("enrolled")


def early_place() -> None:
    """Give this host an early place among all, or it would wait up to five minutes for its turn."""
    import secrets

    from ebbmark_agent.consent.cadence import phase_of
    from ebbmark_agent.database import AgentDatabase
    from ebbmark_agent.memory import Memory

    def place(key: str, what: str) -> float:
        return phase_of(f"{key}/{what}")

    while True:
        key = secrets.token_urlsafe(24)
        if place(key, "talk") < 0.04 and place(key, "health") < 0.03 and 0.08 < place(key, "probe") < 0.12:
            break
    database = AgentDatabase(pathlib.Path("/var/lib/ebbmark-agent/agent.db"))
    Memory(database).machine_key()
    with database.transaction() as db:
        db.execute("UPDATE document SET body = ? WHERE name = 'machine_key'", [key])


def drives(session: requests.Session) -> dict:
    """Give the collector's drives by serial."""
    listed = session.get(f"{URL}/v1/drives", timeout=30).json().get("items", [])
    return {drive["serial"]: drive for drive in listed if drive["serial"]}


def health(session: requests.Session) -> dict | None:
    """Give the health of both drives once the collector has it; turn the clock on meanwhile."""
    told = {}
    for serial, drive in drives(session).items():
        days = session.get(f"{URL}/v1/drives/{drive['drive_id']}/health", timeout=30).json()
        if days.get("items"):
            told[serial] = days["items"][0]
    if {"RIGNVME0001", "RIGSATA0001"} <= set(told):
        return told
    jump(1000)  # a fleet's first readings are spread over a quarter of an hour
    return None


def probes(session: requests.Session) -> dict | None:
    """Give a probe of each drive once the collector has them; turn the clock on meanwhile."""
    told = {}
    for serial, drive in drives(session).items():
        listed = session.get(f"{URL}/v1/drives/{drive['drive_id']}/probes", timeout=30).json()
        if listed.get("items"):
            told[serial] = listed["items"][0]
    if {"RIGNVME0001", "RIGSATA0001"} <= set(told):
        return told
    jump(30)
    return None


def host(session: requests.Session) -> dict:
    """Give the one host."""
    hosts = session.get(f"{URL}/v1/hosts", timeout=30).json()["items"]
    return session.get(f"{URL}/v1/hosts/{hosts[0]['host_id']}", timeout=30).json()


def refused_for_open_file(session: requests.Session) -> list | None:
    """Give what the agent says of a volume on which another user has a file open for writing."""
    status = host(session)["status"] or {}
    codes = [
        refusal["code"] for consent in status.get("consents", []) for refusal in consent.get("refusals", [])
    ]
    if "open_writers" in codes:
        return codes
    jump(30)
    return None


def run_agent(session: requests.Session) -> None:
    """Start the agent; see health arrive, then probes of volumes mounted before and after."""
    sh("systemctl", "enable", "--now", "ebbmark-agent")
    seen["agent"] = unit("ebbmark-agent")
    mark("agent ready")
    pathlib.Path("/media/shuttle").mkdir()
    sh("mount", "/dev/sda", "/media/shuttle")
    pathlib.Path("/media/shuttle").chmod(0o777)
    seen["health"] = until("health of both drives", lambda: health(session))
    mark("health")
    holder = subprocess.Popen(
        [
            "setpriv",
            "--reuid=65534",
            "--clear-groups",
            "sh",
            "-c",
            "exec 9>/media/shuttle/take.mov; echo x >&9; exec sleep 900",
        ]
    )
    host_id = host(session)["host_id"]
    session.patch(
        f"{URL}/v1/hosts/{host_id}",
        json={"probing_enabled": True},
        headers={"If-Match": "*"},
        timeout=30,
    )
    jump(1000)
    seen["open_writers"] = until(
        "the open file to be told", lambda: refused_for_open_file(session), every_s=2.0
    )
    mark("open file told")
    holder.kill()
    holder.wait()
    pathlib.Path("/media/shuttle/take.mov").unlink()
    seen["probes"] = until("a probe of each drive", lambda: probes(session), within_s=600, every_s=2.0)
    seen["agent_later"] = unit("ebbmark-agent")
    mark("probes")
    seen["left_on_volumes"] = [
        str(path)
        for mount in ("/mnt/scratch", "/media/shuttle")
        for path in pathlib.Path(mount).rglob("*")
        if path.name != "lost+found"
    ]


def back(name: str, before: dict) -> dict | None:
    """Give a unit that runs again as another process, or nothing yet."""
    told = unit(name)
    return told if told["ActiveState"] == "active" and told["MainPID"] != before["MainPID"] else None


def trouble() -> None:
    """Kill the agent and freeze the collector, see both come back, then stop both as an admin would."""
    killed, frozen = unit("ebbmark-agent"), unit("ebbmark-collector")
    os.kill(int(killed["MainPID"]), signal.SIGKILL)
    os.kill(int(frozen["MainPID"]), signal.SIGSTOP)
    seen["killed"] = [killed, until("the agent to be back", lambda: back("ebbmark-agent", killed))]
    seen["frozen"] = [frozen, until("the collector to be back", lambda: back("ebbmark-collector", frozen))]
    mark("both back")
    for name in ("ebbmark-agent", "ebbmark-collector"):
        begin = time.monotonic()
        sh("systemctl", "stop", name)
        seen[f"{name} stopped"] = {**unit(name), "took_s": round(time.monotonic() - begin, 1)}
    seen["agent_journal"] = sh("journalctl", "-b", "-u", "ebbmark-agent", "--no-pager", "-o", "cat")
    seen["collector_journal"] = sh("journalctl", "-b", "-u", "ebbmark-collector", "--no-pager", "-o", "cat")
    mark("stopped")


def uninstall() -> None:
    """Take it all off and look for what stayed."""
    seen["uninstall"] = sh("sh", "bundle/uninstall.sh")
    found = sh("find", "/", "-xdev", "-iname", "*ebbmark*", "-not", "-path", "/proc/*", check=False)
    seen["left"] = sorted(line for line in found.splitlines() if line)
    for place in ("/run", "/etc", "/var", "/media/shuttle", "/mnt/scratch"):
        found = sh("find", place, "-xdev", "-iname", "*ebbmark*", "-not", "-path", "/run/host/*", check=False)
        seen["left"] += [line for line in found.splitlines() if line]
    seen["units_left"] = sh("systemctl", "list-units", "--all", "--no-legend", "ebbmark*")
    seen["user_left"] = sh("getent", "passwd", "ebbmark", check=False)
    mark("uninstalled")


def main() -> None:
    """Do it all, whatever goes wrong on the way."""
    mark("begin")
    sh("mkfs.ext4", "-q", "-F", "-E", "nodiscard", "/dev/nvme0n1")
    sh("mkfs.ext4", "-q", "-F", "-E", "nodiscard", "/dev/sda")
    pathlib.Path("/mnt/scratch").mkdir()
    sh("mount", "/dev/nvme0n1", "/mnt/scratch")
    install()
    session = start_collector()
    enrol()
    run_agent(session)
    trouble()
    uninstall()


try:
    main()
except Exception as error:  # noqa: BLE001 - the test shows it with all that was seen
    seen.setdefault("failed", []).append(repr(error))
    mark("broken off")
    print(sh("journalctl", "-b", "--no-pager", "-n", "80"))
    sys.exit(1)
