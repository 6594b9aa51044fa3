"""The power goes in the middle of a probe, and the machine starts again with the same drives."""

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from tests.rigs.guest import Control, GuestRun, run_guest
from tests.vm.test_guest_consent import ORDERS, SETTINGS

pytestmark = pytest.mark.vm

PLANNED_BYTES = 1_500_000_000

FIND = r"""
modprobe exfat
export EBBMARK_SETTINGS=/run/host/agent.toml EBBMARK_STATE_DIR=/mnt/keep/state
named() { for c in /sys/class/nvme/nvme*; do grep -q "$1" $c/serial && echo $(basename $c)n1; done; }
probes() { find $1 -name 'probe-*' -type f | wc -l; }
KEEP=$(named RIGKEEP01); LOSS=$(named RIGLOSS01); mkdir -p /mnt/keep /mnt/loss; udevadm settle
"""

FIRST = (
    FIND
    + rf"""
mkfs.ext4 -q -F -E nodiscard,lazy_itable_init=0,lazy_journal_init=0 /dev/$KEEP; mkfs.exfat /dev/$LOSS >/dev/null
mount /dev/$KEEP /mnt/keep; mount /dev/$LOSS /mnt/loss; udevadm settle
python orders.py /mnt/loss
ebbmark-agent next-report >waiting.ndjson
echo "== probing"
sync; echo free $(stat -f -c %a /mnt/loss)
B0=$(written $LOSS)
ebbmark-agent probe /mnt/loss --bytes {PLANNED_BYTES} --json >probe.json 2>probe.err &
until_written $LOSS $B0 150000000 $!; sync -f /mnt/loss; echo named $(probes /mnt/loss)
ask power
"""
)

SECOND = (
    FIND
    + r"""
mount /dev/$KEEP /mnt/keep; mount /dev/$LOSS /mnt/loss; udevadm settle
echo "== start"
echo found $(probes /mnt/loss) free $(stat -f -c %a /mnt/loss)
# The power may also go between the file's creation and the loss of its name, a matter of microseconds.
python - <<'PY'
from pathlib import Path
from ebbmark_agent.platforms import PROBE_FOLDER
place = Path("/mnt/loss") / PROBE_FOLDER
place.mkdir(mode=0o700)
(place / "probe-0123abcd").write_bytes(b"x" * 4096)
PY
ebbmark-agent run --one-round 2>round.log; echo round rc $?
echo left $(find /mnt/loss -mindepth 1 | wc -l)
ebbmark-agent next-report >waiting.ndjson
python - >spent.json <<'PY'
import json
from pathlib import Path
from ebbmark_agent.database import AgentDatabase
database = AgentDatabase(Path("/mnt/keep/state/agent.db"))
with database.transaction() as db:
    print(json.dumps(db.execute("SELECT kind, written_bytes FROM spending").fetchall()))
PY
sync; echo "== again"
echo free $(stat -f -c %a /mnt/keep)
B0=$(written $KEEP)
ebbmark-agent probe /mnt/keep --bytes 800000000 --json >probe.json 2>probe.err &
until_written $KEEP $B0 150000000 $!; sync -f /mnt/keep; echo named $(probes /mnt/keep)
ask power
"""
)

THIRD = (
    FIND
    + r"""
mount /dev/$KEEP /mnt/keep; udevadm settle
echo "== start"
sync -f /mnt/keep; echo free $(stat -f -c %a /mnt/keep) named $(probes /mnt/keep)
ebbmark-agent next-report >waiting.ndjson; echo rc $?
"""
)


def _power_off(control: Control) -> object:
    """Stop the machine at once: nothing that only its memory holds reaches a drive."""
    return control("quit")


@pytest.fixture(scope="module")
def told(guest: None, tmp_path_factory: pytest.TempPathFactory) -> Sequence[GuestRun]:
    """Three starts of one machine; the power goes in the middle of a probe in the first two."""
    folder = tmp_path_factory.mktemp("power")
    extra = []
    for name, serial in (("keep", "RIGKEEP01"), ("loss", "RIGLOSS01")):
        with (folder / f"{name}.img").open("wb") as disk:
            disk.truncate(3 << 30)
        limit = "throttling.bps-write=60000000"
        extra += ["-drive", f"file={folder}/{name}.img,if=none,id={name},format=raw,cache=none,{limit}"]
        extra += ["-device", f"nvme,drive={name},serial={serial}"]
    runs = []
    for number, job in enumerate((FIRST, SECOND, THIRD)):
        own = folder / f"start{number}"
        own.mkdir()
        runs.append(
            run_guest(
                own,
                job,
                extra=extra,
                answers={"power": _power_off},
                files={"agent.toml": SETTINGS, "orders.py": ORDERS.encode()},
            )
        )
    return runs


def _reports(run: GuestRun) -> dict[str, dict[str, Any]]:
    lines = (Path(run.folder) / "waiting.ndjson").read_text().splitlines()
    return {report["report_id"]: report for line in lines if (report := json.loads(line))}


def test_the_power_went_in_the_middle_of_a_probe(told: Sequence[GuestRun]) -> None:
    """The probe was writing and had not ended, else the rest would prove nothing.

    Where a file must be born with a name, it loses the name at once: there is nothing to be found by it.
    """
    assert "named 0" in told[0].section("probing")
    assert "found 0" in told[1].section("start")
    assert (told[0].folder / "probe.json").read_text() == ""


def test_after_the_next_start_no_probe_file_is_left(told: Sequence[GuestRun]) -> None:
    """A file that still had its name when the power went is taken away by the agent's start."""
    section = told[1].section("start")

    assert "round rc 0" in section, (told[1].folder / "round.log").read_text()
    assert "left 0" in section


def test_the_leftover_is_reported(told: Sequence[GuestRun]) -> None:
    """What was found at the start is a finding that waits for the collector."""
    findings = [
        one["body"]["finding"] for one in _reports(told[1]).values() if one["body"]["kind"] == "finding"
    ]

    assert [one["code"] for one in findings] == ["leftover_removed"]


def test_the_spool_outlives_the_power(told: Sequence[GuestRun]) -> None:
    """Every report that waited before is there after each loss of power, word for word.

    But for the sign of life: a newer one replaces one that still waits.
    """
    first, second, third = (
        {key: one for key, one in _reports(run).items() if one["body"]["kind"] != "status"} for run in told
    )

    assert first
    assert {key: second.get(key) for key in first} == first
    assert {key: third.get(key) for key in second} == second


def test_the_lost_probe_has_been_paid_for(told: Sequence[GuestRun]) -> None:
    """Its planned cost was written down before its first byte, so a cut-off probe is never free."""
    spent = told[1].document("spent.json")

    kind, written_bytes = spent[0]

    assert kind == "spot"
    assert written_bytes == pytest.approx(PLANNED_BYTES, rel=0.01)


def test_a_file_without_a_name_frees_itself(told: Sequence[GuestRun]) -> None:
    """On ext4 the probe's file has no name: after the loss of power its space is back by the mount alone."""
    before = int(told[1].section("again").split("free ")[1].split()[0])
    after = int(told[2].section("start").split("free ")[1].split()[0])

    assert "named 0" in told[1].section("again")
    assert "named 0" in told[2].section("start")
    assert after >= before - 1000  # [blocks of 4 KiB] the journal and the state's own growth
