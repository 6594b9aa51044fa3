"""A drive inside nbdkit: exact rates block by block, stalls, errors on demand. Run by nbdkit, not by Python.

nbdkit loads this file as its plugin and calls the functions by their names; parameters are `image=FILE` and
`control=FILE`, a JSON object that is read anew whenever it changes:
`steps` ([[at_bytes, bytes_per_s], ...]), `stall_every_s`, `stall_for_s`, `rest_s`, `fail_after_bytes`,
`fail_errno`, `fail_reads`, `flip_at_byte`.
"""

import errno
import json
import os
import time
from pathlib import Path

import nbdkit  # given by nbdkit itself

API_VERSION = 2
AHEAD_S = 0.02  # [s] a late request may catch up by so much, as a real drive's own queue does

parameters = {}
control = {}


class State:
    """What the drive remembers between requests."""

    descriptor = -1
    size = 0
    control_seen = None
    since_rest = 0
    total = 0
    due_s = 0.0
    last_s = 0.0
    next_stall_s = None


def config(key, value):
    """Take one parameter."""
    parameters[key] = value


def config_complete():
    """Refuse to start without an image."""
    if "image" not in parameters:
        raise RuntimeError("image= is wanted")


def thread_model():
    """Take one request after the other, as the rate is of them all."""
    return nbdkit.THREAD_MODEL_SERIALIZE_ALL_REQUESTS


def get_ready():
    """Open the image."""
    State.descriptor = os.open(parameters["image"], os.O_RDWR)
    State.size = os.fstat(State.descriptor).st_size


def open(readonly):  # noqa: A001 - nbdkit's name
    """Begin a connection."""
    return 1


def get_size(handle):
    """Give the size."""
    return State.size


def can_multi_conn(handle):
    """Allow several connections."""
    return True


def can_fua(handle):
    """Take forced writes as they come."""
    return nbdkit.FUA_NATIVE


def block_size(handle):
    """Give the smallest, preferred and largest request."""
    return (512, 4096, 32 << 20)


def pread(handle, buffer, offset, flags):
    """Read, or fail on demand."""
    take_control()
    if control.get("fail_reads"):
        refuse()
    os.preadv(State.descriptor, [buffer], offset)


def pwrite(handle, buffer, offset, flags):
    """Write at the curve's pace, or fail on demand."""
    take_control()
    now = time.monotonic()
    length = len(buffer)
    rest_s = control.get("rest_s")
    if rest_s and State.last_s and now - State.last_s > rest_s:
        State.since_rest = 0
        State.next_stall_s = None
    limit = control.get("fail_after_bytes")
    if limit is not None and State.total + length > limit:
        refuse()
    if control.get("stall_every_s"):
        if State.next_stall_s is None:
            State.next_stall_s = now + control["stall_every_s"]
        elif now >= State.next_stall_s:
            time.sleep(control["stall_for_s"])
            now = time.monotonic()
            State.next_stall_s = now + control["stall_every_s"]
    os.pwrite(State.descriptor, buffer, offset)
    rate = rate_at(State.since_rest)
    State.since_rest += length
    State.total += length
    if rate:
        State.due_s = max(State.due_s, now - AHEAD_S) + length / rate
        left = State.due_s - time.monotonic()
        if left > 0:
            time.sleep(left)
    State.last_s = time.monotonic()


def flush(handle, flags):
    """Flush the image."""
    os.fdatasync(State.descriptor)


def can_trim(handle):
    """Say that freed blocks cannot be told to this drive."""
    return False


def take_control():
    """Read the control file when it is another; the byte counts begin anew with it."""
    path = Path(parameters.get("control", "/nonexistent"))
    try:
        seen = path.stat().st_mtime_ns
        if seen == State.control_seen:
            return
        found = json.loads(path.read_text())
    except (OSError, ValueError):
        return
    control.clear()
    control.update(found)
    State.control_seen = seen
    State.since_rest = State.total = 0
    State.due_s = 0.0
    State.next_stall_s = None


def rate_at(written):
    """Give the rate after so many bytes since the last rest; 0 is unlimited."""
    rate = 0
    for at_bytes, bytes_per_s in control.get("steps", []):
        if written >= at_bytes:
            rate = bytes_per_s
    return rate


def refuse():
    """Fail this request with the error asked for."""
    nbdkit.set_error(getattr(errno, control.get("fail_errno", "EIO")))
    raise RuntimeError("refused on demand")
