"""The verdict in words: what a person reads in five seconds."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from ebbmark_agent.evidence import (
    Bus,
    DiscardState,
    Fit,
    Path,
    ProbeOutcome,
    ReasonCode,
    fit,
    fit_list,
    list_text,
    next_step,
    verdict,
)
from ebbmark_agent.evidence.verdict import _NEXT, age_sentence

from tests.agent.evidence.judging import GB, MB, asked, evidence, staged

NOW = datetime(2026, 3, 4, tzinfo=UTC)
CLIFF = staged((540 * MB, 40 * GB), (130 * MB, 60 * GB), block_bytes=32 * MB)


def _verdict(mb_per_s: float, **facts: Any) -> str:
    probe = evidence(CLIFF, started_at=NOW - timedelta(days=3), **facts)
    judged = fit(probe, asked(mb_per_s, headroom=1.2), now=NOW, validity_days=90)
    return verdict(judged, probe.figures, subject="reel A")


def test_a_verdict_of_an_unfit_drive() -> None:
    """Standing and reason come first, then the numbers, the limits and one next step."""
    why = "carries 130 MB/s, the recording needs 200 MB/s; it steps down at 40 GB from 540 MB/s to 130 MB/s"
    reach = "to 100 GB, to 51 C, from empty, after 2 h of rest, over USB 10 Gb/s, through ext4 (preallocated)"

    assert _verdict(200) == "\n".join(
        [
            "reel A: UNFIT for 200MB/s",
            f"  {why}",
            "",
            "  asked     write 200 MB/s, 240 MB/s with headroom 1.2, buffer 1 s, the whole medium",
            "  floor     130 MB/s, margin -46%, spread 0.0%",
            "  cliff     at 40 GB, from 540 MB/s to 130 MB/s",
            "  from rest frames lost after 2.8 min, at 40.2 GB",
            "  if spent  a take begun past the cliff: frames lost after 1.8 s",
            "  whole     frames lost after 2.8 min, at 40.2 GB",
            "  limit     its own cache: past the cliff it writes at the rate of the flash beneath",
            f"  reach     shown {reach}",
            "  age       3 days",
            "  next      use another drive, or give this one a role of up to 108.3 MB/s",
        ]
    )


def test_a_verdict_of_a_fit_drive_says_what_was_proven() -> None:
    """A fit drive is proven to its reach, without end, and a pass is no backup."""
    told = _verdict(100)

    assert told.startswith("reel A: FIT for 100MB/s")
    assert "proven to 100 GB, to 51 C, from empty" in told
    assert "over USB 10 Gb/s" in told
    assert "no backup" in told


def test_a_marginal_verdict_states_its_rule_at_once() -> None:
    """The rule of a marginal drive stands under its reason."""
    third = _verdict(120).splitlines()[2]

    assert "only for takes up to" in third
    assert "not as the sole medium" in third


def test_a_link_below_its_best_is_the_first_thing_to_try() -> None:
    """Cable, port or reader come before another drive."""
    path = Path(bus=Bus.SATA, link_now="3 Gb/s", link_now_bytes_per_s=300e6, link_best_bytes_per_s=600e6)
    told = _verdict(200, path=path)

    assert "another cable, port or reader" in told.splitlines()[-1]


def test_a_drive_held_back_by_its_link_is_not_blamed() -> None:
    """Where the link sets the rate, the limit and the next step name the link."""
    path = Path(bus=Bus.USB, uas=True, link_now="5 Gb/s", link_now_bytes_per_s=500e6)
    probe = evidence(staged((440 * MB, 60 * GB), block_bytes=32 * MB), path=path)
    told = verdict(fit(probe, asked(500)), probe.figures)

    assert "limit     the link, USB 5 Gb/s, not the drive" in told
    assert told.splitlines()[-1] == "  next      probe it over a faster link"


def test_stalls_are_named_as_what_limits() -> None:
    """Stalls longer than the buffer are the limit, with count, length and period."""
    steps = ([(0.1, 30 * MB)] * 100 + [(1.5, 30 * MB)]) * 8
    times, totals = [0.0], [0.0]
    for seconds, count in steps:
        times.append(times[-1] + seconds)
        totals.append(totals[-1] + count)
    from ebbmark_agent.evidence import Trace

    probe = evidence(Trace.from_points(times, totals))
    told = verdict(fit(probe, asked(200)), probe.figures)

    assert "stalls, the longest 1." in told


def test_without_a_probe_the_verdict_says_so() -> None:
    """No evidence is unproven, with the next step."""
    told = verdict(fit(None, asked(100)))

    assert told.startswith("UNPROVEN for 100MB/s")
    assert told.endswith("next      soak it")


@pytest.mark.parametrize(
    ("days", "words"), [(None, "just now"), (0.2, "today"), (1.5, "1 day"), (40.0, "40 days")]
)
def test_age_in_words(days: float | None, words: str) -> None:
    """The age of the evidence is always told."""
    assert age_sentence(days) == words


def test_every_deciding_reason_has_a_next_step() -> None:
    """No reason that may come first leaves a person without one thing to do."""
    never_first = {ReasonCode.PATH_LIMITED, ReasonCode.LINK_BELOW_BEST}
    told_apart = {ReasonCode.BELOW_RATE, ReasonCode.LOWERED_LATER}

    assert set(_NEXT) == set(ReasonCode) - never_first - told_apart


def test_a_gave_way_probe_is_to_be_repeated() -> None:
    """A probe that gave way is no fault of the drive."""
    judged: Fit = fit(evidence(CLIFF, outcome=ProbeOutcome.GAVE_WAY), asked(100))

    assert next_step(judged) == "probe it again when nothing else uses it"


def test_a_list_has_a_line_for_every_demand() -> None:
    """A list gives standing, margin, asked, floor, how long and name, the widest margin first."""
    listed = list_text(fit_list(evidence(CLIFF), [asked(200), asked(100), asked(500)])).splitlines()

    assert [line.split()[0] for line in listed] == ["standing", "fit", "unfit", "unfit"]
    assert "lost after" in listed[2]
    assert listed[1].endswith("100MB/s")


def test_no_verdict_hides_behind_a_number() -> None:
    """No overall share or health word stands in for the standing."""
    told = _verdict(200) + _verdict(100) + _verdict(120)

    assert "health" not in told.lower()
    assert DiscardState.PROVEN == "proven"
