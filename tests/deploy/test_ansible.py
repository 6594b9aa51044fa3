"""The Ansible role, run for real over ssh against a host in a network namespace."""

import json
import os
import re
import shutil
import subprocess
import sys
import tarfile
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from tests.rigs.lock import rig_lock
from tests.rigs.wheel import ROOT

SSHD = Path("/usr/sbin/sshd")
CONTROL, TARGET = "10.231.7.1", "10.231.7.2"
PORT = 8461
SETTINGS = {"collector": {"allow_plain_http": True}, "limits": {"quiet_s": 2.5}}
pytestmark = [pytest.mark.rig, pytest.mark.slow, pytest.mark.timeout(600)]


def _missing() -> str | None:
    if os.geteuid() != 0:
        return "network namespaces need root"
    for program in (str(SSHD), "ip", "ssh-keygen", "ssh"):
        if shutil.which(program) is None:
            return f"{program} is not installed (make test installs it where it may)"
    made = subprocess.run(["ip", "netns", "add", f"ebb-try{os.getpid()}"], capture_output=True, check=False)
    if made.returncode != 0:
        return f"no network namespace can be made here: {made.stderr.decode().strip()}"
    subprocess.run(["ip", "netns", "del", f"ebb-try{os.getpid()}"], check=True)
    return None


def _ip(*words: str) -> None:
    subprocess.run(["ip", *words], check=True, capture_output=True)


@contextmanager
def _two_namespaces() -> Iterator[tuple[str, str]]:
    """A control machine and a host, joined by one cable and nothing else."""
    control, host, cable = f"ebb-c{os.getpid()}", f"ebb-h{os.getpid()}", f"ebv{os.getpid() % 100_000}"
    _ip("netns", "add", control)
    _ip("netns", "add", host)
    try:
        _ip(
            "link",
            "add",
            f"{cable}c",
            "netns",
            control,
            "type",
            "veth",
            "peer",
            "name",
            f"{cable}h",
            "netns",
            host,
        )
        for space, address, end in ((control, CONTROL, "c"), (host, TARGET, "h")):
            _ip("-n", space, "addr", "add", f"{address}/30", "dev", f"{cable}{end}")
            _ip("-n", space, "link", "set", "lo", "up")
            _ip("-n", space, "link", "set", f"{cable}{end}", "up")
        yield control, host
    finally:
        _ip("netns", "del", host)
        _ip("netns", "del", control)


@contextmanager
def _sshd(host: str, folder: Path) -> Iterator[None]:
    for name in ("host", "key"):
        subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", str(folder / name)], check=True)
    (folder / "sshd.conf").write_text(
        f"Port 2222\nListenAddress {TARGET}\nHostKey {folder}/host\nAuthorizedKeysFile {folder}/key.pub\n"
        f"StrictModes no\nPidFile {folder}/sshd.pid\nUsePAM no\nPasswordAuthentication no\n"
        "PermitRootLogin prohibit-password\nSubsystem sftp internal-sftp\n"
    )
    Path("/run/sshd").mkdir(exist_ok=True)
    # sshd starts itself anew for each connection: every path must be absolute.
    server = subprocess.Popen(
        [
            "ip",
            "netns",
            "exec",
            host,
            str(SSHD),
            "-D",
            "-f",
            str(folder / "sshd.conf"),
            "-E",
            str(folder / "log"),
        ]
    )
    try:
        yield
    finally:
        server.terminate()
        server.wait(timeout=20)


