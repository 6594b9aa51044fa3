"""`ebbmark-agent probe`, `copy-test` and `offload-time`: one probe by hand, with a verdict."""

import contextlib
import json
import secrets
import signal
import sys
import threading
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from ebbmark_agent.bench import (
    Asked,
    Bench,
    Judged,
    lay_on_bench,
    probe_on_bench,
    refusals_by_hand,
    request_for,
    wanted_for,
)
from ebbmark_agent.cli.folding import for_terminal
from ebbmark_agent.cli.frame import REFUSED_EXIT, Frame, agent_version
from ebbmark_agent.cli.probe_words import (
    EXIT_CODES,
    probe_document,
    probe_lines,
    refused_document,
    refused_lines,
)
from ebbmark_agent.cli.progress import ProbeBar
from ebbmark_agent.consent import BY_HAND_QUIET_S, Wanted
from ebbmark_agent.definitions import demand_named
from ebbmark_agent.errors import AgentError, DriveWriteError
from ebbmark_agent.evidence import (
    RecordingFormat,
    Side,
    chart,
    demand_of_format,
    fit_list,
    list_text,
    terminal_chart,
)
from ebbmark_agent.keeping import Keeper, paid_for
from ebbmark_agent.moment import Scene
from ebbmark_agent.probe import ProbeRequest
from ebbmark_agent.probe_lock import only_probe
from ebbmark_agent.report import ProbeKind, Refusal

DEFAULT_BUFFER_S = 1.0


class ByteCount(click.ParamType[int]):
    """A number of bytes: plain, or with a unit as in 500MB, 2GB, 64MiB."""

    name = "bytes"
    units = {  # noqa: RUF012 - click's own classes are built like this
        "": 1,
        "b": 1,
        "kb": 10**3,
        "mb": 10**6,
        "gb": 10**9,
        "tb": 10**12,
        "kib": 2**10,
        "mib": 2**20,
        "gib": 2**30,
        "tib": 2**40,
    }

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        """Read the number."""
        text = str(value).strip().lower().replace("_", "")
        digits = text.rstrip("bikmgt")
        try:
            count = int(float(digits) * self.units[text[len(digits) :].strip()])
        except (ValueError, KeyError, OverflowError):
            self.fail(f"'{value}' is no number of bytes such as 2000000000, 2GB or 64MiB.", param, ctx)
        if count < 1:
            self.fail("there is nothing to probe with less than one byte.", param, ctx)
        return count


BYTE_COUNT = ByteCount()
JSON_OPTION = click.option("--json", "as_json", is_flag=True, help="One JSON object on stdout.")
WORD_OPTION = click.option(
    "--this-medium-may-be-written",
    "word_given",
    is_flag=True,
    help="Your word that the removable medium, as inserted now, may be written. Never with clips on it.",
)


@click.command()
@click.argument("path", type=click.Path(path_type=Path))
@click.option("--soak", is_flag=True, help="Write past every cache: the whole medium, or up to --bytes.")
@click.option(
    "--rehearsal", is_flag=True, help="Write at the rate of --for, frame by frame, and count late ones."
)
@click.option("--bytes", "max_bytes", type=BYTE_COUNT, help="Write no more than this.")
@click.option(
    "--for", "named", metavar="NAME", help="Judge for a role, a recording format or a rate (150MB/s)."
)
@click.option("--take-s", type=click.FloatRange(min=0, min_open=True), help="Longest take [s].")
@click.option("--headroom", type=click.FloatRange(min=1), help="Factor on top of the rate.")
@click.option(
    "--buffer-s", type=click.FloatRange(min=0), help="The recorder's buffer [s of stream]; 1 unless said."
)
@click.option(
    "--for-s", "duration_s", type=click.FloatRange(min=0, min_open=True), help="Rehearse so long [s]."
)
@click.option("--pause-at-c", "heat_limit_c", type=float, help="A soak pauses from this temperature on [C].")
@click.option(
    "--chart", "chart_file", type=click.Path(path_type=Path, dir_okay=False), help="Draw an SVG here."
)
@click.option("--every-format", is_flag=True, help="Also list every recording format, by margin.")
@WORD_OPTION
@JSON_OPTION
@click.pass_obj
def probe(
    frame: Frame,
    path: Path,
    *,
    soak: bool,
    rehearsal: bool,
    max_bytes: int | None,
    named: str | None,
    take_s: float | None,
    headroom: float | None,
    buffer_s: float | None,
    duration_s: float | None,
    heat_limit_c: float | None,
    chart_file: Path | None,
    every_format: bool,
    word_given: bool,
    as_json: bool,
) -> None:
    """Write a probe to the volume that holds PATH, now, and say what the drive carried.

    It writes and wears the drive. Never probe a drive that is about to record. A pass is no backup.

    Ends with 0 if fit or nothing was asked, 10 marginal, 11 unfit, 12 unproven, 20 refused.
    """
    if soak and rehearsal:
        raise click.UsageError("--soak and --rehearsal are two different probes.")
    if rehearsal and named is None:
        raise click.UsageError("--rehearsal needs a rate to pace itself by: name it with --for.")
    with _errors_as_json(as_json=as_json):
        demand = None
        if named:
            demand = demand_named(
                named, formats=frame.formats, headroom=headroom, take_s=take_s, buffer_s=buffer_s
            )
        asked = Asked(
            path=path,
            kind=ProbeKind.SOAK if soak else ProbeKind.REHEARSAL if rehearsal else ProbeKind.SPOT,
            demand=demand,
            buffer_s=DEFAULT_BUFFER_S if buffer_s is None else buffer_s,
            max_bytes=max_bytes,
            word_given=word_given,
            rate_bytes_per_s=demand.rate_bytes_per_s if rehearsal and demand else None,
            duration_s=duration_s,
            heat_limit_c=heat_limit_c,
        )
        judged, bench = _run(frame, asked, as_json=as_json)
    every = frame.formats if every_format else None
    _show(judged, bench, asked=asked, as_json=as_json, chart_file=chart_file, every=every)


