"""One door per operating system."""

import inspect
import subprocess
import sys

import pytest
from ebbmark_agent.platforms import PLATFORMS, Platform, linux, this_platform


@pytest.mark.parametrize("name", sorted(PLATFORMS))
def test_every_platform_offers_every_call(name: str) -> None:
    """Each module has each call of the port, with the same parameters first."""
    for call, wanted in inspect.getmembers(Platform, inspect.isfunction):
        if call.startswith("_"):
            continue
        offered = list(inspect.signature(getattr(PLATFORMS[name], call)).parameters)

        assert (
            list(inspect.signature(wanted).parameters)[1:]
            == offered[: len(offered)][: len(inspect.signature(wanted).parameters) - 1]
        )


@pytest.mark.skipif(sys.platform != "linux", reason="only on Linux is the answer Linux")
def test_this_platform_is_picked() -> None:
    """On Linux the Linux module answers."""
    assert this_platform() is linux


def test_every_platform_can_be_imported_everywhere() -> None:
    """None needs its own system at import time: they load where fcntl cannot be had, as on Windows."""
    script = (
        "import sys; sys.modules['fcntl'] = None\n"
        "from ebbmark_agent.platforms import PLATFORMS; print(sorted(PLATFORMS))"
    )
    answer = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False)

    assert answer.stdout.strip() == "['darwin', 'linux', 'win32']", answer.stderr
