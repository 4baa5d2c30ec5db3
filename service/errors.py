"""The exceptions of the service.

    RidgelineError                 everything the service raises on purpose
    ├── ConfigurationError         a policy, site file or setting is wrong: refuse to start
    ├── NotUnderstood              a text or value cannot be read without guessing
    ├── NotFound                   the thing asked for is not known
    ├── Forbidden                  whoever asks may look at it and not do it
    └── SiteError                  a site's server did not do what was asked
        ├── SiteUnavailable        try again later (time-out, 5xx, 429, refused connection)
        └── SiteRefused            it will not work until somebody changes something (401, 403, 404, 422)

Messages are plain sentences for the person who can act on them. They never hold a name, an identifier or a
clinical value of a patient: they end up in logs.
"""


class RidgelineError(Exception):
    """Base of all errors raised on purpose; `str(error)` is a sentence to show."""


class ConfigurationError(RidgelineError):
    """A file or setting is wrong. `where` names the file and key, `allowed` the words accepted there."""

    def __init__(self, where: str, problem: str, allowed: tuple[str, ...] = ()) -> None:
        self.where, self.problem, self.allowed = where, problem, allowed
        hint = f" (allowed: {', '.join(allowed)})" if allowed else ""
        super().__init__(f"{where}: {problem}{hint}")


class NotUnderstood(RidgelineError, ValueError):
    """A value cannot be read without guessing."""


class NotFound(RidgelineError, LookupError):
    """The thing asked for is not known here."""


class Forbidden(RidgelineError):
    """Whoever asks for this may not do it."""


class SiteError(RidgelineError):
    """A site's server did not do what was asked. `status` is the HTTP status, None when there was no answer."""

    def __init__(self, message: str, status: int | None = None) -> None:
        self.status = status
        super().__init__(message)


class SiteUnavailable(SiteError):
    """Worth trying again. `retry_after` is in seconds when the server said so."""

    def __init__(self, message: str, status: int | None = None, retry_after: float | None = None) -> None:
        self.retry_after = retry_after
        super().__init__(message, status)


class SiteRefused(SiteError):
    """Not worth trying again until somebody changes something."""