@click.command("copy-test")
@click.argument("path", type=click.Path(path_type=Path))
@click.option("--from", "source", type=click.Path(path_type=Path, dir_okay=False), help="Copy this file.")
@click.option("--bytes", "max_bytes", type=BYTE_COUNT, help="Copy no more than this.")
@WORD_OPTION
@JSON_OPTION
@click.pass_obj
def copy_test(
    frame: Frame, path: Path, *, source: Path | None, max_bytes: int | None, word_given: bool, as_json: bool
) -> None:
    """Copy one big file onto the volume that holds PATH, as an editor would feel it.

    Without --from, data is made up, which no source drive can slow.
    """
    asked = Asked(path=path, kind=ProbeKind.COPY, max_bytes=max_bytes, source=source, word_given=word_given)
    with _errors_as_json(as_json=as_json):
        judged, bench = _run(frame, asked, as_json=as_json)
    _show(judged, bench, asked=asked, as_json=as_json)


@click.command("offload-test")
@click.argument("path", type=click.Path(path_type=Path))
@click.option("--for", "named", metavar="NAME", help="Judge for a role, a format or a rate, read back.")
@click.option("--streams", type=click.IntRange(min=1, max=64), default=1, help="Files read at once.")
@click.option("--bytes", "max_bytes", type=BYTE_COUNT, help="Read no more than this.")
@click.option("--buffer-s", type=click.FloatRange(min=0), help="The player's buffer [s of stream].")
@JSON_OPTION
@click.pass_obj
def offload_test(
    frame: Frame,
    path: Path,
    *,
    named: str | None,
    streams: int,
    max_bytes: int | None,
    buffer_s: float | None,
    as_json: bool,
) -> None:
    """Read files that lie on the volume that holds PATH and say how long an offload takes.

    Not a byte is written, so removable media with clips may be read.
    """
    with _errors_as_json(as_json=as_json):
        demand = None
        if named:
            demand = demand_named(named, formats=frame.formats, buffer_s=buffer_s, side=Side.READ)
        asked = Asked(
            path=path,
            kind=ProbeKind.READ,
            demand=demand,
            buffer_s=DEFAULT_BUFFER_S if buffer_s is None else buffer_s,
            max_bytes=max_bytes,
            streams=streams,
        )
        judged, bench = _run(frame, asked, as_json=as_json)
    _show(judged, bench, asked=asked, as_json=as_json)


def _run(frame: Frame, asked: Asked, *, as_json: bool) -> tuple[Judged, Bench]:
    """Ask consent and run, or end with the refusal."""
    bench = lay_on_bench(asked.path, runner=frame.runner, clock=frame.clock)
    scene = frame.scene(bench.inventory, quiet_s=BY_HAND_QUIET_S)
    request = replace(request_for(asked, bench), probe_id=f"probe-{secrets.token_hex(8)}")
    wanted = wanted_for(asked, request, bench=bench, platform=frame.platform)
    with _one_at_a_time(frame):
        refused = refusals_by_hand(asked, wanted, bench=bench, scene=scene, clock=frame.clock, say=_say)
        if [one.code for one in refused] == ["removable_medium"] and _word_asked_for(
            refused, as_json=as_json
        ):
            asked = replace(asked, word_given=True)
            refused = refusals_by_hand(asked, wanted, bench=bench, scene=scene, clock=frame.clock, say=_say)
        if refused:
            told = json.dumps(refused_document(refused)) if as_json else for_terminal(refused_lines(refused))
            click.echo(told)
            click.get_current_context().exit(REFUSED_EXIT)
        judged = _probe(frame, asked, request, wanted, bench=bench, scene=scene)
    return judged, bench


