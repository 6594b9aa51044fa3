"""What every test shares: how it is judged, and what may run beside what."""

import pytest
from hypothesis import settings

# A property test is judged by what it finds, not by how busy the machine was.
settings.register_profile("ebbmark", deadline=None)
settings.load_profile("ebbmark")


def pytest_itemcollected(item: pytest.Item) -> None:
    """Where tests run side by side, keep the stand-in drives in one hand and each file in one."""
    alone = item.get_closest_marker("rig") is not None
    item.add_marker(pytest.mark.xdist_group("rig" if alone else str(item.path)))


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with the stand-in drives, which take longest in one hand."""
    items.sort(key=lambda item: item.get_closest_marker("rig") is None)
