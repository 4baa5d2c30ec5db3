"""The one FHIR HTTP client: authorisation, paging, retry, entity tags. It knows HTTP, not what is written or why.

Every failure becomes `SiteUnavailable` (try again later) or `SiteRefused` (somebody must change something). Their
messages name the method, the resource type, the status and coded issues; never an address, an id or the server's own
words, which may quote a patient. Only reads are tried again here: whoever writes must look before writing again,
because a write whose answer was lost may have happened.
"""

from __future__ import annotations

import logging
import random
import re
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from email.utils import parsedate_to_datetime
from typing import Any, Final, Literal
from urllib.parse import urljoin, urlsplit
from uuid import uuid4

import httpx
import jwt
import orjson

from service.errors import SiteRefused, SiteUnavailable
from service.fhir.sites import SiteAuth

for _logger in ("httpx", "httpcore"):
    logging.getLogger(_logger).setLevel(logging.WARNING)  # httpx logs whole addresses, and searches carry identifiers

Resource = dict[str, Any]
Parameters = Sequence[tuple[str, str]]

TRY_AGAIN: Final = frozenset({408, 425, 429, 500, 502, 503, 504})
"""Answers that may be different later; every other 4xx and 5xx will not be."""
ATTEMPTS: Final = 3
LONGEST_WAIT: Final = 10.0
"""Seconds a read waits here before it tries again; a longer Retry-After is handed to the caller."""
MOST_PAGES: Final = 10_000
SCOPE: Final = (
    "system/Patient.rs system/Observation.rs system/Encounter.rs system/Location.rs system/Procedure.rs"
    " system/QuestionnaireResponse.rs system/Subscription.crus system/ServiceRequest.crus system/Task.crus"
)
"""What is asked for unless a site's file says otherwise (SMART scopes, version 2)."""
_FHIR: Final = "application/fhir+json"
_ASSERTION: Final = "urn:ietf:params:oauth:client-assertion-type:jwt-bearer"
_CODE: Final = re.compile(r"[a-z]+(-[a-z]+)*")


@dataclass(frozen=True, slots=True)
class Auth:
    """How we show who we are. `smart-backend` is SMART Backend Services (http://hl7.org/fhir/smart-app-launch,
    backend-services): an assertion signed ES384 or RS384, as the key is, buys a short-lived token. Secrets never
    appear in `repr`."""

    kind: Literal["none", "bearer", "basic", "smart-backend"] = "none"
    token: str = field(default="", repr=False)
    user: str = ""
    password: str = field(default="", repr=False)
    client_id: str = ""
    private_key: str = field(default="", repr=False)
    key_id: str = ""
    token_url: str = ""
    scope: str = SCOPE

    @classmethod
    def of(cls, site: SiteAuth, secret: Callable[[str], str]) -> Auth:
        """What a site's file names, with `secret` looking each variable up."""

        def value(name: str | None) -> str:
            return secret(name) if name else ""

        return cls(
            kind=site.kind,
            token=value(site.token),
            user=value(site.user),
            password=value(site.password),
            client_id=value(site.client_id),
            private_key=value(site.key),
            key_id=site.key_id or "",
            token_url=site.token_url or "",
            scope=site.scope or SCOPE,
        )


@dataclass(frozen=True, slots=True)
class Ability:
    """What a server says it can do with one resource type. `interactions` and `parameters` (of a search) are empty when
    it does not say."""

    interactions: frozenset[str] = frozenset()
    parameters: frozenset[str] = frozenset()
    conditional_create: bool = False
    conditional_update: bool = False
    update_create: bool = False


@dataclass(frozen=True, slots=True)
class Capabilities:
    """A server's CapabilityStatement, as far as we act on it. `known` is False when there was none to read."""

    known: bool = False
    types: Mapping[str, Ability] = field(default_factory=dict)

    def of(self, type: str) -> Ability:
        """What is said of one type; nothing, where it is not listed."""
        return self.types.get(type, Ability())

    def creates(self, type: str) -> bool:
        """Whether a new resource of this type may be tried: yes unless the server says plainly that it may not."""
        if not self.known:
            return True
        if type not in self.types:
            return False
        ability = self.types[type]
        return not ability.interactions or "create" in ability.interactions or ability.update_create

    def searches(self, type: str, parameter: str) -> bool:
        """Whether the server says plainly that it searches this type by this parameter."""
        return parameter in self.of(type).parameters


