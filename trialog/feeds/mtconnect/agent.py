"""Ask an agent: what it can tell, what holds now, what came since. Nothing else is ever sent."""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from urllib.parse import quote

import httpx

from trialog import __version__
from trialog.feeds.mtconnect.documents import (
    AgentError,
    DataItem,
    FeedError,
    Streams,
    read_probe,
    read_streams,
)
from trialog.feeds.mtconnect.parts import LARGEST_DOCUMENT, boundary_of, parts_of

AT_ONCE = 1000
"""Observations asked for at a time; the standard's own default is 100."""

HEARTBEAT_SECONDS = 10
PLAIN_ID = re.compile(r"[\w.:-]+")


@dataclass(frozen=True)
class Waits:
    """How long an agent is waited for, in seconds; `document`: for a whole one, drop by drop."""

    connect: float = 5.0
    silence: float = 2.5 * HEARTBEAT_SECONDS
    document: float = 60.0


@dataclass
class Agent:
    """An agent at an address, and the data items that are listened to."""

    url: str
    device: str | None
    items: Sequence[str]
    waits: Waits = field(default_factory=Waits)
    by_path: bool = True
    """Whether it is asked for our data items alone; some agents know no paths."""

    def probe(self) -> tuple[DataItem, ...]:
        """Ask what the devices can tell."""
        return read_probe(self._document("probe", {}))

    def current(self) -> Streams:
        """Ask what holds now."""
        return self._asked(lambda path: self._streams("current", path))

    def sample(self, start: int) -> Streams:
        """Ask for what came since, up to a thousand observations at a time."""
        asked = {"from": str(start), "count": str(AT_ONCE)}
        return self._asked(lambda path: self._streams("sample", asked | path))

    def stream(self, start: int) -> Iterator[Streams]:
        """Listen: yield what comes, and every ten seconds at least that nothing came.

        An agent that cannot stream answers once.
        """
        asked = {
            "from": str(start), "count": str(AT_ONCE), "interval": "500",
            "heartbeat": str(1000 * HEARTBEAT_SECONDS),
        }  # fmt: skip
        with self._answer("sample", asked | self._path()) as answer:
            kind = _kind(answer)
            if kind != "multipart/x-mixed-replace":
                yield read_streams(self._whole(answer, kind), self.items)
                return
            boundary = boundary_of(answer.headers["content-type"])
            alive = _Alive(self.waits.document)
            for part in parts_of(alive.watch(self._chunks(answer)), boundary):
                alive.since = time.monotonic()
                yield read_streams(part, self.items)

    def _asked(self, ask: Callable[[dict[str, str]], Streams]) -> Streams:
        try:
            return ask(self._path())
        except AgentError as error:
            if not self._path() or error.code not in (
                "INVALID_XPATH",
                "INVALID_PATH",
                "UNSUPPORTED",
            ):
                raise
        self.by_path = False
        return ask({})

    def _path(self) -> dict[str, str]:
        if not self.by_path or not all(PLAIN_ID.fullmatch(item) for item in self.items):
            return {}
        named = " or ".join(f'@id="{item}"' for item in self.items)
        return {"path": f"//DataItem[{named}]"}

    def _streams(self, request: str, asked: dict[str, str]) -> Streams:
        return read_streams(self._document(request, asked), self.items)

    def _document(self, request: str, asked: dict[str, str]) -> bytes:
        with self._answer(request, asked) as answer:
            return self._whole(answer, _kind(answer))

    def _whole(self, answer: httpx.Response, kind: str) -> bytes:
        is_xml = kind.endswith(("/xml", "+xml"))
        if answer.status_code >= 300 and not is_xml:
            raise FeedError(f"the agent answers {answer.status_code} ({answer.reason_phrase})")
        if not is_xml:
            raise FeedError(f"the agent's answer must be XML, got {kind or 'no content type'}")
        content, ends = bytearray(), time.monotonic() + self.waits.document
        for chunk in self._chunks(answer):
            content += chunk
            if len(content) > LARGEST_DOCUMENT:
                raise FeedError(f"the agent's document is larger than {LARGEST_DOCUMENT:,} bytes")
            if time.monotonic() > ends:
                raise FeedError(f"the agent's document took longer than {self.waits.document:g} s")
        return bytes(content)

    @contextmanager
    def _answer(self, request: str, asked: dict[str, str]) -> Iterator[httpx.Response]:
        device = "" if self.device is None else f"/{quote(self.device, safe='')}"
        waits = httpx.Timeout(self.waits.connect, read=self.waits.silence)
        # Compressed answers are not asked for: a few bytes could stand for gigabytes.
        headers = {"User-Agent": f"trialog/{__version__}", "Accept-Encoding": "identity"}
        try:
            with (
                httpx.Client(timeout=waits, headers=headers, trust_env=False) as client,
                client.stream("GET", f"{self.url}{device}/{request}", params=asked) as answer,
            ):
                if answer.is_redirect:
                    raise FeedError("the agent sends elsewhere; redirects are not followed")
                yield answer
        except httpx.TimeoutException as error:
            raise FeedError("the agent does not answer in time") from error
        except (httpx.HTTPError, httpx.InvalidURL, httpx.StreamError) as error:
            raise FeedError(
                f"the agent cannot be reached: {error or type(error).__name__}"
            ) from error

    def _chunks(self, answer: httpx.Response) -> Iterator[bytes]:
        if answer.headers.get("content-encoding", "identity").lower() != "identity":
            raise FeedError("the agent's answer must not be compressed")
        return answer.iter_raw()


@dataclass
class _Alive:
    """Watches that a stream brings whole documents, and not drops of one for ever."""

    most: float
    since: float = field(default_factory=time.monotonic)

    def watch(self, chunks: Iterator[bytes]) -> Iterator[bytes]:
        """Pass bytes on for as long as whole documents come of them."""
        for chunk in chunks:
            if time.monotonic() - self.since > self.most:
                raise FeedError(f"the agent sent no whole document within {self.most:g} s")
            yield chunk


def _kind(answer: httpx.Response) -> str:
    kind: str = answer.headers.get("content-type", "")
    return kind.partition(";")[0].strip().lower()
