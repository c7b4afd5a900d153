"""The desk over HTTP: one page and what it asks for, to nobody but who has the token.

Every request must name this server by its own address (no other name leads here, so that a page
that points a name of its own at this computer learns nothing), and come from its own page; every
call carries the token. Nothing is taken but JSON and scans, of a bounded size and in bounded time.
"""

import asyncio
import inspect
import os
import secrets
import socket
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from importlib import resources
from typing import Any

import uvicorn
from pydantic import BaseModel, ConfigDict, ValidationError, create_model
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response, StreamingResponse
from starlette.routing import Route
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from volest.desk.state import BROUGHT, OpenDay, OutdatedError, UnknownError
from volest.errors import UsageError, VolestError

HERE = "127.0.0.1"
EVERYWHERE = "0.0.0.0"  # noqa: S104  # only when asked to let the network in
MOST_BYTES = 500_000_000  # of a scan: ten times the largest that a scanner was seen to write
MOST_JSON_BYTES = 64_000
BRING_S, IDLE_S, JSON_S = 300.0, 15.0, 10.0
MOST_AT_A_TIME = 100  # connections; twenty pages take forty
MOST_BROUGHT = 4  # scans that are on their way at a time
_BEAT_S = 15.0  # a stream that is silent for longer is taken for dead on its way
_LOOK_S = 0.1  # between two looks whether something has changed
_GRACE_S = 3
CODE_LETTERS, CODE_LENGTH = "ABCDEFHJKLMNPRTUVWXY", 6  # none that is read as another
WRONG_CODES, WRONG_S = 10, 60.0  # a guess in a hundred years at that pace
_FILES = {
    "/": ("desk.html", "text/html"),
    "/desk.css": ("desk.css", "text/css"),
    "/desk.js": ("desk.js", "text/javascript"),
    "/look.js": ("look.js", "text/javascript"),
    "/solid.js": ("solid.js", "text/javascript"),
    "/desk.svg": ("desk.svg", "image/svg+xml"),
}
_EXACT = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)
_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'; "
    "require-trusted-types-for 'script'"
)
_HEADERS = {
    "content-security-policy": _POLICY,
    "x-content-type-options": "nosniff",
    "cache-control": "no-store",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
}


# A sheet stands alone: it may run what is in it and print, and sees nothing of the desk.
_SHEET_HEADERS = {
    "content-security-policy": "sandbox allow-scripts allow-modals; default-src 'none'; "
    "img-src data:; style-src 'unsafe-inline'; script-src 'unsafe-inline'; frame-ancestors 'none'",
    "cross-origin-opener-policy": "unsafe-none",  # else browsers show nothing in a sandbox
}


class Keys:
    """The token of every call, and the short code that a person types to be given it."""

    def __init__(self) -> None:
        self.token = secrets.token_urlsafe(24)
        self.code = "".join(secrets.choice(CODE_LETTERS) for _ in range(CODE_LENGTH))
        self._wrong_s: list[float] = []
        self._tickets: dict[str, bool] = {}

    def ticket(self) -> str:
        """Let whoever has the token open one sheet, once: an address cannot carry the token."""
        made = secrets.token_urlsafe(24)
        self._tickets[made] = True
        return made

    def is_ticket(self, ticket: str) -> bool:
        """Say whether this is a ticket; it is none any more afterwards."""
        return self._tickets.pop(ticket, False)

    def given_for(self, code: str) -> str:
        """Give the token for the code; guessing is slow."""
        now_s = time.monotonic()
        self._wrong_s = [at for at in self._wrong_s if now_s - at < WRONG_S]
        if len(self._wrong_s) >= WRONG_CODES:
            raise UsageError(
                "too many wrong codes",
                needed="the code that stands where the desk was started",
                remedy="wait a minute",
            )
        typed = "".join(code.split()).replace("-", "").upper()
        if secrets.compare_digest(typed.encode("utf-8", "replace"), self.code.encode()):
            return self.token
        self._wrong_s.append(now_s)
        raise UsageError(
            "a code that is not this desk's",
            needed="the one that stands where the desk was started",
            remedy="type it again",
        )