@dataclass(frozen=True, slots=True)
class Page:
    """One page of a search: the bytes as they came, the Bundle, and the server's own time of answering."""

    body: bytes
    bundle: Resource
    answered: datetime | None

    def resources(self) -> list[Resource]:
        """Matches and includes; not the OperationOutcomes that servers put among them."""
        entries = self.bundle.get("entry") or []
        found = [
            entry.get("resource")
            for entry in entries
            if isinstance(entry, dict) and (entry.get("search") or {}).get("mode") != "outcome"
        ]
        return [one for one in found if isinstance(one, dict) and one.get("resourceType") != "OperationOutcome"]

    def outcomes(self) -> int:
        """How many OperationOutcomes came along: something was left out or not understood."""
        entries = [entry for entry in self.bundle.get("entry") or [] if isinstance(entry, dict)]
        return sum((entry.get("resource") or {}).get("resourceType") == "OperationOutcome" for entry in entries)


class FhirClient:
    """Speaks to one server. Safe to share between threads.

    `transport` replaces the network, `sleep` waits between attempts, `clock` gives aware UTC, `jitter` a number from
    0 to 1. Every method raises SiteUnavailable or SiteRefused.
    """

    def __init__(
        self,
        base_url: str,
        auth: Auth,
        *,
        clock: Callable[[], datetime],
        transport: httpx.BaseTransport | None = None,
        sleep: Callable[[float], None] = time.sleep,
        jitter: Callable[[], float] = random.random,
        timeout: float = 20.0,
    ) -> None:
        self.base_url = base_url.rstrip("/")
        self._auth, self._clock, self._sleep, self._jitter = auth, clock, sleep, jitter
        self._http = httpx.Client(
            transport=transport, timeout=httpx.Timeout(timeout, connect=min(timeout, 5.0)), follow_redirects=False
        )
        self._lock = threading.Lock()
        self._token: tuple[str, datetime] | None = None
        self._capabilities: tuple[Capabilities, datetime] | None = None

    def close(self) -> None:
        """Gives the connections back."""
        self._http.close()

    def read(self, reference: str) -> Resource:
        """The resource at `Type/id`."""
        return _resource(self._ask("GET", reference), reference)

    def read_body(self, reference: str) -> bytes:
        """The resource at `Type/id`, as the bytes that came."""
        return self._ask("GET", reference).content

    def search(self, type: str, parameters: Parameters = ()) -> list[Resource]:
        """Every match on every page."""
        return [resource for page in self.pages(type, parameters) for resource in page.resources()]

    def pages(self, type: str, parameters: Parameters = ()) -> Iterator[Page]:
        """Page by page, following the server's own next links, and never to another host: the token goes along."""
        url: str | None = f"{self.base_url}/{type}"
        asked: Parameters | None = list(parameters)
        seen: set[str] = set()
        while url is not None:
            response = self._ask("GET", type, url=url, params=asked)
            bundle = _resource(response, type)
            yield Page(response.content, bundle, _http_date(response.headers.get("date")))
            seen.add(url)
            links = [link for link in bundle.get("link") or [] if isinstance(link, dict)]
            following = next((link.get("url") for link in links if link.get("relation") == "next"), None)
            url, asked = (urljoin(f"{self.base_url}/", following) if following else None), None
            if url is not None and _origin(url) != _origin(self.base_url):
                raise SiteRefused(f"the next page of a {type} search is on another host; not followed")
            if url in seen or len(seen) >= MOST_PAGES:
                raise SiteRefused(f"the pages of a {type} search never end")

    def create(self, resource: Resource, if_none_exist: str | None = None) -> str:
        """POST; the reference of what exists now. `if_none_exist` is a query the server may use to refuse a second."""
        headers = {"If-None-Exist": if_none_exist} if if_none_exist else {}
        body = {name: value for name, value in resource.items() if name != "id"}
        return self._write("POST", str(resource["resourceType"]), body, headers)

    def update(self, resource: Resource, if_match: str | None = None) -> str:
        """PUT at the resource's own id; `if_match` is the version it must still have."""
        headers = {"If-Match": f'W/"{if_match}"'} if if_match else {}
        return self._write("PUT", f"{resource['resourceType']}/{resource['id']}", resource, headers)

    def conditional_update(self, resource: Resource, query: Parameters) -> str:
        """PUT at a query: creates where nothing matches, updates the one that does."""
        body = {name: value for name, value in resource.items() if name != "id"}
        return self._write("PUT", str(resource["resourceType"]), body, {}, query)

    def capabilities(self) -> Capabilities:
        """What the server says it can do; kept for an hour. A missing or unreadable statement is not an error."""
        with self._lock:
            if self._capabilities and self._clock() < self._capabilities[1]:
                return self._capabilities[0]
        try:
            found, good_for = _capabilities(_resource(self._ask("GET", "metadata", attempts=1), "metadata")), 60
        except (SiteUnavailable, SiteRefused):
            found, good_for = Capabilities(), 1
        with self._lock:
            self._capabilities = (found, self._clock() + timedelta(minutes=good_for))
        return found

    def _write(
        self, method: str, path: str, body: Resource, headers: Mapping[str, str], params: Parameters | None = None
    ) -> str:
        sent = {"Content-Type": _FHIR, "Prefer": "return=representation", **headers}
        response = self._ask(method, path, content=orjson.dumps(body), headers=sent, params=params, attempts=1)
        return _written(response, path)

    def _ask(
        self,
        method: str,
        path: str,
        *,
        url: str | None = None,
        params: Parameters | None = None,
        content: bytes | None = None,
        headers: Mapping[str, str] | None = None,
        attempts: int = ATTEMPTS,
    ) -> httpx.Response:
        what = f"{method} {path.partition('/')[0]}"
        for attempt in range(1, attempts + 1):
            try:
                return self._once(method, url or f"{self.base_url}/{path}", what, params, content, headers or {})
            except SiteUnavailable as error:
                wait = error.retry_after
                if attempt == attempts or (wait or 0) > LONGEST_WAIT:
                    raise
                self._sleep(wait if wait is not None else self._jitter() * min(LONGEST_WAIT, 0.5 * 2**attempt))
        raise AssertionError("the loop returns or raises")

    def _once(
        self,
        method: str,
        url: str,
        what: str,
        params: Parameters | None,
        content: bytes | None,
        headers: Mapping[str, str],
    ) -> httpx.Response:
        for fresh in (False, True):
            sent = {"Accept": _FHIR, "Cache-Control": "no-cache", **headers, **self._authorization(fresh)}
            query = list(params) if params else None
            response = self._send(what, method, url, content=content, headers=sent, params=query)
            if response.status_code != 401 or self._auth.kind != "smart-backend":
                break
        return self._judge(response, what)

    def _send(self, what: str, method: str, url: str, **rest: Any) -> httpx.Response:
        try:
            return self._http.request(method, url, **rest)
        except httpx.ConnectError:
            raise SiteUnavailable(f"{what}: no connection to the server") from None
        except httpx.TimeoutException:
            raise SiteUnavailable(f"{what}: no answer in time; whether it was done is not known") from None
        except httpx.TransportError:
            raise SiteUnavailable(f"{what}: the connection broke; whether it was done is not known") from None
        except (httpx.InvalidURL, httpx.DecodingError):
            raise SiteRefused(f"{what}: the address or the answer is not HTTP") from None

    def _judge(self, response: httpx.Response, what: str) -> httpx.Response:
        status = response.status_code
        if status < 300:
            return response
        if status < 400:
            raise SiteRefused(f"{what}: the server points elsewhere ({status}); not followed", status)
        message = f"{what}: the server answered {status}{_issues(response)}"
        if status in TRY_AGAIN:
            raise SiteUnavailable(message, status, self._retry_after(response))
        raise SiteRefused(message, status)

    def _retry_after(self, response: httpx.Response) -> float | None:
        """Seconds from `Retry-After`, which is a number of seconds or an HTTP date (RFC 9110 section 10.2.3)."""
        said = response.headers.get("retry-after", "").strip()
        if said.isdecimal():
            return float(said)
        moment = _http_date(said)
        if moment is None:
            return None
        answered = _http_date(response.headers.get("date")) or self._clock()  # its clock, not ours, where it shows it
        return max(0.0, (moment - answered).total_seconds())

    def _authorization(self, fresh: bool) -> dict[str, str]:
        auth = self._auth
        match auth.kind:
            case "none":
                return {}
            case "bearer":
                return {"Authorization": f"Bearer {auth.token}"}
            case "basic":
                request = httpx.Request("GET", "http://localhost")
                next(httpx.BasicAuth(auth.user, auth.password).auth_flow(request))
                return {"Authorization": request.headers["Authorization"]}
            case "smart-backend":
                with self._lock:
                    if fresh or self._token is None or self._clock() >= self._token[1]:
                        self._token = self._buy_token()
                    return {"Authorization": f"Bearer {self._token[0]}"}

    def _buy_token(self) -> tuple[str, datetime]:
        auth, now = self._auth, self._clock()
        url = auth.token_url or self._discover()
        claims = {
            "iss": auth.client_id,
            "sub": auth.client_id,
            "aud": url,
            "exp": int((now + timedelta(minutes=4)).timestamp()),  # five at most; a minute is left to clocks
            "jti": str(uuid4()),
        }
        form = {
            "grant_type": "client_credentials",
            "scope": auth.scope,
            "client_assertion_type": _ASSERTION,
            "client_assertion": _sign(claims, auth),
        }
        response = self._judge(
            self._send("POST token", "POST", url, data=form, headers={"Accept": "application/json"}), "POST token"
        )
        answer = _json(response)
        token = answer.get("access_token")
        if not isinstance(token, str) or not token:
            raise SiteRefused("token: the answer holds no access token", response.status_code)
        life = answer.get("expires_in")
        seconds = float(life) if isinstance(life, int | float) else 60.0
        return token, now + timedelta(seconds=max(seconds - 30.0, seconds / 2))

    def _discover(self) -> str:
        url = f"{self.base_url}/.well-known/smart-configuration"
        found = self._send("GET smart-configuration", "GET", url, headers={"Accept": "application/json"})
        endpoint = _json(self._judge(found, "GET smart-configuration")).get("token_endpoint")
        if not isinstance(endpoint, str) or not endpoint:
            raise SiteRefused("smart-configuration: names no token endpoint")
        return endpoint


