"""Links: line rates, line coding and what is left.

Sources: Serial ATA Revision 3.x and USB 3.2 Specification (8b/10b, 128b/132b); PCI Express Base Specification
(8b/10b, 128b/130b; published tables give 985, 1969, 3938 MB/s a lane and 3938, 7877, 15754 for four).
"""

import pytest
from ebbmark_agent.evidence import (
    pcie_ceiling_bytes_per_s,
    sata_ceiling_bytes_per_s,
    usb_ceiling_bytes_per_s,
)


@pytest.mark.parametrize(("line", "payload"), [(1.5, 150), (3.0, 300), (6.0, 600), (12.0, 1200)])
def test_sata(line: float, payload: float) -> None:
    """SATA (and SAS) carries eight tenths of its line rate."""
    assert payload * 1e6 == pytest.approx(sata_ceiling_bytes_per_s(line))


@pytest.mark.parametrize(("line", "payload"), [(480, 60.0), (5000, 500.0), (10000, 1212.1), (20000, 2424.2)])
def test_usb(line: float, payload: float) -> None:
    """USB carries its line rate less its coding."""
    assert payload == pytest.approx(usb_ceiling_bytes_per_s(line) / 1e6, abs=0.05)


@pytest.mark.parametrize(
    ("line", "width", "payload"),
    [
        (2.5, 1, 250),
        (5.0, 1, 500),
        (8.0, 1, 984.6),
        (16.0, 1, 1969.2),
        (32.0, 1, 3938.5),
        (8.0, 4, 3938),
        (16.0, 4, 7877),
        (32.0, 4, 15754),
    ],
)
def test_pcie(line: float, width: int, payload: float) -> None:
    """PCIe carries its transfers less their coding, on every lane."""
    assert payload == pytest.approx(pcie_ceiling_bytes_per_s(line, width) / 1e6, abs=0.51)
