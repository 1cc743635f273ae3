"""Read an agent's documents, of whatever version of the standard.

The versions 1.1 to 2.x differ in their XML namespaces and in the kinds of observations; elements
are told apart by their local names here, and what is not known is passed over.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from xml.etree.ElementTree import Element, ParseError

from defusedxml import DefusedXmlException  # type: ignore[import-untyped]
from defusedxml.ElementTree import fromstring  # type: ignore[import-untyped]

from trialog.errors import TrialogError, cut
from trialog.records.feeds import LARGEST_SEQUENCE

OUT_OF_RANGE = "OUT_OF_RANGE"
UNAVAILABLE = "UNAVAILABLE"
SHOWN = 200


class FeedError(TrialogError):
    """The agent cannot be heard just now, or says what cannot be understood."""


class AgentError(FeedError):
    """The agent refuses; `code` is the standard's word for why."""

    def __init__(self, code: str, words: str) -> None:
        self.code = code
        super().__init__(f"the agent says {code}: {cut(words, SHOWN)}")


@dataclass(frozen=True)
class Header:
    """Which agent speaks, and which observations it holds."""

    instance: str
    first: int
    next: int
    created_at: datetime | None


@dataclass(frozen=True)
class Observation:
    """What one data item said at a moment. `reset`: why a count began anew, where that is said."""

    item: str
    sequence: int
    at: datetime | None
    value: str
    reset: str | None


@dataclass(frozen=True)
class Streams:
    """A document of observations, in the order of their sequence numbers."""

    header: Header
    observations: tuple[Observation, ...]


@dataclass(frozen=True)
class DataItem:
    """What a device can tell, as a probe describes it."""

    device: str
    id: str
    type: str
    sub_type: str | None
    representation: str


def read_streams(content: bytes, items: Collection[str]) -> Streams:
    """Read a document of observations, and of these only those of some data items.

    Raises
    ------
    AgentError
        If it is an error document.
    FeedError
        If it is neither, or not whole.
    """
    root = _root(content, "MTConnectStreams")
    found = sorted(_observations(root, frozenset(items)), key=lambda one: one.sequence)
    return Streams(_header(root), tuple(found))


def read_probe(content: bytes) -> tuple[DataItem, ...]:
    """Read what an agent's devices can tell.

    Raises
    ------
    AgentError
        If it is an error document.
    FeedError
        If it is neither, or not whole.
    """
    root = _root(content, "MTConnectDevices")
    return tuple(
        DataItem(
            device=device.get("name") or device.get("uuid") or "",
            id=item.get("id") or "",
            type=(item.get("type") or "").rpartition(":")[2],
            sub_type=item.get("subType"),
            representation=item.get("representation") or "VALUE",
        )
        for device in root.iter()
        if _local(device) in ("Device", "Agent")
        for item in device.iter()
        if _local(item) == "DataItem" and item.get("id")
    )


def _root(content: bytes, expected: str) -> Element:
    try:
        root: Element = fromstring(content, forbid_dtd=True)
    except DefusedXmlException as error:
        raise FeedError(
            "the agent's document defines entities or a type; it is not read"
        ) from error
    except (ParseError, ValueError, LookupError) as error:
        raise FeedError(
            f"the agent's document is no whole XML: {cut(str(error), SHOWN)}"
        ) from error
    if _local(root) == "MTConnectError":
        _raise_error(root)
    if _local(root) != expected:
        raise FeedError(f"the agent's document must be {expected}, got {cut(_local(root), SHOWN)}")
    return root


def _raise_error(root: Element) -> None:
    for element in root.iter():
        code = element.get("errorCode")
        if code:
            raise AgentError(cut(code, 40), " ".join("".join(element.itertext()).split()))
    raise AgentError("an error", "without saying which")


def _header(root: Element) -> Header:
    for element in root:
        if _local(element) == "Header":
            instance = (element.get("instanceId") or "").strip()
            if not 0 < len(instance) <= 20 or not instance.isdecimal():
                raise FeedError(f"instanceId must be a whole number, got {cut(instance, SHOWN)!r}")
            return Header(
                instance=instance,
                first=_sequence("firstSequence", element.get("firstSequence")),
                next=_sequence("nextSequence", element.get("nextSequence")),
                created_at=read_time(element.get("creationTime")),
            )
    raise FeedError("the agent's document has no Header")


def _sequence(name: str, text: str | None) -> int:
    given = (text or "").strip()
    if not (given.isascii() and given.isdecimal() and len(given) <= 20):
        raise FeedError(f"{name} must be a whole number, got {cut(given, SHOWN)!r}")
    number = int(given)
    if not 0 <= number <= LARGEST_SEQUENCE:
        raise FeedError(f"{name} must be at most {LARGEST_SEQUENCE}, got {number}")
    return number


def _observations(root: Element, items: frozenset[str]) -> Iterator[Observation]:
    for element in root.iter():
        item = element.get("dataItemId")
        # A count kept by other things, as a set or a table, has children instead of a number.
        if item in items and element.get("sequence") and len(element) == 0:
            yield Observation(
                item=item or "",
                sequence=_sequence("sequence", element.get("sequence")),
                at=read_time(element.get("timestamp")),
                value=(element.text or "").strip(),
                reset=element.get("resetTriggered"),
            )


def read_time(text: str | None) -> datetime | None:
    """Read a time of an agent's, or None; without a zone it is UTC, as the standard has it."""
    if not text:
        return None
    try:
        moment = datetime.fromisoformat(text.strip().partition("@")[0])
        # Near the ends of the calendar a zone leads out of it.
        return moment.replace(tzinfo=UTC) if moment.tzinfo is None else moment.astimezone(UTC)
    except (ValueError, OverflowError):
        return None


def _local(element: Element) -> str:
    return element.tag.rpartition("}")[2] if isinstance(element.tag, str) else ""
