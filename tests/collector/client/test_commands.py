"""The admins' commands against a running collector: what they say, how wide, and with which code they end."""

import json
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from ebbmark_collector.client import main
from ebbmark_collector.client.tables import width_of
from ebbmark_collector.store.opening import DATABASE

from tests.collector.client.conftest import Studio, token_file

LOOKS = [
    "fleet",
    "drives",
    "drive GOOD0000001",
    "drive SLOW0000002",
    "probes GOOD0000001",
    "hosts",
    "roles",
    "formats --containing 422",
    "alerts",
    "fits 150MB/s --minutes 30",
    "carries GOOD0000001",
    "carries SLOW0000002 150MB/s --minutes 30",
    "kits",
    "worklist",
    "replacements",
    "holds",
    "machines",
    "validate",
]


@pytest.mark.parametrize("command", LOOKS)
def test_what_is_shown_fits_the_line_and_obeys_no_drive(studio: Studio, command: str) -> None:
    """Each look prints lines of at most 80 cells, and nothing a drive says of itself moves the cursor."""
    done = studio.run(*command.split())

    assert done.exit_code == 0, done.output
    assert done.stdout.strip()
    assert max(width_of(line) for line in done.stdout.splitlines()) <= 80
    assert "\x1b" not in done.stdout


@pytest.mark.parametrize("command", LOOKS)
def test_json_is_the_collectors_own_document(studio: Studio, command: str) -> None:
    """With `--json` each look prints one JSON document and nothing else."""
    assert studio.json(*command.split()) is not None


def test_every_command_is_tried_or_changes_something() -> None:
    """No look is left out of the list above."""
    doing = (
        "picture alert acknowledge shelve unshelve readiness hold end-hold probing soak incident name "
        "retire let-in"
    )
    known = {command.split()[0] for command in LOOKS} | set(doing.split())

    assert set(main.commands) == known


def test_a_drive_says_how_it_stands_and_why(studio: Studio) -> None:
    """The slow drive is unfit, with what it carries, what is asked, and a sentence why."""
    text = studio.run("drive", "SLOW0000002").stdout

    assert "unfit" in text
    assert "30 MB/s, asked 268 MB/s" in text
    assert "Why:" in text
    assert "A pass is no backup." in text


def test_a_drive_soaked_sooner_says_so_and_why(studio: Studio) -> None:
    """Only where the judge asked for soaks sooner than the role orders does a drive's page speak of them."""
    with closing(sqlite3.connect(studio.admin.parent / "data" / DATABASE, timeout=30)) as database, database:
        database.execute(
            "UPDATE drives SET soak_every_days = 17.6, soak_sooner_why = 'Its soaks fall.' "
            "WHERE serial = 'GOOD0000001'"
        )

    assert "every 18 days for now. Its soaks fall." in studio.run("drive", "GOOD0000001").stdout
    assert "for now" not in studio.run("drive", "SLOW0000002").stdout


def test_fits_puts_the_best_first(studio: Studio) -> None:
    """Of a drive of 300 MB/s and one of 30, the first may record 150 MB/s and stands on top."""
    lines = studio.run("fits", "150MB/s", "--minutes", "1").stdout.splitlines()
    rows = [line for line in lines if "Invented" in line]

    assert "GOOD" not in rows[1]
    assert "  fit  " in rows[0]
    assert "  unfit  " in rows[1]


def test_a_drive_is_found_by_what_people_call_it(studio: Studio) -> None:
    """Serial, asset tag, id and the end of a serial all lead to the same drive."""
    drive_id = studio.json("drive", "TAGS0000003")["drive_id"]
    studio.run("name", "TAGS0000003", "--asset-tag", "SSD-001")

    assert drive_id == studio.json("drive", "SSD-001")["drive_id"]
    assert drive_id == studio.json("drive", drive_id)["drive_id"]
    assert drive_id == studio.json("drive", "Invented 2T …0000003")["drive_id"]


