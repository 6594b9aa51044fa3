"""Starts the collector's `serve` again and again without importing anew: one process per start, to be killed.

It has read the program and nothing else: no database is open and no thread runs when it forks, so each child
is the whole command from its beginning. Commands come line by line on stdin: `start` forks a child, whose own
lines (its address) come out after `pid N`; `gone` waits for the child's end and says `gone`.
"""

import os
import signal
import sys
from pathlib import Path

from ebbmark_collector import cli
from ebbmark_collector.http import app


def _serve(data: Path) -> None:
    os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
    with (data.parent / "serve.log").open("ab") as log:
        os.dup2(log.fileno(), 2)
    cli.main(["serve", "--data", str(data), "--listen", "127.0.0.1:0"], standalone_mode=False)


def main(data: Path) -> None:
    """Follow the commands until there are no more; what still runs then is ended."""
    app._description()
    child = 0
    for line in sys.stdin:
        if line.strip() == "start":
            child = os.fork()
            if child == 0:
                try:
                    _serve(data)
                finally:
                    os._exit(1)
            print(f"pid {child}", flush=True)
        elif child:
            os.waitpid(child, 0)
            child = 0
            print("gone", flush=True)
    if child:
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
