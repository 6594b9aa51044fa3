"""Whether the machine runs on mains power, by the host library all systems share."""

import psutil


def on_mains() -> bool | None:
    """Tell whether the machine runs on mains power.

    Returns:
        None where the machine has no battery to speak of: a desktop does not say what it runs on.
    """
    sensors = getattr(psutil, "sensors_battery", None)
    battery = sensors() if sensors else None
    if battery is None:
        return None
    plugged: bool | None = battery.power_plugged
    return plugged
