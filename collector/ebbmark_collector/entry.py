"""The way into the collector's commands: says what to install where only the agent's libraries are."""

import sys

_OWN = ("ebbmark_agent", "ebbmark_collector")


def main() -> None:
    """Run the collector's commands."""
    try:
        from ebbmark_collector.cli import main as commands
    except ModuleNotFoundError as error:
        missing = (error.name or "").split(".", maxsplit=1)[0]
        if not missing or missing in _OWN:
            raise
        sys.exit(
            f"ebbmark-collector: the library {missing} is not installed; the plain package is the agent "
            "alone. Install the collector with: pip install 'ebbmark[collector]'"
        )
    commands()


if __name__ == "__main__":
    main()
