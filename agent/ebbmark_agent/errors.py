"""What can go wrong in the agent, by who must act; each error writes its own sentence and has its exit code.

Exit codes 10 to 20 belong to verdicts; errors begin at 30: configuration 30 to 39 (the operator acts),
device 40 to 59 (the machine or its drives), delivery 60 to 69 (the network or the collector),
documents 70 to 79 (whoever wrote them). Callers pass facts, never prose.
"""

import errno
from typing import ClassVar


class AgentError(Exception):
    """The root of all the agent's own errors."""

    exit_code: ClassVar[int] = 30


class ConfigurationError(AgentError):
    """The operator has to change something: a setting, a file, a permission of the agent's own files."""

    exit_code = 31


class DeviceError(AgentError):
    """The machine, a drive or a volume does not do what is asked of it."""

    exit_code = 40


class DeliveryError(AgentError):
    """The collector cannot be reached or does not take what is sent."""

    exit_code = 60


class DocumentError(AgentError):
    """A document from outside is not what it should be."""

    exit_code = 70


class SettingsError(ConfigurationError):
    """The settings hold faults; all of them are told at once."""

    exit_code = 32

    def __init__(self, *, source: str, faults: tuple[str, ...]) -> None:
        """Take where the settings came from and one line for each fault."""
        self.source = source
        self.faults = faults
        lines = "".join(f"\n  {fault}" for fault in faults)
        count = "1 fault" if len(faults) == 1 else f"{len(faults)} faults"
        super().__init__(f"{source} has {count}; correct and try again:{lines}")


class SettingsMissingError(ConfigurationError):
    """The settings file named on the command line is not there."""

    exit_code = 33

    def __init__(self, *, path: str, reason: str) -> None:
        """Take the file's path and what the system said."""
        super().__init__(f"The settings file {path} cannot be read ({reason}). Name another with --settings.")


class StateUnusableError(ConfigurationError):
    """The agent's own state folder cannot be written."""

    exit_code = 34

    def __init__(self, *, path: str, reason: str) -> None:
        """Take the folder and what the system said."""
        super().__init__(
            f"The agent cannot keep its state in {path} ({reason}). "
            "Give its user a folder it may write, with state_dir in the settings or EBBMARK_STATE_DIR."
        )


class NotEnrolledError(ConfigurationError):
    """The agent has no collector to talk to yet."""

    exit_code = 35

    def __init__(self) -> None:
        """Say how to enrol."""
        super().__init__(
            "This machine is not enrolled. Ask the collector's admin for an enrolment token and run: "
            "ebbmark-agent enrol --collector URL --token-file FILE"
        )


class TokenFileError(ConfigurationError):
    """The file with the agent's token is missing, empty or readable by others."""

    exit_code = 36

    def __init__(self, *, path: str, reason: str) -> None:
        """Take the file's path and what is wrong with it."""
        super().__init__(f"The token file {path} {reason}. Make it readable by its owner alone (mode 0600).")


class InsecureCollectorError(ConfigurationError):
    """The collector's address would send the token in the clear."""

    exit_code = 37

    def __init__(self, *, url: str) -> None:
        """Take the address."""
        super().__init__(
            f"{url} is plain http beyond this machine: reports and the token would travel unprotected. "
            "Use https, or say collector.allow_plain_http = true if that network is trusted."
        )


class UnknownDemandError(ConfigurationError):
    """What was named after --for is neither a role, a recording format nor a rate."""

    exit_code = 38

    def __init__(self, *, named: str, reason: str) -> None:
        """Take the name given and why it was not understood."""
        super().__init__(
            f"'{named}' is not a role, a recording format or a rate: {reason} "
            "List the formats with: ebbmark-agent formats. A rate is written like 150MB/s."
        )


class PathMissingError(DeviceError):
    """The path to probe is not there."""

    exit_code = 41

    def __init__(self, *, path: str) -> None:
        """Take the path."""
        super().__init__(
            f"{path} does not exist. Is the volume mounted? List volumes with: ebbmark-agent drives"
        )


class NotAVolumeError(DeviceError):
    """The path cannot hold a probe file."""

    exit_code = 42

    def __init__(self, *, path: str, reason: str) -> None:
        """Take the path and why a probe file cannot lie there."""
        super().__init__(f"{path} cannot be probed: {reason}. Name a folder on the volume to probe.")