def _sign(claims: Mapping[str, Any], auth: Auth) -> str:
    head = {"kid": auth.key_id} if auth.key_id else None
    for algorithm in ("ES384", "RS384"):
        try:
            return jwt.encode(dict(claims), auth.private_key, algorithm=algorithm, headers=head)
        except (ValueError, TypeError, jwt.PyJWTError):
            continue  # not a key of that kind
    raise SiteRefused("token: the private key can sign neither ES384 nor RS384")


def _json(response: httpx.Response) -> Resource:
    try:
        parsed = orjson.loads(response.content.removeprefix(b"\xef\xbb\xbf"))
    except orjson.JSONDecodeError:
        return {}
    return parsed if isinstance(parsed, dict) else {}


def _resource(response: httpx.Response, path: str) -> Resource:
    found = _json(response)
    if not found.get("resourceType"):
        raise SiteUnavailable(f"GET {path.partition('/')[0]}: the answer is not a FHIR resource", response.status_code)
    return found


def _written(response: httpx.Response, path: str) -> str:
    """`Type/id` of what was written, from the body, the Location header or the address, whichever there is."""
    type, _, id = path.partition("/")
    body = _json(response)
    if body.get("resourceType") == type and body.get("id"):
        return f"{type}/{body['id']}"
    for name in ("location", "content-location"):
        parts = urlsplit(response.headers.get(name, "")).path.strip("/").split("/")
        if type in parts[:-1]:
            return f"{type}/{parts[len(parts) - 2 - parts[::-1].index(type) + 2]}"
    return f"{type}/{id}" if id else ""


