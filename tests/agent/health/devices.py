"""A device for the health readers, as small as their Protocol allows."""

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class SmartDeviceHere:
    """An invented device at a node; what is not said of it is as harmless as can be."""

    smart_node: str
    display_name: str = "Drive A"
    may_sleep: bool = False
    over_usb: bool = False
    usb_vendor_id: str | None = None
