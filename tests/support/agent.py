"""A machine with its agent: a real HTTP server on the loopback, which misbehaves when told to.

It follows the open standard ANSI/MTC1.4 as far as a follower sees it: probe, current and sample, a
buffer of numbered observations, error documents, streaming. What a test asks of it beyond that, no
agent should do, and some do.
"""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from urllib.parse import parse_qs, urlsplit

COUNT, STATE, OTHER = "lathe_pc", "lathe_exec", "lathe_load"
ITEMS = (COUNT, STATE, OTHER)


@dataclass(frozen=True)
class Heard:
    """An observation in the agent's buffer."""

    sequence: int
    item: str
    value: str
    at: datetime
    reset: bool = False


@dataclass
class Machine:
    """The machine, which counts, and the agent's buffer. `counted` is what it really ran."""

    size: int = 1000
    instance: int = 1_700_000_001
    version: str = "1.8"
    skew: timedelta = timedelta()
    counter: int = 0
    counted: int = 0
    sequence: int = 0
    buffer: list[Heard] = field(default_factory=list)
    latest: dict[str, Heard] = field(default_factory=dict)
    misbehave: str = ""
    lock: threading.RLock = field(default_factory=threading.RLock)

    def __post_init__(self):
        self.boot()

    def boot(self):
        """Begin with an empty buffer, as an agent does that is started."""
        with self.lock:
            self.buffer, self.latest, self.sequence = [], {}, 0
            self.say(COUNT, str(self.counter))
            self.say(STATE, "READY")
            self.say(OTHER, "0")

    def restart(self, *, same_instance=False, parts_meanwhile=0):
        """Start the agent anew; the machine goes on counting while it is away."""
        with self.lock:
            self.counter += parts_meanwhile
            self.counted += parts_meanwhile
            self.instance += not same_instance
            self.boot()

    def now(self):
        return datetime.now(UTC) + self.skew

    def say(self, item, value, *, reset=False):
        with self.lock:
            self.sequence += 1
            one = Heard(self.sequence, item, value, self.now(), reset)
            self.buffer = [*self.buffer, one][-self.size :]
            self.latest[item] = one

    def part(self, number=1):
        """Run cycles, each of which is counted."""
        with self.lock:
            for _ in range(number):
                self.counter += 1
                self.counted += 1
                self.say(COUNT, str(self.counter))

    def reset(self, to=0):
        """Set the machine's counter anew, as people do between batches."""
        with self.lock:
            self.counter = to
            self.say(COUNT, str(to))

    def chatter(self, number):
        """Say things that nobody who counts listens to."""
        for load in range(number):
            self.say(OTHER, str(load))

    @property
    def first(self):
        return self.buffer[0].sequence if self.buffer else self.sequence + 1

    def streams(self, observations, upto):
        """Return a document of observations."""
        with self.lock:
            header = self._header(upto)
            lines = "\n".join(self._line(one) for one in observations)
        space = f"urn:mtconnect.org:MTConnectStreams:{self.version}"
        told = (
            '<DeviceStream name="lathe" uuid="lathe-1">'
            '<ComponentStream component="Path" componentId="path" name="path">'
            f"<Events>{lines}</Events></ComponentStream></DeviceStream>"
        )
        return (
            '<?xml version="1.0" encoding="UTF-8"?>\n'
            f'<MTConnectStreams xmlns="{space}"'
            ' xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance">\n'
            f"{header}\n<Streams>{told if lines else ''}</Streams></MTConnectStreams>"
        ).encode()

    def _header(self, upto):
        made = self.now().isoformat().replace("+00:00", "Z")
        return (
            f'<Header creationTime="{made}" sender="bench" instanceId="{self.instance}"'
            f' version="{self.version}" bufferSize="{self.size}"'
            f' deviceModelChangeTime="{made}"'
            f' nextSequence="{upto}" firstSequence="{self.first}"'
            f' lastSequence="{self.sequence}"/>'
        )

    def _line(self, one):
        name = {COUNT: "PartCount", STATE: "Execution", OTHER: "Line"}[one.item]
        at = one.at.isoformat().replace("+00:00", "Z")
        more = ' subType="ALL"' if one.item == COUNT else ""
        more += ' resetTriggered="SHIFT"' if one.reset else ""
        return (
            f'<{name} dataItemId="{one.item}" sequence="{one.sequence}"'
            f' timestamp="{at}"{more}>{one.value}</{name}>'
        )

    def probe(self):
        """Return what the device can tell."""
        return f"""<?xml version="1.0" encoding="UTF-8"?>
<MTConnectDevices xmlns="urn:mtconnect.org:MTConnectDevices:{self.version}">
<Header creationTime="2026-03-02T06:00:00Z" sender="bench" instanceId="{self.instance}"
  version="{self.version}" bufferSize="{self.size}" assetBufferSize="8" assetCount="0"/>
<Devices><Device id="d" name="lathe" uuid="lathe-1"><Components><Path id="path" name="path">
<DataItems>
<DataItem category="EVENT" id="{COUNT}" type="PART_COUNT" subType="ALL"/>
<DataItem category="EVENT" id="by_part" type="PART_COUNT" representation="DATA_SET"/>
<DataItem category="EVENT" id="scrap" type="PART_COUNT" subType="BAD"/>
<DataItem category="EVENT" id="{STATE}" type="EXECUTION"/>
<DataItem category="EVENT" id="{OTHER}" type="LINE"/>
</DataItems></Path></Components></Device></Devices></MTConnectDevices>""".encode()

    def error(self, code, words="no"):
        """Return an error document."""
        return (
            f'<MTConnectError xmlns="urn:mtconnect.org:MTConnectError:{self.version}">'
            f'<Header creationTime="2026-03-02T06:00:00Z" sender="bench"'
            f' instanceId="{self.instance}" version="{self.version}" bufferSize="{self.size}"/>'
            f'<Errors><Error errorCode="{code}">{words}</Error></Errors></MTConnectError>'
        ).encode()


