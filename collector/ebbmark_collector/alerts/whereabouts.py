"""Conditions of evidence and presence: unproven, no soak, no safe moment, silent, unknown, twice there."""

from datetime import datetime, timedelta

from ebbmark_agent.evidence.standing import Standing as Word
from ebbmark_agent.report import IdentityConfidence

from ebbmark_collector.alerts.scene import Look, Scene, Seen
from ebbmark_collector.alerts.vocabulary import ConditionKind as Kind
from ebbmark_collector.alerts.vocabulary import Sight
from ebbmark_collector.judge.history import Presence

GRACE = 1.5  # [1] of the soak cadence before its absence is told
AGING_DAYS = 14  # [days] before evidence runs out


def unproven(scene: Scene) -> tuple[Seen, ...]:
    """Nothing shows yet that it may record what its role asks."""
    kind = Kind.UNPROVEN
    if scene.role is None or scene.role.demand is None:
        return (Seen(kind=kind, sight=Sight.ABSENT, because="Its role asks for no write rate now."),)
    standing = scene.standing
    reason = standing.reasons[0].sentence if standing.reasons else ""
    borrowed = scene.cohort.borrowed_floor_bytes_per_s
    why = [r.sentence for r in standing.reasons]
    if borrowed is not None:
        why.append(f"Its siblings' soaks ended at {borrowed / 1e6:.0f} MB/s; that is a warning, not a pass.")
    return (
        Seen(
            kind=kind,
            sight=Sight.PRESENT if standing.word is Word.UNPROVEN else Sight.ABSENT,
            what=f"unproven: {reason[:1].lower()}{reason[1:].rstrip('.')}",
            why=tuple(why),
            next_step="Soak it.",
            because=f"It is {standing.word} now.",
        ),
    )


def no_recent_soak(scene: Scene) -> tuple[Seen, ...]:
    """Its role orders soaks, and none has come for one and a half times their cadence."""
    kind = Kind.NO_RECENT_SOAK
    every = scene.role.role.cadence.soak_every_days if scene.role else None
    if every is None or scene.history.facts.presence is not Presence.FIXED:
        return (Seen(kind=kind, sight=Sight.ABSENT, because="No soaks are ordered for it now."),)
    since = _latest(
        scene.history.soaks[-1].at if scene.history.soaks else None,
        scene.history.assignment.since if scene.history.assignment else None,
        scene.history.facts.first_seen_at,
    )
    if since is None:
        return (Seen(kind=kind, sight=Sight.UNSEEN),)
    days = (scene.now - since).total_seconds() / 86_400
    return (
        Seen(
            kind=kind,
            sight=Sight.PRESENT if days > GRACE * every else Sight.ABSENT,
            what=f"no soak for {days:.0f} days; one is due every {every:.0f}",
            value=days,
            limit=GRACE * every,
            unit="d",
            since=since,
            next_step="See why none ran: the agent tells what it waits for.",
            because="It has been soaked.",
        ),
    )


def no_safe_moment(scene: Scene) -> tuple[Seen, ...]:
    """The agent has found no moment to probe it that would harm nobody."""
    since = scene.history.facts.no_safe_moment_since
    waited = scene.now - since if since else timedelta(0)
    days = waited.total_seconds() / 86_400
    return (
        Seen(
            kind=Kind.NO_SAFE_MOMENT,
            sight=Sight.PRESENT if days >= scene.watch.no_safe_moment_days else Sight.ABSENT,
            what=f"no safe moment to probe it for {days:.0f} days",
            value=days,
            limit=scene.watch.no_safe_moment_days,
            unit="d",
            since=since,
            next_step="Give it probe hours in which nobody works on that machine.",
            because="It has been probed.",
        ),
    )


