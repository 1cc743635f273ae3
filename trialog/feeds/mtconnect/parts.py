"""Part an endless answer (multipart/x-mixed-replace) into its documents, as they come in."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from email.message import Message

from trialog.feeds.mtconnect.documents import FeedError

LARGEST_DOCUMENT = 8 * 1024 * 1024
"""Bytes; a thousand observations take about 300,000."""

LARGEST_HEAD = 8 * 1024


def boundary_of(content_type: str) -> bytes:
    """Return what stands between the parts, as the answer's head says.

    Raises
    ------
    FeedError
        If it says none.
    """
    message = Message()
    message["content-type"] = content_type
    named = message.get_param("boundary")
    boundary = named if isinstance(named, str) else ""
    if not 0 < len(boundary) <= 200 or not boundary.isascii():
        raise FeedError("the agent's stream does not say what stands between its documents")
    return b"--" + boundary.removeprefix("--").encode()


def parts_of(chunks: Iterable[bytes], boundary: bytes) -> Iterator[bytes]:
    """Yield the documents of a stream, each as soon as it is whole.

    A part that says its length is taken by that; another one ends at the next boundary.

    Raises
    ------
    FeedError
        If a part is larger than any document may be, or the stream ends within one.
    """
    reader = _Reader(iter(chunks))
    reader.until(boundary)
    while True:
        head = reader.until(b"\n\r\n", b"\n\n", most=LARGEST_HEAD)
        if head.startswith(b"--"):
            return
        length = _length(head)
        if length is None:
            yield reader.until(boundary).strip()
        else:
            yield reader.take(length).strip()
            reader.until(boundary, most=LARGEST_HEAD)


def _length(head: bytes) -> int | None:
    for line in head.splitlines():
        name, _, value = line.partition(b":")
        if name.strip().lower() == b"content-length":
            text = value.strip()
            if not text.isdigit() or int(text[:12]) > LARGEST_DOCUMENT:
                raise FeedError("a document of the agent's stream is too large, or says no length")
            return int(text)
    return None


class _Reader:
    """Bytes that come in, and what was read of them."""

    def __init__(self, chunks: Iterator[bytes]) -> None:
        self.chunks, self.waiting = chunks, bytearray()

    def take(self, length: int) -> bytes:
        """Take so many bytes."""
        while len(self.waiting) < length:
            self._more()
        taken = bytes(self.waiting[:length])
        del self.waiting[:length]
        return taken

    def until(self, *ends: bytes, most: int = LARGEST_DOCUMENT) -> bytes:
        """Take what stands before the first of some ends, and the end itself away."""
        searched = 0
        while True:
            places = [(self.waiting.find(end, searched), len(end)) for end in ends]
            found = [(place, length) for place, length in places if place >= 0]
            if found:
                place, length = min(found)
                taken = bytes(self.waiting[:place])
                del self.waiting[: place + length]
                return taken
            if len(self.waiting) > most:
                raise FeedError("a document of the agent's stream is too large")
            searched = max(0, len(self.waiting) - max(map(len, ends)))
            self._more()

    def _more(self) -> None:
        chunk = next(self.chunks, None)
        if chunk is None:
            raise FeedError("the agent's stream ended")
        self.waiting += chunk
