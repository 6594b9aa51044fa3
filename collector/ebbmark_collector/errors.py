"""What can go wrong in the collector, in families by who must act, each with its status and problem type."""

from typing import ClassVar


class CollectorError(Exception):
    """The root: a sentence a person can act on, with the status and problem type it shows as."""

    status: ClassVar[int] = 500
    problem: ClassVar[str] = "internal"
    title: ClassVar[str] = "The collector failed"

    def __init__(self, sentence: str) -> None:
        super().__init__(sentence)
        self.sentence = sentence


class ConfigurationError(CollectorError):
    """The operator must change a setting; all faults found are told together."""

    problem = "configuration"
    title = "The configuration is wrong"

    def __init__(self, faults: list[str]) -> None:
        super().__init__("; ".join(faults))
        self.faults = tuple(faults)


class StoreError(CollectorError):
    """The database did not do what was asked."""

    problem = "store"
    title = "The database failed"


class Conflict(StoreError):  # noqa: N818 -- names the outcome, as the problem type does
    """A row that must be the only one of its kind exists already."""

    status = 409
    problem = "conflict"
    title = "This exists already or has changed"


class Busy(StoreError):  # noqa: N818 -- names the outcome, as the problem type does
    """The database is held by others; the same call may succeed a moment later."""

    status = 503
    problem = "busy"
    title = "The database is busy"


class Unreachable(StoreError):  # noqa: N818 -- names the outcome, as the problem type does
    """The database server does not answer."""

    status = 503
    problem = "store-unreachable"
    title = "The database does not answer"


class StorageFull(StoreError):  # noqa: N818 -- names the outcome, as the problem type does
    """The disk beneath the database is full; nothing was taken in."""

    status = 507
    problem = "storage-full"
    title = "The collector's disk is full"


class Corrupt(StoreError):  # noqa: N818 -- names the outcome, as the problem type does
    """The database file is damaged; restore the last good backup."""

    problem = "store-damaged"
    title = "The database is damaged"


class DocumentError(CollectorError):
    """The sender must change the document; names the field that is wrong."""

    status = 422
    problem = "invalid"
    title = "The request does not fit its description"

    def __init__(self, sentence: str, *, field: str | None = None) -> None:
        super().__init__(sentence)
        self.field = field


class NotFound(CollectorError):  # noqa: N818 -- names the outcome, as the problem type does
    """What was asked for is not here."""

    status = 404
    problem = "not-found"
    title = "There is no such thing here"


class Forbidden(CollectorError):  # noqa: N818 -- names the outcome, as the problem type does
    """The caller is known but may not do this."""

    status = 403
    problem = "forbidden"
    title = "This token may not do that"