def silent_drive(scene: Scene) -> tuple[Seen, ...]:
    """A fixed drive that its own host no longer sees; a silent host is another alert and explains it."""
    facts = scene.history.facts
    kind = Kind.SILENT_DRIVE
    if facts.presence is not Presence.FIXED:
        return (
            Seen(kind=kind, sight=Sight.ABSENT, because=f"It is known to be {_IN_WORDS[facts.presence]}."),
        )
    if facts.last_seen_at is None:
        return (Seen(kind=kind, sight=Sight.UNSEEN),)
    patience = timedelta(seconds=scene.watch.silent_after_s)
    host_silent = facts.host_heard_at is not None and scene.now - facts.host_heard_at > patience
    missed = scene.now - facts.last_seen_at > patience
    if missed and (host_silent or facts.host_heard_at is None):
        sight = Sight.UNSEEN
    else:
        sight = Sight.PRESENT if missed else Sight.ABSENT
    return (
        Seen(
            kind=kind,
            sight=sight,
            what=f"not seen since {facts.last_seen_at:%Y-%m-%d}, though its host reports",
            since=facts.last_seen_at,
            next_step="See whether it was taken out; if so, say that it comes and goes, or retire it.",
            because="It is seen again.",
        ),
    )


def evidence_aging(scene: Scene) -> tuple[Seen, ...]:
    """For media that come and go: their evidence runs out, or has; told in the digest."""
    facts, standing = scene.history.facts, scene.standing
    kind = Kind.EVIDENCE_AGING
    until = standing.valid_until
    if facts.presence is Presence.FIXED or until is None:
        return (Seen(kind=kind, sight=Sight.ABSENT, because="It has newer evidence, or is fixed now."),)
    near = scene.now >= until - timedelta(days=AGING_DAYS)
    return (
        Seen(
            kind=kind,
            sight=Sight.PRESENT if near else Sight.ABSENT,
            what=f"its evidence runs out on {until:%Y-%m-%d}",
            since=standing.evidence_at,
            act_by=until,
            next_step="Have it soaked before it next goes out.",
            because="It has newer evidence.",
        ),
    )


def unknown_drive(scene: Scene) -> tuple[Seen, ...]:
    """A drive nobody has spoken for where recordings are made."""
    facts = scene.history.facts
    nameless = facts.confidence is not IdentityConfidence.OWN and not facts.asset_tag
    in_recorder_role = scene.role is not None and scene.role.is_recorder
    unspoken = scene.role is None and facts.on_recorder_host
    if unspoken:
        what, step = "it sits in a recording machine and has no role", "Give it a role, or retire it."
    else:
        what = "it has a recorder role but no identity of its own"
        step = "Bind it by its asset tag, or take it from this reader."
    return (
        Seen(
            kind=Kind.UNKNOWN_DRIVE,
            sight=Sight.PRESENT if unspoken or (nameless and in_recorder_role) else Sight.ABSENT,
            what=what,
            since=facts.first_seen_at,
            next_step=step,
            because="Somebody has spoken for it.",
        ),
    )


def duplicate_identity(scene: Scene) -> tuple[Seen, ...]:
    """Two drives claim to be the same one, so neither's evidence can be trusted to be its own."""
    others = scene.history.facts.duplicate_of
    return (
        Seen(
            kind=Kind.DUPLICATE_IDENTITY,
            sight=Sight.PRESENT if others else Sight.ABSENT,
            what=f"its identity is also claimed by {', '.join(others)}",
            next_step="Look at both labels; bind each by its own asset tag.",
            because="Only one drive claims this identity now.",
        ),
    )


_IN_WORDS = {
    Presence.FIXED: "fixed",
    Presence.COMES_AND_GOES: "coming and going",
    Presence.ON_LOAN: "on loan",
}


def _latest(*instants: datetime | None) -> datetime | None:
    return max((i for i in instants if i is not None), default=None)


# These hold of a drive that is not there, too.
LOOKS: tuple[Look, ...] = (
    unproven,
    no_recent_soak,
    no_safe_moment,
    silent_drive,
    evidence_aging,
    unknown_drive,
    duplicate_identity,
)