def _issues(response: httpx.Response) -> str:
    """The coded issues of an OperationOutcome, ` (invalid, not-found)`; never its words."""
    issues = _json(response).get("issue") or []
    found = [str(issue.get("code")) for issue in issues if isinstance(issue, dict)] if isinstance(issues, list) else []
    codes = sorted({code for code in found if len(code) <= 20 and _CODE.fullmatch(code)})
    return f" ({', '.join(codes)})" if codes else ""


def _http_date(value: str | None) -> datetime | None:
    if not value:
        return None
    try:
        moment = parsedate_to_datetime(value)
    except ValueError:
        return None
    return moment if moment.tzinfo else None


def _origin(url: str) -> tuple[str, str | None, int | None]:
    parts = urlsplit(url)
    return parts.scheme, parts.hostname, parts.port or {"https": 443, "http": 80}.get(parts.scheme)


def _capabilities(statement: Resource) -> Capabilities:
    rests = [rest for rest in statement.get("rest") or [] if isinstance(rest, dict)]
    types: dict[str, Ability] = {}
    for listed in (one for rest in rests if rest.get("mode") == "server" for one in rest.get("resource") or []):
        if isinstance(listed, dict) and listed.get("type"):
            interactions = [one.get("code") for one in listed.get("interaction") or [] if isinstance(one, dict)]
            parameters = [one.get("name") for one in listed.get("searchParam") or [] if isinstance(one, dict)]
            types[str(listed["type"])] = Ability(
                frozenset(str(code) for code in interactions if code),
                frozenset(str(name) for name in parameters if name),
                listed.get("conditionalCreate") is True,
                listed.get("conditionalUpdate") is True,
                listed.get("updateCreate") is True,
            )
    return Capabilities(bool(types), types)
