"""At the agent's start: takes away what a killed probe may have left where files cannot be without a name."""

import logging
from pathlib import Path

from ebbmark_agent.cycle.state import Running
from ebbmark_agent.report import FindingBody, FindingFacts
from ebbmark_agent.reports import subject_of

log = logging.getLogger(__name__)


def clear_leftovers(running: Running) -> int:
    """Remove leftovers from the fixed volumes this agent may write, and say so as a finding.

    Args:
        running: The agent, after a look around.

    Returns:
        How many files were removed [1].
    """
    if not running.settings.limits.writes_allowed:
        return 0
    removed = 0
    for volume in running.inventory.volumes:
        members = running.inventory.members(volume)
        # A removable medium is only read: what a person's probe left there, a person's next one clears.
        if not volume.probeable or volume.facts.read_only or any(one.facts.removable for one in members):
            continue
        try:
            count = running.platform.clear_leftovers(Path(volume.mount_point))
        except OSError as error:
            log.warning("Leftovers on %s could not be looked for: %s", volume.mount_point, error)
            continue
        if count:
            removed += count
            now = running.clock.utc()
            sentence = f"{count} files of a probe that was cut off were removed."
            finding = FindingFacts(code="leftover_removed", found_at=now, sentence=sentence)
            subject = subject_of(volume, running.inventory)
            running.keeper.say(FindingBody(subject=subject, finding=finding), now=now)
    return removed
