"""Alerting against RFC 8632, RFC 5674, ITU-T X.733 and the endurance terms of JEDEC JESD218."""

import pytest
from ebbmark_collector.alerts import SYSLOG_CLEARED, Severity, told_at
from ebbmark_collector.judge.wear import dwpd_from_tbw, endurance_interval, tbw_from_dwpd

W, MI, MA, C = Severity.WARNING, Severity.MINOR, Severity.MAJOR, Severity.CRITICAL


def test_the_notification_example_of_rfc_8632() -> None:
    """With a level of major, the RFC's changes T1 to T8 notify at T1, T2, T5, T6, T7 and T8."""
    after = [MA, MI, W, MI, MA, C, MA, None]  # T8: major and cleared
    before = [None, *after[:-1]]

    told = [f"T{i}" for i, (b, a) in enumerate(zip(before, after, strict=True), 1) if told_at(MA, b, a)]

    assert told == ["T1", "T2", "T5", "T6", "T7", "T8"]


@pytest.mark.parametrize(("severity", "value"), [(W, 3), (MI, 4), (MA, 5), (C, 6)])
def test_the_severity_values_of_rfc_8632(severity: Severity, value: int) -> None:
    """The enumeration's values are the RFC's."""
    assert severity.order == value


@pytest.mark.parametrize(("severity", "syslog"), [(C, 1), (MA, 2), (MI, 3), (W, 4)])
def test_the_syslog_severities_of_rfc_5674(severity: Severity, syslog: int) -> None:
    """Table 1 of RFC 5674: critical is alert, major critical, minor error, warning warning."""
    assert severity.syslog == syslog


def test_cleared_is_a_notice_in_syslog() -> None:
    """Table 1 of RFC 5674: cleared is notice."""
    assert SYSLOG_CLEARED == 5


def test_ranks_run_from_one_for_critical_to_four() -> None:
    """The rank beside the word says the same without colour or order."""
    assert [s.rank for s in (C, MA, MI, W)] == [1, 2, 3, 4]


def test_one_drive_write_a_day_for_five_years() -> None:
    """JEDEC JESD218 terms: 1 DWPD on 1 TB for 5 years is 1825 TB written."""
    assert tbw_from_dwpd(1, 1e12, 5) == 1825e12


def test_six_hundred_terabytes_written_as_drive_writes() -> None:
    """600 TB written on 1 TB in 5 years is 0.3288 drive writes a day."""
    assert dwpd_from_tbw(600e12, 1e12, 5) == pytest.approx(0.3288, abs=5e-5)


def test_the_endurance_that_a_whole_percentage_implies() -> None:
    """234 375 000 data units (NVM Express, 512 000 bytes each) at 20 % used: 571.4 to 631.6 TB."""
    low, high = endurance_interval(234_375_000 * 512_000, 20) or (0, 0)

    assert low == pytest.approx(571.4e12, rel=1e-4)
    assert high == pytest.approx(631.6e12, rel=1e-4)
