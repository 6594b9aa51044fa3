"""Messages out: transitions become outbox rows in one transaction, rows become attempts with fates."""

import logging
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from ebbmark_collector.alerts import Severity
from ebbmark_collector.errors import ConfigurationError
from ebbmark_collector.notify import (
    Channel,
    Message,
    Outcome,
    QuietHours,
    Target,
    TryLater,
    compose,
    elsewhere,
    fates,
    mail,
    parcels,
    webhook,
)
from ebbmark_collector.notify.addresses import AddressRefused, check_beforehand
from ebbmark_collector.notify.signing import Secret
from ebbmark_collector.settings import AppriseSettings, MailSettings, NotifySettings, WebhookSettings
from ebbmark_collector.store import Row, Store, Tx, Value, alerting, from_ms, outbox, to_ms

_LOG = logging.getLogger(__name__)
Attempt = Callable[[Message, datetime], Outcome]


@dataclass(frozen=True, kw_only=True)
class Post:
    """Everybody who is told, and how each is reached."""

    targets: tuple[Target, ...]
    attempts: Mapping[str, Attempt]
    source: str
    link: str | None


def _secret(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8").strip()
    except OSError as error:
        raise ConfigurationError([f"{path} cannot be read: {error.strerror}."]) from error


def _target(settings: WebhookSettings | MailSettings | AppriseSettings, channel: Channel) -> Target:
    quiet = None
    if settings.quiet_from is not None and settings.quiet_until is not None:
        quiet = QuietHours(starts=settings.quiet_from, ends=settings.quiet_until, zone=settings.zone)
    return Target(
        name=settings.name,
        channel=channel,
        least=Severity(settings.least),
        roles=settings.roles,
        digest_below=None if settings.digest_below == "none" else Severity(settings.digest_below),
        digest_at=settings.digest_at,
        zone=settings.zone,
        quiet=quiet,
    )


def _by_webhook(settings: WebhookSettings) -> Attempt:
    hook = webhook.Webhook(
        name=settings.name,
        url=settings.url,
        secret=Secret.read(_secret(settings.secret_file)),
        allowed_hosts=settings.allowed_hosts,
        ca_file=str(settings.ca_file) if settings.ca_file else None,
    )
    return lambda message, now: webhook.post(hook, message, now=now)


def _by_mail(settings: MailSettings) -> Attempt:
    box = mail.Mailbox(
        name=settings.name,
        server=settings.server,
        port=settings.port,
        sender=settings.sender,
        recipients=settings.recipients,
        starttls=settings.starttls,
        user=settings.user,
        password=_secret(settings.password_file) if settings.password_file else None,
        ca_file=str(settings.ca_file) if settings.ca_file else None,
    )
    return lambda message, now: mail.send(box, message, now=now)


def _by_apprise(settings: AppriseSettings) -> Attempt:
    urls = tuple(line for line in _secret(settings.urls_file).splitlines() if line.strip())
    elsewhere.check(urls)
    return lambda message, _: elsewhere.send(urls, message)


def open_post(settings: NotifySettings) -> Post:
    """Read the secrets and make everybody reachable.

    Raises:
        ConfigurationError: A secret cannot be read or is none, two targets share a name, or a webhook may
            not go where it should.
    """
    targets: list[Target] = []
    attempts: dict[str, Attempt] = {}
    for hook in settings.webhooks:
        try:
            check_beforehand(hook.url, allowed_hosts=hook.allowed_hosts)
        except AddressRefused as error:
            raise ConfigurationError([f"notify.webhooks: {hook.name}: {error}"]) from error
        targets.append(_target(hook, Channel.WEBHOOK))
        attempts[hook.name] = _by_webhook(hook)
    for box in settings.mails:
        targets.append(_target(box, Channel.MAIL))
        attempts[box.name] = _by_mail(box)
    for other in settings.apprise:
        targets.append(_target(other, Channel.APPRISE))
        attempts[other.name] = _by_apprise(other)
    if len(attempts) < len(targets):
        raise ConfigurationError(["notify: two targets have the same name; give each its own."])
    return Post(targets=tuple(targets), attempts=attempts, source=settings.source, link=settings.link)


def gather(store: Store, post: Post, now: datetime) -> int:
    """Make messages of the transitions not yet told, and mark them as told, in one transaction.

    Returns:
        How many transitions were taken [1].
    """

    def job(tx: Tx) -> int:
        lines = alerting.to_tell(tx)
        if not lines:
            return 0
        made = compose(
            [transition for _, _, transition in lines],
            post.targets,
            source=post.source,
            now=now,
            link=post.link,
        )
        outbox.add(tx, [_row(message) for message in made])
        alerting.told(tx, [(alert_id, number) for alert_id, number, _ in lines], to_ms(now))
        return len(lines)

    return store.write(job)


def _row(message: Message) -> dict[str, Value]:
    return {
        "message_id": message.message_id,
        "target": message.target,
        "channel": message.channel.value,
        "in_digest": int(message.in_digest),
        "body": message.body,
        "made_ms": to_ms(message.made_at),
        "next_ms": to_ms(message.next_at),
        "tries": message.tries,
    }


def _message(row: Row) -> Message:
    return Message(
        message_id=row["message_id"],
        target=row["target"],
        channel=Channel(row["channel"]),
        in_digest=bool(row["in_digest"]),
        body=row["body"],
        made_at=from_ms(row["made_ms"]),
        next_at=from_ms(row["next_ms"]),
        tries=row["tries"],
    )


def deliver(store: Store, post: Post, now: datetime) -> int:
    """Make one attempt at every message that is due; give how many attempts that were [1]."""
    due = [_message(row) for row in store.read(lambda tx: outbox.due(tx, to_ms(now)))]
    made = 0
    for parcel in parcels(due, source=post.source, now=now):
        outcome = _attempt(post, parcel.message, now)
        made += 1

        def job(tx: Tx, parcel=parcel, outcome=outcome) -> None:  # type: ignore[no-untyped-def]
            for fate in fates(parcel, outcome, now):
                outbox.put_fate(
                    tx,
                    fate.message_id,
                    tries=fate.tries,
                    delivered_ms=to_ms(fate.delivered_at) if fate.delivered_at else None,
                    next_ms=to_ms(fate.next_at) if fate.next_at else None,
                    given_up_ms=to_ms(fate.given_up_at) if fate.given_up_at else None,
                    sentence=fate.sentence,
                )

        store.write(job)
    return made


def _attempt(post: Post, message: Message, now: datetime) -> Outcome:
    attempt = post.attempts.get(message.target)
    if attempt is None:
        return TryLater(sentence=f"There is no target {message.target} in the settings any more.")
    try:
        return attempt(message, now)
    except ConfigurationError as error:
        return TryLater(sentence=error.sentence)
