"""Whatever a broken or hostile device makes smartctl say, the reading is a reading."""

from datetime import UTC, datetime
from typing import Any

from ebbmark_agent.health import RunEnd, SmartctlRead, interpret
from ebbmark_agent.health.document import Document
from ebbmark_agent.report import HealthReading
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.agent.health.documents import ata, attribute, nvme, scsi, statistics_row

NOW = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)

values = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**70), 2**130)
    | st.floats()
    | st.text(max_size=20)
    | st.just("9" * 400),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=8,
)


def _paths(document: Any, above: tuple[str | int, ...] = ()) -> list[tuple[str | int, ...]]:
    found = [above] if above else []
    items: Any = ()
    if isinstance(document, dict):
        items = document.items()
    elif isinstance(document, list):
        items = enumerate(document)
    for key, value in items:
        found += _paths(value, (*above, key))
    return found


DOCUMENTS = (
    nvme(
        nvme_namespaces=[{"id": 1, "eui64": {"oui": 1, "ext_id": 2}, "nguid": "x"}],
        nvme_composite_temperature_threshold={"warning": 80, "critical": 85},
        host_writes={"units": 1, "bytes_per_unit": 512},
        log={"temperature_sensors": [40, 41]},
    ),
    ata(
        attributes=[attribute(5, "Reallocated_Sector_Ct", 1), attribute(231, "SSD_Life_Left", 5, value=95)],
        pages={1: [statistics_row(0x18, 5)], 7: [statistics_row(8, 3)]},
        wwn={"naa": 5, "oui": 1, "id": 2},
        interface_speed={
            "current": {"string": "6.0 Gb/s", "units_per_second": 60, "bits_per_unit": 100000000}
        },
        rotation_rate=7200,
        temperature={"current": 30, "op_limit_max": 60},
    ),
    scsi(
        scsi_grown_defect_list=1,
        logical_unit_id="0x5000c500a1b2c3d4",
        scsi_error_counter_log={"write": {"gigabytes_processed": "1.5", "total_uncorrected_errors": 0}},
        power_on_time={"hours": 1},
    ),
)


def _replaced(document: Any, path: tuple[str | int, ...], value: Any) -> Any:
    copied = document.copy()
    copied[path[0]] = value if len(path) == 1 else _replaced(document[path[0]], path[1:], value)
    return copied


@st.composite
def damaged(draw: st.DrawFn) -> dict[str, Any]:
    """One of the known documents with up to three of its parts replaced by anything at all."""
    document: Any = draw(st.sampled_from(DOCUMENTS))
    for _ in range(draw(st.integers(1, 3))):
        document = _replaced(document, draw(st.sampled_from(_paths(document))), draw(values))
    return dict(document)


@settings(max_examples=300)
@given(damaged(), st.none() | st.integers(-300, 300), st.booleans())
def test_any_document_gives_a_reading(document: dict[str, Any], status: int | None, over_usb: bool) -> None:
    """A document damaged anywhere still gives a reading that can be sent."""
    read = SmartctlRead(
        node="/dev/x", end=RunEnd.ANSWERED, document=Document(raw=document), exit_status=status
    )
    found = interpret(read, now=NOW, drive="Drive A", over_usb=over_usb)

    assert HealthReading.model_validate_json(found.reading.model_dump_json()) == found.reading


@settings(max_examples=200)
@given(st.lists(st.text(max_size=60), max_size=30), st.sampled_from(["nvme", "sat", "scsi", None]))
def test_any_text_gives_a_reading(lines: list[str], device_type: str | None) -> None:
    """Text of any kind gives a reading."""
    read = SmartctlRead(node="/dev/x", end=RunEnd.ANSWERED, lines=tuple(lines), exit_status=0)
    found = interpret(read, now=NOW, drive="Drive A", asked_type=device_type)

    assert found.reading.sentence
