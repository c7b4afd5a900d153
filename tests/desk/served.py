"""A desk that is really served, and somebody who calls it as the page does."""

import http.client
import json
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any
from unittest.mock import patch

from tests.flat import flat
from volest.batch.find import Arrivals
from volest.desk.server import DeskServer, Keys, bound
from volest.desk.state import OpenDay
from volest.run import Request
from volest.settings import Settings

PATIENCE_S = 60.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Desk:
    day: OpenDay
    keys: Keys
    port: int
    server: DeskServer

    @property
    def host(self) -> str:
        return f"127.0.0.1:{self.port}"

    @property
    def url(self) -> str:
        return f"http://{self.host}/#{self.keys.token}"

    def ask(self, method: str, path: str, body: Any = None, **headers: str) -> tuple[int, Any]:
        """Call as the page does; headers given stand in place of the page's, '' leaves one out."""
        usual = {"host": self.host, "authorization": f"Bearer {self.keys.token}"}
        if body is not None:
            usual |= {"origin": f"http://{self.host}", "content-type": "application/json"}
        sent = {name.replace("_", "-"): text for name, text in {**usual, **headers}.items()}
        data = body if isinstance(body, bytes | type(None)) else json.dumps(body).encode()
        link = http.client.HTTPConnection("127.0.0.1", self.port, timeout=PATIENCE_S)
        link.putrequest(method, path, skip_host=True)
        for name, text in sent.items():
            if text:
                link.putheader(name, text)
        if data is not None and "content-length" not in sent:
            link.putheader("content-length", str(len(data)))
        link.endheaders(data)
        answer = link.getresponse()
        said = answer.read()
        is_json = answer.getheader("content-type") == "application/json"
        link.close()
        return answer.status, json.loads(said) if is_json else said

    def shown(self, holds: Callable[[dict[str, Any]], object] = bool) -> dict[str, Any]:
        """Wait until something holds of what the page shows."""
        end = time.monotonic() + PATIENCE_S
        while time.monotonic() < end:
            status, said = self.ask("GET", "/api/day")
            assert status == 200, said
            if holds(said):
                assert isinstance(said, dict)
                return said
            time.sleep(0.05)
        raise TimeoutError(said)

    def scan(self, name: str, holds: Callable[[dict[str, Any]], object] = bool) -> dict[str, Any]:
        """Wait for a scan of that name, sized and at rest, of which something holds."""

        def fitting(said: dict[str, Any]) -> list[dict[str, Any]]:
            return [
                one
                for one in said["scans"]
                if one["name"] == name and not one["again"] and holds(one)
            ]

        return fitting(self.shown(fitting))[0]


FLAT = flat()
# Files are whole here at once; how long others are waited for, `tests/batch/test_watch.py` holds.
QUICK = partial(Arrivals, settle_s=0.2)


@contextmanager
def served(
    folder: Path,
    *,
    journal: Path | None = None,
    at_most: int = 1,
    settings: Settings = FLAT,
    network: bool = False,
) -> Iterator[Desk]:
    request = Request(settings=settings, out=folder, out_sheet=True, here=True)
    with patch("volest.desk.state.Arrivals", QUICK):
        day = OpenDay(request, folder, journal_file=journal, at_most=at_most, say=print)
    keys = Keys()
    with bound(0, network=network) as sock, day.open():
        server = DeskServer(day, sock, keys)
        thread = threading.Thread(target=server.run, args=([sock],))
        thread.start()
        try:
            yield Desk(day=day, keys=keys, port=sock.getsockname()[1], server=server)
        finally:
            server.stop()
            thread.join(PATIENCE_S)
            assert not thread.is_alive()
