"""The few calls of kernel32 the inventory needs, behind a port that tests fulfil with answers of their own.

The ctypes side is a thin shell over documented calls; it has not been run on Windows by the tests.
"""

import ctypes
from typing import Any, Protocol

_OPEN_EXISTING = 3
_SHARE_ALL = 0x7
_INVALID_HANDLE = ctypes.c_void_p(-1).value
_NAME_CHARACTERS = 1024


class Calls(Protocol):
    """What the inventory asks of Windows."""

    def volumes(self) -> tuple[str, ...]:
        r"""Give the volumes' names, `\\?\Volume{…}\` (FindFirstVolumeW)."""

    def mount_points(self, volume: str) -> tuple[str, ...]:
        """Give the paths a volume is reached by (GetVolumePathNamesForVolumeNameW)."""

    def drive_type(self, root: str) -> int:
        """Give the kind of a volume: 2 removable, 3 fixed, 4 network, 5 optical (GetDriveTypeW)."""

    def volume_information(self, volume: str) -> tuple[str, str, int] | None:
        """Give label, file system and flags of a volume (GetVolumeInformationW); None without a medium."""

    def volume_holding(self, path: str) -> str | None:
        """Give the name of the volume that holds a path (GetVolumePathNameW and its companion)."""

    def control(self, device: str, code: int, request: bytes, answer_bytes: int) -> bytes | None:
        """Put a control code to a device opened for no access at all; None where it refuses."""


class Kernel32Calls:
    """The calls themselves."""

    def __init__(self, kernel32: Any | None = None) -> None:
        """Take the library; without one the system's own is loaded."""
        self._kernel32 = kernel32 if kernel32 is not None else _load()

    def volumes(self) -> tuple[str, ...]:
        """Give the volumes' names."""
        name = ctypes.create_unicode_buffer(_NAME_CHARACTERS)
        search = self._kernel32.FindFirstVolumeW(name, _NAME_CHARACTERS)
        if search in {None, 0, _INVALID_HANDLE}:
            return ()
        found = [name.value]
        while self._kernel32.FindNextVolumeW(search, name, _NAME_CHARACTERS):
            found.append(name.value)
        self._kernel32.FindVolumeClose(search)
        return tuple(found)

    def mount_points(self, volume: str) -> tuple[str, ...]:
        """Give the paths a volume is reached by."""
        names = ctypes.create_unicode_buffer(_NAME_CHARACTERS)
        length = ctypes.c_uint32(0)
        if not self._kernel32.GetVolumePathNamesForVolumeNameW(
            volume, names, _NAME_CHARACTERS, ctypes.byref(length)
        ):
            return ()
        return tuple(path for path in "".join(names[: length.value]).split("\0") if path)

    def drive_type(self, root: str) -> int:
        """Give the kind of a volume."""
        return int(self._kernel32.GetDriveTypeW(root))

    def volume_information(self, volume: str) -> tuple[str, str, int] | None:
        """Give label, file system and flags of a volume."""
        label = ctypes.create_unicode_buffer(_NAME_CHARACTERS)
        kind = ctypes.create_unicode_buffer(_NAME_CHARACTERS)
        flags = ctypes.c_uint32(0)
        told = self._kernel32.GetVolumeInformationW(
            volume, label, _NAME_CHARACTERS, None, None, ctypes.byref(flags), kind, _NAME_CHARACTERS
        )
        return (label.value, kind.value, flags.value) if told else None

    def volume_holding(self, path: str) -> str | None:
        """Give the name of the volume that holds a path."""
        root = ctypes.create_unicode_buffer(_NAME_CHARACTERS)
        name = ctypes.create_unicode_buffer(_NAME_CHARACTERS)
        if not self._kernel32.GetVolumePathNameW(path, root, _NAME_CHARACTERS):
            return None
        if self._kernel32.GetVolumeNameForVolumeMountPointW(root.value, name, _NAME_CHARACTERS):
            return name.value
        return root.value

    def control(self, device: str, code: int, request: bytes, answer_bytes: int) -> bytes | None:
        """Put a control code to a device."""
        handle = self._kernel32.CreateFileW(device, 0, _SHARE_ALL, None, _OPEN_EXISTING, 0, None)
        if handle in {None, _INVALID_HANDLE}:
            return None
        answer = ctypes.create_string_buffer(answer_bytes)
        answered = ctypes.c_uint32(0)
        asked = ctypes.create_string_buffer(request, len(request)) if request else None
        done = self._kernel32.DeviceIoControl(
            handle, code, asked, len(request), answer, answer_bytes, ctypes.byref(answered), None
        )
        self._kernel32.CloseHandle(handle)
        return answer.raw[: answered.value] if done else None


def _load() -> Any:
    library = ctypes.WinDLL("kernel32", use_last_error=True)  # type: ignore[attr-defined,unused-ignore]
    for name in ("CreateFileW", "FindFirstVolumeW"):
        getattr(library, name).restype = ctypes.c_void_p
    library.CloseHandle.argtypes = [ctypes.c_void_p]
    library.FindNextVolumeW.argtypes = [ctypes.c_void_p, ctypes.c_wchar_p, ctypes.c_uint32]
    library.FindVolumeClose.argtypes = [ctypes.c_void_p]
    library.DeviceIoControl.argtypes = [
        ctypes.c_void_p,
        ctypes.c_uint32,
        ctypes.c_void_p,
        ctypes.c_uint32,
        ctypes.c_void_p,
        ctypes.c_uint32,
        ctypes.c_void_p,
        ctypes.c_void_p,
    ]
    return library