class Handler(BaseHTTPRequestHandler):
    """Answers for a machine; a misbehaviour lasts until the test ends it, or for one answer."""

    protocol_version = "HTTP/1.1"
    machine: Machine
    asked: list[str]

    def log_message(self, *_args):
        pass

    def do_GET(self):
        address = urlsplit(self.path)
        asked = {name: values[0] for name, values in parse_qs(address.query).items()}
        self.asked.append(self.path)
        request = address.path.rpartition("/")[2]
        once = self.machine.misbehave
        if once.endswith("once"):
            self.machine.misbehave = ""
        kind = once.removesuffix(" once")
        if kind in BEFORE:
            BEFORE[kind](self)
            return
        if request == "probe":
            self.send(self.machine.probe())
        elif request == "current":
            self.send(self.marred(kind, self.current(asked)))
        elif "interval" in asked:
            self.stream(asked, kind)
        else:
            self.send(self.marred(kind, self.sample(asked, kind)))

    def marred(self, kind, document):
        return AFTER[kind](document) if kind in AFTER else document

    def current(self, asked):
        with self.machine.lock:
            held = [one for one in self.machine.latest.values() if wanted(one, asked)]
            return self.machine.streams(held, self.machine.sequence + 1)

    def sample(self, asked, kind=""):
        machine, start, count = self.machine, int(asked["from"]), int(asked["count"])
        with machine.lock:
            if "path" in asked and kind == "no paths":
                return machine.error("INVALID_XPATH")
            if not machine.first <= start <= machine.sequence + 1 and kind != "clamps":
                return machine.error(
                    "OUT_OF_RANGE", f"from must be {machine.first} to {machine.sequence}"
                )
            held = [one for one in machine.buffer if one.sequence >= start and wanted(one, asked)]
            told = held[:count]
            upto = told[-1].sequence + 1 if len(held) > count else machine.sequence + 1
            if kind == "doubles":
                told = [*told, *told]
            if kind == "from before":
                told = [one for one in machine.buffer if wanted(one, asked)]
            return machine.streams(told, upto)

    def send(self, content, *, status=200, kind="text/xml", length=None):
        self.send_response(status)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(content) if length is None else length))
        self.end_headers()
        self.wfile.write(content)

    def stream(self, asked, kind):
        if kind == "no streams":
            self.send(self.sample(asked))
            return
        self.close_connection = True
        self.send_response(200)
        self.send_header("Content-Type", 'multipart/x-mixed-replace;boundary="b0und"')
        self.end_headers()
        asked = dict(asked)
        for _ in range(200):
            with self.machine.lock:
                document = self.marred(kind, self.sample(asked, kind))
                asked["from"] = str(self.machine.sequence + 1)
            length = "" if kind == "no lengths" else f"Content-length: {len(document)}\r\n"
            head = f"--b0und\r\nContent-type: text/xml\r\n{length}\r\n".encode()
            self.wfile.write(head + document + b"\r\n")
            if kind in ("hangs up", "truncates"):
                return
            if b"MTConnectError" in document:
                return
            time.sleep(0.01)
            if self.machine.misbehave == "hangs up":
                return

    def refuse(self):
        self.close_connection = True
        self.connection.close()

    def endless(self):
        self.close_connection = True
        self.send_response(200)
        self.send_header("Content-Type", "text/xml")
        self.end_headers()
        try:
            for _ in range(200):
                self.wfile.write(b"<a>" * 30_000)
        except OSError:
            pass  # whoever listened had enough

    def redirect(self):
        self.send_response(302)
        self.send_header("Location", "/probe")
        self.send_header("Content-Length", "0")
        self.end_headers()