class PermissionMissingError(DeviceError):
    """The agent's user may not do what is needed."""

    exit_code = 43

    def __init__(self, *, what: str, path: str) -> None:
        """Take what was tried and on what."""
        super().__init__(
            f"No permission to {what} {path}. Run as a user who may, or give the agent's user that right."
        )


class VolumeFullError(DeviceError):
    """The volume has no room for the probe."""

    exit_code = 44

    def __init__(self, *, path: str, free_bytes: int | None = None, needed_bytes: int | None = None) -> None:
        """Take the path and, where known, what is free and what would be needed [bytes]."""
        figures = ""
        if free_bytes is not None and needed_bytes is not None:
            figures = f" ({free_bytes / 1e9:.2f} GB free, {needed_bytes / 1e9:.2f} GB needed)"
        super().__init__(
            f"{path} is too full to probe{figures}. Free some space, or write less with --bytes."
        )


class TooFewBytesError(DeviceError):
    """Fewer bytes are allowed than can be written unbuffered."""

    exit_code = 54

    def __init__(self, *, max_bytes: int, least_bytes: int) -> None:
        """Take what is allowed and what is needed at least [bytes]."""
        super().__init__(
            f"{max_bytes} bytes are too few to probe: at least {least_bytes} are written at once, and a rate "
            "needs seconds of writing. Allow more with --bytes, a gigabyte or so."
        )


class VolumeReadOnlyError(DeviceError):
    """The volume is mounted for reading only, or the kernel has turned it so."""

    exit_code = 45

    def __init__(self, *, path: str) -> None:
        """Take the path."""
        super().__init__(
            f"{path} is read-only, so nothing can be written there. If nobody mounted it so, the system did "
            "after an error: save what is on it and look at the system log."
        )


class DriveVanishedError(DeviceError):
    """The drive went away while it was in use."""

    exit_code = 46

    def __init__(self, *, path: str) -> None:
        """Take the path or drive."""
        super().__init__(
            f"{path} went away while in use. Check the cable, the reader and the enclosure's power."
        )


class UnbufferedIoUnsupportedError(DeviceError):
    """The file system offers no unbuffered writes, so no honest figure can be had."""

    exit_code = 47

    def __init__(self, *, path: str, file_system: str) -> None:
        """Take the path and the file system's name."""
        super().__init__(
            f"{path} lies on {file_system}, which offers no unbuffered writes: figures would be "
            "the memory's, not the drive's. Probe a folder on the drive's own file system."
        )


class UncertainVolumeError(DeviceError):
    """It cannot be told which drives lie beneath a path."""

    exit_code = 48

    def __init__(self, *, path: str, reason: str) -> None:
        """Take the path and why the mapping is uncertain."""
        super().__init__(f"It cannot be told which drive holds {path}: {reason}. It is not probed.")


class DriveWriteError(DeviceError):
    """A drive refused to write, read or flush."""

    exit_code = 49

    def __init__(self, *, operation: str, path: str, error_number: int, at_byte: int | None = None) -> None:
        """Take the operation, the path, the system's error number and the offset [bytes]."""
        self.operation = operation
        self.error_number = error_number
        self.at_byte = at_byte
        name = errno.errorcode.get(error_number, str(error_number))
        where = f" at byte {at_byte}" if at_byte is not None else ""
        super().__init__(
            f"The {operation} on {path} failed with {name}{where}. That is a finding about the drive: save "
            "what is on it, then read its health with: ebbmark-agent health"
        )


class SmartctlMissingError(DeviceError):
    """The program smartctl is not installed."""

    exit_code = 50

    def __init__(self) -> None:
        """Say what to install."""
        super().__init__(
            "The program smartctl was not found, so no drive's health can be read. "
            "Install smartmontools, or set health.smartctl_path in the settings."
        )


class UnknownDriveError(DeviceError):
    """No drive of this machine goes by the name given."""

    exit_code = 51

    def __init__(self, *, named: str) -> None:
        """Take the name given."""
        super().__init__(f"No drive or volume here goes by '{named}'. List them with: ebbmark-agent drives")