def test_an_alert_is_acknowledged_shelved_and_taken_back(studio: Studio) -> None:
    """By the end of its id an alert is seen, set aside and taken back, and its history says so."""
    alert_id = next(a["alert_id"] for a in studio.json("alerts") if not a["shelved_until"])
    end = alert_id[-7:]

    for words in (
        ("acknowledge", end, "--note", "spare is on its way"),
        ("shelve", end, "--for", "2h", "--note", "on a show"),
        ("unshelve", end),
    ):
        assert studio.run(*words).exit_code == 0

    shown = studio.json("alert", end)
    events = [line["event"] for line in shown["history"]]
    assert events[-4:] == ["acknowledged", "shelved", "unshelved", "reappeared"]
    assert "spare is on its way" in studio.run("alert", end).stdout


def test_a_hold_names_who_has_not_confirmed(studio: Studio) -> None:
    """A hold says how many hosts confirmed it and names the others; it can be ended."""
    made = studio.run("hold", "--for", "4h", "--reason", "live show")

    assert "Hold" in made.stdout
    assert "not reached yet." in made.stdout
    assert "cut-1" in made.stdout
    hold_id = studio.json("holds")[0]["hold_id"]
    assert "not reached" in studio.run("holds", hold_id[-7:]).stdout
    assert studio.run("end-hold", hold_id).exit_code == 0
    assert studio.run("end-hold", hold_id).exit_code == 36


def test_a_case_is_ready_or_not(studio: Studio) -> None:
    """A kit with one good medium is a go for an hour of a small format and no go mirrored."""
    studio.run("name", "GOOD0000001", "--kit", "A-cam")
    minutes = ("--format", "150MB/s", "--hours", "0.1", "--headroom", "1")
    single, mirror = (
        studio.run("readiness", "A-cam", *minutes, *more) for more in ((), ("--slots", "mirror"))
    )

    assert mirror.stdout.startswith("NO GO")
    assert mirror.exit_code == 13
    assert single.stdout.startswith(("GO", "NO GO"))
    assert single.exit_code == (0 if single.stdout.startswith("GO") else 13)
    assert studio.run("readiness", "none", *minutes).exit_code == 35


def test_an_incident_makes_a_drive_unfit(studio: Studio) -> None:
    """Dropped frames that a person reports are ground truth."""
    studio.run("incident", "HURT0000004", "dropped frames 40 minutes in", "--recorder", "B-camera")

    assert studio.json("drive", "HURT0000004")["standing"] == "unfit"


def test_a_soak_and_probing_can_be_asked_for(studio: Studio) -> None:
    """An order names its limit; a host that forbids writes is told to have the last word."""
    asked = studio.run("soak", "SLOW0000002", "--most-gb", "20", "--for", "2d")
    probing = studio.run("probing", "cut-1", "on")

    assert "at most 20 GB" in asked.stdout
    assert "Probing on cut-1 is on." in probing.stdout


def test_a_picture_is_written_and_never_over_a_file(studio: Studio, tmp_path: Path) -> None:
    """The floor over months and one probe's trace come as SVG; a file that is there is kept."""
    probe = studio.json("probes", "SLOW0000002")[0]["probe_id"]
    first = studio.run("picture", "SLOW0000002", str(tmp_path / "floor.svg"))
    second = studio.run("picture", "SLOW0000002", str(tmp_path / "trace.svg"), "--probe", probe[-7:])
    third = studio.run("picture", "SLOW0000002", str(tmp_path / "floor.svg"))

    assert [done.exit_code for done in (first, second, third)] == [0, 0, 31]
    assert all("<svg" in path.read_text() for path in tmp_path.glob("*.svg"))


def test_a_wrong_token_is_a_sentence_and_its_own_code(studio: Studio, tmp_path: Path) -> None:
    """A token nobody knows ends with 33 and says what to do, without showing the token."""
    wrong = token_file(tmp_path, "wrong", "ebb_0123456789ab_guess")
    done = studio.run("fleet", token_file=wrong)

    assert done.exit_code == 33
    assert "Ask an admin" in done.stderr
    assert "guess" not in done.output


