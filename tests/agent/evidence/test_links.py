"""Links: practical bands (common practice, no source), links below their best, plateaus of a link."""

import pytest
from ebbmark_agent.evidence import Bus, Path, path_ceiling, path_name


def _path(
    bus: Bus, payload_mb: float | None, *, uas: bool | None = None, best_mb: float | None = None
) -> Path:
    return Path(
        bus=bus,
        uas=uas,
        link_now_bytes_per_s=None if payload_mb is None else payload_mb * 1e6,
        link_best_bytes_per_s=None if best_mb is None else best_mb * 1e6,
    )


@pytest.mark.parametrize(
    ("path", "low_mb", "high_mb"),
    [
        (_path(Bus.SATA, 600), 528, 600),
        (_path(Bus.USB, 500, uas=True), 390, 500),
        (_path(Bus.USB, 500, uas=False), 200, 275),
        (_path(Bus.NVME, 3938), 2756.6, 3938),
    ],
    ids=["SATA", "USB with UAS", "USB without", "PCIe"],
)
def test_a_flat_plateau_inside_the_band_is_the_links(path: Path, low_mb: float, high_mb: float) -> None:
    """Inside the band a flat plateau says nothing of the drive; below it, it does."""
    ceiling = path_ceiling(path)

    assert ceiling is not None
    assert ceiling.holds(low_mb * 1e6 + 1, 0.01)
    assert ceiling.holds(high_mb * 1e6, 0.03)
    assert not ceiling.holds(low_mb * 1e6 * 0.99, 0.01)
    assert not ceiling.holds(high_mb * 1e6 * 1.02, 0.01)


def test_an_uneven_plateau_is_not_the_links() -> None:
    """A link is steadier than 3 %; a plateau that is not has its cause elsewhere."""
    ceiling = path_ceiling(_path(Bus.SATA, 600))

    assert ceiling is not None
    assert not ceiling.holds(550e6, 0.031)


def test_where_the_protocol_is_not_known_either_band_counts() -> None:
    """A USB path of unknown protocol may sit in the band with UAS or in the one without."""
    ceiling = path_ceiling(_path(Bus.USB, 500))

    assert ceiling is not None
    assert ceiling.holds(240e6, 0.01)
    assert ceiling.holds(430e6, 0.01)
    assert not ceiling.holds(330e6, 0.01)


@pytest.mark.parametrize(
    "path", [_path(Bus.LOOP, None), _path(Bus.VIRTUAL, 600), _path(Bus.SATA, None), _path(Bus.SATA, 0)]
)
def test_without_a_known_link_there_is_no_ceiling(path: Path) -> None:
    """A loop device, a virtual disk or a link the system does not tell has no ceiling to judge by."""
    assert path_ceiling(path) is None


@pytest.mark.parametrize(("best_mb", "below"), [(600, True), (300, False), (None, False)])
def test_a_link_below_its_best_is_told(best_mb: float | None, below: bool) -> None:
    """A link that negotiated less than drive and port could is marked; an unknown best is not."""
    ceiling = path_ceiling(_path(Bus.SATA, 300, best_mb=best_mb))

    assert ceiling is not None
    assert ceiling.below_best is below


@pytest.mark.parametrize(
    ("path", "name"),
    [
        (Path(bus=Bus.USB, link_now="10 Gb/s"), "USB 10 Gb/s"),
        (Path(bus=Bus.SATA, link_now="SATA 6.0 Gb/s"), "SATA 6.0 Gb/s"),
        (Path(bus=Bus.LOOP), "a loop device"),
        (Path(), "an unknown path"),
    ],
)
def test_names_of_paths(path: Path, name: str) -> None:
    """A path is named by bus and link, without saying the bus twice."""
    assert path_name(path) == name