class PlatformUnsupportedError(DeviceError):
    """This operating system lacks something the agent needs."""

    exit_code = 52

    def __init__(self, *, what: str, system: str) -> None:
        """Take what is missing and the system's name."""
        super().__init__(f"{what} is not available on {system}.")


class AnotherProbeRunningError(DeviceError):
    """Another probe runs on this machine; only one may."""

    exit_code = 53

    def __init__(self) -> None:
        """Say what to do."""
        super().__init__(
            "Another probe is running on this machine, and only one may. Try again when it is done."
        )


class CollectorUnreachableError(DeliveryError):
    """The collector does not answer."""

    exit_code = 61

    def __init__(self, *, url: str, reason: str) -> None:
        """Take the address and what the network said."""
        super().__init__(
            f"The collector at {url} does not answer ({reason}). "
            "Nothing is lost: reports wait on disk and are sent when it is back."
        )


class TokenRefusedError(DeliveryError):
    """The collector does not accept the agent's token."""

    exit_code = 62

    def __init__(self, *, url: str) -> None:
        """Take the address."""
        super().__init__(
            f"The collector at {url} does not accept this machine's token (wrong, expired or revoked). "
            "Ask its admin for a new enrolment token and enrol again; waiting reports are kept."
        )


class EnrolmentRefusedError(DeliveryError):
    """The collector does not accept the enrolment token."""

    exit_code = 63

    def __init__(self, *, url: str, reason: str) -> None:
        """Take the address and the collector's reason."""
        super().__init__(
            f"The collector at {url} refused the enrolment: {reason} "
            "An enrolment token works once and for a short time; ask for a new one."
        )


class EnrolmentPendingError(DeliveryError):
    """The collector's admin has not yet approved this machine."""

    exit_code = 64

    def __init__(self, *, url: str) -> None:
        """Take the address."""
        super().__init__(
            f"The collector at {url} has this machine's enrolment but its admin has not approved it yet. "
            "Run the same command again after the approval."
        )


class CollectorBusyError(DeliveryError):
    """The collector asks to be left alone for a while."""

    exit_code = 65

    def __init__(self, *, url: str, status: int, retry_after_s: float | None) -> None:
        """Take the address, the HTTP status and how long to wait [s], if it said."""
        self.status = status
        self.retry_after_s = retry_after_s
        wait = f" for {retry_after_s:.0f} s" if retry_after_s is not None else ""
        super().__init__(
            f"The collector at {url} asks for patience{wait} (HTTP {status}). Reports wait on disk meanwhile."
        )


class ReportsRefusedError(DeliveryError):
    """The collector refuses a whole request."""

    exit_code = 66

    def __init__(self, *, url: str, status: int, problem: str) -> None:
        """Take the address, the HTTP status and the collector's problem."""
        self.status = status
        self.problem = problem
        super().__init__(f"The collector at {url} refused the request (HTTP {status}): {problem}")


class CertificateError(DeliveryError):
    """The collector's certificate cannot be trusted."""

    exit_code = 67

    def __init__(self, *, url: str, reason: str) -> None:
        """Take the address and what the TLS library said."""
        super().__init__(
            f"The certificate of {url} cannot be trusted ({reason}). "
            "If your house signs its own, name its CA with collector.ca_file."
        )


class OrdersRefusedError(DocumentError):
    """Orders from the collector are malformed, expired, replayed or meant for another host."""

    exit_code = 71

    def __init__(self, *, reason: str) -> None:
        """Take the reason."""
        super().__init__(f"The collector's orders were not taken: {reason} The last good ones stay in force.")


class AnswerMalformedError(DocumentError):
    """The collector's answer is not what the protocol says."""

    exit_code = 72

    def __init__(self, *, url: str, reason: str) -> None:
        """Take the address and what is wrong."""
        super().__init__(f"{url} answered with something unexpected: {reason} Is it an Ebbmark collector?")


class StateDamagedError(DocumentError):
    """The agent's own database cannot be read."""

    exit_code = 73

    def __init__(self, *, path: str, reason: str) -> None:
        """Take the file and what the database library said."""
        super().__init__(
            f"The agent's database {path} is damaged ({reason}). "
            "Move it aside to go on with an empty one; reports that were waiting in it are then lost."
        )