def test_a_token_of_another_scope_is_told(studio: Studio) -> None:
    """A viewer may look and not act: 34."""
    assert studio.run("fleet", token_file=studio.viewer).exit_code == 0
    done = studio.run("hold", "--for", "1h", "--reason", "x", token_file=studio.viewer)

    assert done.exit_code == 34
    assert "yours is for viewer" in done.stderr


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (["drive", "nothing"], 35, "No drive has 'nothing'"),
        (["alert", "zzzzzzz"], 35, "none whose id ends in"),
        (["fits", "no-such-format"], 35, "no-such-format"),
        (["let-in", "nobody"], 35, "No machine waits"),
        (["hold", "--reason", "x"], 31, "--for or --until"),
        (["hold", "--reason", "x", "--for", "soon"], 31, "not a span"),
        (["hold", "--reason", "x", "--for", "500d"], 36, "at most 120 days"),
        (["hold", "--reason", "x", "--until", "2020-01-01T00:00Z"], 36, "in the future"),
        (["name", "GOOD0000001"], 31, "Nothing to change"),
        (["--address", "http://127.0.0.1:9", "fleet"], 32, "Nobody answers"),
        (["--address", "http://192.0.2.7:8460", "fleet"], 31, "plain HTTP beyond this machine"),
        (["--address", "ftp://x", "fleet"], 31, "not an address"),
        (["--address", "https://me:pw@collector.example", "fleet"], 31, "no user name"),
        (["--token-file", "/nonexistent", "fleet"], 33, "cannot be read"),
        (["--config", "/nonexistent.toml", "fleet"], 31, "There is no file"),
        (["--ca-file", "/nonexistent.pem", "fleet"], 31, "no file of certificates"),
    ],
)
def test_what_goes_wrong_is_a_sentence_and_a_code(
    studio: Studio, words: list[str], code: int, says: str
) -> None:
    """Each family of failures has its code, its sentence on standard error, and never a traceback."""
    done = studio.run(*words)

    assert code == done.exit_code, done.output
    assert says in done.stderr
    assert "Traceback" not in done.output


def test_a_waiting_machine_is_let_in(studio: Studio) -> None:
    """A machine that waits is listed and approved by its name."""
    import requests

    from tests.collector.serving import _soon

    header = {"Authorization": f"Bearer {studio.admin.read_text().strip()}"}
    body = {"label": "floor", "quota": 1, "expires_at": _soon(), "approval_needed": True}
    url = studio.served.url
    token = requests.post(f"{url}/v1/enrol-tokens", json=body, headers=header, timeout=10).json()["token"]
    claim = {"enrol_token": token, "host_name": "cut-9", "system": "Linux", "machine_key": "mk-99999999"}
    assert requests.post(f"{url}/v1/enrolments/claim", json=claim, timeout=10).status_code == 202

    assert "cut-9" in studio.run("machines", "--pending").stdout
    assert "is let in" in studio.run("let-in", "cut-9").stdout
    assert requests.post(f"{url}/v1/enrolments/claim", json=claim, timeout=10).status_code == 201


def test_a_retired_drive_leaves_the_list(studio: Studio) -> None:
    """Retired, a drive is listed only when asked for."""
    studio.run("retire", "LEFT0000005", "--why", "worn out")

    serials = {row["serial"] for row in studio.json("drives")}
    every = {row["serial"] for row in studio.json("drives", "--retired")}
    assert "LEFT0000005" not in serials
    assert "LEFT0000005" in every


def test_configuration_is_validated_with_every_fault(studio: Studio, tmp_path: Path) -> None:
    """A collector's file and a file of roles are told with every fault at once; good ones are called good."""
    bad, good, roles = (tmp_path / name for name in ("bad.toml", "good.toml", "roles.toml"))
    bad.write_text("[serve]\nlisten = 5\nthreds = 8\n[retention]\nhealth_days = 0\n")
    good.write_text("[retention]\nhealth_days = 40\n")
    roles.write_text('[[role]]\nname = "x"\nkind = "nonsense"\n')

    refused = studio.run("validate", str(bad), str(roles))
    assert refused.exit_code == 31
    assert all(word in refused.stderr for word in ("serve.listen", "threds", "health_days", "nonsense"))
    assert "good" in studio.run("validate", str(good)).stdout


def test_json_documents_stay_whole(studio: Studio) -> None:
    """What `--json` prints keeps every character as the collector sent it."""
    done = studio.run("drives", "--json")

    assert "drive_id" in json.loads(done.stdout)[0]