@contextmanager
def _collector(control: str, folder: Path) -> Iterator[str]:
    """The real collector on the control machine's end of the cable; gives an enrolment token."""
    (folder / "collector.toml").write_text("[serve]\nplain_http_beyond_loopback = true\n")
    program = [sys.executable, "-m", "ebbmark_collector.cli"]
    where = ["--data", str(folder / "data"), "--config", str(folder / "collector.toml")]
    process = subprocess.Popen(
        ["ip", "netns", "exec", control, *program, "serve", *where, "--listen", f"{CONTROL}:{PORT}"],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    try:
        assert process.stdout is not None
        for line in process.stdout:
            if line.startswith("admin token: "):
                (folder / "admin").write_text(line.split()[-1])
            if line.startswith("listening on "):
                break
        made = subprocess.run(
            [*program, "enrol-token", *where, "--machines", "1", "--network", f"{TARGET}/32"],
            capture_output=True,
            text=True,
            check=True,
        )
        yield made.stdout.split()[-1]
    finally:
        process.terminate()
        process.wait(timeout=40)
        assert process.stdout is not None
        process.stdout.close()


@dataclass
class Fleet:
    """The control machine's view: where it may install, and how a run of the playbook goes."""

    control: str
    folder: Path
    token: str
    wheels: Path
    runs: list[dict[str, int]] = field(default_factory=list)

    @property
    def prefix(self) -> Path:
        """Where the agent is installed on the host."""
        return self.folder / "opt" / "ebbmark"

    def play(self, *, version: str, settings: dict[str, Any] | None = None) -> dict[str, int]:
        """Run the playbook and give its recap of the one host."""
        variables: dict[str, Any] = {
            "ebbmark_version": version,
            "ebbmark_bundle": str(_bundle(self.folder, self.wheels)),
            "ebbmark_python": f"{sys.base_prefix}/bin/python3",
            "ebbmark_install_packages": False,
            "ebbmark_prefix": str(self.prefix),
            "ebbmark_settings_dir": str(self.folder / "etc"),
            "ebbmark_state_dir": str(self.folder / "state"),
            "ebbmark_unit_dir": str(self.folder),
            "ebbmark_manage_service": False,  # init here is not systemd; the emulated machine starts the unit
            "ebbmark_enrol_token": self.token,
            "studio_collector_url": f"http://{CONTROL}:{PORT}",
            "studio_agent_settings": settings or SETTINGS,
        }
        (self.folder / "variables.json").write_text(json.dumps(variables))
        (self.folder / "inventory.ini").write_text(
            f"[capture]\ncut-9 ansible_host={TARGET} ansible_port=2222 ansible_user=root "
            f"ansible_python_interpreter={sys.base_prefix}/bin/python3 "
            f"ansible_ssh_private_key_file={self.folder}/key\n"
        )
        done = subprocess.run(
            [
                *(
                    "ip",
                    "netns",
                    "exec",
                    self.control,
                    str(Path(sys.executable).with_name("ansible-playbook")),
                ),
                *("-i", str(self.folder / "inventory.ini"), "-e", f"@{self.folder}/variables.json"),
                str(ROOT / "deploy" / "ansible" / "agents.yml"),
            ],
            capture_output=True,
            text=True,
            check=False,
            env={
                **os.environ,
                "ANSIBLE_HOME": str(self.folder / "ansible"),
                "ANSIBLE_HOST_KEY_CHECKING": "False",
                "ANSIBLE_NOCOLOR": "1",
                "ANSIBLE_PIPELINING": "True",
                "ANSIBLE_SSH_CONTROL_PATH_DIR": str(self.folder / "c"),
                "ANSIBLE_SSH_ARGS": "-F none -o UserKnownHostsFile=/dev/null -o ControlMaster=auto "
                "-o ControlPersist=20",
                "LC_ALL": "C.UTF-8",
            },
        )
        found = re.search(r"cut-9\s+: (.+)", done.stdout)
        assert found is not None, done.stdout[-3000:] + done.stderr[-2000:]
        recap = {key: int(count) for key, count in re.findall(r"(\w+)=(\d+)", found[1])}
        assert recap["failed"] == recap["unreachable"] == 0, done.stdout[-3000:]
        self.runs.append(recap)
        return recap

    def agent(self, *words: str) -> str:
        """Run the installed agent on the host."""
        settings = str(self.folder / "etc" / "agent.toml")
        done = subprocess.run(
            [str(self.prefix / "bin" / "ebbmark-agent"), "--settings", settings, *words],
            capture_output=True,
            text=True,
            check=True,
        )
        return done.stdout


def _bundle(folder: Path, wheels: Path) -> Path:
    """Pack wheels the way an offline bundle holds them."""
    with tarfile.open(folder / "bundle.tar.gz", "w:gz", compresslevel=1) as tar:
        tar.add(wheels, "ebbmark/wheels")
    return folder / "bundle.tar.gz"


def _next_version(wheels: Path, folder: Path) -> str:
    """Build the same tree once more under a later version."""
    for part in ("agent", "collector", "README.md", "LICENSE", "pyproject.toml"):
        source = ROOT / part
        (shutil.copytree if source.is_dir() else shutil.copy)(source, folder / part)
    project = folder / "pyproject.toml"
    project.write_text(
        re.sub(r'^version = ".*"', 'version = "99.1"', project.read_text(), count=1, flags=re.MULTILINE)
    )
    subprocess.run(
        [sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "-w", str(wheels), str(folder)], check=True
    )
    return "99.1"


@pytest.fixture(scope="module")
def fleet() -> Iterator[Fleet]:
    """A control machine with a collector, and a host that ssh reaches; nothing is installed yet."""
    if missing := _missing():
        pytest.skip(missing)
    with rig_lock(), tempfile.TemporaryDirectory(prefix="ebb-ansible-") as name:
        folder = Path(name)
        wheels = folder / "wheels"
        subprocess.run([sys.executable, "-m", "pip", "wheel", "-q", "-w", str(wheels), str(ROOT)], check=True)
        with (
            _two_namespaces() as (control, host),
            _sshd(host, folder),
            _collector(control, folder) as token,
        ):
            yield Fleet(control=control, folder=folder, token=token, wheels=wheels)


@pytest.fixture(scope="module")
def version(fleet: Fleet) -> str:
    """The version of this tree."""
    return next(fleet.wheels.glob("ebbmark-*.whl")).name.split("-")[1]


@pytest.fixture(scope="module")
def installed(fleet: Fleet, version: str) -> Fleet:
    """The fleet after a first run."""
    fleet.play(version=version)
    return fleet


def _hosts(fleet: Fleet) -> list[dict[str, Any]]:
    script = (
        "import requests, sys; print(requests.get(sys.argv[1], timeout=20, "
        "headers={'Authorization': 'Bearer ' + open(sys.argv[2]).read()}).text)"
    )
    asked = subprocess.run(
        [
            *("ip", "netns", "exec", fleet.control, sys.executable, "-c", script),
            *(f"http://{CONTROL}:{PORT}/v1/hosts", str(fleet.folder / "admin")),
        ],
        capture_output=True,
        text=True,
        check=True,
    )
    items: list[dict[str, Any]] = json.loads(asked.stdout)["items"]
    return items


def test_a_first_run_installs_and_enrols(installed: Fleet, version: str) -> None:
    """After one run the agent is there with its settings and unit, and the collector knows the host."""
    unit = (installed.folder / "ebbmark-agent.service").read_text()

    assert installed.runs[0]["changed"] > 0
    assert installed.agent("--version").split()[-1] == version
    assert "quiet_s = 2.5" in installed.agent("show-config")
    assert f"ExecStart={installed.prefix}/bin/ebbmark-agent run" in unit
    assert f"EBBMARK_SETTINGS={installed.folder}/etc/agent.toml" in unit
    assert [host["name"] for host in _hosts(installed)] == ["cut-9"]
    assert (installed.folder / "state" / "token").stat().st_mode & 0o777 == 0o600


def test_a_second_run_changes_nothing(installed: Fleet, version: str) -> None:
    """The same playbook again reports no change at all."""
    assert installed.play(version=version)["changed"] == 0


def test_another_version_upgrades_and_goes_back(installed: Fleet, version: str, tmp_path: Path) -> None:
    """Naming a later version installs it, the host stays enrolled as it was; naming the earlier goes back."""
    token = (installed.folder / "state" / "token").read_text()
    later = _next_version(installed.wheels, tmp_path)
    upgraded = installed.play(version=later)

    assert upgraded["changed"] > 0
    assert installed.agent("--version").split()[-1] == later
    assert (installed.folder / "state" / "token").read_text() == token
    assert len(_hosts(installed)) == 1
    installed.play(version=version)
    assert installed.agent("--version").split()[-1] == version


def test_no_secret_is_left_on_the_host_or_in_what_was_said(installed: Fleet) -> None:
    """The enrolment token stands in no file that the role wrote."""
    for place in ("etc", "state", "opt"):
        for path in (installed.folder / place).rglob("*"):
            if path.is_file() and path.suffix in {".toml", ".service", ".json", ".cfg", ""}:
                assert installed.token.encode() not in path.read_bytes(), path


def test_settings_with_a_fault_never_replace_good_ones(installed: Fleet, version: str) -> None:
    """A misspelt setting fails the run at the check, and the settings in force stay as they were."""
    before = (installed.folder / "etc" / "agent.toml").read_text()

    with pytest.raises(AssertionError, match="no such setting"):
        installed.play(version=version, settings={**SETTINGS, "limits": {"quite_s": 2.5}})
    assert (installed.folder / "etc" / "agent.toml").read_text() == before
