"""Tells how far a health read got, and says in one sentence what to do about it.

Smartctl's exit bits are told apart: bit 0 command line or type, bit 1 open failed or asleep, bit 2 some
command failed (on its own no sign of a failing drive), bit 3 failing now, bit 4 a pre-failure attribute at
its threshold, bits 5 to 7 past trouble in attributes, error log, self-test log (smartctl(8), EXIT STATUS).
"""

import re

from ebbmark_agent.health.runner import RunEnd, SmartctlRead
from ebbmark_agent.report import HealthState

COMMAND_FAILED_BIT = 0x04
FAILING_BIT = 0x08

_MOST_OF_ITS_WORDS = 300
_UNDETECTED = "Unable to detect device type"
_ASLEEP = re.compile(r"Device is in (STANDBY|SLEEP|LOW POWER|IDLE)\S*.* mode", re.IGNORECASE)
# What a disk answers to CHECK POWER MODE while it stands still: 00h standby, 01h the deeper standby of the
# extended power conditions (ATA/ATAPI Command Set - 3, CHECK POWER MODE); smartctl gives SLEEP as -1.
_STANDS_STILL = frozenset({-1, 0x00, 0x01})
_UNANSWERED = {
    RunEnd.NO_PROGRAM: HealthState.NO_SMARTCTL,
    RunEnd.NOT_ALLOWED: HealthState.NO_PERMISSION,
    RunEnd.TIMED_OUT: HealthState.TIMED_OUT,
}
# In the order in which they are looked for: what smartctl says, what it means.
_REASONS: tuple[tuple[re.Pattern[str], HealthState], ...] = (
    (re.compile(r"Unknown USB bridge|Unsupported USB bridge", re.IGNORECASE), HealthState.UNKNOWN_BRIDGE),
    (
        re.compile(r"Permission denied|requires? (root|administrator)", re.IGNORECASE),
        HealthState.NO_PERMISSION,
    ),
    (
        re.compile(r"No such (device|file)|Device not configured|no medium|device vanished", re.IGNORECASE),
        HealthState.VANISHED,
    ),
    (
        re.compile(
            r"Inappropriate ioctl|Operation not supported|"
            r"lacks SMART capability|SMART support is:\s+Unavailable|"
            r"please try adding '-d ",  # a volume of a RAID controller, whose disks have the health
            re.IGNORECASE,
        ),
        HealthState.NO_SMART,
    ),
)

_SENTENCES = {
    HealthState.NO_SMART: (
        "{drive} tells no SMART: it is a virtual disk, a RAID controller's volume, a loop device or a medium "
        "that has none. "
        "Its probes are judged without health; nothing is to be done."
    ),
    HealthState.NO_SMARTCTL: (
        "The health of {drive} was not read: the program smartctl is not installed. "
        "Install the package smartmontools, or set its path in the settings."
    ),
    HealthState.NO_PERMISSION: (
        "The health of {drive} was not read: the agent's user may not open it. "
        "Run the agent as the unit shipped with it does, or give its user read access to the device."
    ),
    HealthState.ASLEEP: ("{drive} is asleep and was left so; its health is read the next time it is awake."),
    HealthState.UNKNOWN_BRIDGE: (
        "{drive} hides behind a USB bridge that smartctl does not know. "
        "Update smartmontools, try the drive in another enclosure, or name the device type in the settings."
    ),
    HealthState.VANISHED: (
        "{drive} is gone: it was unplugged or no longer answers its bus. "
        "If nobody took it out, check the cable, the reader and the enclosure's power."
    ),
    HealthState.COMMAND_FAILED: (
        "{drive} answered smartctl with an error and told nothing of its health. "
        "That alone is no failing drive; read it again, and look at the system log if it stays."
    ),
    HealthState.TIMED_OUT: (
        "{drive} did not answer smartctl in time. A drive or bridge that hangs can hang a recording: "
        "check its cable and enclosure before it is used again."
    ),
}
_SWITCHED_OFF = (
    "{drive} has SMART but it is switched off. Switch it on with `smartctl -s on` and the device's name."
)


def state_of(read: SmartctlRead, *, told_health: bool) -> HealthState:
    """Tell how far a read got.

    Args:
        read: what the run gave.
        told_health: whether any value of the drive's health was found in it.

    Returns:
        `READ` whenever the drive told something, whatever else failed; else the reason it did not.
    """
    if read.end in _UNANSWERED:
        return _UNANSWERED[read.end]
    if told_health:
        return HealthState.READ
    if _asleep(read):
        return HealthState.ASLEEP
    said = read.everything_said()
    if "Operation not permitted" in said:
        # The kernel refuses pass-through commands to a plain user, and to anyone on a virtual disk.
        return HealthState.NO_SMART if read.privileged else HealthState.NO_PERMISSION
    if _UNDETECTED in said:
        return HealthState.NO_SMART if read.present else HealthState.VANISHED
    for pattern, state in _REASONS:
        if pattern.search(said):
            return state
    if _without_smart(read):
        return HealthState.NO_SMART
    return HealthState.COMMAND_FAILED


def sentence_for(state: HealthState, read: SmartctlRead, *, drive: str) -> str:
    """Say what a state means for this drive and what to do.

    Args:
        state: as told by `state_of`.
        read: the run, for smartctl's own words.
        drive: how people know the drive.
    """
    if state is HealthState.READ:
        return _sentence_for_read(read, drive)
    if state is HealthState.NO_SMART and _switched_off(read):
        return _SWITCHED_OFF.format(drive=drive)
    sentence = _SENTENCES[state].format(drive=drive)
    if state in (HealthState.COMMAND_FAILED, HealthState.TIMED_OUT):
        own_words = next((line for line in (*read.messages(), read.complaint) if line), "")
        return f"{sentence} (smartctl: {own_words[:_MOST_OF_ITS_WORDS]})" if own_words else sentence
    return sentence


def _sentence_for_read(read: SmartctlRead, drive: str) -> str:
    status = read.bits or 0
    if status & FAILING_BIT:
        return f"{drive} says of itself that it is failing. Copy what is on it now and take it out of use."
    if status & COMMAND_FAILED_BIT:
        return f"The health of {drive} was read; one of its logs could not be, which is common and no fault."
    return f"The health of {drive} was read."


def _asleep(read: SmartctlRead) -> bool:
    # Newer releases put the power mode into their JSON; all say it in their text, which comes with it.
    if read.document.number("power_mode", "ata_value") in _STANDS_STILL:
        return True
    return _ASLEEP.search(read.everything_said()) is not None


def _without_smart(read: SmartctlRead) -> bool:
    support = read.document.part("smart_support")
    return support.flag("available") is False or support.flag("enabled") is False


def _switched_off(read: SmartctlRead) -> bool:
    support = read.document.part("smart_support")
    return support.flag("available") is True and support.flag("enabled") is False
