"""Builds a wheel of this tree as it stands, the way a release is built."""

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def build_wheel(folder: Path) -> Path:
    """Build the project's wheel into a folder.

    Raises:
        AssertionError: The build failed; the message holds its last output.
    """
    done = subprocess.run(
        [sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "-w", str(folder), str(ROOT)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, (done.stdout + done.stderr)[-2000:]
    return next(folder.glob("ebbmark-*.whl"))
