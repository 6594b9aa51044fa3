"""What every test shares: how it is judged, and what may run beside what."""

import logging
import os
from collections.abc import Iterator

import pytest
from hypothesis import settings

# A property test is judged by what it finds, not by how busy the machine was. Where a change is judged it
# looks at the same examples each time; new ones are looked for on the contributors' machines.
settings.register_profile("ebbmark", deadline=None, derandomize=bool(os.environ.get("CI")))
settings.load_profile("ebbmark")

OWN_PRIORITY = os.getpriority(os.PRIO_PROCESS, 0)  # [nice]
TIMED_PRIORITY = OWN_PRIORITY - 10  # [nice]


def pytest_itemcollected(item: pytest.Item) -> None:
    """Where tests run side by side, keep the stand-in drives in one hand and each file in one."""
    alone = item.get_closest_marker("rig") is not None
    item.add_marker(pytest.mark.xdist_group("rig" if alone else str(item.path)))


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item: pytest.Item) -> None:
    """Let a stand-in drive and its writer go before the tests beside them: they are judged by the clock."""
    if os.geteuid() == 0:
        timed = any(item.get_closest_marker(name) for name in ("rig", "nbd"))
        os.setpriority(os.PRIO_PROCESS, 0, TIMED_PRIORITY if timed else OWN_PRIORITY)


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with the stand-in drives, which take longest in one hand."""
    items.sort(key=lambda item: item.get_closest_marker("rig") is None)


@pytest.fixture(autouse=True)
def logs_as_found() -> Iterator[None]:
    """What a command sets up for the logs of its process ends with the test that ran it."""
    root = logging.getLogger()
    level, handlers, levels = root.level, list(root.handlers), _levels()
    yield
    root.setLevel(level)
    for handler in [one for one in root.handlers if one not in handlers]:
        root.removeHandler(handler)
    for name in _levels():
        logging.getLogger(name).setLevel(levels.get(name, logging.NOTSET))


def _levels() -> dict[str, int]:
    known = logging.getLogger().manager.loggerDict
    return {name: one.level for name, one in known.items() if isinstance(one, logging.Logger)}
