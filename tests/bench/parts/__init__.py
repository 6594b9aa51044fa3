"""One module a part; each offers `run() -> list[dict]`: what it measured beside the limit it is held to."""