def wanted(one, asked):
    return "path" not in asked or f'"{one.item}"' in asked["path"]


BOMB = b"""<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "aaaaaaaaaa">
<!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;&a;">]><MTConnectStreams>&b;</MTConnectStreams>"""


def squeezed(handler):
    handler.send_response(200)
    handler.send_header("Content-Type", "text/xml")
    handler.send_header("Content-Encoding", "gzip")
    handler.send_header("Content-Length", "4")
    handler.end_headers()
    handler.wfile.write(b"\x1f\x8b\x08\x00")


BEFORE = {
    "drops": Handler.refuse,
    "endless": Handler.endless,
    "redirects": Handler.redirect,
    "fails": lambda self: self.send(b"no", status=503, kind="text/plain"),
    "says html": lambda self: self.send(b"<html></html>", kind="text/html"),
    "says nothing": lambda self: self.send(b"", kind=""),
    "compresses": squeezed,
    "other document": lambda self: self.send(b"<MTConnectAssets/>"),
    "bombs": lambda self: self.send(BOMB),
    "is busy": lambda self: self.send(self.machine.error("INTERNAL_ERROR"), status=500),
}
"""What it answers instead of anything else."""

AFTER = {
    "truncates": lambda document: document[: len(document) // 2],
    "no header": lambda document: document.replace(b"<Header", b"<Footer"),
    "odd numbers": lambda document: document.replace(b'nextSequence="', b'nextSequence="x'),
    "huge numbers": lambda document: document.replace(b'nextSequence="', b'nextSequence="9' * 2),
}
"""What it makes of a document."""


class Bench:
    """A running agent: its machine, its address, and what it was asked."""

    def __init__(self, machine):
        self.machine, self.asked = machine, []
        handler = type("Bound", (Handler,), {"machine": machine, "asked": self.asked})
        self.server = ThreadingHTTPServer(("127.0.0.1", 0), handler)
        self.server.daemon_threads = True
        self.server.handle_error = lambda *_: None  # whoever hung up is of no interest
        self.url = f"http://127.0.0.1:{self.server.server_address[1]}"
        self.thread = threading.Thread(
            target=self.server.serve_forever, kwargs={"poll_interval": 0.01}, daemon=True
        )

    def __enter__(self):
        self.thread.start()
        return self

    def __exit__(self, *_):
        self.machine.misbehave = "hangs up"
        self.server.shutdown()
        self.server.server_close()
        self.thread.join()