class _Guard:
    """Lets through what comes from our own page with the token, and says how it may be used."""

    def __init__(self, app: ASGIApp, keys: Keys) -> None:
        self._app, self._keys = app, keys

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return
        headers = Headers(scope=scope)

        async def told(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, said in _HEADERS.items():
                    headers.setdefault(name, said)
            await send(message)

        refusal = self._refusal(scope, headers)
        await (refusal or self._app)(scope, receive, told)

    def _refusal(self, scope: Scope, headers: Headers) -> Response | None:
        hosts, origins = headers.getlist("host"), headers.getlist("origin")
        address, port = scope.get("server") or ("", 0)
        names = [f"{address}:{port}"] + [f"localhost:{port}"] * (address == HERE)
        if len(hosts) != 1 or hosts[0] not in names:
            return _no(403, "This address is not the desk's own.")
        is_reading = scope["method"] in {"GET", "HEAD"}
        if origins != [f"http://{hosts[0]}"] and not (is_reading and not origins):
            return _no(403, "This does not come from the desk's own page.")
        if not scope["path"].startswith("/api/") or scope["path"] == "/api/enter":
            return None
        kind, _, token = headers.get("authorization", "").partition(" ")
        fits = secrets.compare_digest(token.encode(), self._keys.token.encode())
        if kind != "Bearer" or not fits:
            return _no(401, "Type the code that stands where the desk was started.")
        return None


def _no(status: int, words: str, **more: Any) -> JSONResponse:
    return JSONResponse({"error": words, **more}, status)


def make_app(day: OpenDay, keys: Keys, has_ended: Callable[[], bool], near: str | None) -> ASGIApp:
    """Make the application; `_Guard` stands before all of it. `near` is where tablets find it."""
    brought = asyncio.Semaphore(MOST_BROUGHT)

    async def news(_: Request) -> Response:
        async def told() -> AsyncIterator[str]:
            """Give server-sent events (WHATWG HTML, 9.2): a number when something has changed."""
            last, told_s = -1, 0.0
            while not has_ended():
                here, now_s = day.revision, time.monotonic()
                if here != last or now_s - told_s > _BEAT_S:
                    yield f"data: {here}\n\n" if here != last else ": still here\n\n"
                    last, told_s = here, now_s
                await asyncio.sleep(_LOOK_S)

        return StreamingResponse(told(), media_type="text/event-stream")

    async def bring(request: Request) -> Response:
        if request.headers.get("content-type") != "application/octet-stream":
            return _no(415, "A scan is sent as application/octet-stream.")
        target = day.place_for(request.query_params.get("name", ""))
        part = day.folder / f"{BROUGHT}{secrets.token_hex(8)}.part"
        try:
            async with brought:
                await _kept(request, part)
                is_new = await run_in_threadpool(day.bring, part, target)
        finally:
            part.unlink(missing_ok=True)
        return JSONResponse({"new": is_new})

    async def sheet(request: Request) -> Response:
        if not keys.is_ticket(request.query_params.get("ticket", "")):
            return _no(401, "Open the cards from the desk's page.")
        text = await run_in_threadpool(day.sheet, near, request.query_params.get("mix", ""))
        return Response(text, media_type="text/html", headers=_SHEET_HEADERS)

    def print_begun(mix_id: str) -> str:
        day.begun(mix_id)
        return keys.ticket()

    scan, mix = "/api/scans/{one_id}", "/api/mixes/{mix_id}"
    deciding = day.save, day.prepare, day.tell, day.undo, day.remove
    pouring = day.begin, day.tick, day.book, day.strike
    routes = [
        *(Route(path, _file) for path in _FILES),
        Route("/api/news", news),
        Route("/sheet", sheet),
        Route("/api/scans", bring, methods=["PUT"]),
        _call("/api/day", day.shown, "GET"),
        _call(scan, day.card, "GET"),
        _call("/api/enter", keys.given_for),
        _call("/api/ticket", keys.ticket),
        _call("/api/share", day.share),
        _call(f"{scan}/try", day.tried),
        *(_call(f"{scan}/{do.__name__}", do) for do in deciding),
        *(_call(f"{mix}/{do.__name__}", do) for do in pouring),
        _call(f"{mix}/print", print_begun),
    ]
    return _Guard(Starlette(routes=routes, exception_handlers=_HANDLERS), keys)


async def _file(request: Request) -> Response:
    name, kind = _FILES[request.url.path]
    found = resources.files("volest.view").joinpath("web", name)
    return Response(found.read_bytes(), media_type=kind)


def _call(path: str, do: Callable[..., Any], method: str = "POST") -> Route:
    """Make what is asked or done, beside the loop: words in the path, all others by JSON.

    That is an object with what `do` takes, each of its kind, and nothing else.
    """
    taken = inspect.signature(do).parameters.values()
    fields: dict[str, Any] = {
        one.name: (one.annotation, ... if one.default is one.empty else one.default)
        for one in taken
        if f"{{{one.name}}}" not in path
    }
    form = create_model("Call", __config__=_EXACT, **fields)

    async def endpoint(request: Request) -> Response:
        said = await _said(request, form) if method == "POST" else {}
        return JSONResponse(await run_in_threadpool(do, **request.path_params, **said))

    return Route(path, endpoint, methods=[method])


_STATUS: tuple[tuple[type[Exception], int, str], ...] = (
    (OutdatedError, 409, ""),
    (UnknownError, 404, ""),
    (FileNotFoundError, 404, "The file of that scan is not in the folder any more."),
    (TimeoutError, 408, "It did not come in time; try again."),
    (ClientDisconnect, 400, "It did not come whole."),
    (OSError, 507, "The disk does not take it."),
    (VolestError, 422, ""),
)


async def _faulty(_: Request, fault: Exception) -> Response:
    """Say a fault as the page shows it; the newer word goes with one that came too late."""
    status, words = next((code, words) for kind, code, words in _STATUS if isinstance(fault, kind))
    newer = {"newer": fault.newer} if isinstance(fault, OutdatedError) else {}
    return _no(getattr(fault, "status", status), words or str(fault), **newer)


_HANDLERS: dict[Any, Callable[[Request, Exception], Awaitable[Response]]] = dict.fromkeys(
    (VolestError, OSError, ClientDisconnect), _faulty
)


class _BodyError(UsageError):
    """A request that is too large, or is not what it should be."""

    def __init__(self, status: int, found: str, needed: str) -> None:
        super().__init__(found, needed=needed, remedy="load the page again")
        self.status = status


async def _said(request: Request, form: type[BaseModel]) -> dict[str, Any]:
    """Read the JSON object of a call: the names of its form and no others, each of its kind."""
    kind, _, charset = request.headers.get("content-type", "").partition(";")
    if kind.strip() != "application/json" or charset.strip() not in {"", "charset=utf-8"}:
        raise _BodyError(415, "a call that is no JSON", "application/json")
    async with asyncio.timeout(JSON_S):
        body = b"".join([piece async for piece in _pieces(request, MOST_JSON_BYTES)])
    try:
        return dict(form.model_validate_json(body))
    except ValidationError as fault:
        needed = "; ".join(f"{'.'.join(map(str, e['loc']))}: {e['msg']}" for e in fault.errors())
        raise _BodyError(400, "a call that is not as the page makes it", needed) from fault


async def _pieces(request: Request, most_bytes: int) -> AsyncIterator[bytes]:
    """Give the body piece by piece, for as long as it is not too large and goes on coming."""
    told = request.headers.get("content-length", "0")
    size = int(told) if told.isascii() and told.isdigit() and len(told) < 16 else most_bytes + 1  # noqa: PLR2004
    came, stream = 0, request.stream()
    while max(size, came) <= most_bytes:
        async with asyncio.timeout(IDLE_S):
            piece = await anext(stream, None)
        if piece is None:
            return
        came += len(piece)
        yield piece
    raise _BodyError(413, "too much at once", f"{most_bytes:,} bytes at most")


async def _kept(request: Request, part: os.PathLike[str]) -> None:
    """Write a scan that is brought into a file, and see that it is on the disk."""
    with open(part, "xb") as stream:  # noqa: PTH123  # a local disk takes pieces at once
        async with asyncio.timeout(BRING_S):
            async for piece in _pieces(request, MOST_BYTES):
                stream.write(piece)
        stream.flush()
        await run_in_threadpool(os.fsync, stream.fileno())


class DeskServer(uvicorn.Server):
    """Serves an open day until a person, a signal or `stop` ends it."""

    def __init__(self, day: OpenDay, sock: socket.socket, keys: Keys) -> None:
        host, port = sock.getsockname()
        address = address_in_network() if host == EVERYWHERE else HERE
        near = None if address == HERE else f"http://{address}:{port}/"
        super().__init__(
            uvicorn.Config(
                make_app(day, keys, lambda: self.should_exit, near),
                log_config=None,
                access_log=False,
                server_header=False,
                proxy_headers=False,
                lifespan="off",
                ws="none",
                http="h11",
                loop="asyncio",
                limit_concurrency=MOST_AT_A_TIME,
                timeout_graceful_shutdown=_GRACE_S,
            )
        )

    def stop(self, *_: object) -> None:
        """End it soon, from any thread or a signal."""
        self.should_exit = True

    handle_exit = stop  # type: ignore[assignment]  # at a signal, which is not raised once more


def bound(port: int, *, network: bool) -> socket.socket:
    """Take a port of this computer, for itself or for the network too; 0 takes any that is free."""
    sock = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        sock.bind((EVERYWHERE if network else HERE, port))
        sock.listen(MOST_AT_A_TIME)  # a browser that is quick waits
    except OSError as fault:
        sock.close()
        raise UsageError(
            f"port {port} that cannot be had ({fault.strerror or fault})",
            needed="a port that no other program has",
            remedy="end the other desk, or give another --port",
        ) from fault
    return sock


def address_in_network() -> str:
    """Find the address by which others reach this computer: no packet is sent for it."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        try:
            asking.connect(("192.0.2.1", 9))  # set aside for examples (RFC 5737)
            return str(asking.getsockname()[0])
        except OSError:  # no network at all
            return HERE