def _probe(
    frame: Frame, asked: Asked, request: ProbeRequest, wanted: Wanted, *, bench: Bench, scene: Scene
) -> Judged:
    bar = ProbeBar()
    keeper = (
        Keeper(memory=scene.memory, spool=frame.spool, agent_version=agent_version())
        if scene.memory
        else None
    )
    with contextlib.ExitStack() as stack:
        if keeper is not None:
            stack.enter_context(
                paid_for(
                    keeper,
                    probe_id=request.probe_id or "",
                    kind=asked.kind,
                    planned_bytes=wanted.written_bytes,
                    by_hand=True,
                    volume=bench.volume,
                    inventory=bench.inventory,
                    now=frame.clock.utc(),
                )
            )
        cancel = stack.enter_context(_called_off_by_signals())
        stack.callback(bar.close)
        judged = probe_on_bench(
            asked,
            request,
            bench=bench,
            scene=scene,
            runner=frame.runner,
            clock=frame.clock,
            progress=bar,
            cancel=cancel,
        )
    if keeper is not None:
        keeper.keep_result(
            judged.result, volume=bench.volume, inventory=bench.inventory, now=frame.clock.utc()
        )
    return judged


def _show(
    judged: Judged,
    bench: Bench,
    *,
    asked: Asked,
    as_json: bool,
    chart_file: Path | None = None,
    every: Iterable[RecordingFormat] | None = None,
) -> None:
    buffer_s = asked.demand.buffer_s if asked.demand else asked.buffer_s
    name = " + ".join(drive.display_name for drive in bench.members) or str(asked.path)
    evidence = judged.evidence
    used_bytes = bench.volume.facts.size_bytes - bench.volume.facts.free_bytes
    notes = tuple(reading.sentence for reading in bench.readings.values() if reading.temperature_c is None)
    moved = "read" if asked.kind is ProbeKind.READ else "written"
    if chart_file is not None and evidence is not None and evidence.segments:
        drawing = chart(
            evidence.segments, figures=evidence.figures, judged=judged.fit, title=name, moved=moved
        )
        try:
            chart_file.write_text(drawing, encoding="utf-8")
        except OSError as error:
            click.echo(f"The chart could not be written to {chart_file}: {error.strerror}.", err=True)
    if as_json:
        click.echo(json.dumps(probe_document(judged, buffer_s=buffer_s, notes=notes)))
    else:
        lines = [probe_lines(judged, name=name, buffer_s=buffer_s, used_bytes=used_bytes)]
        lines += [f"  {'note':<10}{note}" for note in notes]
        click.echo(for_terminal("\n".join(lines)))
        if evidence is not None and evidence.segments:
            plain = not (sys.stdout.encoding or "").lower().startswith("utf")
            click.echo("\n" + terminal_chart(evidence.segments, judged=judged.fit, plain=plain, moved=moved))
        if every is not None and evidence is not None:
            demands = [demand_of_format(one, buffer_s=buffer_s) for one in every]
            click.echo("\n" + list_text(fit_list(evidence, demands)))
    if judged.fit is not None:
        click.get_current_context().exit(EXIT_CODES[judged.fit.standing])
    if judged.result.fault is not None:
        click.get_current_context().exit(DriveWriteError.exit_code)


def _say(sentence: str) -> None:
    click.echo(sentence, err=True)


def _word_asked_for(refused: tuple[Refusal, ...], *, as_json: bool) -> bool:
    if as_json or not sys.stdin.isatty():
        return False
    click.echo(refused[0].sentence, err=True)
    return click.confirm("Nothing on it looks like a clip. May it be written now?", err=True)


@contextlib.contextmanager
def _one_at_a_time(frame: Frame) -> Iterator[None]:
    """Hold the machine's probe lock where an agent keeps its state here."""
    if not frame.has_state:
        yield
        return
    with only_probe(frame.settings.state_dir):
        yield


@contextlib.contextmanager
def _called_off_by_signals() -> Iterator[threading.Event]:
    """Give an event that Ctrl-C and SIGTERM set, so that the probe tidies up and says what it saw."""
    cancel = threading.Event()

    def call_off(_number: int, _frame: object) -> None:
        cancel.set()

    before: list[tuple[signal.Signals, Any]] = []
    if threading.current_thread() is threading.main_thread():
        before = [(one, signal.signal(one, call_off)) for one in (signal.SIGINT, signal.SIGTERM)]
    try:
        yield cancel
    finally:
        for one, handler in before:
            signal.signal(one, handler)


@contextlib.contextmanager
def _errors_as_json(*, as_json: bool) -> Iterator[None]:
    """With --json, an error is a JSON object too, beside its sentence on stderr."""
    try:
        yield
    except AgentError as error:
        if as_json:
            click.echo(json.dumps({"error": str(error), "exit_code": error.exit_code}))
        raise
