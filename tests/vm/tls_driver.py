"""Runs inside the guest: the collector with a certificate of its own, under its hardened unit by systemd.

It is handed to the guest as a file and run by the guest's own Python; the test judges what it left behind
in seen.json.
"""

import json
import pathlib
import shutil
import subprocess

import requests

URL = "https://127.0.0.1:8460"
ETC = pathlib.Path("/etc/ebbmark")
SHOWN = ("ActiveState", "SubState", "Result", "ExecMainStatus", "StatusText", "MainPID", "NRestarts")
seen: dict = {}


def sh(*argv: str) -> str:
    """Run a program and give its output, with how it ended where that was badly."""
    done = subprocess.run(argv, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        seen.setdefault("ended_badly", []).append([*argv, done.returncode, done.stderr[-500:]])
    return done.stdout + done.stderr


def unit() -> dict:
    """Give what systemd knows of the collector."""
    told = sh(
        "systemctl", "show", "ebbmark-collector", "-p", ",".join((*SHOWN, "WatchdogTimestampMonotonic"))
    )
    return dict(line.split("=", 1) for line in told.splitlines() if "=" in line)


def main() -> None:
    """Install with the extra, give it a key only it may read, start it, ask it over https, stop it."""
    seen["install"] = sh("sh", "bundle/install.sh", "collector", "--extras", "tls")
    for name, mode in (("tls.pem", 0o644), ("tls.key", 0o640)):
        shutil.copyfile(name, ETC / name)
        (ETC / name).chmod(mode)
        shutil.chown(ETC / name, "root", "ebbmark")
    settings = ETC / "collector.toml"
    text = settings.read_text()
    settings.write_text(
        text.replace(
            "[serve]\n",
            '[serve]\nlisten = "0.0.0.0:8460"\ntls_certificate_file = "/etc/ebbmark/tls.pem"\n'
            'tls_key_file = "/etc/ebbmark/tls.key"\n',
            1,
        )
    )
    drop_in = pathlib.Path("/etc/systemd/system/ebbmark-collector.service.d")
    drop_in.mkdir()
    (drop_in / "quick.conf").write_text("[Service]\nWatchdogSec=30\n")
    sh("systemctl", "daemon-reload")
    sh("systemctl", "start", "ebbmark-collector")
    seen["started"] = unit()
    first = pathlib.Path("/run/ebbmark-collector.first-run").read_text()
    token = next(line.split(": ", 1)[1] for line in first.splitlines() if line.startswith("admin token: "))
    for path in ("live", "ready", "v1/fleet"):
        answer = requests.get(
            f"{URL}/{path}", headers={"Authorization": f"Bearer {token}"}, verify="ca.pem", timeout=60
        )
        seen[path] = [answer.status_code, answer.text[:200]]
    seen["threads"] = sh("systemctl", "show", "ebbmark-collector", "-p", "TasksCurrent")
    sh("sleep", "22")  # two signs of life at a third of the deadline each
    seen["later"] = unit()
    sh("systemctl", "stop", "ebbmark-collector")
    seen["stopped"] = unit()


try:
    main()
except Exception as error:  # noqa: BLE001 -- told to the test, which has the journal beside it
    seen["broken_off"] = repr(error)
finally:
    seen["journal"] = sh("journalctl", "-b", "-u", "ebbmark-collector", "--no-pager", "-o", "cat")
    pathlib.Path("seen.json").write_text(json.dumps(seen, indent=1))
