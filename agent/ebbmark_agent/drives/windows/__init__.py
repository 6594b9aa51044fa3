"""Windows: the inventory from documented calls of kernel32 and the storage drivers' control codes."""

from ebbmark_agent.drives.windows.calls import Calls, Kernel32Calls
from ebbmark_agent.drives.windows.scan import scan, volume_of

SYSTEM = "windows"

__all__ = ["SYSTEM", "Calls", "Kernel32Calls", "scan", "volume_of"]
