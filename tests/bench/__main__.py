"""`python -m tests.bench [--only PART]`: runs the parts and writes results.json and RESULTS.md."""

import argparse
import importlib
import os
import pkgutil
import platform
import sys
import time
import traceback
from datetime import UTC, datetime

from tests.bench import parts
from tests.bench.load import start_clients_anew
from tests.bench.results import merge, read_results, write_results

# [s] what each part may take on the two-core machine; together they stay within 45 minutes.
BUDGET_S = {
    "agent_idle": 240,
    "evidence": 40,
    "fleet": 600,
    "intake_batch": 90,
    "intake_one": 100,
    "intake_steady": 270,
    "judge_score": 30,  # the scores are had before; their files are named by EBBMARK_SCORES
    "postgres": 240,
    "probe_rate": 100,
    "reconnect": 420,
    "studio": 120,
}


def _no_scores() -> str | None:
    if os.environ.get("EBBMARK_SCORES"):
        return None
    return (
        "playing its studios takes an hour or more. Name the folder of scores played before in "
        "EBBMARK_SCORES, or ask for this part alone; until then the figures of its last run stay."
    )


# Parts that a whole run can only have under a condition, each with what tells why not.
LEFT_OUT_OF_A_WHOLE_RUN = {"judge_score": _no_scores}


def main() -> int:
    """Run the parts asked for; a part that breaks is told and does not stop the others."""
    known = sorted(m.name for m in pkgutil.iter_modules(parts.__path__))
    parser = argparse.ArgumentParser(prog="python -m tests.bench")
    parser.add_argument("--only", choices=known, help="run one part")
    parser.add_argument("--quick", action="store_true", help="small sizes, for a try; nothing is written")
    arguments = parser.parse_args()
    asked = arguments.only
    if arguments.quick:
        os.environ["BENCH_QUICK"] = "1"  # read by tests.bench.scale when a part is imported
    machine = (
        f"{os.cpu_count()} cores, {platform.machine()}, {platform.system()} {platform.release()}, "
        f"Python {platform.python_version()}"
    )
    broken = missed = 0
    began = time.monotonic()
    for part in [asked] if asked else known:
        started = time.monotonic()
        print(f"{part} ...", flush=True)
        if asked is None and (why := LEFT_OUT_OF_A_WHOLE_RUN.get(part, lambda: None)()):
            print(f"  left out: {why}", flush=True)
            continue
        try:
            found = importlib.import_module(f"tests.bench.parts.{part}").run()
        except Exception:  # noqa: BLE001 - one broken part must not cost the others' figures
            traceback.print_exc()
            broken += 1
            start_clients_anew()
            continue
        for r in found:
            missed += r["held"] is False
            bar = f"  (bar {r['bar']}: {'held' if r['held'] else 'MISSED'})" if r["bar"] else ""
            print(f"  {r['name']}: {r['value']:.4g} {r['unit']}{bar}", flush=True)
        budget_s = BUDGET_S.get(part, 60)
        print(f"  took {time.monotonic() - started:.0f} s of {budget_s} s", flush=True)
        if arguments.quick:
            continue
        made = f"{datetime.now(UTC):%Y-%m-%d %H:%M} UTC"
        write_results(merge(read_results(), found, part), machine=machine, made=made)
    took_min, budget_min = (time.monotonic() - began) / 60, sum(BUDGET_S.values()) / 60
    print(f"{broken} parts broke, {missed} bars missed; {took_min:.0f} of {budget_min:.0f} minutes.")
    return 30 if broken or missed else 0


if __name__ == "__main__":
    sys.exit(main())
